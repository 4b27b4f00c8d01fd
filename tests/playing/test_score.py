"""Stroke scripts: beats, phrases, defaults, and mistakes told with their line."""

import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.score import read_script
from synth.playing.stroke import Hold, Stroke
from synth.units import MM

DESIGN = """
[bar]
section = { shape = "rectangle", width_mm = 25.0, height_mm = 25.0 }
path = [ { straight_mm = 600.0 } ]
[recipe.pair]
members = [0, 12]
[[group]]
name = "low"
root = "A3"
recipe = "pair"
stock = "M3"
start_mm = 50.0
[[group]]
name = "middle"
root = "D4"
recipe = "pair"
stock = "M3"
start_mm = 200.0
[[group]]
name = "high"
root = "A4"
recipe = "pair"
stock = "M3"
start_mm = 350.0
"""


@pytest.fixture
def instrument(tmp_path):
    (tmp_path / "design.toml").write_text(DESIGN)
    return resolve(load(tmp_path / "design.toml"))


@pytest.fixture
def read(tmp_path, instrument):
    def reader(text):
        (tmp_path / "piece.toml").write_text(text)
        return read_script(tmp_path / "piece.toml", instrument)

    return reader


def starts(performance):
    return [each.event.start for each in performance.played]


def test_beats_become_seconds_through_every_tempo_change(read):
    piece = read(
        """
        tempo_bpm = 60
        tempo = [ { at_beat = 4, bpm = 120 }, { at_beat = 8, bpm = 30 } ]
        stroke = [
          { at_beat = 2, group = "low" },
          { at_beat = 6, group = "low" },
          { at_beat = 9, group = "low" },
          { at_s = 1.5, group = "high" },
        ]
        """
    )
    # 4 beats at 60 = 4 s, 2 more at 120 = 1 s; 4 beats at 120 = 2 s, 1 more at 30 = 2 s: by hand
    assert starts(piece) == pytest.approx([1.5, 2.0, 5.0, 8.0])
    assert piece.seconds == pytest.approx(8.0 + 4.0)


def test_what_a_stroke_does_not_say_comes_from_the_defaults(read):
    piece = read(
        """
        [defaults]
        speed_mm_s = 700
        direction = "backward"
        stick = "brass"
        through = "pickup"
        [[stroke]]
        at_s = 0
        group = "low"
        [[stroke]]
        at_s = 1
        group = "low"
        speed_mm_s = 200
        direction = "forward"
        lean = -0.5
        stick = "nylon"
        through = "bar"
        """
    )
    first, second = piece.played
    assert isinstance(first.event, Stroke)
    assert (first.event.speed, first.event.direction, first.event.stick.name) == (
        700 * MM,
        "backward",
        "brass",
    )
    assert (second.event.speed, second.event.direction) == (200 * MM, "forward")
    assert (second.event.lean, second.event.stick.name) == (-0.5, "nylon")
    assert [first.through, second.through] == ["pickup", "bar"]


def test_a_phrase_repeats_and_moves_to_other_groups(read):
    piece = read(
        """
        tempo_bpm = 120
        stroke = [
          { at_beat = 0, phrase = "call", times = 2, every_beats = 4 },
          { at_beat = 8, phrase = "call", shift = 1, speed_mm_s = 900 },
          { at_s = 10, phrase = "call", onto = { low = "high" } },
        ]
        [phrase.call]
        stroke = [ { at_beat = 0, group = "low" }, { at_beat = 1, group = "middle" } ]
        """
    )
    assert starts(piece) == pytest.approx([0, 0.5, 2, 2.5, 4, 4.5, 10, 10.5])
    assert [each.event.group for each in piece.played] == [0, 1, 0, 1, 1, 2, 2, 1]
    assert [each.event.speed for each in piece.played][4:6] == [900 * MM] * 2


def test_palms_and_touches_are_holds(read):
    piece = read(
        """
        stroke = [
          { at_s = 0, group = "low" },
          { at_s = 2, palm = "low", hold_s = 0.5 },
          { at_s = 3, touch = "high" },
        ]
        """
    )
    assert [type(each.event) for each in piece.played] == [Stroke, Hold, Hold]
    assert piece.played[1].event == Hold(group=0, start=2.0, seconds=0.5, by="palm")
    assert piece.played[2].event.by == "touch"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'stroke = [\n { at_s = 0, group = "low" },\n { at_s = 1, group = "lo" },\n]',
            "line 3: stroke[2].group: ",
        ),
        ('stroke = [\n { at_s = 0, group = "low", speed_mm_s = 1e9 },\n]', "line 2: stroke[1].speed_mm_s: "),
        (
            '[[stroke]]\nat_s = 0\ngroup = "low"\n[[stroke]]\nat_s = 1\n',
            "line 5: stroke[2]: nothing is played",
        ),
        ('stroke = [ { at_s = 0, group = "low", lean = nan } ]', "line 1: stroke[1].lean: nan"),
        ('stroke = [ { at_s = 0, group = "low", len = 1 } ]', "line 1: stroke[1]: unknown key 'len'"),
        ('stroke = [ { at_s = 0, at_beat = 1, group = "low" } ]', "the time is given twice"),
        ('stroke = [ { group = "low" } ]', "the time is missing; give at_s or at_beat"),
        ('stroke = [ { at_s = 0, palm = "low", bite_mm = 2 } ]', "'bite_mm' means nothing for a palm"),
        ('stroke = [ { at_s = 0, phrase = "x" } ]', "there is no phrase 'x'"),
        ('stroke = [ { at_s = 0, group = "low", through = "box" } ]', "nothing is heard through 'box'"),
        ('stroke = [ { at_s = 0, group = "low", stick = "oak" } ]', "there is no stick 'oak'"),
        ("stroke = []", "stroke: there are 0 entries"),
        (
            '[defaults]\ntilt_deg = 200\n[[stroke]]\nat_s = 0\ngroup = "low"',
            "defaults.tilt_deg: 200 is out of range",
        ),
        (
            'stroke = [ { at_s = 0, phrase = "a" } ]\n[phrase.a]\nstroke = [\n { at_s = 0, group = "x" },\n]',
            "line 4: phrase.a.stroke[1].group: there is no group 'x'",
        ),
        (
            'stroke = [ { at_s = 0, phrase = "a", shift = 5 } ]\n[phrase.a]\nstroke = [{at_s = 0, group = "low"}]',
            "line 1: stroke[1].shift: +5 moves 'low' off the bar",
        ),
        (
            'tempo = [{at_beat = 4, bpm = 60}, {at_beat = 4, bpm = 80}]\nstroke = [{ at_s = 0, group = "low" }]',
            "line 1: tempo[2].at_beat: beat 4 does not come after",
        ),
    ],
)
def test_a_mistake_is_told_with_its_file_line_and_key(read, text, said):
    with pytest.raises(InputError) as caught:
        read(text)
    assert "piece.toml: " in str(caught.value)
    assert said in str(caught.value)
