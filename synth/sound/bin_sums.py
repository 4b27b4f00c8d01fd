"""Blocks of samples from the states of many modes at once: a few bins of a Fourier transform for each mode.

In: states x (S, K) at the first frame of S segments, and n blocks that fill them. Out: each block's length frames
of Re sum_k x_k exp(turn_k (nth length + j)), j < length, added where it stands.

Seen through a window W that falls off smoothly, a mode that decays slowly within the block is a short run of bins
of a transform of twice the block's length:

    W(u) exp(log_pole_per_frame j) = sum_b c_b exp(2 pi i (first + b) u),      u = (j - length/2) / (2 length)

(non-uniform fast Fourier transform: A. Dutt, V. Rokhlin, SIAM J. Sci. Comput. 14, 1993; the window with the
Kaiser-Bessel kernel: J. A. Fessler, B. P. Sutton, IEEE Trans. Signal Process. 51, 2003; here with a decay, which is
an imaginary frequency). Bins x modes is a sparse matrix; one product, one inverse transform and one division by W
serve all modes. The faster a mode decays within the block, the more bins it takes (RUNS); beyond STEEPEST it needs
shorter blocks. The shortest blocks are summed directly, by a dense matrix product, which holds for any decay.

The runs err by 5e-8 of a mode's largest sample at most; single precision adds about 1e-7 of the effective value.
"""

from __future__ import annotations

import functools
from abc import ABC, abstractmethod
from collections.abc import Callable
from functools import cached_property
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.compiled import njit
from synth.frozen import frozen
from synth.sound import lane_transform, lanes
from synth.sound.lane_transform import RADIX
from synth.sound.lanes import LANES, ROW, add_run, transpose
from synth.sound.pole_steps import powers

Rows = NDArray[Any]

RUNS: Final = (
    (3.0, 10),
    (7.0, 16),
    (12.0, 20),
)  # nepers that a mode may decay within a block, bins that it takes
STEEPEST: Final = RUNS[-1][0]
WIDEST: Final = RUNS[-1][1]
BELOW: Final = WIDEST // 2 - 1  # bins of the widest run below the mode's own
OVERSAMPLING: Final = (
    2  # bins of the transform for each sample of the block: at 1.5 the window is 14 times smaller
)
# at the block's edge than in its middle, and so magnifies the rounding of single precision
KERNEL: Final = RUNS[0][1]  # bins: the width of the window's kernel, which serves every run
SHAPE: Final = (
    np.pi * KERNEL * (1 - 1 / (2 * OVERSAMPLING))
)  # Fessler and Sutton's; larger tolerates less decay
NODES: Final = 40  # points at which the run is fitted
PORTION: Final = 512  # modes fitted at once: what stays in the processor's cache
TILE: Final = 64  # modes whose states are turned at once
DENSE_AT_ONCE: Final = 128  # short blocks summed at once: what stays in the processor's cache
FOUR: Final = LANES // 2  # complex numbers of a vector
IN_A_ROW: Final = LANES * np.arange(LANES)  # vectors one behind the other
LINE: Final = 64  # bytes that the processor's cache holds together
QUARTER_TURNS: Final = np.array([1, -1j, -1, 1j])
REACH: Final = 1e-9  # singular values of the wider runs below this are left out: their weights would be huge


@frozen
class PlacedBlocks:
    """n blocks of one length: where each begins, how many frames it fills, the nth of which segment it is."""

    first: Indices
    count: Indices
    segment: Indices
    nth: Indices

    def __getitem__(self, some: slice) -> PlacedBlocks:
        return PlacedBlocks(self.first[some], self.count[some], self.segment[some], self.nth[some])


class BlockSum(ABC):
    """Sums K modes over blocks of one length. What it needs to know of each mode is made at the first use."""

    def __init__(
        self, log_pole_per_frame: AnyComplex, length: int, rows: Callable[[], Rows] | None = None
    ) -> None:
        self.log_pole_per_frame, self.length = log_pole_per_frame, length
        self._rows = rows or self._fitted

    @abstractmethod
    def add(self, sound: Singles, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> None:
        """Adds blocks to sound (N,).

        states (S, K) complex64 at the first frames of the segments; reach (m, K or more) complex64 what carries
        them over 0, 1, ... blocks.
        """

    def only(self, active: Indices) -> Self:
        """The same for some of the modes."""
        few = self.log_pole_per_frame[active]
        return type(self)(few, self.length, lambda: self.rows[active])

    @cached_property
    def rows(self) -> Rows:
        """(K, ...) what stands for each mode in the table that multiplies the states."""
        return self._rows()

    @abstractmethod
    def _fitted(self) -> Rows: ...


class DenseSum(BlockSum):
    """Short blocks of modes of any decay, by one matrix product."""

    def add(self, sound: Singles, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> None:
        table = self.rows.reshape(-1, self.length)
        for at in range(0, len(blocks.first), DENSE_AT_ONCE):
            some = blocks[at : at + DENSE_AT_ONCE]
            begun = states[some.segment]
            begun *= reach[some.nth, : begun.shape[1]]
            _add_each(sound, some.first, some.count, begun.view(np.float32) @ table)

    def _fitted(self) -> Rows:
        factor = powers(self.log_pole_per_frame, self.length).astype(np.complex64)
        # Re(x z) = Re x Re z - Im x Im z: two rows a mode
        return np.stack([factor.real.T, -factor.imag.T], axis=1)


class BinSum(BlockSum):
    """Long blocks of modes that decay by no more than STEEPEST nepers within a block."""

    def add(self, sound: Singles, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> None:
        runs, plan, place = self.runs, lane_transform.transform_plan(self.length), _places(self.length)
        states, reach = in_fours(states), in_fours(reach)
        begins = (_begins(states, blocks.segment), _begins(reach, blocks.nth))
        run = (runs.first, runs.ends, runs.weights, place)
        transform = (plan.place, plan.first, plan.turns, plan.half_turns)
        group = RADIX * plan.first
        room = (
            _room(int(place.max()) + 1),
            _room(TILE),
            _room(TILE),
            np.empty((LANES, 2 * group), np.float32),
        )
        where = (blocks.first, blocks.count, unwindow(self.length))
        _add_sums(sound, states, reach, *begins, *run, *transform, *where, IN_A_ROW, *room)

    @cached_property
    def runs(self) -> Runs:
        """The modes' weights without what is zero around them."""
        used = self.rows != 0
        first = bin_below(self.log_pole_per_frame, self.length).astype(np.int64) + np.argmax(used, axis=1)
        ends = np.cumsum(np.concatenate([[0], np.count_nonzero(used, axis=1)]))
        return Runs(first, ends, self.rows[used])

    def _fitted(self) -> Rows:
        return fit_sums(self.log_pole_per_frame, self.length)


@frozen
class Runs:
    """Of K modes: the first bin of each, counted from -BELOW on, and its weights."""

    first: Indices  # (K,)
    ends: Indices  # (K + 1,) where each mode's weights begin, and the end
    weights: AnyComplex  # (ends[-1],)


@functools.cache
def _places(length: int) -> Indices:
    """(length + 1 + WIDEST,) rows of the bins from -BELOW on: those of the transform, the others' after them."""
    own = lane_transform.transform_plan(length).place
    beside = own.max() + 1 + np.arange(WIDEST)
    return np.concatenate([beside[:BELOW], own, beside[BELOW:]])


@functools.cache
def unwindow(length: int) -> Singles:
    """(length,) what undoes the window."""
    position = (np.arange(length) - length / 2) / (OVERSAMPLING * length)
    return np.asarray((1 / window(position)).astype(np.float32))


def _room(rows: int) -> Singles:
    """(rows, ROW) where no row lies across two lines of the processor's cache."""
    numbers = np.empty((rows + 1) * ROW, np.float32)
    skipped = -numbers.ctypes.data % LINE // numbers.itemsize
    return numbers[skipped : skipped + rows * ROW].reshape(rows, ROW)


def in_fours(rows: AnyComplex) -> AnyComplex:
    """Rows (n, K) complex64 in the order of their indices, as many columns as fours take, as they are taken."""
    few = rows.shape[1] % FOUR
    return np.ascontiguousarray(np.pad(rows, ((0, 0), (0, FOUR - few))) if few else rows)


def _begins(rows: AnyComplex, which: Indices) -> Indices:
    """At which number each of these rows begins, for all lanes: those to spare have the first row."""
    begins = np.zeros(-(-which.size // LANES) * LANES, np.int64)
    begins[: which.size] = 2 * rows.shape[1] * which
    return begins


@njit(cache=True, holds=(lanes, lane_transform), nogil=True, fastmath={"contract"})
def _add_sums(
    sound: Any,
    states: Any,
    reach: Any,
    from_state: Any,
    from_reach: Any,
    first: Any,
    ends: Any,
    weights: Any,
    place: Any,
    own_place: Any,
    radix: Any,
    turns: Any,
    half_turns: Any,
    starts: Any,
    counts: Any,
    factor: Any,
    in_a_row: Any,
    bins: Any,
    begun: Any,
    carry: Any,
    lines: Any,
) -> None:
    """Adds to sound (N,) the sums of all modes over the blocks, LANES at a time.

    Each block begins in the product of a state and a reach. The last four are room to work in.
    """
    for at in range(0, starts.shape[0], LANES):
        for row in range(bins.shape[0]):
            for j in range(ROW):
                bins[row, j] = 0.0
        for begin in range(0, first.shape[0], TILE):
            count = min(TILE, first.shape[0] - begin)
            for k in range(0, count, FOUR):
                transpose(states, from_state, at, 2 * (begin + k), begun, k * ROW, LANES)
                transpose(reach, from_reach, at, 2 * (begin + k), carry, k * ROW, LANES)
            for k in range(count):
                mode = begin + k
                add_run(bins, place, first[mode], weights, ends[mode], ends[mode + 1], begun, carry, k)
        _fold(bins, place, factor.shape[0])
        lane_transform.transform(bins, own_place, radix, turns, half_turns)
        _add_lanes(sound, at, starts, counts, factor, in_a_row, bins, lines)


@njit(part=True, fastmath={"contract"})
def _fold(bins: Any, place: Any, length: int) -> None:
    """Bins -BELOW ... length + WIDEST - BELOW become the half spectrum 0 ... length of a real signal.

    What lies below 0 Hz or above half the rate is, in a real signal, the conjugate of its mirror image. The two end
    bins are their own.
    """
    top = BELOW + length
    for k in range(1, place.shape[0] - top):
        _add_conjugate(bins[place[top - k]], bins[place[top + k]])
    for k in range(1, BELOW + 1):
        _add_conjugate(bins[place[BELOW + k]], bins[place[BELOW - k]])
    _add_conjugate(bins[place[BELOW]], bins[place[BELOW]])
    _add_conjugate(bins[place[top]], bins[place[top]])


@njit(part=True)
def _add_conjugate(row: Any, other: Any) -> None:
    for j in range(LANES):
        row[j] += other[j]
        row[LANES + j] -= other[LANES + j]


@njit(part=True, fastmath={"contract"})
def _add_lanes(
    sound: Any, at: int, starts: Any, counts: Any, factor: Any, in_a_row: Any, bins: Any, lines: Any
) -> None:
    """Adds to sound (N,) the first so many samples of each block, times factor (L,), from rows of two samples."""
    length, group = factor.shape[0], lines.shape[1] // 2
    for row in range(0, length // 2, group):
        for j in range(0, group, FOUR):
            transpose(bins, in_a_row, 0, (row + row // group + j) * ROW, lines, 2 * j, 2 * group)
        for lane in range(min(LANES, starts.shape[0] - at)):
            here, line, undo = sound[starts[at + lane] + 2 * row :], lines[lane], factor[2 * row :]
            for i in range(min(2 * group, counts[at + lane] - 2 * row)):
                here[i] += line[i] * undo[i]


@njit(cache=True, nogil=True)
def _add_each(sound: Any, first: Any, counts: Any, samples: Any) -> None:
    """Adds to sound (N,) the first so many samples of each block (n, L)."""
    for j in range(first.shape[0]):
        at, block = sound[first[j] : first[j] + counts[j]], samples[j]
        for i in range(counts[j]):
            at[i] += block[i]


def window(u: Array) -> Array:
    """The Fourier transform of the Kaiser-Bessel kernel, 1 in the middle; |u| <= 1/4 of the transform's length."""
    root = np.sqrt(SHAPE**2 - (np.pi * KERNEL * u) ** 2)
    return np.asarray((np.sinh(root) / root) / (np.sinh(SHAPE) / SHAPE))


def fit_sums(log_pole_per_frame: AnyComplex, length: int) -> Rows:
    """Weights (K, WIDEST) complex64 of the bins from BELOW under each mode's own, for states at the first frame.

    Zero outside a mode's run. Moved to its own bin, every mode is fitted by the same slow turns: one pseudo-inverse
    for all runs of one width. Halved, since a real signal's spectrum counts every bin twice.
    """
    nodes = np.linspace(-0.5, 0.5, NODES) / OVERSAMPLING
    bins = np.arange(WIDEST) - BELOW
    turns = np.exp(2j * np.pi * np.multiply.outer(nodes, bins)) / window(nodes)[:, None]
    width = np.searchsorted([nepers for nepers, _ in RUNS[:-1]], -log_pole_per_frame.real * length)
    rows = np.zeros((log_pole_per_frame.size, WIDEST), np.complex64)
    for k, (_, count) in enumerate(RUNS):
        inner = slice(BELOW - count // 2 + 1, BELOW + count // 2 + 1)
        inverse = np.linalg.pinv(turns[:, inner], rcond=REACH)
        modes = np.flatnonzero(width == k)
        for at in range(0, modes.size, PORTION):
            some = modes[at : at + PORTION]
            near = bin_below(log_pole_per_frame[some], length)
            run = inverse @ _target(log_pole_per_frame[some], near, nodes, length)
            # the middle of the block is the origin of u: a quarter turn back for each bin
            run *= QUARTER_TURNS[(near.astype(int) + bins[inner, None]) % 4] / 2
            rows[some, inner] = run.T
    return rows


def _target(log_pole_per_frame: AnyComplex, near: Array, nodes: Array, length: int) -> AnyComplex:
    """(NODES, K) what the runs are fitted to: each mode over the block, turned back by its own bin."""
    rest = log_pole_per_frame * (OVERSAMPLING * length) - 2j * np.pi * near
    target = powers(rest * (nodes[1] - nodes[0]), NODES)
    target *= np.exp(rest * nodes[0] + log_pole_per_frame * (length / 2))
    return target


def bin_below(log_pole_per_frame: AnyComplex, length: int) -> Array:
    """The bin at or below each mode's frequency (K,)."""
    return np.asarray(np.floor(log_pole_per_frame.imag * (OVERSAMPLING * length / (2 * np.pi))))
