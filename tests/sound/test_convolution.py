"""Partitioned convolution against the plain sum, however the signals are cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.sound.convolution import SHORTEST, Convolver

EPS = 2e-6  # of the peak, single precision


def plain(kernel, signals):
    count = signals.shape[1]
    if not count:
        return np.zeros((len(kernel), 0))
    return np.array(
        [
            sum(np.convolve(one, signal)[:count] for one, signal in zip(ear, signals, strict=True))
            for ear in kernel
        ]
    )


@settings(max_examples=25, deadline=None)
@given(
    length=st.integers(1, 4 * SHORTEST),
    cuts=st.lists(st.integers(0, 3 * SHORTEST), min_size=1, max_size=8),
    seed=st.integers(0, 99),
)
def test_blocks_of_any_length_give_the_plain_sum(length, cuts, seed):
    dice = np.random.default_rng(seed)
    kernel, signals = dice.normal(size=(2, 3, length)), dice.normal(size=(3, sum(cuts)))
    step = Convolver(kernel)
    parts = [step(part) for part in np.split(signals, np.cumsum(cuts)[:-1], axis=1)]
    exact = plain(kernel, signals)
    assert np.concatenate(parts, axis=1) == pytest.approx(exact, abs=EPS * np.abs(exact).max(initial=1.0))


def test_an_impulse_answers_at_once_and_as_long_as_the_kernel_is():
    kernel = np.arange(1.0, 2501.0)[None, None]
    step = Convolver(kernel)
    impulse = np.zeros((1, 100))
    impulse[0, 0] = 1.0
    first = step(impulse)
    rest = np.concatenate([step(np.zeros((1, 100))) for _ in range(29)], axis=1)
    heard = np.concatenate([first, rest], axis=1)[0]
    assert heard[:2500] == pytest.approx(kernel[0, 0], abs=EPS * 2500.0)
    assert np.abs(heard[2500:]).max() < EPS * 2500.0
