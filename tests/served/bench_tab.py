"""A tab on a served design, for the tests of the bench in Chromium."""

from __future__ import annotations

from pathlib import Path

from synth.served.model import SolvedDesign

ROOT = Path(__file__).parents[2]


class Page:
    """A tab on a served design."""

    def __init__(self, browser, serving):
        self.tab = browser.new_page(viewport={"width": 1280, "height": 800})
        self.serving = serving
        self.complaints = []
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.goto(serving.address.words)
        self.tab.evaluate("window.tinewright.ready")
        self.until("bench.linked && things.told && known.told")

    def until(self, code, seconds=20.0):
        for _ in range(round(seconds / 0.02)):
            if self.tab.evaluate(code):
                return
            self.tab.wait_for_timeout(20)
        raise AssertionError(
            f"after {seconds:g} s it is still not true: {code}; {self.stands()}; {self.said()}"
        )

    def shows(self, model, seconds=20.0):
        """Waits until a model is drawn, offered and played."""
        self.until(f"HEAD.model === '{model}' && things.told.model === '{model}' && !swap.running", seconds)

    def sound_on(self):
        self.tab.click("#sound")
        self.until("window.tinewright.player")

    def stands(self):
        return self.tab.evaluate("$('stands').textContent")

    def said(self):
        return self.tab.evaluate("$('said').textContent")

    def field(self, label):
        return self.tab.get_by_label(label, exact=True)

    def set(self, label, value):
        box = self.field(label)
        box.fill(str(value))
        box.press("Enter")

    def drag(self, handle, way):
        """From a handle of the picture by so many css px."""
        self.tab.check("input[name=way][value=change]")
        x, y = self.tab.evaluate(
            f"() => {{ const box = $('instrument').getBoundingClientRect(); const {{ px }} = {handle};"
            " return [box.left + px[0], box.top + px[1]]; }"
        )
        self.tab.mouse.move(x, y)
        self.tab.mouse.down()
        for part in (0.5, 1.0):
            self.tab.mouse.move(x + part * way[0], y + part * way[1])
        self.tab.wait_for_timeout(60)


def model(serving):
    return serving.session.model


def now(page):
    return page.serving.session.model.name


def saved(page, old, new):
    """The file as an editor saves it."""
    path = page.serving.session.path
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    return SolvedDesign(path.read_text(), "slat.toml").name if "H3" not in new else ""


# what an act asks of the server, which answers as told, or with the state that it is in
ASKED = """async ([argument, answers]) => {
    const asked = [], plainly = window.fetch;
    window.fetch = async (name, how) => {
      asked.push([name, how?.body ? JSON.parse(how.body) : null]);
      return new Response(JSON.stringify(answers[name] ?? bench.state));
    };
    try { await (ACT)(argument); await new Promise((done) => setTimeout(done)); }
    finally { window.fetch = plainly; }
    return asked; }"""
# a pen that notes what it is asked to draw
PEN = """const drawn = []; const pen = new Proxy({ measureText: (words) => ({ width: 6 * words.length }) }, {
      get: (own, name) => own[name] ?? ((...how) => { drawn.push([name, ...how.map((x) => (typeof x === 'number'
        ? Math.round(1e6 * x) / 1e6 : x))]); }),
      set: (own, name, value) => { drawn.push([`${name} =`, value]); return true; } });"""


def asked(page, act, argument=None, **answers):
    """Names and bodies of what was asked, without the text that the page knows, which every change says."""
    found = page.tab.evaluate(ASKED.replace("ACT", act), [argument, answers])
    for _, body in found:
        if body is not None and "on" in body:
            assert body.pop("on") == page.serving.session.state()["text"]
    return [tuple(each) for each in found]


def edits(page, act, argument=None):
    """The edits of the one change that is asked for; a key that is not said is none."""
    ((name, body),) = asked(page, act, argument)
    assert name == "change"
    return [{key: value for key, value in each.items() if value != ""} for each in body["edits"]]
