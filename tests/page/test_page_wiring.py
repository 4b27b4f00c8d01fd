"""What the page's scripts say again, or hand on: the same as the command line's, and each where it belongs."""

from __future__ import annotations

import pytest

from synth.playing import computer_keys, midi_mapping, mute
from synth.playing.contact.resolution import EVENT
from synth.playing.script import script_in
from synth.playing.stroke import CHOICES, CONTROLS, Hold, Stroke, default_of, shaped
from synth.sound import bandlimit, limiter

from .conftest import made

pytestmark = pytest.mark.browser

SAME = {
    "CEILING_DB": limiter.CEILING_DB,
    "ATTACK": limiter.ATTACK,
    "RELEASE": limiter.RELEASE,
    "PALM_PERIODS": mute.PALM_PERIODS,
    "TOUCH_DB_PER_S": mute.TOUCH_DB_PER_S,
    "SETTLES": mute.SETTLES,
    "WIDEST": mute.WIDEST,
    "GROWTH": mute.GROWTH,
    "REACH": bandlimit.REACH,
    "SPREAD": bandlimit.SPREAD,
    "STEP": EVENT.step,
    "QUIET": EVENT.quiet_steps,
    "STROKES": computer_keys.STROKES,
    "PALMS": computer_keys.PALMS,
    "NEUTRAL": midi_mapping.NEUTRAL,
    "NEUTRAL_BRIGHTNESS": midi_mapping.NEUTRAL,
    "SHORTEST_PALM": 1e3 * midi_mapping.PALM_SECONDS,
    "FAST": 0.125,  # s, IEC 61672-1
    "REFERENCE": 20e-6,  # Pa
}
# every control otherwise than usual, and unlike all others
SAID = {
    "speed_mm_s": 310.0, "bite_mm": 1.3, "lean": -0.4, "height_mm": 7.0, "tilt_deg": 51.0, "skew_deg": 9.0,
    "pressure_n": 0.15,
}  # fmt: skip
WORDS = {"direction": "backward", "grip": "firm", "stick": "brass", "brightness": 96}


def test_a_constant_that_stands_in_both_is_the_same_in_both(opened):
    page = opened("straight")
    told = {name: page.tab.evaluate(name) for name in SAME}
    assert told == {
        name: pytest.approx(value) if not isinstance(value, str) else value for name, value in SAME.items()
    }


def test_what_is_not_said_of_a_stroke_is_as_usual(opened):
    usual = opened("straight").tab.evaluate("USUAL")
    assert usual.pop("brightness") == midi_mapping.NEUTRAL
    for each in CONTROLS:
        assert usual.pop(each.key) * each.unit == pytest.approx(default_of(each.field))
    assert usual == {key: default_of(key) for key in CHOICES if key != "hand"}


def test_every_word_of_a_line_is_taken_for_what_it_says(opened):
    """As `shaped` takes it; seconds from beats as a metronome counts them: 3 beats of 90 a minute are 2 s."""
    told = opened("straight").tab.evaluate(
        "async ([line, defaults]) => new Engine(await content).wish(scripted(line, defaults, 90, 'bar'))",
        [{"group": "wires", "at_beat": 3.0, "grip": "firm", **SAID}, {**WORDS, "grip": "light"}],
    )
    stroke = shaped(Stroke(1, made("straight").sticks["brass"]), SAID)
    for each in CONTROLS:
        assert told[each.field] == pytest.approx(getattr(stroke, each.field)), each.key
    assert told["start"] == pytest.approx(2.0)
    assert {key: told[key] for key in ("group", *WORDS)} == {"group": 1, **WORDS}


RECORD = """([wish, report, palm]) => {
    Object.assign(record, { on: true, from: 100.0, to: 104.5, lines: [], sounds: [] });
    wishes.set(wish.id, wish);
    reported(report);
    const { player } = window.tinewright;
    const clock = [102.0, 102.75];
    const stub = { tell: () => {}, second: () => clock.shift() };
    window.tinewright.player = stub;
    globalThis.palm(stub, palm, true);
    globalThis.palm(stub, palm, false);
    window.tinewright.player = player;
    record.on = false;
    return scriptText(); }"""


def test_what_is_kept_of_a_stroke_and_of_a_palm_is_all_that_was_asked_for(opened):
    """A group of keys keeps the speed that was asked for; a hand's is that of its way from first to last tine."""
    instrument = made("straight")
    places = [tine.position for tine in instrument.tines]
    asked = {key: value for key, value in SAID.items() if key != "skew_deg"}  # no hand on a page has any
    for hand, speed in ((False, 0.31), (True, (places[3] - places[1]) / 0.05)):
        wish = {"id": "one", "group": 0, **asked, **WORDS, **({"at_mm": 1.0} if hand else {})}
        touches = [
            {"tine": tine, "touches": 1, "first": 101.0 + 0.025 * n} for n, tine in enumerate((3, 2, 1))
        ]
        report = {
            "id": "one",
            "group": 0,
            "direction": "backward",
            "touches": [*touches, {"tine": 0, "touches": 0}],
        }
        text = opened("straight").tab.evaluate(RECORD, [wish, report, "wires"])
        assert "3 of 4 tines were met" in text
        piece = script_in(text, instrument)
        stroke, hold = (each.event for each in piece.played)
        assert isinstance(stroke, Stroke)
        assert stroke.speed == pytest.approx(speed)
        for each in CONTROLS:
            if each.key in asked and each.key != "speed_mm_s":
                assert getattr(stroke, each.field) == pytest.approx(asked[each.key] * each.unit), each.key
        assert stroke.stick == midi_mapping.edged(instrument.sticks["brass"], 96)
        assert (stroke.start, stroke.direction, stroke.grip) == (pytest.approx(1.0), "backward", "firm")
        assert hold == Hold(1, pytest.approx(2.0), pytest.approx(0.75), "palm")
        assert piece.seconds == pytest.approx(4.5)


MANNER = """([groups, speed]) => {
    const view = { groups, spans: [[0.1, 0.15]], falls: [0], lengths: [0.1, 0.1, 0.1, 0.1] };
    const hand = { at: 0.12, depth: 0.002, falls: 0.2, speed };
    return Hand.prototype.manner.call({ view, kind: 'mouse' }, 0, hand); }"""


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["rising", "falling"])
@pytest.mark.parametrize("speed", [0.4, -0.4])
def test_a_path_leans_to_the_tines_where_it_comes_nearer_to_the_bar(opened, sign, speed):
    """Falling by 0.2 over 50 mm, 10 mm of the 40 that are all of the bite: to the high ones where pitch rises."""
    page = opened("straight")
    hertz = page.tab.evaluate("HEAD.picture.map((each) => each.hz)")
    way = sorted(range(4), key=lambda r: sign * hertz[r])
    told = page.tab.evaluate(MANNER, [[way], speed])
    assert told["lean"] == pytest.approx(sign * 0.25)
    assert told["height_mm"] == 0.0
