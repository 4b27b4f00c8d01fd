"""A piece however it is given: a path, its text, a dict, or the script's own types."""

from pathlib import Path

import mido
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.score import performance
from synth.playing.script import Entry, How, Phrase, Script
from synth.playing.stroke import Hold, Stroke

PIECE = """
tempo_bpm = 90
[defaults]
speed_mm_s = 300
[[stroke]]
at_beat = 0
phrase = "call"
times = 2
every_beats = 1.5
[[stroke]]
at_beat = 4
palm = "low A"
[phrase.call]
stroke = [ { at_beat = 0, group = "low A" }, { at_beat = 0.5, group = "low A", direction = "backward" } ]
"""
CALL = [
    {"at_beat": 0, "group": "low A"},
    {"at_beat": 0.5, "group": "low A", "direction": "backward"},
]


@pytest.fixture(scope="module")
def instrument():
    return resolve(load(Path(__file__).parents[1] / "data" / "two-tines.toml"))


def test_a_path_a_text_a_dict_and_the_types_are_one_piece(tmp_path, instrument):
    path = tmp_path / "piece.toml"
    path.write_text(PIECE)
    as_dict = {
        "tempo_bpm": 90,
        "defaults": {"speed_mm_s": 300},
        "phrase": {"call": {"stroke": CALL}},
        "stroke": [
            {"at_beat": 0, "phrase": "call", "times": 2, "every_beats": 1.5},
            {"at_beat": 4, "palm": "low A"},
        ],
    }
    typed = Script(
        tempo_bpm=90,
        defaults=How(speed_mm_s=300),
        phrase={"call": Phrase(stroke=[Entry(**each) for each in CALL])},
        stroke=[
            Entry(at_beat=0, phrase="call", times=2, every_beats=1.5),
            Entry(at_beat=4, palm="low A"),
        ],
    )
    piece, left_out = performance(path, instrument)
    assert left_out == ()
    for given in (str(path), PIECE, as_dict, typed):
        assert performance(given, instrument) == (piece, ())
    # at 90 beats a minute: 0, 1/2, 3/2, 2 and 4 beats
    starts = [each.event.start for each in piece.played]
    assert starts == pytest.approx([0.0, 1 / 3, 1.0, 4 / 3, 8 / 3])
    assert [type(each.event) for each in piece.played] == [Stroke] * 4 + [Hold]
    assert [each.event.direction for each in piece.played[:4]] == ["forward", "backward"] * 2
    assert {each.event.speed for each in piece.played[:4]} == {0.3}


def test_through_is_for_what_does_not_say_otherwise(instrument):
    script = {"stroke": [{"at_s": 0, "group": "low A"}, {"at_s": 1, "group": "low A", "through": "pickup"}]}
    piece, _ = performance(script, instrument, through="panel")
    assert [each.through for each in piece.played] == ["panel", "pickup"]


@pytest.mark.parametrize("as_text", [True, False])
def test_a_mistake_is_told_with_its_line_whether_in_a_file_or_a_text(tmp_path, instrument, as_text):
    wrong = PIECE.replace('group = "low A", direction', 'group = "low B", direction')
    path = tmp_path / "piece.toml"
    path.write_text(wrong)
    with pytest.raises(InputError) as caught:
        performance(wrong if as_text else path, instrument)
    said = "line 14: phrase.call.stroke[2].group: there is no group 'low B'"
    assert str(caught.value).removeprefix(f"{path}: ").startswith(said)


def test_a_mistake_in_a_dict_is_told_with_its_place(instrument):
    with pytest.raises(InputError, match=r"^stroke\[1\]: unknown key 'grop'; did you mean 'group'"):
        performance({"stroke": [{"at_s": 0, "grop": "low A"}]}, instrument)


@pytest.mark.parametrize("name", ["a.mid", "a.MID", "a.midi", "A.SMF"])
@pytest.mark.parametrize("through", [None, "pickup"])
def test_a_midi_file_is_known_by_its_ending_and_heard_through_what_is_asked_for(
    tmp_path, instrument, name, through
):
    """A2 (45) is played, 70 has no group: it refuses the file, or is left out and told."""
    track = [mido.Message("note_on", note=note, velocity=64, time=480) for note in (45, 70)]
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    file.tracks.append(mido.MidiTrack(track))
    file.save(tmp_path / name)
    with pytest.raises(InputError, match=r"1 note cannot be played: .* --skip-unplayable"):
        performance(tmp_path / name, instrument, through=through)
    piece, left_out = performance(tmp_path / name, instrument, through=through, skip_unplayable=True)
    assert [(each.event.start, each.through) for each in piece.played] == [(0.5, through or "bar")]
    assert left_out == ("left out: A#4 (note 70) at 1.00 s on track 1",)
    file.tracks[0].pop(0)
    file.save(tmp_path / name)
    with pytest.raises(InputError, match="none of its notes has a group"):
        performance(tmp_path / name, instrument, skip_unplayable=True)
