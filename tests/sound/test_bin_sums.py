"""Runs of bins and dense sums against the exponentials that they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound import bin_sums
from synth.sound.bin_sums import BinSum, DenseSum, PlacedBlocks
from synth.sound.lanes import LANES, ROW

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


def test_some_of_the_states_and_steps_may_stand_in_memory_in_any_order():
    rng, length = np.random.default_rng(6), 512
    turn = modes(length, 1.5, 20)
    states, reach = (np.exp(1j * rng.uniform(0, 7, (3, 20))).astype(np.complex64) for _ in range(2))
    blocks = PlacedBlocks(
        np.arange(9) * length, np.full(9, length), np.repeat(np.arange(3), 3), np.tile(np.arange(3), 3)
    )
    sounds = []
    for order in (np.ascontiguousarray, np.asfortranarray):
        sounds.append(np.zeros(9 * length, np.float32))
        BinSum(turn, length).add(sounds[-1], blocks, order(states), order(reach))
    assert (sounds[0] == sounds[1]).all()


@pytest.mark.parametrize("count", [1, 7, 8, 9, 17])
@pytest.mark.parametrize("kept", [1, 3, 4, 65])
def test_any_number_of_blocks_and_modes_is_the_plain_sum(count, kept):
    """A last portion of blocks or modes that is not full, and whose other places nobody clears."""
    rng, length = np.random.default_rng(count * kept), 512
    turn = modes(length, 1.5, 70)[:kept]
    states = np.exp(1j * rng.uniform(0, 7, (count, kept))).astype(np.complex64)
    truth = (states @ np.exp(np.multiply.outer(turn, np.arange(length)))).real
    assert np.abs(made(BinSum(turn, length), states) - truth).max() < ROUNDING * max(1.0, np.sqrt(kept))


def test_what_lies_outside_the_spectrum_is_its_mirror_image():
    rng, length = np.random.default_rng(5), 512
    count = length + 1 + bin_sums.WIDEST
    bins = rng.standard_normal((count, LANES)) * np.exp(1j * rng.uniform(0, 7, LANES))
    place = bin_sums._places(length)
    room = np.full((place.max() + 1, ROW), np.nan, np.float32)
    room[place, :LANES], room[place, LANES:] = bins.real, bins.imag
    bin_sums._fold(room, place, length)
    truth = np.zeros((length + 1, LANES), complex)  # what a real signal's spectrum has, bin by bin
    for k, row in zip(range(-bin_sums.BELOW, count - bin_sums.BELOW), bins, strict=True):
        if k in (0, length):
            truth[k] += row + row.conj()
        elif 0 < k < length:
            truth[k] += row
        else:
            truth[-k if k < 0 else 2 * length - k] += row.conj()
    own = room[place[bin_sums.BELOW : bin_sums.BELOW + length + 1]]
    assert np.abs(own[:, :LANES] + 1j * own[:, LANES:] - truth).max() < 1e-6
