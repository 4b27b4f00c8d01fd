"""Runs of bins and dense sums against the exponentials that they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound import bin_sums
from synth.sound.bin_sums import BinSum, DenseSum

ROUNDING = 8e-7  # of a single mode's amplitude: the bins' single precision, at the worst of a hundred modes


def modes(length, nepers, count=100):
    """Modes that lose so many nepers in a block; the bins of some fold over at 0 Hz or at half the rate."""
    rng = np.random.default_rng(length)
    inside = rng.uniform(0.0, np.pi, count - 6)
    return -nepers / length + 1j * np.concatenate(
        [inside, [0.0, 1e-6, 1e-3, np.pi - 1e-9, np.pi - 1e-4, 3.1]]
    )


def errors(sum_, turn):
    """Largest error of each mode alone, started at a phase of its own."""
    start = np.exp(1j * np.arange(turn.size)).astype(np.complex64)
    sound = np.empty((turn.size, sum_.length), np.float32)
    sum_.fill(sound, np.diag(start))
    truth = (start[:, None] * np.exp(np.multiply.outer(turn, np.arange(sum_.length)))).real
    return np.abs(sound - truth).max(axis=1)


@pytest.mark.parametrize("length", [512, 2048, 8192])
@pytest.mark.parametrize("nepers", [0.0, 1.0, 2.99, 3.01, 6.99, 7.01, 11.99])
def test_a_run_of_bins_is_a_damped_exponential(length, nepers):
    turn = modes(length, nepers)
    assert errors(BinSum(turn, length), turn).max() < ROUNDING


@pytest.mark.parametrize("nepers", [0.0, 10.0, 1000.0])
def test_a_dense_sum_holds_for_any_decay(nepers):
    turn = modes(64, nepers)
    assert errors(DenseSum(turn, 64), turn).max() < 0.2 * ROUNDING


@pytest.mark.parametrize("nepers", [0.0, 3.0, 7.0, 12.0])
def test_the_fit_itself_is_far_below_rounding(nepers):
    length = 512
    turn = modes(length, nepers, 40)
    nodes = np.arange(length) - length / 2
    near = np.floor(turn.imag * length / np.pi)
    bins = near[:, None] - bin_sums.BELOW + np.arange(bin_sums.WIDEST)
    runs = 2 * bin_sums.fit_sums(turn, length).astype(complex)
    made = np.einsum("kb,kbj->kj", runs, np.exp(1j * np.pi / length * bins[:, :, None] * np.arange(length)))
    made /= bin_sums.window(nodes / (2 * length))
    assert (
        np.abs(made - np.exp(np.multiply.outer(turn, np.arange(length)))).max() < 3e-7
    )  # weights rounded to 6e-8


def test_a_sum_over_some_modes_leaves_out_the_others():
    turn = modes(512, 1.0, 50)
    some = np.array([0, 3, 4, 49])
    for kind, length in ((BinSum, 512), (DenseSum, 64)):
        states = np.zeros((2, 50), np.complex64)
        states[:, some] = np.arange(1, 9).reshape(2, 4)
        whole, part = np.empty((2, 2, length), np.float32)
        kind(turn, length).fill(whole, states)
        kind(turn, length).only(some).fill(part, np.ascontiguousarray(states[:, some]))
        assert part == pytest.approx(whole, abs=ROUNDING * 36)
