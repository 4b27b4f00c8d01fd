"""Sethares, J. Acoust. Soc. Am. 94 (1993) 1218, and Plomp and Levelt 1965: what agrees and what grates."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound.roughness import roughness

JUST = {
    "minor third": 6 / 5,
    "major third": 5 / 4,
    "fourth": 4 / 3,
    "fifth": 3 / 2,
    "major sixth": 5 / 3,
    "octave": 2.0,
}


def pair(low: float, apart: float) -> float:
    return roughness(np.array([low, low + apart]), np.ones(2))


def curve(partials: np.ndarray, interval: np.ndarray) -> np.ndarray:
    """Dissonance of two tones of those partials at intervals (S,), each with 0.88 of the one below."""
    amplitude = 0.88 ** np.arange(len(partials))
    both = np.concatenate([amplitude, amplitude])
    return np.array([roughness(np.concatenate([partials, each * partials]), both) for each in interval])


def minima(value: np.ndarray, at: np.ndarray) -> np.ndarray:
    return at[1:-1][(value[1:-1] < value[:-2]) & (value[1:-1] <= value[2:])]


def test_unison_does_not_grate_and_a_wide_interval_hardly():
    assert pair(500.0, 0.0) == 0.0
    assert pair(500.0, 500.0) < 0.02 * pair(500.0, 27.0)


@pytest.mark.parametrize("low", [250.0, 500.0, 1000.0, 2000.0])
def test_two_tones_grate_most_near_a_quarter_of_the_critical_band(low):
    # the critical bandwidth by Zwicker and Terhardt, J. Acoust. Soc. Am. 68 (1980) 1523
    band = 25.0 + 75.0 * (1.0 + 1.4 * (low / 1000.0) ** 2) ** 0.69
    apart = np.linspace(0.01, 2.0, 2000) * band
    value = np.array([pair(low, each) for each in apart])
    worst = int(np.argmax(value))
    assert 0.17 < apart[worst] / band < 0.28
    assert np.all(np.diff(value[: worst + 1]) > 0.0)
    assert np.all(np.diff(value[worst:]) < 0.0)
    # where the derivative of the curve vanishes: s d = ln(b / a) / (b - a)
    assert apart[worst] == pytest.approx(0.2206 * (0.021 * low + 19.0) / 0.24, rel=0.01)
    assert value[worst] == pytest.approx(0.1808, abs=2e-4)


def test_harmonic_tones_agree_at_the_just_intervals():
    # the paper's figure 3: six harmonics above 500 Hz (from memory)
    interval = np.linspace(1.05, 2.1, 4201)
    found = minima(curve(500.0 * np.arange(1, 8), interval), interval)
    for name, ratio in JUST.items():
        assert np.abs(found - ratio).min() < 0.003 * ratio, name


def test_tones_stretched_by_a_tenth_agree_at_the_stretched_octave():
    # the paper's figure 5: partials f 2.1^log2(n), whose octave is 2.1 (from memory)
    interval = np.linspace(1.8, 2.3, 2001)
    value = curve(500.0 * 2.1 ** np.log2(np.arange(1, 8)), interval)
    assert interval[np.argmin(value)] == pytest.approx(2.1, abs=0.003)
    assert value.min() < 0.6 * value[np.argmin(np.abs(interval - 2.0))]
