"""What chunks of force leave in modes, against the plain double sum of every half frame on every mode."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from synth.sound.left_states import LeftStates
from synth.sound.pole_steps import powers

STEP_RATE = 96_000.0  # half frames a second


def modes(seed, *, count=300, lowest=2.0, highest=20e3, nepers=11.0, size=512):
    """Turns (M,) per half frame: decays from none to so many nepers in a chunk."""
    rng = np.random.default_rng(seed)
    hz = np.exp(rng.uniform(math.log(lowest), math.log(highest), count))
    return -(10.0 ** rng.uniform(-5.0, math.log10(nepers), count)) / size + 2j * math.pi * hz / STEP_RATE


def blocks(seed, *, count=70, size=512, inputs=6, chunks=23):
    """Forces that begin and end anywhere in their chunks; sources and chunks as a stroke has them."""
    rng = np.random.default_rng(seed)
    force = rng.standard_normal((count, size)) * 1e-5 + 2e-5
    for row in force:
        row[: rng.integers(0, size)] = 0.0
        row[rng.integers(0, size) :] = 0.0
    force[0] = np.r_[1.0, np.zeros(size - 1)]  # the first half frame of a chunk alone, and the last
    force[1] = np.r_[np.zeros(size - 1), 1.0]
    return force, rng.integers(0, inputs, count), np.sort(rng.integers(0, chunks, count))


def driven(seed, turn, inputs=6):
    rng = np.random.default_rng(seed)
    drive = rng.standard_normal((inputs, len(turn))) + 1j * rng.standard_normal((inputs, len(turn)))
    return drive.astype(np.complex64)


def plain(turn, force, drive, source, chunk_of, chunks=23):
    """States, and what they could be if all of a chunk's impulses agreed: (E, M) each."""
    total, most = np.zeros((2, chunks, len(turn)), complex)
    size = force.shape[1]
    turns = np.exp(np.multiply.outer(size - np.arange(size), turn))
    for row, q, chunk in zip(force, source, chunk_of, strict=True):
        total[chunk] += (row @ turns) * drive[q]
        most[chunk] += np.abs(row).sum() * np.abs(drive[q])
    return total, most.real


def made(turn, size=512):
    return LeftStates(turn, size, powers(turn, size + 1)[:0:-1].astype(np.complex64))


def left(turn, force, drive, source, chunk_of, *, edges=None, size=512, chunks=23):
    states = np.zeros((chunks, len(turn)), np.complex64)
    made(turn, size).add(states, force, drive, source, chunk_of, edges or [0, len(force)])
    return states


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("as in a row of tines", {}),
        ("steep, by their turns", {"nepers": 400.0}),
        ("slow", {"lowest": 0.01, "highest": 30.0}),
        ("above hearing and the half frames", {"lowest": 19e3, "highest": 70e3}),
        ("few", {"count": 20}),
    ],
)
@pytest.mark.parametrize("size", [256, 512])
def test_a_chunk_leaves_the_plain_sum_of_its_half_frames(kind, words, size):
    for seed in range(3):
        turn = modes(seed, size=size, **words)
        force, source, chunk_of = blocks(seed, size=size)
        drive = driven(seed, turn)
        states = left(turn, force, drive, source, chunk_of, size=size)
        expected, most = plain(turn, force, drive, source, chunk_of)
        assert (np.abs(states - expected) <= 1e-6 * most + 1e-12).all(), kind
        assert np.abs(expected).max() > 1e-3


def test_it_is_no_farther_from_the_plain_sum_than_the_product_with_every_turn():
    """In single precision both, of forces as strokes have them; single impulses at a chunk's edges twice as far."""
    turn = modes(5, count=800)
    force, source, chunk_of = (each[2:] for each in blocks(5))
    drive = driven(5, turn)
    expected, _ = plain(turn, force, drive, source, chunk_of)
    turns = np.exp(np.multiply.outer(512 - np.arange(512), turn)).astype(np.complex64)
    product = np.zeros_like(expected, np.complex64)
    np.add.at(product, chunk_of, (force.astype(np.float32) @ turns) * drive[source])
    runs = left(turn, force, drive, source, chunk_of)
    off = [float(np.sqrt((np.abs(each - expected) ** 2).mean())) for each in (runs, product)]
    assert 0.0 < off[0] < 1.2 * off[1]


def test_some_blocks_leave_what_they_leave_among_all_to_the_last_digit():
    turn = np.r_[modes(8), modes(9, count=9, nepers=300.0)]
    force, source, _ = blocks(8)
    chunk_of = np.arange(len(force)) // 5  # parts begin where chunks do
    drive = driven(8, turn)
    rng = np.random.default_rng(8)
    for _ in range(20):
        edges = [0, *(5 * np.unique(rng.integers(1, 14, 3))).tolist(), len(force)]
        whole = left(turn, force, drive, source, chunk_of, edges=edges)
        apart = np.zeros_like(whole)
        states = made(turn)
        for begin, end in pairwise(edges):
            some = slice(begin, end)
            states.add(apart, force[some], drive, source[some], chunk_of[some], [0, end - begin])
        np.testing.assert_array_equal(apart, whole)


def test_runs_of_bins_hang_on_no_neighbour_however_many_stand_side_by_side():
    turn = modes(11)
    force, source, chunk_of = blocks(11, count=140)
    chunk_of = np.arange(140)
    drive = driven(11, turn)
    states = made(turn)
    whole = np.zeros((140, len(turn)), np.complex64)
    states.add(whole, force, drive, source, chunk_of, [0, 140])
    for count in range(1, 70):
        some = np.zeros((140, len(turn)), np.complex64)
        states.add(some, force[:count], drive, source[:count], chunk_of[:count], [0, count])
        np.testing.assert_array_equal(some[:count], whole[:count])
