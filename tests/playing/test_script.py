"""Stroke scripts: beats, phrases, defaults, and mistakes told with their line."""

import json
import math
import re

import numpy as np
import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.script import Entry, Script, read_script, schedule
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


NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Z"]) | st.just(" ") | st.sampled_from("é.[]'#"),
    min_size=1,
    max_size=12,
).filter(lambda name: name == name.strip() and name.isprintable())
MISTAKES = [
    ({"group": "lo"}, "stroke[2].group"),
    ({"lean": math.nan}, "stroke[2].lean"),
    ({"lean": 10**400}, "stroke[2].lean"),
    ({"speed_mm_s": 10**400}, "stroke[2].speed_mm_s"),
    ({"speed_mm_s": 1e9}, "stroke[2].speed_mm_s"),
    ({"brightness": 10**30}, "stroke[2].brightness"),
    ({"at_s": -3}, "stroke[2].at_s"),
    ({"at_s": "soon"}, "stroke[2].at_s"),
    ({"touch": "low"}, "stroke[2]"),
    ({"sped": 1}, "stroke[2]"),
]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=NAMES, mistake=st.sampled_from(MISTAKES), inline=st.booleans(), first=st.booleans())
def test_a_mistake_in_a_phrase_of_any_name_is_told_with_its_own_line(read, name, mistake, inline, first):
    wrong, position = mistake
    good = {"at_s": 0, "group": "low"}
    phrase = {"stroke": [good, good | {"sped": None} | wrong]}
    del phrase["stroke"][1]["sped" if "sped" not in wrong else "group"]
    played = {"at_s": 0, "phrase": name}

    def written(entries):
        if not inline:
            return "".join(f"[[{{head}}]]\n{tomlkit.dumps(each)}" for each in entries)
        rows = ",\n".join("{ " + tomlkit.dumps(each).strip().replace("\n", ", ") + " }" for each in entries)
        return f"{{table}}stroke = [\n{rows}\n]\n"

    key = (
        tomlkit.key(name).as_string()
        if re.fullmatch(r"[A-Za-z0-9_-]+", name)
        else json.dumps(name, ensure_ascii=False)
    )
    head = f"phrase.{key}.stroke"
    above = written([good, played]).replace("{head}", "stroke").replace("{table}", "")
    below = written(phrase["stroke"]).replace("{head}", head).replace("{table}", f"[phrase.{key}]\n")
    text = above + below if first or inline else below + above
    with pytest.raises(InputError) as caught:
        read(text)
    said = str(caught.value)
    number = int(re.search(r"line (\d+): phrase\.", said)[1])
    assert position in said
    line = text.splitlines()[number - 1]
    body = tomlkit.dumps(phrase["stroke"][1])
    assert line.strip(" {},") == (body.strip().replace("\n", ", ") if inline else body.splitlines()[0])
    assert inline or text.splitlines()[:number].count(f"[[{head}]]") == 2


@pytest.mark.parametrize(
    "value",
    [
        "[" * 101 + "]" * 101,
        "[" * 3000 + "]" * 3000,
        "{a=" * 150 + "1" + "}" * 150,
        "9" * 5000,
        "1e999",
        "-" + "9" * 400,
    ],
)
def test_no_value_keeps_the_error_from_being_told(read, value):
    with pytest.raises(InputError, match=r"piece\.toml"):
        read(f"[[stroke]]\nat_s = 0\ngroup = 'low'\nlean = {value}\n")


@pytest.mark.parametrize(
    ("made", "toml"),
    [
        (lambda: Script(stroke=[]), "stroke = []"),
        (lambda: Script(stroke=[Entry(at_s=-3, group="low")]), "stroke = [{ at_s = -3, group = 'low' }]"),
        (
            lambda: Script(stroke=[Entry(at_s=0, group="low", brightness=900)]),
            "stroke = [{ at_s = 0, group = 'low', brightness = 900 }]",
        ),
        (
            lambda: Script(stroke=[Entry(at_s=math.nan, group="low")]),
            "stroke = [{ at_s = nan, group = 'low' }]",
        ),
        (
            lambda: Script(stroke=[Entry(at_s=0, group="low", lean=math.inf)]),  # type: ignore[call-arg]
            "stroke = [{ at_s = 0, group = 'low', lean = inf }]",
        ),
        (
            lambda: Script(stroke=[Entry(at_s=0, group="low", direction="up")]),
            "stroke = [{ at_s = 0, group = 'low', direction = 'up' }]",
        ),
        (lambda: Script(stroke=[Entry(at_s=0, group=5)]), "stroke = [{ at_s = 0, group = 5 }]"),
        (
            lambda: Script(tempo_bpm=0, stroke=[Entry(at_s=0, group="low")]),
            "tempo_bpm = 0\nstroke = [{ at_s = 0, group = 'low' }]",
        ),
    ],
)
def test_python_is_refused_what_a_file_is_refused_in_the_same_words(read, instrument, made, toml):
    with pytest.raises(InputError) as in_file:
        read(toml)
    with pytest.raises(InputError) as in_python:
        schedule(made(), instrument)
    assert str(in_python.value) == re.sub(r"^\S*piece\.toml: (line \d+: )?", "", str(in_file.value))


def test_python_may_give_tuples_and_numbers_of_numpy(instrument):
    piece = schedule(Script(stroke=(Entry(at_s=np.float64(1.0), group="low"),)), instrument)
    assert starts(piece) == [1.0]


def test_a_phrase_that_begins_at_a_second_repeats_and_goes_by_beats(read):
    """Two beats of 120 a minute are one second, one beat is half of it; the last ring is that of `tail_s`."""
    piece = read(
        """
        tempo_bpm = 120.0
        tail_s = 1.25
        stroke = [{ at_s = 3.0, phrase = "two", times = 2, every_beats = 2.0 }]
        [phrase.two]
        stroke = [{ at_beat = 0.0, group = "low" }, { at_beat = 1.0, group = "high" }]
        """
    )
    assert [each.event.start for each in piece.played] == pytest.approx([3.0, 3.5, 4.0, 4.5])
    assert [each.event.group for each in piece.played] == [0, 2, 0, 2]
    assert piece.seconds == pytest.approx(4.5 + 1.25)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[defaults]\nspeeed = 3\n", "line 2: defaults: unknown key 'speeed'"),
        ("[defaults]\nlean = 0\ntilt_deg = 200\n", "line 3: defaults.tilt_deg: 200 is out of range"),
        ("\ndefaults = { leen = 1 }\n", "line 2: defaults: unknown key 'leen'"),
    ],
)
def test_what_is_wrong_in_the_defaults_is_told_with_its_line(text, said):
    """A mistake in a stroke had its line, one in [defaults] had none."""
    from synth.playing.lines import line_of

    location = said.split(": ")[1]
    assert f"line {line_of(text, location)}: {location}" in said
