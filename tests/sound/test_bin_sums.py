"""Runs of bins and dense sums against the exponentials that they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound import bin_sums
from synth.sound.bin_sums import BinSum, DenseSum, PlacedBlocks, Transforms

ROUNDING = 8e-7  # of a single mode's amplitude: the bins' single precision, at the worst of a hundred modes


def modes(length, nepers, count=100):
    """Modes that lose so many nepers in a block; the bins of some fold over at 0 Hz or at half the rate."""
    rng = np.random.default_rng(length)
    inside = rng.uniform(0.0, np.pi, count - 6)
    return -nepers / length + 1j * np.concatenate(
        [inside, [0.0, 1e-6, 1e-3, np.pi - 1e-9, np.pi - 1e-4, 3.1]]
    )


def made(sum_, states):
    """Blocks (n, length) that begin in states (n, K), each the first of a segment of its own."""
    count, length = len(states), sum_.length
    sound, nth = np.zeros(count * length, np.float32), np.arange(count)
    blocks = PlacedBlocks(nth * length, np.full(count, length), nth, np.zeros(count, np.int64))
    sum_.add(sound, blocks, states, np.ones((1, states.shape[1]), np.complex64))
    return sound.reshape(count, length)


def errors(sum_, turn):
    """Largest error of each mode alone, started at a phase of its own."""
    start = np.exp(1j * np.arange(turn.size)).astype(np.complex64)
    sound = made(sum_, np.diag(start))
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
        whole = made(kind(turn, length), states)
        part = made(kind(turn, length).only(some), np.ascontiguousarray(states[:, some]))
        assert part == pytest.approx(whole, abs=ROUNDING * 36)


@pytest.mark.parametrize(("kind", "length"), [(BinSum, 512), (DenseSum, 64)])
def test_blocks_of_a_segment_follow_one_another_and_are_added_where_they_stand(kind, length):
    turn, states = modes(length, 0.7, 20), np.exp(1j * np.arange(40.0)).reshape(2, 20).astype(np.complex64)
    reach = np.exp(np.multiply.outer(np.arange(3) * length, turn)).astype(np.complex64)
    first = np.array([5, 5 + length, 9 + 2 * length])
    blocks = PlacedBlocks(first, np.array([length, 3, length - 1]), np.array([1, 1, 0]), np.array([1, 2, 0]))
    sound = np.full(4 * length, 7.0, np.float32)
    kind(turn, length).add(sound, blocks, states, reach)
    truth = np.full(4 * length, 7.0)
    for at, count, segment, nth in zip(first, blocks.count, blocks.segment, blocks.nth, strict=True):
        t = nth * length + np.arange(count)
        truth[at : at + count] += (states[segment] @ np.exp(np.multiply.outer(turn, t))).real
    assert np.abs(sound - truth).max() < 20 * ROUNDING


@pytest.mark.parametrize("many", [False, True])
def test_what_lies_outside_the_spectrum_is_its_mirror_image(many):
    rng, length = np.random.default_rng(5), 512
    bins = rng.standard_normal((length + 1 + bin_sums.WIDEST, 24)) * np.exp(1j * rng.uniform(0, 7, 24))
    turns = np.exp(
        1j * np.pi / length * np.outer(np.arange(2 * length), np.arange(len(bins)) - bin_sums.BELOW)
    )
    truth = 2 * (turns @ bins).real.T
    room = Transforms(many=many)
    for count in (24, 7):  # less than the room
        taken = room.bins(*bins[:, :count].shape)
        taken[:] = bins[:, :count]
        samples = room.samples(taken, length)
        assert samples.shape == (count, 2 * length)
        assert np.abs(samples - truth[:count]).max() < 4e-7 * np.abs(truth).max()
        assert not room.bins(len(bins), 24).any()
