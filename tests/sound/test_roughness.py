"""Roughness: against the plain double sum, and of modes that ring."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.sound.roughness import ring_roughness, roughness


def plainly(hertz, amplitude):
    """Sethares 1993, pair by pair."""
    total = 0.0
    for i in range(len(hertz)):
        for j in range(i):
            low, apart = min(hertz[i], hertz[j]), abs(hertz[i] - hertz[j])
            s = 0.24 / (0.021 * low + 19.0)
            total += amplitude[i] * amplitude[j] * (math.exp(-3.5 * s * apart) - math.exp(-5.75 * s * apart))
    return total


@pytest.mark.parametrize("count", [2, 40, 700])
def test_the_sum_is_that_of_all_pairs_in_any_order(count):
    draw = np.random.default_rng(count)
    hertz, amplitude = 60.0 * 100.0 ** draw.random(count), 10.0 ** draw.uniform(-3.0, 0.0, count)
    assert roughness(hertz, amplitude) == pytest.approx(plainly(hertz, amplitude), rel=1e-9)


def test_signs_of_amplitudes_mean_nothing():
    hertz = np.array([440.0, 470.0, 500.0])
    assert roughness(hertz, np.array([1.0, -2.0, 3.0])) == roughness(hertz, np.array([1.0, 2.0, 3.0]))


def test_one_partial_or_none_or_silence_does_not_grate():
    assert roughness(np.array([440.0]), np.array([1.0])) == 0.0
    assert roughness(np.zeros(0), np.zeros(0)) == 0.0
    assert ring_roughness(np.array([400.0, 430.0]), np.array([1.0, 1.0]), np.zeros(2)) == 0.0
    assert ring_roughness(np.zeros(0), np.zeros(0), np.zeros(0)) == 0.0


def test_of_ringing_modes_the_mean_power_in_the_window_counts_by_plain_summing():
    hertz, decay = np.array([147.0, 160.0, 921.0]), np.array([6.0, 2.0, 0.9])
    amplitude = np.array([2.0, -1.0, 5.0])
    now = np.linspace(0.3, 1.0, 20_001)
    level = np.sqrt(np.mean((amplitude * 10.0 ** (-3.0 * now[:, None] / decay)) ** 2, axis=0))
    plain = plainly(hertz, level / np.linalg.norm(level))
    assert ring_roughness(hertz, decay, amplitude) == pytest.approx(plain, rel=1e-3)


def test_louder_is_not_rougher():
    hertz, decay, amplitude = np.array([300.0, 330.0]), np.array([3.0, 2.0]), np.array([0.1, 0.2])
    assert ring_roughness(hertz, decay, 1e4 * amplitude) == pytest.approx(
        ring_roughness(hertz, decay, amplitude)
    )


def test_what_has_died_before_the_window_does_not_grate():
    hertz, amplitude = np.array([300.0, 330.0]), np.array([1.0, 1.0])
    lasting = ring_roughness(hertz, np.array([3.0, 3.0]), amplitude)
    # two equal ones share the power: half of the curve at 30 Hz, s = 0.24 / 25.3
    curve = math.exp(-3.5 * 0.24 / 25.3 * 30.0) - math.exp(-5.75 * 0.24 / 25.3 * 30.0)
    assert lasting == pytest.approx(0.5 * curve, rel=1e-6)
    assert ring_roughness(hertz, np.array([3.0, 0.1]), amplitude) < 0.01 * lasting
    assert ring_roughness(hertz, np.array([3.0, 0.1]), amplitude, since=0.0, until=0.05) > 0.5 * lasting


def test_faint_partials_that_are_left_out_change_nothing_that_is_told():
    draw = np.random.default_rng(4)
    hertz, decay = 80.0 * 50.0 ** draw.random(600), 10.0 ** draw.uniform(-1.5, 1.0, 600)
    amplitude = draw.normal(size=600)
    rate = math.log(1000.0) / decay
    level = np.abs(amplitude) * np.sqrt((np.exp(-0.6 * rate) - np.exp(-2.0 * rate)) / (1.4 * rate))
    plain = plainly(hertz, level / np.linalg.norm(level))
    assert ring_roughness(hertz, decay, amplitude) == pytest.approx(plain, rel=1e-3)
