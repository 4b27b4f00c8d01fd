"""The scripts of the page to listen to a comparison by hand: where a sound goes on, axes, shades, the grid."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.sound.audio import RATE
from synth.workshop.listening import Heard, listening_page
from synth.workshop.spectrograms import Panel
from synth.workshop.variants import LeftOut

pytestmark = pytest.mark.browser
SECONDS = 0.5


@pytest.fixture(scope="module")
def tab(browser, tmp_path_factory):
    """Two sticks and two speeds, of which birch was left out at the higher one; a sound of half a second."""
    dice = np.random.default_rng(1)
    levels, partials = np.full((193, 24), 40.0, np.float32), (146.8, 921.0, 30_000.0)
    ways = [("birch", "100", 61.4), ("oak", "100", 58.6), ("oak", "300", math.inf)]
    sounds = []
    for stick, speed, level in ways:
        pressure = dice.uniform(-1e-3, 1e-3, (2, RATE // 2)).astype(np.float32)
        panel = Panel(f"stick {stick}, speed {speed} mm/s", SECONDS, levels, partials)
        chosen = (("stick", stick), ("speed_mm_s", speed))
        sounds.append(Heard(chosen, pressure, 30.0, 20.0, level, panel))
    file = tmp_path_factory.mktemp("listening") / "index.html"
    left_out = [LeftOut((("stick", "birch"), ("speed_mm_s", "300")), "no")]
    file.write_text(listening_page(sounds, left_out, title="T", a4_hz=441.0), encoding="utf-8")
    opened = browser.new_page(viewport={"width": 1280, "height": 800})
    opened.goto(file.as_uri())
    opened.evaluate("window.listening.ready")
    yield opened
    opened.close()


PLAYER = """(steps) => { const { Player, head } = listening, log = [], context = { currentTime: 5 };
    const player = new Player([{ duration: 0.5 }, { duration: 0.5 }, { duration: 0.5 }], head.sounds);
    player.context = context;
    player.begin = (at, fade) => { log.push(['begin', at, fade, player.within(at - player.origin)]);
      player.voice = {}; };
    player.end = (at) => { log.push(['end', at]); player.voice = null; };
    for (const [name, given] of steps) {
      if (name === 'at') { context.currentTime = given; log.push(player.moment()); }
      else if (name === 'loop') player.loop = given;
      else player[name](given);
    }
    return log; }"""


def test_a_sound_that_is_stopped_goes_on_where_it_was(tab):
    """Begun 30 ms after it is asked for, so heard from 5.03 s on."""
    found = tab.evaluate(PLAYER, [
        ["play", None], ["at", 5.01], ["at", 5.43], ["stop", None], ["at", 7.0], ["play", None], ["at", 7.13],
        ["select", 2], ["at", 7.23], ["stop", None], ["stop", None],
    ])  # fmt: skip
    wanted = [
        ["begin", 5.03, 0, 0.0], 0.0, 0.4, ["end", 5.43], 0.4, ["begin", 7.03, 0, 0.4], 0.0, ["end", 7.16],
        ["begin", 7.16, 0.008, 0.03], 0.1, ["end", 7.23],
    ]  # fmt: skip
    # at 7.13 it has run for 0.1 s from 0.4 on: at the end of half a second it begins anew, rounding aside
    assert len(found) == len(wanted)
    for one, other in zip(found, wanted, strict=True):
        if isinstance(one, list):
            assert one[0] == other[0]
            assert one[1:] == pytest.approx(other[1:], abs=1e-9)
        else:
            assert min(abs(one - other), abs(abs(one - other) - SECONDS)) < 1e-9


def test_a_sound_goes_round_or_stays_at_its_end_and_begins_within_itself(tab):
    found = tab.evaluate(PLAYER, [
        ["play", None], ["at", 5.73], ["loop", False], ["at", 5.73], ["stop", None], ["seek", 9.0], ["at", 6.0],
        ["seek", -1.0], ["at", 6.0], ["play", None], ["seek", 0.2], ["at", 6.13],
    ])  # fmt: skip
    moments = [each for each in found if not isinstance(each, list)]
    assert moments == pytest.approx([0.2, 0.5, 0.49, 0.0, 0.3])
    begun = [each[1:] for each in found if isinstance(each, list) and each[0] == "begin"]
    assert begun == [
        pytest.approx([5.03, 0, 0.0]),
        pytest.approx([6.03, 0, 0.0]),
        pytest.approx([6.03, 0, 0.2]),
    ]


def test_a_sound_is_as_loud_as_its_level_less_what_all_are_turned_down_by(tab):
    act = """([n, level, down]) => { const { Player, head } = listening;
        const player = Object.assign(new Player([], head.sounds), { level, down });
        return [player.gain(n), head.sounds[n][level]]; }"""
    for n, level, down, share in ((0, "true", 0, 1.0), (1, "matched", 20, 0.1), (2, "true", 6.0206, 0.5)):
        found, whole = tab.evaluate(act, [n, level, down])
        assert found == pytest.approx(share * whole, rel=1e-5)


AXES = """([seconds, current]) => { const seen = listening.page.seen, said = [], bars = [];
    const pen = { fillText: (...how) => said.push(how), fillRect: (...how) => bars.push([pen.fillStyle,
      ...how]) };
    const kept = seen.head; seen.head = { ...kept, seconds, lowest_hz: 50, highest_hz: 12800 };
    seen.axes(pen, { width: 200, height: 400 }); seen.cursor(pen, { width: 200, height: 400 }, 0.4 * seconds);
    seen.head = kept; return [said, bars]; }"""


@pytest.mark.parametrize(("seconds", "step"), [(0.5, 0.1), (1.5, 0.2), (30.0, 5.0)])
def test_octaves_seconds_and_partials_stand_where_they_are(tab, seconds, step):
    """50 to 12800 Hz are eight octaves of 50 pixels each."""
    said, bars = tab.evaluate(AXES, [seconds, 0])
    named = {words: (x, y) for words, x, y in said}

    def height(hertz):
        return 400.0 - 50.0 * math.log2(hertz / 50.0)

    notes = {f"C{n}": 441.0 * 2.0 ** ((12.0 * (n - 4) - 9.0) / 12.0) for n in range(2, 10)}
    for name, hertz in notes.items():
        assert named[name] == (32, pytest.approx(height(hertz) + 4.0))
    times = {words: place for words, place in named.items() if words.endswith(" s")}
    ticks = np.arange(round(math.ceil(seconds / step - 1e-9))) * step
    assert list(times) == [f"{each:.1f} s".replace(".0 s", " s") for each in ticks]
    for (x, y), second in zip(times.values(), ticks, strict=True):
        assert (x, y) == (
            pytest.approx(44.0 + 200.0 * second / seconds + (6.0 if second == 0.0 else 0.0)),
            416,
        )
    partials = [each[1:] for each in bars if each[0] == "#8a3d0c"]
    assert partials == [[44, pytest.approx(height(hertz) - 1.0), 10, 2] for hertz in (146.8, 921.0)]
    assert [each[1:] for each in bars if each[0] == "#c2410c"] == [
        [pytest.approx(44.0 + 80.0 - 1.0), 0, 2, 400]
    ]


def test_a_picture_has_its_lowest_row_below_and_darkens_to_rust(tab):
    act = """(levels) => { const seen = listening.page.seen, kept = seen.head; seen.head = { rows: 3 };
        const picture = seen.image(Uint8Array.from(levels)); seen.head = kept;
        return [picture.width, picture.height, Array.from(picture.getContext('2d').getImageData(0, 0, 2, 3).data)]; }"""  # noqa: E501
    width, height, data = tab.evaluate(act, [0, 51, 102, 153, 204, 255])
    rows = np.array(data).reshape(3, 2, 4)
    assert (width, height) == (2, 3)
    assert np.all(rows[..., 3] == 255)
    inks = [[255, 255, 255], [214, 226, 233], [130, 170, 196], [52, 96, 140], [29, 39, 51], [138, 61, 12]]
    assert rows[::-1, :, :3].reshape(6, 3).tolist() == inks
    between = tab.evaluate(act, [26] * 6)[2][:3]  # 26 of 51 on the way from white
    assert between == [round(255 - 41 * 26 / 51), round(255 - 29 * 26 / 51), round(255 - 22 * 26 / 51)]


def test_the_grid_has_each_sound_in_its_row_and_column_with_its_level(tab):
    rows = tab.evaluate(
        "[...document.querySelectorAll('#grid tr')].map((row) => [...row.cells].map((each) => each.textContent))"
    )
    assert rows == [
        ["stick \N{DOWNWARDS ARROW}  speed \N{RIGHTWARDS ARROW}", "100 mm/s", "300 mm/s"],
        ["birch", "100 mm/s61 dB(A)", "left out"],
        ["oak", "100 mm/s59 dB(A)", "300 mm/s"],
    ]
    named = tab.locator("#grid button").all()
    assert [each.get_attribute("aria-label") for each in named] == [
        "stick birch, speed 100 mm/s",
        "stick oak, speed 100 mm/s",
        "stick oak, speed 300 mm/s",
    ]


def test_notes_say_what_x_was_and_what_was_said_and_which_is_preferred(tab):
    act = """() => { const { Abx, Pairs, Notes, head } = listening, notes = new Notes('T');
        const one = Object.assign(new Abx(0, 2, 3), { hidden: [1, 0, 1] }); for (const word of ['b', 'b', 'a'])
          one.answer(word);
        const two = Object.assign(new Pairs(3), { pairs: [[0, 1], [2, 0], [1, 2]] });
        for (const word of ['a', 'a', 'none']) two.answer(word);
        notes.add(one, head.sounds, 'true'); notes.add(two, head.sounds, 'matched');
        return notes.text(' heard \\n', head.sounds).split('\\n'); }"""
    lines = tab.evaluate(act)
    birch, oak, fast = (
        "stick birch, speed 100 mm/s",
        "stick oak, speed 100 mm/s",
        "stick oak, speed 300 mm/s",
    )
    assert lines[0] == "T"
    assert lines[2].startswith("Do two differ, true level, ")
    assert lines[3] == f"  A {birch}; B {fast}"
    assert lines[4].startswith(
        "  1 of 3 right. By guessing alone, that many or more come in 87.5 % of such tests."
    )
    assert lines[5:8] == ["  1: X was B, said B", "  2: X was A, said B", "  3: X was B, said A"]
    assert lines[9].startswith("Which is preferred, matched level, ")
    assert sorted(lines[10:13]) == sorted([
        f"  {birch}: preferred 1 of 2, neither 0", f"  {oak}: preferred 0 of 2, neither 1",
        f"  {fast}: preferred 1 of 2, neither 1",
    ])  # fmt: skip
    assert lines[13:16] == [
        f"  1: A {birch} | B {oak} | A", f"  2: A {fast} | B {birch} | A", f"  3: A {oak} | B {fast} | neither",
    ]  # fmt: skip
    assert lines[-2:] == ["heard", ""]
