"""Heat across a bent round rod, against C. Zener, Physical Review 53 (1938) 90 (his constants, from memory,
recomputed) and against the heat equation itself, solved on a grid."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.arrays import Array
from synth.vibration import damping

RADIUS = 1.5e-3  # the worked example: 3 mm, AISI 304
STRENGTH = float(
    damping.relaxation_strength(youngs=193e9, expansion=17.3e-6, density=8000.0, heat_capacity=500.0)
)
DIFFUSIVITY = 16.2 / (7900.0 * 500.0)
AUDIBLE = np.array([92.2, 577.8, 1617.8, 3170.0])


def closed(frequency: Array) -> Array:
    return damping.thermoelastic(frequency, RADIUS, strength=STRENGTH, diffusivity=DIFFUSIVITY)


# Zeros of J1', Abramowitz & Stegun table 9.5; beyond them McMahon's expansion (9.5.13) is good to 1e-6.
ZEROS = (1.8411837813, 5.3314427735, 8.5363163664, 11.7060049026, 14.8635886339)


def series(frequency: Array, terms: int = 400) -> Array:
    """The same loss as relaxations at the zeros q of J1': weights 8 / (q² (q² - 1)), times a² / (q² chi).

    C. Zener, Physical Review 53 (1938) 90. The first weight is 0.98743, so one relaxation nearly does.
    """
    far = (np.arange(len(ZEROS) + 1, terms + 1) - 0.25) * math.pi
    mcmahon = far - 7.0 / (8.0 * far) - 4.0 * (7.0 * 16.0 + 82.0 * 4.0 - 9.0) / (3.0 * (8.0 * far) ** 3)
    q = np.concatenate([ZEROS, mcmahon])
    turn = (2.0 * math.pi * frequency * RADIUS**2 / DIFFUSIVITY)[..., None] / q**2
    weight = 8.0 / (q**2 * (q**2 - 1.0))
    return np.asarray(STRENGTH * np.sum(weight * turn / (1.0 + turn**2), axis=-1))


def on_a_grid(frequency: float, points: int = 2000) -> float:
    """theta'' + theta'/r - theta/r² = (i omega / chi)(theta + r), theta(0) = theta'(a) = 0: the part of the heat
    that goes with cos(angle), in units where the strain is r. The loss is its work against that strain."""
    h = RADIUS / points
    r = h * (np.arange(points) + 0.5)
    rate = 2.0j * math.pi * frequency / DIFFUSIVITY
    down, up = (r - h / 2.0) / (r * h**2), (r + h / 2.0) / (r * h**2)
    up[-1] = 0.0  # no heat through the surface
    A = np.diag(-(down + up) - 1.0 / r**2 - rate) + np.diag(down[1:], -1) + np.diag(up[:-1], 1)
    theta = np.linalg.solve(A, rate * r)
    return float(STRENGTH * np.sum(theta * r**2).imag / np.sum(r**3))


def test_the_relaxation_strength_of_304_is_that_of_the_tables() -> None:
    assert pytest.approx(4.24e-3, rel=0.002) == STRENGTH


@pytest.mark.parametrize("frequency", [pytest.param(0.3, marks=pytest.mark.slow), 0.984, 10.0])
def test_the_closed_form_solves_the_heat_equation(frequency: float) -> None:
    assert closed(np.array([frequency]))[0] == pytest.approx(abs(on_a_grid(frequency)), rel=1e-3)


def test_closed_form_and_series_agree() -> None:
    frequency = np.geomspace(0.05, 18_000.0, 40)
    assert series(frequency) == pytest.approx(closed(frequency), rel=2e-4)


def test_the_peak_stands_where_zener_puts_it() -> None:
    """f0 = 2.16 chi / d², nearly one relaxation: half the strength high."""
    frequency = np.geomspace(0.5, 2.0, 2001)
    loss = closed(frequency)
    peak = frequency[np.argmax(loss)]
    assert peak == pytest.approx(2.16 * DIFFUSIVITY / (2.0 * RADIUS) ** 2, rel=0.01)
    assert loss.max() == pytest.approx(0.5 * STRENGTH, rel=0.015)


def test_the_worked_example_of_a_3_mm_rod() -> None:
    assert closed(AUDIBLE) == pytest.approx([5.12e-5, 8.38e-6, 3.01e-6, 1.54e-6], rel=0.005)


def test_audible_partials_of_304_would_all_ring_for_450_to_466_seconds() -> None:
    seconds = damping.decay_time(AUDIBLE, closed(AUDIBLE))
    assert np.all((seconds > 449.0) & (seconds < 467.0))


def test_only_frequency_times_area_counts() -> None:
    """The heat has to cross the rod: twice as thick is four times as slow."""
    wide = damping.thermoelastic(AUDIBLE / 4.0, 2.0 * RADIUS, strength=STRENGTH, diffusivity=DIFFUSIVITY)
    assert wide == pytest.approx(closed(AUDIBLE), rel=1e-9)
