"""The closed form of a damped sinusoid's spectrum against the plain transform; peaks against noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synth.recording.spectrum import _usual_beside, clear_peaks, line, lines, spectrum
from tests.recording import plain_fits

RATE = 8000.0
POLES = np.array([-3.0 + 2j * np.pi * 440.3, -40.0 + 2j * np.pi * 1200.0, 0.2 + 2j * np.pi * 50.0])
AMPLITUDES = np.array([0.5 * np.exp(0.3j), 0.2 - 0.1j, 0.01j])
TIME = np.arange(4000) / RATE


def test_the_lines_of_damped_sinusoids_are_their_transform() -> None:
    samples = np.real(AMPLITUDES @ np.exp(POLES[:, None] * TIME))
    at = spectrum(samples, RATE)
    bins = np.arange(at.length // 2 + 1)
    assert np.allclose(lines(at, bins, AMPLITUDES, POLES), at.values, atol=1e-9 * np.max(np.abs(at.values)))


def test_a_pole_on_a_bin_without_decay_is_no_division_by_zero() -> None:
    at = spectrum(np.zeros(800), RATE)
    value = line(at, np.array([44]), np.array([-1e-6 + 2j * np.pi * 440.0]))
    assert value[0, 0] == pytest.approx(800.0, rel=1e-5)


def test_the_slope_of_a_line_is_its_derivative() -> None:
    """Of the plain form, which is what the compiled one is held against."""
    at = spectrum(np.zeros(4000), RATE)
    bins = np.arange(180, 260)
    for direction in (1e-4, 1e-4j):
        change = line(at, bins, POLES + direction) - line(at, bins, POLES - direction)
        slope = plain_fits.slopes(bins, at.length, at.rate, POLES)
        assert np.allclose(change / (2.0 * direction), slope, rtol=1e-5, atol=1e-4)


def test_noise_has_no_clear_peaks(studio: Any) -> None:
    assert sum(len(clear_peaks(spectrum(studio.noise(2.0, 1.0, seed=k), 48_000.0))) for k in range(20)) == 0


def test_peaks_are_told_with_the_noise_around_them(studio: Any) -> None:
    sound = studio.ring([(1000.0, 30.0, 0.01)], 2.0) + studio.noise(2.0, 1e-3)
    (peak,) = clear_peaks(spectrum(sound, 48_000.0))
    assert peak.omega == pytest.approx(2.0 * np.pi * 1000.0, abs=np.pi)
    assert peak.noise == pytest.approx(96_000 * 1e-6, rel=0.25)


def test_the_skirt_of_a_line_is_not_a_row_of_peaks(studio: Any) -> None:
    sound = studio.ring([(1000.0, 0.3, 0.9)], 4.0) + studio.noise(4.0, 1e-6)
    assert len(clear_peaks(spectrum(sound, 48_000.0))) <= 1


def test_a_line_is_that_of_the_plain_exponential() -> None:
    """(exp(s T) - 1) / (exp(s dt) w^-k - 1) by expm1, on a bin, between bins, far off, slow and growing.

    On a bin without decay the divisor is 2e-8, of an angle that is rounded at 1e-18.
    """
    at = spectrum(np.zeros(28_000), 48_000.0)
    on = 262.0 * at.step
    pole = np.array([-1e-3 + 1j * on, -0.5 + 1j * (on + 0.5 * at.step), -150.0 + 1j * on, 1.0 + 9.0j * on])
    bins = np.arange(240, 290)
    below = np.expm1(pole[:, None] / at.rate - 2j * np.pi * bins / at.length)
    end = np.expm1(pole * at.seconds)[:, None]
    np.testing.assert_allclose(line(at, bins, pole), end / below, rtol=1e-9)
    mirror = np.expm1(np.conj(pole) * at.seconds)[:, None] / np.expm1(
        np.conj(pole)[:, None] / at.rate - 2j * np.pi * bins / at.length
    )
    amplitude = np.array([1.0 + 2.0j, -0.5j, 3.0, 0.7 - 0.1j])
    whole = 0.5 * (amplitude @ (end / below) + np.conj(amplitude) @ mirror)
    np.testing.assert_allclose(lines(at, bins, amplitude, pole), whole, rtol=1e-9)


def test_what_is_usual_beside_a_bin_is_the_median_of_those_there_are():
    """At the ends fewer are, an even number too; the first bin, which is no sound, is not among them."""
    power = np.random.default_rng(12).random(60)
    position = np.array([3, 4, 16, 17, 30, 43, 44, 57])
    plain = [np.median(power[max(1, k - 16) : k + 17]) for k in position]
    np.testing.assert_allclose(_usual_beside(power, position), plain, rtol=1e-14)
