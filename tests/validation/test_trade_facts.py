"""Facts of the trade: common practice among makers of tuned rods, no published source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from synth.design.instrument import PlacedNut, TrimWish
from synth.units import cents
from synth.vibration.tine import solve_tines
from synth.vibration.trimming.answers import every_answer


def second_over_first(bench: Any, length: float, *trim: PlacedNut) -> float:
    frequency = solve_tines([bench.tine(bench.threaded(4.0, 0.7))], [length], [trim]).frequency[0, 0]
    return float(frequency[1] / frequency[0])


@pytest.mark.parametrize("length", [60.0, 100.0, 150.0, 200.0])
def test_turning_the_base_nut_moves_the_pitch_by_3462_cents_over_the_length_per_mm(
    bench: Any, length: float
) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7))
    around = np.array([length - 0.5, length + 0.5]) * 1e-3
    low, high = solve_tines([tine] * 2, around, [(), ()]).frequency[:, 0, 0]
    assert cents(float(low / high)) == pytest.approx(3462.5 / length, rel=0.002)


def test_a_bare_tine_sounds_its_second_partial_at_6_27(bench: Any) -> None:
    assert second_over_first(bench, 0.15) == pytest.approx(6.27, abs=0.015)


def test_one_hex_nut_near_mid_height_pulls_the_second_partial_of_an_m4_tine_to_6(bench: Any) -> None:
    assert second_over_first(bench, 0.15, PlacedNut(bench.nut("M4"), 0.075)) == pytest.approx(6.0, abs=0.01)


def test_two_nuts_near_0_85_of_its_length_push_it_to_7(bench: Any) -> None:
    nut = bench.nut("M4")
    pair = [PlacedNut(nut, 0.85 * 0.15 + side * nut.height / 2.0) for side in (-1.0, 1.0)]
    assert second_over_first(bench, 0.15, *pair) == pytest.approx(7.0, abs=0.07)


def test_asked_for_6_the_tool_finds_the_place_near_mid_height_itself(bench: Any) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7), length=150.0, wish=TrimWish(2, 6.0, bench.nut("M4")))
    places = every_answer(0, tine, length=0.15, pitch=None, nuts=[bench.nut("M4")]).solutions
    assert any(position.nuts[0].position / 0.15 == pytest.approx(0.5, abs=0.01) for position in places)


def test_asked_for_7_a_second_nut_of_the_same_goes_near_0_85(bench: Any) -> None:
    """A nut of twice the mass stands for the two."""
    nut = bench.nut("M4")
    double = replace(
        nut, mass=2.0 * nut.mass, rotary_inertia=2.0 * nut.rotary_inertia, height=2.0 * nut.height
    )
    tine = bench.tine(bench.threaded(4.0, 0.7), length=150.0, wish=TrimWish(2, 7.0, double))
    found = every_answer(0, tine, length=0.15, pitch=None, nuts=[double]).solutions
    places = [position.nuts[0].position for position in found if len(position.nuts) == 1]
    assert places
    assert all(0.75 < position / 0.15 < 0.95 for position in places)
