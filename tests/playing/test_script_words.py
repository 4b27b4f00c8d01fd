"""A word of a stroke may be said in [defaults], of itself and where its phrase is played: the last counts."""

import dataclasses
import itertools

import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.midi_mapping import edged
from synth.playing.score import performance
from synth.playing.script import How
from synth.playing.stroke import Hold, Stroke

MM, DEGREE = 1e-3, 0.017453292519943295
# key: three values, and what the first is in a `Played`
NUMBERS = {
    "speed_mm_s": ((120.0, 340.0, 900.0), ("speed", 120.0 * MM)),
    "bite_mm": ((0.5, 1.5, 3.0), ("bite", 0.5 * MM)),
    "lean": ((-0.5, 0.25, 1.0), ("lean", -0.5)),
    "height_mm": ((4.0, 2.0, 1.0), ("height", 4.0 * MM)),
    "tilt_deg": ((30.0, 50.0, 70.0), ("tilt", 30.0 * DEGREE)),
    "skew_deg": ((-12.0, 5.0, 20.0), ("skew", -12.0 * DEGREE)),
    "pressure_n": ((0.1, 0.3, 0.7), ("pressure", 0.1)),
}
CHOSEN = {
    "direction": (("backward", "forward", "backward"), ("direction", "backward")),
    "grip": (("light", "firm", "usual"), ("grip", "light")),
    "stick": (("brass", "nylon", "birch"), None),
    "through": (("panel", "pickup", "bar"), None),
    "brightness": ((20, 100, 64), None),
}
WORDS = {**NUMBERS, **CHOSEN}


@pytest.fixture(scope="module")
def instrument(request):
    return resolve(load(request.path.parents[1] / "data" / "boarded.toml"))


@pytest.fixture(scope="module")
def played(instrument):
    """What one stroke of the second group becomes: defaults, its own words, those of the phrase around it."""

    def one(defaults=None, own=None, around=None):
        stroke = {"at_s": 0.5, "group": instrument.groups[1].name, **(own or {})}
        script: dict[str, object] = {"defaults": defaults or {}, "stroke": [stroke]}
        if around is not None:
            script = {
                **script,
                "phrase": {"it": {"stroke": [stroke]}},
                "stroke": [{"at_s": 0.0, "phrase": "it", **around}],
            }
        (found,) = performance(script, instrument)[0].played
        assert isinstance(found.event, Stroke)
        return found

    return one


def test_the_table_has_every_word_that_can_be_said_of_a_stroke():
    assert set(WORDS) == set(How.__struct_fields__)


@pytest.mark.parametrize("key", WORDS)
def test_what_is_said_is_meant_and_nothing_else_changes(instrument, played, key):
    (value, *_), field = WORDS[key]
    plain, said = played(), played(own={key: value})
    if key == "through":
        assert (said.through, plain.through, said.event) == ("panel", "bar", plain.event)
        return
    first = next(iter(instrument.sticks.values()))
    stick = {"stick": instrument.sticks["brass"], "brightness": edged(first, 20)}
    name, wanted = field or ("stick", stick[key])
    assert getattr(said.event, name) == (pytest.approx(wanted) if key in NUMBERS else wanted)
    assert getattr(plain.event, name) != getattr(said.event, name)
    assert dataclasses.replace(said.event, **{name: getattr(plain.event, name)}) == plain.event
    assert said.through == plain.through


@pytest.mark.parametrize("key", WORDS)
def test_a_phrase_is_overruled_where_it_is_played_and_the_defaults_by_the_stroke(played, key):
    values = WORDS[key][0]
    alone = {value: played(own={key: value}) for value in values}
    for value, other in itertools.permutations(values, 2):
        assert played(defaults={key: value}) == alone[value]
        assert played(defaults={key: value}, around={}) == alone[value]
        assert played(defaults={key: value}, own={key: other}) == alone[other]
        assert played(own={key: value}, around={key: other}) == alone[other]
        assert played(defaults={key: value}, around={key: other}) == alone[other]


RANGES = {
    "speed_mm_s": (10.0, 5000.0), "bite_mm": (0.0, 20.0), "lean": (-1.0, 1.0), "height_mm": (0.0, 300.0),
    "tilt_deg": (1.0, 85.0), "skew_deg": (-45.0, 45.0), "pressure_n": (0.0, 20.0),
}  # fmt: skip


@pytest.mark.parametrize("key", NUMBERS)
def test_a_number_goes_to_both_ends_of_its_range_and_no_further(played, key):
    low, high = RANGES[key]
    name, first = NUMBERS[key][1]
    unit = first / NUMBERS[key][0][0]
    for value in (low, high):
        assert getattr(played(own={key: value}).event, name) == pytest.approx(value * unit)
    for value in (low - 0.01, high + 0.01):
        with pytest.raises(
            InputError, match=rf"stroke\[1\]\.{key}.*out of range; {low:g} to {high:g} is possible"
        ):
            played(own={key: value})
        with pytest.raises(InputError, match=rf"defaults\.{key}"):
            played(defaults={key: value})


@pytest.mark.parametrize("kind", ["palm", "touch"])
def test_a_hold_lasts_as_long_as_is_said_and_is_heard_through_what_is_said(instrument, kind):
    said: list[dict[str, object]] = [{}, {"hold_s": 1.75}, {"through": "pickup"}]
    entries = [{"at_s": 1.0 + n, kind: instrument.groups[1].name, **more} for n, more in enumerate(said)]
    piece, _ = performance({"defaults": {"through": "panel"}, "stroke": entries, "tail_s": 0.25}, instrument)
    assert [each.event for each in piece.played] == [
        Hold(1, 1.0, 0.3, kind), Hold(1, 2.0, 1.75, kind), Hold(1, 3.0, 0.3, kind)
    ]  # fmt: skip
    assert [each.through for each in piece.played] == ["panel", "panel", "pickup"]
    assert piece.seconds == pytest.approx(3.25)


@pytest.mark.parametrize(
    ("tempo", "refused"),
    [
        ([(0.0, 120.0), (4.0, 30.0)], False),  # the first may stand at the very start
        ([(4.0, 120.0), (4.0, 30.0)], True),
        ([(4.0, 120.0), (2.0, 30.0)], True),
    ],
)
def test_tempo_changes_stand_in_their_order_each_at_a_beat_of_its_own(instrument, tempo, refused):
    name = instrument.groups[0].name
    script = {
        "tempo_bpm": 60.0, "tempo": [{"at_beat": beat, "bpm": bpm} for beat, bpm in tempo],
        "stroke": [{"at_beat": beat, "group": name} for beat in (0.0, 2.0, 5.0)],
    }  # fmt: skip
    if refused:
        with pytest.raises(InputError, match=r"tempo\[2\]\.at_beat.*does not come after the one before"):
            performance(script, instrument)
        return
    # two beats of half a second each, two more, then one of two seconds
    assert [each.event.start for each in performance(script, instrument)[0].played] == pytest.approx(
        [0.0, 1.0, 4.0]
    )


@pytest.mark.parametrize(("shift", "group"), [(-1, 0), (0, 1), (-2, None), (1, None)])
def test_a_phrase_moves_along_the_bar_and_never_off_it(instrument, shift, group):
    assert len(instrument.groups) == 2
    script = {
        "phrase": {"it": {"stroke": [{"at_s": 0.0, "group": instrument.groups[1].name}]}},
        "stroke": [{"at_s": 0.0, "phrase": "it", "shift": shift}],
    }
    if group is None:
        with pytest.raises(
            InputError, match=rf"stroke\[1\]\.shift.*{shift:+d}.* off the bar".replace("+", r"\+")
        ):
            performance(script, instrument)
        return
    assert performance(script, instrument)[0].played[0].event.group == group
