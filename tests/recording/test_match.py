"""Taps find their tines and partials their places, with the model off by half a semitone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from synth.errors import InputError
from synth.recording.match import matched_partials, name_tines
from synth.recording.measurement import Partial, TapPartials


def tap(frequencies: Sequence[float], decays: Sequence[float] = ()) -> TapPartials:
    decays = decays or [3.0] * len(frequencies)
    partials = tuple(
        Partial(hz, 0.01, decay, 0.05 * decay, 0.1 / (1 + index), 0.01, 0.0, 0.1 + 0j)
        for index, (hz, decay) in enumerate(zip(frequencies, decays, strict=True))
    )
    return TapPartials(0.5, 0.51, 3.0, partials)


def off(frequencies: Any, cents: float) -> list[float]:
    return [float(hz) * 2.0 ** (cents / 1200.0) for hz in frequencies]


@pytest.mark.parametrize("cents", [-70.0, 0.0, 40.0, 110.0])
def test_taps_find_their_tines_with_one_offset_for_all(piece: Any, cents: float) -> None:
    model = piece.model()[2]
    taps = [tap(off(model.frequency[tine, 0, :4], cents)) for tine in (2, 0, 3, 1)]
    claims = name_tines(taps, model, [None] * 4)
    assert [claim.tine for claim in claims] == [2, 0, 3, 1]
    assert all(claim.found and abs(claim.offset - cents) <= 12.0 for claim in claims)
    for claim in claims:
        found = matched_partials(claim, model)
        assert [line.partial for line in found] == [0, 1, 2, 3]
        frequency = model.frequency[claim.tine]
        assert all(
            abs(1200.0 * np.log2(line.frequency / line.of(frequency)) - cents) < 12.0 for line in found
        )


def test_a_named_tap_is_taken_at_its_word(piece: Any) -> None:
    model = piece.model()[2]
    (claim,) = name_tines([tap(off(model.frequency[1, 0, :4], 20.0))], model, [1])
    assert (claim.tine, claim.found) == (1, False)


def test_a_tine_in_unison_is_offered_as_well(piece: Any) -> None:
    text = piece.design.read_text().replace("free_length_mm = 105.0", "free_length_mm = 150.0")
    piece.design.write_text(text)
    model = piece.model()[2]
    (claim,) = name_tines([tap(model.frequency[0, 0, :4])], model, [None])
    assert {claim.tine, *claim.others} == {0, 1}


def test_a_tap_of_something_else_is_refused(piece: Any) -> None:
    with pytest.raises(InputError, match="is of no tine of this design"):
        name_tines([tap([251.0, 333.0, 917.0])], piece.model()[2], [None])


def test_planes_close_together_count_as_their_mean(piece: Any) -> None:
    model = piece.model()[2]
    third = np.sort(model.frequency[0, :, 2])
    (claim,) = name_tines([tap([model.frequency[0, 0, 0], *third], [5.0, 1.0, 2.0])], model, [0])
    line = next(each for each in matched_partials(claim, model) if each.partial == 2)
    assert line.plane is None
    assert line.frequency == pytest.approx(np.sqrt(third[0] * third[1]))
    assert line.decay_rate == pytest.approx(np.log(1e3) / np.sqrt(2.0))  # the mean in the logarithm


def test_one_line_of_a_close_pair_is_unsure_by_half_their_distance(piece: Any) -> None:
    model = piece.model()[2]
    planes = model.frequency[0, :, 2]
    (claim,) = name_tines([tap([*model.frequency[0, 0, :2], planes[0]])], model, [0])
    line = next(each for each in matched_partials(claim, model) if each.partial == 2)
    assert line.plane is None
    assert line.standard_uncertainty == pytest.approx(0.5 * abs(np.log(planes[0] / planes[1])), rel=0.05)


def test_distortion_and_hum_are_no_partials_of_a_tine(piece: Any) -> None:
    model = piece.model()[2]
    struck = tap(model.frequency[0, 0, :3])
    bent = TapPartials(0.5, 0.51, 3.0, tuple(each.noted("bent", "distortion") for each in struck.partials))
    (claim,) = name_tines([bent], model, [0])
    assert matched_partials(claim, model) == []


def test_the_mean_of_two_planes_is_as_sure_as_half_their_errors_together(piece: Any) -> None:
    """Lines known to 0.3 and 0.4 Hz, decays to a tenth and a fifth: variances add, and the mean halves them."""
    model = piece.model()[2]
    third = np.sort(model.frequency[0, :, 2])
    taps = tap([model.frequency[0, 0, 0], *third], [5.0, 2.0, 2.0])
    known = [(0.01, 0.1), (0.3, 0.2), (0.4, 0.4)]  # Hz; s
    lines = tuple(
        replace(each, frequency_deviation=hz, decay_deviation=seconds)
        for each, (hz, seconds) in zip(taps.partials, known, strict=True)
    )
    (claim,) = name_tines([replace(taps, partials=lines)], model, [0])
    line = next(each for each in matched_partials(claim, model) if each.partial == 2)
    assert line.standard_uncertainty == pytest.approx(0.5 * np.hypot(0.3 / third[0], 0.4 / third[1]))
    assert line.apart == pytest.approx(np.log(third[1] / third[0]))
    assert line.decay_standard_uncertainty == pytest.approx(0.5 * np.hypot(0.1, 0.2))
    first = matched_partials(claim, model)[0]
    assert (first.partial, first.decay_rate) == (0, pytest.approx(np.log(1e3) / 5.0))
