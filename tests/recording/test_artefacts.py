"""Distortion, harmonic and processed sound among partials made by hand: what is named so, and what is not."""

from dataclasses import replace

import numpy as np
import pytest

from synth.recording.artefacts import with_suspects
from synth.recording.measurement import Partial


def partial(hz, fall, level, sd=1e-3):
    """Falls at that rate in 1/s."""
    decay = np.log(1000.0) / fall
    return Partial(hz, sd, decay, 0.01 * decay, level, 0.01, 0.0, complex(level))


def named(*partials):
    found, doubts = with_suspects(list(partials))
    return [each.kind for each in found], [each.note for each in found], doubts


BASE = partial(180.0, 0.8, 0.3)


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ({}, "distortion"),
        ({"frequency": 360.3}, "partial"),  # 1.4 cents off
        ({"decay": np.log(1000.0) / 0.8}, "partial"),  # no faster than the first
        ({"decay": np.log(1000.0) / 3.2}, "partial"),
        ({"decay": np.log(1000.0) / 1.8}, "distortion"),  # 13 % off twice the rate
        ({"decay": np.log(1000.0) / 2.2, "decay_deviation": 1.0}, "distortion"),  # a third: nobody knows
        ({"level": 0.2}, "partial"),  # too loud for a product
        ({"frequency_deviation": 0.5}, "partial"),  # not known well enough to be called exact
    ],
)
def test_the_square_of_a_partial_stands_at_exactly_twice_its_pitch_and_falls_twice_as_fast(change, kind):
    kinds, notes, _ = named(BASE, replace(partial(360.0, 1.6, 0.05), **change))
    assert kinds == ["partial", kind]
    if kind == "distortion":
        assert notes[1].startswith("exactly 2 x 180.00 Hz, decaying 2 times as fast: distortion")


def test_a_multiple_of_a_partial_whose_own_pitch_is_unsure_is_not_called_exact():
    assert named(replace(BASE, frequency_deviation=0.2), partial(360.0, 1.6, 0.05))[0] == ["partial"] * 2


def test_higher_powers_are_told_only_down_from_the_second_or_third():
    """Six times the pitch alone is what a trim nut makes; a pickup would show some below."""
    sixth = partial(1080.0, 4.8, 0.02)
    assert named(BASE, sixth)[0] == ["partial", "partial"]
    below = [partial(180.0 * n, 0.8 * n, 0.05 / n) for n in (2, 4)]
    assert named(BASE, *below, sixth)[0] == ["partial", *["distortion"] * 3]


@pytest.mark.parametrize(
    ("hz", "fall", "level", "note"),
    [
        (861.4, 8.0, 0.01, "2 x 330.70 and 200.00 Hz"),  # falls at 0.5 x 2 + 10
        (461.4, 8.0, 0.01, "2 x 330.70 less 200.00 Hz"),
        (530.7, 8.0, 0.01, "1 x 330.70 and 200.00 Hz"),
        (130.7, 8.0, 0.01, "1 x 330.70 less 200.00 Hz"),
        (730.7, 16.0, 0.01, "2 x 200.00 and 330.70 Hz"),  # falls at 10 x 2 + 0.5
        (730.7, 11.0, 0.01, ""),  # half as fast
        (861.4, 50.0, 0.01, ""),
        (862.0, 8.0, 0.01, ""),
        (861.4, 8.0, 0.05, ""),  # too loud for two of 0.2
    ],
)
def test_sums_and_differences_fall_as_both_do_together(hz, fall, level, note):
    kinds, notes, _ = named(partial(200.0, 10.0, 0.2), partial(330.7, 0.5, 0.2), partial(hz, fall, level))
    assert kinds == ["partial", "partial", "distortion" if note else "partial"]
    assert notes[2].startswith(note)
    assert bool(notes[2]) == bool(note)


def test_a_harmonic_series_is_told_where_it_is_loud():
    series = [partial(220.0 * n, 1.0, 0.2) for n in (1, 2, 3, 5)]
    kinds, notes, (doubt,) = named(*series)
    assert kinds == ["partial", *["harmonic"] * 3]
    assert "partials at exactly 1 : 2 : 3 : 5 times 220.00 Hz" in doubt
    assert notes[3] == "exactly 5 x 220.00 Hz"
    soft = [series[0], *(replace(each, level=0.005) for each in series[1:])]
    assert named(*soft)[2] == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, True),
        ({"distance": 3.0}, False),  # beats
        ({"distance": 210.0}, False),
        ({"level": 0.05}, False),  # a sideband is a tenth at most
        ({"other": 0.008}, False),  # 5.5 dB apart
        ({"off": 0.2}, False),  # not at equal distances
    ],
)
def test_steps_of_an_envelope_leave_pairs_at_equal_distances_and_levels(change, told):
    distance = change.get("distance", 62.5)
    level, other = change.get("level", 0.015), change.get("other", change.get("level", 0.015))
    kinds, _, doubts = named(
        partial(1321.7 - distance, 3.0, level),
        partial(1321.7, 3.0, 0.3),
        partial(1321.7 + distance + change.get("off", 0.0), 3.0, other),
    )
    assert kinds == (["sideband", "partial", "sideband"] if told else ["partial"] * 3)
    assert [each for each in doubts if "steps of 16.0 ms" in each] == doubts
    assert len(doubts) == told


def test_a_distance_that_is_a_partial_itself_is_distortion_again():
    pair = (partial(1259.2, 3.0, 0.015), partial(1321.7, 3.0, 0.3), partial(1384.2, 3.0, 0.015))
    assert named(partial(62.0, 0.5, 0.1), *pair)[2] == []
