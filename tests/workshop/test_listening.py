"""The page to listen to a comparison, in Chromium, from disk: what sounds, when, and what a blind test counts."""

import json

import numpy as np
import pytest
import soundfile
from scipy.stats import binomtest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.sound.audio import RATE

pytestmark = pytest.mark.browser
DESIGN = """
name = "Offcut <b>"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 30.0, kind = "rubber" }, { at_mm = 250.0, kind = "cord" }]
[[group]]
name = "D3"
stock = "M4"
start_mm = 40.0
spacing_mm = 15.0
[[group.tine]]
free_length_mm = 120.0
[[group.tine]]
free_length_mm = 100.0
"""
SECONDS, AHEAD, FADE = 1.0, 0.03, 0.008
BIT = 2.0**-15


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two thicknesses of the bar, three strokes; and a bar that cannot be."""
    place = tmp_path_factory.mktemp("listening")
    (place / "offcut.toml").write_text(DESIGN, encoding="utf-8")
    words = ["compare", str(place / "offcut.toml"), "--group", "D3", "--seconds", str(SECONDS)]
    words += ["--vary", "bar.section.height_mm=10,20,1", "--vary", "speed_mm_s=200,400,800"]
    assert run([*words, "-o", str(place / "out")]) == 0
    return place / "out"


@pytest.fixture
def tab(browser, folder):
    opened = browser.new_page(viewport={"width": 1280, "height": 800})
    opened.told = []
    opened.on("request", lambda request: opened.told.append(request.url))
    opened.on("pageerror", lambda error: opened.told.append(str(error)))
    opened.on("console", lambda message: opened.told.append(message.text))
    opened.goto((folder / "index.html").as_uri())
    opened.evaluate("window.listening.ready")
    yield opened
    assert [each for each in opened.told if not each.startswith("blob:")] == [
        (folder / "index.html").as_uri()
    ]
    opened.close()


NAMES = [f"bar.section.height_mm={h}_speed_mm_s={v}" for h in (10, 20) for v in (200, 400, 800)]


def files(folder, kind):
    return [soundfile.read(folder / kind / f"{name}.wav")[0].T for name in NAMES]


def numbers(tab, code):
    """Lists of numbers out of the page, through text: a long array is slow otherwise."""
    return json.loads(tab.evaluate(f"(async () => JSON.stringify(await ({code})()))()"))


@pytest.mark.parametrize("kind", ["true", "matched"])
def test_what_sounds_is_the_files_beside_the_page(tab, folder, kind):
    """At its gain, to half a step of sixteen bits of its own peak; Chromium is another off, which takes what is
    positive for shares of 2^15 - 1."""
    for n, expected in enumerate(files(folder, kind)):
        found = np.array(
            numbers(
                tab,
                f"() => {{ const b = listening.page.player.buffers[{n}], g = listening.head.sounds[{n}].{kind};"
                " return [0, 1].map((c) => Array.from(b.getChannelData(c), (x) => x * g)); }",
            )
        )
        np.testing.assert_allclose(found, expected, atol=np.abs(expected).max() * 1.6 * BIT + 2.0**-22)


SWITCHED = """async () => {
  const { Player, page, head } = listening, rate = 48000;
  const context = new OfflineAudioContext(2, 2.2 * rate, rate);
  const player = new Player(page.player.buffers, head.sounds);
  player.context = context;
  player.play();
  const moments = [];
  for (const [block, n] of [[100, 4], [300, 2], [700, 5]])
    context.suspend(block * 128 / rate).then(() => {
      moments.push(player.moment()); player.select(n); context.resume();
    });
  const out = await context.startRendering();
  return [moments, Array.from(out.getChannelData(0)), Array.from(out.getChannelData(1))];
}"""


def test_one_sound_takes_over_from_another_at_the_same_moment_without_a_gap(tab, folder):
    """Against the sum written out: sounds that begin together and go round, of which one is faded into the next."""
    moments, *found = numbers(tab, SWITCHED)
    sounds = [np.tile(each, 3)[:, : round(2.2 * RATE)] for each in files(folder, "true")]
    began = round(AHEAD * RATE)
    frame = np.arange(round(2.2 * RATE))
    ends = [began] + [128 * block + began for block in (100, 300, 700)]
    expected = np.zeros((2, len(frame)))
    for order, (n, start) in enumerate(zip((0, 4, 2, 5), ends, strict=True)):
        rise = np.clip((frame - start) / (FADE * RATE), 0.0, 1.0) if order else (frame >= start)
        fall = np.clip((frame - ends[order + 1]) / (FADE * RATE), 0.0, 1.0) if order < 3 else 0.0
        expected[:, began:] += (sounds[n] * 1.0)[:, : len(frame) - began] * (rise - fall)[began:]
    np.testing.assert_allclose(found, expected, atol=3.0 * BIT * np.abs(expected).max())
    assert moments == pytest.approx([((128 * block - began) / RATE) % SECONDS for block in (100, 300, 700)])


def test_keys_pick_in_the_grid_play_and_change_the_level(tab):
    state = "() => { const p = listening.page.player; return [p.current, p.playing, p.level]; }"
    for key, expected in [
        ("3", [2, False, "true"]),
        ("ArrowDown", [5, False, "true"]),
        ("ArrowRight", [0, False, "true"]),
        ("ArrowRight", [1, False, "true"]),
        ("m", [1, False, "matched"]),
        (" ", [1, True, "matched"]),
        ("ArrowDown", [4, True, "matched"]),
        (" ", [4, False, "matched"]),
    ]:
        tab.keyboard.press(key)
        assert numbers(tab, state) == expected, key
    pressed = tab.locator("#grid button[aria-pressed=true]")
    assert pressed.get_attribute("aria-label") == "bar section height 20 mm, speed 400 mm/s"
    assert tab.locator("#now").text_content() == "bar section height 20 mm, speed 400 mm/s"
    tab.locator("#notes").press("3")
    assert numbers(tab, state)[0] == 4  # who writes a note picks nothing


def test_the_mouse_picks_and_the_sound_goes_on_where_it_is(tab):
    tab.locator("#play").click()
    tab.wait_for_timeout(300)
    moment = "() => listening.page.player.moment()"
    before = numbers(tab, moment)
    tab.locator("#grid button").nth(3).click()
    after = numbers(tab, moment)
    assert 0.1 < before < SECONDS
    assert 0.0 <= (after - before) % SECONDS < 0.5
    assert tab.locator("#grid button[aria-pressed=true]").count() == 1


def test_the_cursor_runs_over_the_picture_with_the_sound_and_a_click_goes_to_a_moment(tab):
    box = tab.locator("#spectrogram").bounding_box()
    tab.mouse.click(box["x"] + 44 + 0.6 * (box["width"] - 46), box["y"] + 50)
    assert numbers(tab, "() => listening.page.player.moment()") == pytest.approx(0.6 * SECONDS, abs=0.01)
    tab.wait_for_timeout(100)
    column = numbers(
        tab,
        "() => { const c = document.getElementById('spectrogram'), pen = c.getContext('2d');"
        " const row = pen.getImageData(0, 150, c.width, 1).data;"
        " const marked = (x) => row[4 * x] === 0xc2 && row[4 * x + 1] === 0x41;"
        " return [...Array(c.width).keys()].filter(marked); }",
    )
    assert np.mean(column) == pytest.approx(44 + 0.6 * (box["width"] - 46), abs=2.0)


def test_the_chance_of_guessing_is_the_binomial_test(tab):
    trials = [(k, n) for n in (5, 12, 16, 37, 100) for k in range(n + 1)]
    found = numbers(tab, f"() => {json.dumps(trials)}.map(([k, n]) => listening.byGuessing(k, n))")
    expected = [binomtest(k, n, 0.5, alternative="greater").pvalue for k, n in trials]
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def answer_all(tab, right):
    """Answers an X test, so many of them right."""
    total = numbers(tab, "() => listening.page.test.total")
    for n in range(total):
        tab.keyboard.press("x")
        hidden = numbers(tab, f"() => listening.page.test.hidden[{n}]")
        says = hidden if n < right else 1 - hidden
        tab.get_by_role("button", name=f"X is {'AB'[says]}").click()


def test_x_is_asked_for_so_many_times_and_counted_at_the_end_alone(tab, tmp_path):
    tab.locator("#abx-b").select_option("4")
    tab.locator("#abx-times").fill("12")
    tab.locator("#abx").click()
    assert tab.locator("#seen").is_hidden()
    assert tab.locator("#grid button:not([disabled])").count() == 0
    assert tab.locator("#grid button[aria-pressed=true]").count() == 0
    answer_all(tab, right=9)
    said = tab.locator("#result").text_content()
    chance = 100.0 * binomtest(9, 12, 0.5, alternative="greater").pvalue
    assert f"9 of 12 right. By guessing alone, that many or more come in {chance:.1f} % of such tests" in said
    assert "It is not shown" in said
    tab.locator("#notes").fill("the thick one is <clearer>")
    with tab.expect_download() as saving:
        tab.locator("#save").click()
    saving.value.save_as(tmp_path / "notes.txt")
    lines = (tmp_path / "notes.txt").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "Offcut <b>, group D3"
    assert any("9 of 12 right" in each for each in lines)
    assert sum("X was" in each for each in lines) == 12
    agreed = [each.split("X was ")[1][0] == each[-1] for each in lines if "X was" in each]
    assert agreed == [True] * 9 + [False] * 3
    assert lines[-1] == "the thick one is <clearer>"


def test_x_is_the_one_that_is_hidden_and_each_is_as_likely(tab):
    drawn = numbers(
        tab, "() => new listening.Abx(0, 4, 100).hidden.concat(new listening.Abx(0, 4, 100).hidden)"
    )
    assert binomtest(sum(drawn), len(drawn), 0.5).pvalue > 1e-6
    offered = numbers(
        tab,
        "() => { const t = new listening.Abx(0, 4, 20), out = [];"
        " while (!t.done) { out.push([t.hidden[t.answers.length], t.offered.X]); t.answer('a'); }"
        " return [out, t.right]; }",
    )
    assert all(x == (4 if hidden else 0) for hidden, x in offered[0])
    assert offered[1] == sum(not hidden for hidden, _ in offered[0])


def test_a_test_that_is_stopped_has_no_count(tab):
    tab.locator("#abx").click()
    tab.get_by_role("button", name="X is A").click()
    tab.locator("#stop").click()
    assert "without a count" in tab.locator("#result").text_content()
    assert "right" not in tab.evaluate("listening.page.notes.text('', listening.head.sounds)")


def test_every_pair_comes_once_and_preferences_are_counted(tab):
    tab.locator("#prefer").click()
    pairs = numbers(tab, "() => listening.page.test.pairs")
    assert sorted(tuple(sorted(each)) for each in pairs) == [
        (a, b) for a in range(6) for b in range(a + 1, 6)
    ]
    for (
        one,
        other,
    ) in pairs:  # who likes the fastest stroke, whatever the bar, and neither where it is the same
        fast = [each % 3 for each in (one, other)]
        answer = "neither" if fast[0] == fast[1] else "AB"[int(fast[1] > fast[0])]
        tab.locator("#answer").get_by_role("button", name=answer, exact=True).click()
    lines = tab.locator("#result p").all_text_contents()
    assert len(lines) == 6
    counts = {each.split(":")[0]: each.split(": ")[1] for each in lines}
    for height in (10, 20):
        for order, speed in enumerate((200, 400, 800)):
            told = counts[f"bar section height {height} mm, speed {speed} mm/s"]
            assert told == f"preferred {2 * order} of 5, neither 1"
    assert lines[0].split(":")[0].endswith("800 mm/s")


@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_the_page_fits_a_phone_and_a_desk(tab, size):
    tab.set_viewport_size({"width": size[0], "height": size[1]})
    assert tab.evaluate("document.documentElement.scrollWidth") == size[0]
    for each in tab.locator("button:visible").all():
        box = each.bounding_box()
        assert box["height"] >= 40.0
    assert tab.locator("#left-out li").all_text_contents() == tab.evaluate("listening.head.left_out")
    assert tab.locator("#left-out li").count() == 3


def test_every_control_has_a_name(tab):
    unnamed = tab.evaluate(
        "[...document.querySelectorAll('button, select, input, textarea')]"
        ".filter((each) => !(each.labels?.length || each.textContent.trim() || each.ariaLabel))"
        ".map((each) => each.outerHTML)"
    )
    assert unnamed == []


def test_the_design_is_one_that_can_be_stroked(folder):
    assert resolve(load(folder.parent / "offcut.toml")).name == "Offcut <b>"
