"""The estimator against the Cramer-Rao bound for one damped sinusoid in white noise.

Source: Y.-X. Yao and S. M. Pandit, "Cramer-Rao lower bound for a damped sinusoidal process", IEEE Transactions on
Signal Processing 43 (1995) 878. For N samples of a complex a rho^n exp(j w n) in noise of variance v,

    var(w) = var(ln rho) >= (1 - rho²)³ (1 - rho^2N) / (2 SNR [rho² (1 - rho^2N)² - N² rho^2N (1 - rho²)²])

with SNR = |a|² / v. The form is from memory; `test_the_closed_form_is_the_inverse_information` derives it anew.
A real A rho^n cos(w n + p), well between 0 and half the rate, is two such with |a| = A / 2 in the noise of the
real samples.
"""

from __future__ import annotations

import numpy as np
import pytest

from synth.recording.sinusoids import find
from synth.units import FALL

SEEDS = 200
ALLOWED = 1.5  # times the bound
CHANCE = 1.0 + 2.0 / np.sqrt(2.0 * SEEDS)  # two deviations of a deviation measured on 200 trials


def bound(rho: float, count: int, snr: float) -> float:
    """The least standard deviation of w and of ln rho, per sample."""
    end = rho ** (2 * count)
    information = rho**2 * (1.0 - end) ** 2 - count**2 * end * (1.0 - rho**2) ** 2
    return float(np.sqrt((1.0 - rho**2) ** 3 * (1.0 - end) / (2.0 * snr * information)))


@pytest.mark.parametrize(("rho", "count"), [(0.99, 200), (0.999, 4000), (0.9, 30), (0.9999, 500)])
def test_the_closed_form_is_the_inverse_information(rho: float, count: int) -> None:
    n = np.arange(count)
    power = rho ** (2 * n)
    information = 2.0 * (np.sum(n**2 * power) - np.sum(n * power) ** 2 / np.sum(power))
    assert bound(rho, count, 1.0) == pytest.approx(information**-0.5, rel=1e-6)


@pytest.mark.parametrize(
    ("hz", "decay", "seconds", "snr_db"),
    [
        (440.0, 1.0, 1.5, 20.0),
        (1617.8, 0.35, 0.8, 6.0),
        pytest.param(440.0, 1.0, 1.5, 6.0, marks=pytest.mark.slow),
        pytest.param(1617.8, 0.35, 0.8, 20.0, marks=pytest.mark.slow),
    ],
)
def test_the_error_stays_within_one_and_a_half_times_the_bound(
    snr_db: float, hz: float, decay: float, seconds: float
) -> None:
    rate, level = 8000, 1.0
    time = np.arange(round(seconds * rate)) / rate
    sigma, noise = FALL / decay, np.sqrt(0.5) * 10.0 ** (-snr_db / 20.0)
    errors = []
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        wave = level * np.exp(-sigma * time) * np.cos(2.0 * np.pi * hz * time + rng.uniform(0.0, 2.0 * np.pi))
        modes = find(wave + noise * rng.normal(size=len(time)), rate)
        assert len(modes) == 1
        errors.append(modes.pole[0] - (-sigma + 2j * np.pi * hz))
    least = rate * bound(np.exp(-sigma / rate), len(time), (0.5 * level / noise) ** 2)
    frequency, damping = (np.sqrt(np.mean(np.square(part))) for part in (np.imag(errors), np.real(errors)))
    assert least / CHANCE < frequency < ALLOWED * least
    assert least / CHANCE < damping < ALLOWED * least
