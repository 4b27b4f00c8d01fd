"""The bench where answers cross: each is held back until what must come before it has come."""

from __future__ import annotations

import time

import pytest

from .bench_tab import ASKED, Page, now, saved
from .conftest import DESIGN

pytestmark = pytest.mark.browser

MORE = '[[group]]\nname = "middle"\nstart_mm = 150.0\nstock = "M4"\n[[group.tine]]\nfree_length_mm = 99.0\n\n'
HIGH = '[[group]]\nname = "high"'


class Held:
    """Requests of a name that are not answered until it is said."""

    def __init__(self, page, name):
        self.page, self.name, self.waiting, self.answered = page, name, [], None
        page.tab.route(f"**/{name}", self._asked)

    def _asked(self, route):
        self.waiting.append(route)
        if self.answered:
            self.answered(route)

    def come(self, count=1):
        for _ in range(1000):
            if len(self.waiting) >= count:
                return
            self.page.tab.wait_for_timeout(20)
        raise AssertionError(f"{self.name} was asked for {len(self.waiting)} times, not {count}")

    def let_go(self, then=lambda route: route.continue_()):
        """And those that are asked for from now on."""
        self.answered = then
        for each in self.waiting:
            each.continue_()


def text(page):
    return page.serving.session.path.read_text()


def seen(page, name):
    """Waits until the server has a model, whatever its pages know."""
    for _ in range(1000):
        if now(page) == name:
            return
        time.sleep(0.02)
    raise AssertionError(name)


def put_before(page):
    """Another program puts a group before the second one."""
    return saved(page, HIGH, MORE + HIGH)


@pytest.mark.parametrize("tabbed_on", [False, True])
@pytest.mark.parametrize("taken", [False, True])
def test_what_is_known_comes_while_a_change_is_not_answered_and_takes_nothing_away(opened, taken, tabbed_on):
    """Neither what is refused and is to be mended, nor what is taken, in the place of which the old would show."""
    known = Held(opened, "know/*")
    opened.shows(saved(opened, "# flat", "# flatter"))
    known.come()
    change = Held(opened, "change")
    opened.tab.select_option("#thing", "group 0")
    opened.set("Spacing", 15)
    if tabbed_on:
        opened.field("Start").focus()
    change.come()
    known.let_go()
    opened.until("known.told")
    assert opened.field("Spacing").input_value() == "15"
    if not taken:
        (asked,) = change.waiting
        asked.fulfill(status=409, content_type="application/json", body='{"refused": "a stand-in says no"}')
        opened.until("$('said').textContent === 'Not changed: a stand-in says no'")
    else:
        frame = Held(opened, "model/**")
        change.let_go()
        frame.come()  # the server has taken it, and the page still has the older model
        assert opened.field("Spacing").input_value() == "15"
        opened.tab.evaluate("showFields()")
        assert opened.field("Spacing").input_value() == "15"
        frame.let_go()
        opened.shows(now(opened))
    assert opened.field("Spacing").input_value() == ("15" if taken or not tabbed_on else "17")
    assert ("spacing_mm = 15.0" in text(opened)) == taken


MARKED = """(wanted) => { const all = [...document.querySelectorAll('#fields input, #fields select')];
    all.find((each) => each.dataset.path.endsWith(wanted)).drawnBefore = true; }"""
STAYED = (
    "document.activeElement.drawnBefore === true && document.querySelectorAll('#fields [data-path]').length"
)


def test_what_is_marked_in_a_line_is_still_marked_when_all_else_is_drawn_anew(opened):
    """What is typed then takes its place; and it is written as what was told last, by its label too."""
    opened.tab.select_option("#thing", "group 0")
    opened.field("Spacing").select_text()
    opened.tab.evaluate(MARKED, "spacing_mm")
    lines = opened.tab.evaluate("document.querySelectorAll('#fields [data-path]').length")
    opened.shows(saved(opened, "start_mm = 50.0", "start_mm = 51.0"))
    opened.until("document.querySelector('[data-path=\"group[1].start_mm\"]').value === '51'")
    assert opened.tab.evaluate(STAYED) == lines
    opened.tab.keyboard.type("15")
    opened.tab.keyboard.press("Enter")
    opened.until("bench.state.undo === 2")
    assert "spacing_mm = 15.0" in text(opened)
    opened.shows(now(opened))
    opened.tab.evaluate("showFields()")
    assert opened.tab.evaluate(STAYED) == lines
    opened.set("Spacing", 16)  # the same line, once more
    opened.until("bench.state.undo === 3")
    opened.shows(saved(opened, "spacing_mm = 16.0", "spacing_mm = 18.0"))
    opened.until("document.activeElement.value === '18'")
    assert opened.tab.evaluate("document.activeElement.drawnBefore") is None  # it says something else


def test_a_nut_whose_line_stayed_is_foreseen_in_the_model_that_is_shown(opened):
    opened.tab.select_option("#thing", "group 0")
    opened.tab.select_option("#thing-tine", label="2")
    opened.tab.focus("[data-path='nut 0']")
    opened.tab.evaluate(MARKED, "nut 0")
    opened.shows(saved(opened, "start_mm = 50.0", "start_mm = 51.0"))
    opened.until("things.told.model === HEAD.model && things.shown")
    assert opened.tab.evaluate(STAYED)
    opened.tab.keyboard.press("ArrowUp")
    opened.until("$('foreseen').textContent.includes('cents from')")
    opened.until("bench.state.undo === 2")
    assert "at_mm = 60.5 }] # by ear" in text(opened)


def test_a_list_that_may_be_rolled_out_is_not_taken_from_under_the_hand(opened):
    opened.tab.select_option("#thing", "group 0")
    opened.tab.focus("#fields select")
    opened.tab.evaluate("document.activeElement.drawnBefore = true")
    opened.tab.evaluate("showFields()")
    assert opened.tab.evaluate(STAYED)


def test_a_change_that_was_taken_and_whose_answer_is_lost_is_not_called_refused(opened):
    """The page hears of it by itself, since the server goes on."""
    opened.tab.route("**/change", lambda route: (route.fetch(), route.abort()))
    opened.tab.select_option("#thing", "group 0")
    opened.set("Spacing", 15)
    opened.until("$('said').textContent.startsWith('The server does not answer. Look whether')")
    assert "spacing_mm = 15.0" in text(opened)
    opened.shows(now(opened))
    assert opened.field("Spacing").input_value() == "15"


def test_what_was_refused_stays_in_its_line_until_the_hand_leaves_it(opened):
    opened.tab.select_option("#thing", "group 0")
    opened.set("Start", 900)
    opened.until("$('said').textContent.startsWith('Not changed')")
    opened.shows(saved(opened, "spacing_mm = 17.0", "spacing_mm = 18.0"))
    assert (opened.field("Start").input_value(), opened.field("Spacing").input_value()) == ("900", "18")
    opened.field("Start").fill("51")
    opened.field("Start").press("Enter")
    opened.until("bench.state.undo === 2")
    opened.set("Start", 900)
    opened.until("$('said').textContent.includes('off the bar')")
    opened.tab.evaluate("showFields()")
    opened.tab.evaluate("document.activeElement.blur()")
    opened.until("document.querySelector('[data-path=\"group[1].start_mm\"]').value === '51'")


def test_a_change_while_another_is_asked_for_is_made_after_it_on_what_that_makes(opened):
    """In the same field and in the next one; nobody else has changed anything."""
    change = Held(opened, "change")
    opened.tab.select_option("#thing", "group 1")
    opened.set("Spacing", 18)
    opened.set("Spacing", 17)
    opened.set("Start", 192)
    change.come()
    change.let_go()
    opened.until("bench.state.undo === 3")
    assert text(opened) == DESIGN.replace("190.0", "192.0").replace("spacing_mm = 20.0", "spacing_mm = 17.0")
    assert "Not changed" not in opened.said()
    back = Held(opened, "back")
    opened.tab.click("#undo")
    opened.tab.click("#undo")
    back.come()
    back.let_go()
    opened.until("bench.state.undo === 1")
    assert text(opened) == DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 18.0")


def test_what_another_writes_between_two_changes_of_a_page_is_no_change_of_its_own(opened):
    def between(route):
        seen(opened, put_before(opened))
        route.continue_()

    change = Held(opened, "change")
    opened.tab.select_option("#thing", "group 1")
    opened.set("Spacing", 18)
    opened.set("Start", 192)
    change.come()
    change.let_go(between)
    opened.until("$('said').textContent.includes('changed elsewhere')")
    assert "start_mm = 192" not in text(opened)
    assert MORE in text(opened)


def test_a_field_that_is_typed_while_a_group_is_put_before_its_own_changes_no_neighbour(opened):
    """It is told, the lines are those of now, and what was typed stands in its own."""
    opened.tab.select_option("#thing", "group 1")
    opened.field("Start").fill("195")
    opened.shows(put_before(opened))
    assert opened.tab.evaluate("things.chosen") == {"kind": "group", "index": 2}
    before = text(opened)
    opened.field("Start").press("Enter")
    opened.until("$('said').textContent.includes('changed since it was shown')")
    assert text(opened) == before
    assert opened.tab.evaluate("$('thing').selectedOptions[0].textContent") == "high"
    opened.tab.evaluate("document.activeElement.blur()")
    opened.set("Start", 195)
    opened.until("bench.state.undo === 2")
    assert text(opened) == before.replace("start_mm = 190.0", "start_mm = 195.0")


def test_a_change_before_the_lines_are_drawn_anew_changes_no_neighbour(opened):
    """The page has heard of the text, but what can be set of it has not come."""
    things = Held(opened, "things/*")
    opened.tab.select_option("#thing", "group 1")
    name = put_before(opened)
    opened.until("HEAD.groups.length === 3")
    things.come()
    before = text(opened)
    opened.set("Start", 195)
    opened.until("$('said').textContent.includes('changed since it was shown')")
    assert text(opened) == before
    opened.tab.select_option("#thing", "group 0")  # by its name: the list is the older one
    opened.tab.select_option("#thing", "group 1")
    assert opened.tab.evaluate("HEAD.groups[things.chosen.index].name") == "high"
    things.let_go()
    opened.shows(name)
    assert opened.field("Start").get_attribute("data-path") == "group[3].start_mm"


@pytest.mark.parametrize(
    ("chosen", "old", "new", "then"),
    [
        ({"kind": "tine", "index": 4}, HIGH, MORE + HIGH, {"kind": "tine", "index": 5}),
        ({"kind": "group", "index": 1}, 'name = "high"', 'name = "higher"', {"kind": "group", "index": 1}),
        ({"kind": "tine", "index": 2}, '[[group.tine]]\npitch = "A3"\ntrim_to = { partial = 2, ratio = 6.0, '
         'nut = "M4 hex" }\n', "", {"kind": "group", "index": 0}),
        ({"kind": "group", "index": 0}, DESIGN[DESIGN.index('[[group]]\nname = "low"') : DESIGN.index(HIGH)],
         "", {"kind": "bar"}),
    ],
)  # fmt: skip
def test_the_same_stays_chosen_in_another_model_or_what_has_its_place(opened, chosen, old, new, then):
    opened.tab.evaluate(
        "(chosen) => { choose(chosen); if (chosen.kind === 'tine') showTine(chosen.index); }", chosen
    )
    opened.shows(saved(opened, old, new))
    assert text(opened) == DESIGN.replace(old, new)
    assert opened.tab.evaluate("things.chosen") == then
    if then["kind"] == "tine":
        assert opened.tab.evaluate("drawing.chosen") == then["index"]


def bodies(page, act, argument=None):
    """What is asked for by an act, whole."""
    return [body for _, body in page.tab.evaluate(ASKED.replace("ACT", act), [argument, {}])]


@pytest.mark.parametrize(
    "act",
    [
        "() => tryButton({ words: 'do it', edits: [{ path: 'a.b', value: 1 }] }, older).click()",
        "() => [...barLines()].find((each) => each.textContent.startsWith('Add')).click()",
        "() => [...barLines()].find((each) => each.textContent.startsWith('Take')).click()",
        """() => { const control = fieldLine(older.groups[1].fields[0]).querySelector('input');
            control.value = 'other'; control.dispatchEvent(new Event('change')); }""",
        "() => nutLines(1, 0, older.tines[1].nuts.placed[0])[0].querySelector('button').click()",
        "() => moveNut(1, 0, 71, older)",
        """() => { const kinds = addNut(1).querySelector('select'); kinds.value = 'M4 hex';
            kinds.dispatchEvent(new Event('change')); }""",
        "() => { drag.at = { kind: 'support', n: 1, to: 9, from: 0, told: older }; return dropped(); }",
        "() => { drag.at = { kind: 'group', g: 1, to: 9, from: 0, told: older }; return dropped(); }",
        "() => { drag.at = { kind: 'nut', r: 1, k: 0, to: 9, from: 0, told: older }; return dropped(); }",
    ],
)
def test_what_is_pressed_says_of_which_text_it_was_drawn_though_a_newer_one_is_told(bench, act):
    inside = """async () => { const kept = things.told, older = structuredClone({ ...kept, text: 'older' });
        things.told = older; const later = kept;
        const newer = () => { things.told = later; };
        const click = HTMLElement.prototype.click, send = EventTarget.prototype.dispatchEvent;
        HTMLElement.prototype.click = function () { newer(); click.call(this); };
        EventTarget.prototype.dispatchEvent = function (event) { newer(); return send.call(this, event); };
        try { await (ACTION)(); } finally { things.told = kept;
          HTMLElement.prototype.click = click; EventTarget.prototype.dispatchEvent = send; } }"""
    (body,) = bodies(bench, inside.replace("ACTION", act))
    assert (body["on"], body["drawn"]) == (bench.serving.session.state()["text"], "older")


def test_what_was_drawn_goes_on_with_what_the_page_sets_in_place_and_with_nothing_else(bench):
    act = """async ([path, value, instead, drawn]) => { const told = { text: drawn }, plainly = asked;
        asked = async (name, body) => ({ ...bench.state, text: 'made', was: body.on });
        const kept = bench.state;
        try { await set([{ path, value, instead_of: instead }], told); return told.text; }
        finally { asked = plainly; bench.state = kept; } }"""
    on = bench.serving.session.state()["text"]
    for path, value, instead, drawn, then in (
        ("a.b", 1, "", on, "made"),
        ("a.b", None, "", on, "made"),
        ("a.b[2]", None, "", on, on),
        ("a.b[+]", {"c": 1}, "", on, on),
        ("a.b", [{"c": 1}], "", on, on),
        ("a.b", 1, "c", on, on),
        ("a.b", 1, "", "older", "older"),
    ):
        assert bench.tab.evaluate(act, [path, value, instead, drawn]) == then


def test_what_is_held_while_another_drag_is_asked_for_stays_held(bench):
    act = """async () => { const plainly = asked, { state } = bench; let answer;
        asked = () => new Promise((told) => { answer = told; });
        try { drag.at = { kind: 'support', n: 0, from: 0, to: 9 }; const first = dropped(); await null; await null;
          const moved = drag.at.over; const second = drag.at = { kind: 'support', n: 1, from: 0 };
          answer(state); await first; return [moved, drag.at === second]; }
        finally { asked = plainly; drag.at = null; } }"""
    assert bench.tab.evaluate(act) == [True, True]


def test_what_is_held_of_another_model_is_let_go_where_it_is_another(opened):
    """A group that has moved on by one; a mere comment takes nothing out of the hand."""
    opened.drag("groupHandles()[1]", (30, 0))
    opened.shows(saved(opened, "# flat", "# flatter"))
    assert opened.tab.evaluate("drag.at.g") == 1
    opened.shows(put_before(opened))
    assert opened.tab.evaluate("drag.at") is None
    before = text(opened)
    opened.tab.mouse.move(600, 300)
    opened.tab.mouse.up()
    opened.tab.wait_for_timeout(100)
    assert text(opened) == before
    assert "it stays where it is" in opened.said()


def test_what_was_foreseen_of_a_tine_that_is_chosen_no_longer_is_not_told(bench):
    act = """async (works) => { const plainly = asked; let answer, refuse;
        asked = () => new Promise((told, no) => { [answer, refuse] = [told, no]; });
        try { choose({ kind: 'tine', index: 1 }); const over = foresee(1, []); choose({ kind: 'bar' });
          if (works) answer({ hz: 1, length_mm: 1, ratios: [], nearest: [], cents: [] });
          else refuse(new Error('no')); await over; return $('foreseen').textContent; }
        finally { asked = plainly; } }"""
    for works in (True, False):
        assert bench.tab.evaluate(act, works) == ""


def test_words_that_were_refused_are_sent_again_by_enter(bench):
    act = """async () => { const sent = [], control = typed('D3', 0);
        committed(control, 'D3', () => control.value, async (next) => { sent.push(next); return false; });
        control.value = 'H3';
        for (let n = 0; n < 2; n++) { control.dispatchEvent(new KeyboardEvent('keydown', { key: 'Enter' }));
          await new Promise((go) => setTimeout(go)); }
        control.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowUp' }));
        return [sent, control.value]; }"""
    assert bench.tab.evaluate(act) == [["H3", "H3"], "H3"]


def test_a_refusal_brings_back_what_was_taken_last_not_what_was_drawn(bench):
    act = """async () => { const sent = [], control = typed(1, 1);
        committed(control, 1, () => Number(control.value), async (next) => { sent.push(next); return next < 9; });
        for (const value of [2, 9, 2, 1]) { control.value = value; control.dispatchEvent(new Event('change'));
          await new Promise((go) => setTimeout(go)); }
        return sent; }"""
    assert bench.tab.evaluate(act) == [2, 9, 1]


def test_what_is_kept_is_what_is_heard_and_a_name_that_is_typed_since_stays(bench):
    act = """async () => { const plainly = asked; let answer; const bodies = [];
        asked = (name, body) => { bodies.push([name, body.name, body.model]);
          return new Promise((told) => { answer = told; }); };
        try { $('keep-name').value = 'one'; $('keep').requestSubmit(); await null; await null; await null;
          $('keep-name').value = 'two'; answer(bench.state); await new Promise((go) => setTimeout(go));
          return [bodies, $('keep-name').value]; } finally { asked = plainly; $('keep-name').value = ''; } }"""
    heard = bench.tab.evaluate("HEAD.model")
    assert bench.tab.evaluate(act) == [[["keep", "one", heard]], "two"]


def test_what_is_known_of_a_model_that_is_gone_is_not_told_with_another(opened):
    found = opened.tab.evaluate("""async () => { const plainly = asked, { told } = known; let answer;
        asked = () => new Promise((go) => { answer = go; });
        try { const button = searchButton(); button.click(); known.told = { ...told };
          answer({ severity: 1, found: [] });
          await new Promise((go) => setTimeout(go)); return [$('said').textContent, $('better').textContent]; }
        finally { asked = plainly; known.told = told; } }""")
    assert found == ["The design has been changed since: look again.", ""]


def test_what_cannot_be_known_is_told_and_nothing_of_the_model_before_stays(opened):
    opened.tab.route("**/know/*", lambda route: route.fulfill(status=500, body="{}"))
    opened.shows(saved(opened, "height_mm = 12.0", "height_mm = 14.0"))
    opened.until("$('known-head').textContent === 'not known, the server answers 500'")
    assert opened.tab.evaluate("$('known-body').textContent") == ""


ADVICE = "document.querySelector('[data-part=boards]').textContent"


def test_advice_that_fails_is_told(opened):
    advise = Held(opened, "advise/*")
    opened.shows(saved(opened, "height_mm = 12.0", "height_mm = 14.0"))
    opened.until("known.told?.model === HEAD.model")
    advise.come()
    assert "being worked out" in opened.tab.evaluate(ADVICE)
    for each in advise.waiting:
        each.fulfill(status=500, body="{}")
    opened.until(f"{ADVICE}.includes('It could not be worked out: the server answers 500.')")


@pytest.mark.parametrize("told_first", [False, True])
def test_advice_that_was_refused_of_a_design_that_comes_back_is_asked_for_again(opened, told_first):
    """The file says something else for a moment, while it is asked for: the page keeps its model all the time."""
    advise, frame = Held(opened, "advise/*"), Held(opened, "model/**")
    opened.tab.evaluate("askKnown()")
    advise.come()
    first = now(opened)
    saved(opened, "height_mm = 12.0", "height_mm = 14.0")
    opened.until(f"bench.state.model !== '{first}'")
    frame.come()
    if not told_first:
        advise.let_go()
        opened.until("known.refused")
    saved(opened, "height_mm = 14.0", "height_mm = 12.0")
    opened.until(f"bench.state.model === '{first}'")
    if told_first:
        (asked,) = advise.waiting
        advise.answered = lambda route: route.continue_()
        asked.fulfill(status=409, content_type="application/json", body='{"refused": "changed since"}')
    opened.until("known.advice")
    assert opened.tab.evaluate("HEAD.model") == first
    assert "being worked out" not in opened.tab.evaluate(ADVICE)
    for each in frame.waiting:
        each.abort()


def test_what_is_listened_to_blind_is_what_this_tab_replayed(opened, browser):
    act = "async () => { const told = []; const own = window.open; window.open = (...how) => told.push(how);" \
        " replay.turn = Promise.resolve(); const kept = replayed; replayed = async () => ({});" \
        " try { $('blind').click(); await new Promise((go) => setTimeout(go, 50)); return [told[0][0], TAB]; }" \
        " finally { window.open = own; replayed = kept; } }"  # fmt: skip
    other = Page(browser, opened.serving)
    (first, mine), (second, theirs) = opened.tab.evaluate(act), other.tab.evaluate(act)
    other.tab.close()
    assert (first, second) == (f"listen/{mine}", f"listen/{theirs}")
    assert mine != theirs


def test_a_page_that_the_browser_kept_listens_again_and_shows_what_is_now(opened):
    """As with the button back: it was put aside, and is shown again with all that it knew (HTML standard, 7.4)."""
    aside = "(name) => { window.dispatchEvent(new PageTransitionEvent(name, { persisted: true })); }"
    opened.tab.evaluate(aside, "pagehide")
    assert opened.tab.evaluate("bench.events.readyState") == 2
    first = now(opened)
    name = saved(opened, "free_length_mm = 150.0", "free_length_mm = 140.0")
    seen(opened, name)
    opened.tab.wait_for_timeout(200)
    assert opened.tab.evaluate("HEAD.model") == first
    opened.tab.evaluate(aside, "pageshow")
    opened.shows(name)
    assert opened.tab.evaluate("bench.linked")
    assert opened.tab.evaluate("HEAD.picture[0].length") == pytest.approx(0.14)
    opened.tab.evaluate("window.first = bench.events")
    opened.tab.evaluate(aside, "pageshow")  # never two at once
    opened.until("bench.events.readyState === 1")
    assert opened.tab.evaluate("window.first.readyState") == 2
