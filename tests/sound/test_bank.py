"""The offline bank against the plain sum over modes and events."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound import bank

RATE = 48000.0
PEAK = 1e-6  # of the peak: what the bank may differ from the plain sum


def plain_sum(pole, weights, events, *, rate, frames):
    """The definition, mode by mode."""
    t = np.arange(frames) / rate
    out = np.zeros((len(weights), frames))
    for time, row in events:
        on = t >= time
        for s, w, a in zip(pole, weights.T, row, strict=True):
            if s.imag < np.pi * rate:
                out[:, on] += (np.multiply.outer(w * a, np.exp(s * (t[on] - time)))).real
    return out


def random_modes(rng, modes, points):
    frequency = np.exp(rng.uniform(np.log(20.0), np.log(23e3), modes))
    decay = np.exp(rng.uniform(np.log(0.005), np.log(60.0), modes))
    pole = -np.log(1000.0) / decay + 2j * np.pi * frequency
    weights = rng.standard_normal((points, modes)) + 1j * rng.standard_normal((points, modes))
    return pole, weights


def random_events(rng, modes, count, seconds):
    return [
        (float(time), rng.standard_normal(modes) + 1j * rng.standard_normal(modes))
        for time in np.sort(rng.uniform(0.0, seconds, count))
    ]


@pytest.mark.parametrize("seed", range(3))
def test_the_bank_equals_the_plain_sum(seed):
    rng = np.random.default_rng(seed)
    pole, weights = random_modes(rng, 60, 2)
    events = random_events(rng, 60, 12, 1.5)
    truth = plain_sum(pole, weights, events, rate=RATE, frames=96000)
    sound = bank.render(pole, weights, events, rate=RATE, frames=96000)
    assert np.abs(sound - truth).max() < PEAK * np.abs(truth).max()
