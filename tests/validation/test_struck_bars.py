"""Recordings of struck bars against beam theory, and two that are not free decays of a bar.

Recordings: samples of the Debian package fluid-soundfont-gm 3.1, MIT licence (its text stands beside the copies).
A glockenspiel bar is a free-free beam. The thin beam's ratios 1 : 2.757 : 5.404 : 8.933 are those of W. T. Thomson,
Theory of Vibration with Applications, appendix D; thickness lowers them by rotary inertia and shear (Timoshenko),
for which the bar's thickness over its length is the one free number: bars, mallets and supports are not known.
The fundamentals were measured independently, by an interpolated transform and a heterodyned line fit.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from synth.recording.audio_input import read_recording
from synth.recording.measurement import Measurement, Partial
from synth.recording.partials import measure_taps
from synth.vibration.beam import plane_element

DATA = Path(__file__).parents[1] / "data" / "recordings"
THIN = np.array([1.0, 2.7565385, 5.4039176, 8.9329504])
POISSON, SHEAR_COEFFICIENT = 0.29, 5.0 / 6.0  # steel, rectangle
ELEMENTS = 40
BARS = {  # fundamental in Hz, T60 in s, partials that are a free bar's
    "C8": (1049.76, 5.57, 4),
    "Ds8": (1248.20, 8.19, 4),
    "G8": (1572.99, 1.92, 3),
    "C9": (2103.86, 2.40, 3),
}
CENT = 1.0
EACH = [pytest.param(name, marks=[pytest.mark.slow] if name == "Ds8" else []) for name in BARS]


def cents(ratio: float) -> float:
    return 1200.0 * float(np.log2(ratio))


def thick_bar(thickness: float, count: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Frequency ratios of a free-free Timoshenko bar of length 1, Young's modulus 1, density 1."""
    bending = thickness**3 / 12.0
    shear = SHEAR_COEFFICIENT * thickness / (2.0 * (1.0 + POISSON))
    K, M = np.zeros((2 * ELEMENTS + 2,) * 2), np.zeros((2 * ELEMENTS + 2,) * 2)
    k, m = plane_element(bending, shear, thickness, bending, 1.0 / ELEMENTS)
    for first in range(0, 2 * ELEMENTS, 2):
        K[first : first + 4, first : first + 4] += k
        M[first : first + 4, first : first + 4] += m
    lower = np.linalg.inv(np.linalg.cholesky(M))
    frequency = np.sqrt(np.linalg.eigvalsh(lower @ K @ lower.T)[2 : 2 + count])
    return frequency / frequency[0]


@cache
def measured(name: str) -> Measurement:
    return measure_taps(read_recording(DATA / f"{name}.wav"))


def heard(name: str) -> list[Partial]:
    """The bar's own partials: the one that rings most within reach of each ratio, below the thin bar's."""
    (tap,) = measured(f"fluid_glockenspiel_{name}").taps
    fundamental, _, count = BARS[name]
    known = [p for p in tap.partials if np.isfinite(p.decay)]
    return [
        max(
            (p for p in known if 0.94 < p.frequency / (fundamental * ratio) < 1.005),
            key=lambda p: p.level**2 * p.decay,
        )
        for ratio in THIN[:count]
    ]


def fitted(ratios: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """The thickness over length that fits best, and its greatest miss in cents (their common offset is free)."""

    def misses(thickness: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        miss = 1200.0 * np.log2(ratios / thick_bar(thickness, len(ratios)))
        return miss - np.mean(miss)

    best = min(np.linspace(0.01, 0.15, 141), key=lambda each: float(np.sum(misses(float(each)) ** 2)))
    return float(best), float(np.max(np.abs(misses(float(best)))))


@pytest.mark.parametrize("name", EACH)
def test_the_fundamental_is_the_one_measured_otherwise(name: str) -> None:
    """Within a cent, and a quarter of the decay: three of the bars decay in two stages, up to 0.8 Hz apart."""
    first = heard(name)[0]
    assert abs(cents(first.frequency / BARS[name][0])) < 1.0 * CENT
    assert first.decay == pytest.approx(BARS[name][1], rel=0.25)


@pytest.mark.parametrize("name", EACH)
def test_thickness_alone_explains_the_ratios(name: str) -> None:
    """Ten cents is what a bar with a hole or a worn edge allows; three partials leave one degree of freedom."""
    ratios = np.array([p.frequency for p in heard(name)])
    thickness, miss = fitted(ratios / ratios[0])
    assert 0.02 < thickness < 0.12
    assert miss < 10.0 * CENT


@pytest.mark.parametrize("name", EACH)
def test_a_thin_bar_misses_by_tens_of_cents(name: str) -> None:
    ratios = np.array([p.frequency for p in heard(name)])
    miss = 1200.0 * np.log2(ratios / ratios[0] / THIN[: len(ratios)])
    assert np.all(miss[1:] < 0.0)
    assert np.all(np.diff(miss) < 0.0)  # the higher the partial, the more thickness lowers it
    assert miss[-1] < -30.0 * CENT


@pytest.mark.parametrize("name", EACH)
def test_bars_are_not_called_processed(name: str) -> None:
    warnings = measured(f"fluid_glockenspiel_{name}").warnings
    assert not any("processed" in each for each in warnings)


@pytest.mark.parametrize(("name", "ratios"), [("C5", "1 : 3 : 4"), ("E7", "3 : 4 : 5")])
def test_the_music_boxes_are_called_harmonic_or_processed(name: str, ratios: str) -> None:
    warnings = measured(f"control_musicbox_{name}").warnings
    assert any(ratios in each and "looks like a harmonic or processed sound" in each for each in warnings)


def test_the_steps_of_a_laid_over_envelope_are_measured() -> None:
    warnings = measured("control_musicbox_E7").warnings
    assert any("steps of 16.0 ms" in each for each in warnings)
