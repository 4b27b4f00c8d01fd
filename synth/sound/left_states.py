"""What a chunk's forces leave in many modes at its end: a few bins of a Fourier transform for each mode.

In: forces f (K, G) on half frames. Out: sum_g f_g exp(turn (G - g)) for every mode, times what a unit of it drives.

It is the transpose of `synth.sound.bin_sums`: as a mode over a block is a short run of bins seen through a window,
so what it picks out of a force is a short run of the bins of the force over that window. With the same bound, 5e-8
of what a force as large could leave; six times faster than the product with every mode's turns, to
which is left what decays too steeply for a run, or turns too fast for the half frames.

Every block is worked on by itself, in the same order of the same operations: of some it is what it is of all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.compiled import njit
from synth.sound import lanes
from synth.sound.bin_sums import BELOW, OVERSAMPLING, RUNS, STEEPEST, BinSum, unwindow
from synth.sound.lanes import LANES, sum_run

States = NDArray[np.complex64]

MANY: Final = 64  # modes, from which on runs of bins pay for the transforms
AT_ONCE: Final = 128  # blocks at once
TILE: Final = 64  # modes gathered at once: what stays in the processor's cache


class LeftStates:
    """How M modes are left by the forces of chunks of G half frames."""

    def __init__(self, turn: AnyComplex, size: int, turns: States) -> None:
        """`turn` (M,) per half frame; `turns` (G, M) what carries a state from each half frame to the end."""
        runs = _gentle(turn, size)
        runs &= np.count_nonzero(runs) >= MANY
        self._steep = np.flatnonzero(~runs)
        # of a stick all are steep: no second copy of what each group keeps
        self._turns = np.take(turns, self._steep, axis=1) if runs.any() else turns
        self._runs = _Runs(turn, size, np.flatnonzero(runs)) if runs.any() else None  # a stick has none

    def add(
        self,
        states: States,
        force: Array,
        drive: States,
        source: Indices,
        chunk_of: Indices,
        edges: Sequence[int],
    ) -> None:
        """Adds to states (E, M) what blocks of force (K, G) leave on their sources (K,) of drive (Q, M).

        `chunk_of` (K,) says to which states; `edges` where among the blocks those begin that may come apart: a
        product's last digits hang on how many rows it has.
        """
        if self._runs is not None:
            for some in _portions([0, len(force)]):
                self._runs.add(force[some], drive, source[some], chunk_of[some], states)
        if len(self._steep):
            for some in _portions(edges):
                left = (force[some].astype(np.float32) @ self._turns.view(np.float32)).view(np.complex64)
                _add_driven(left, self._steep, drive, source[some], chunk_of[some], states)


class _Runs:
    """Some of M modes, which decay little in a chunk of G half frames, by their runs of bins."""

    def __init__(self, turn: AnyComplex, size: int, modes: Indices) -> None:
        """`turn` (M,) per half frame; `modes` which of them, all `gentle`."""
        self.modes, turn = modes, turn[modes]
        whole = BinSum(turn, size)
        self.size = size
        self.over_window = unwindow(size)[::-1].astype(np.float64)
        self.first, self.ends = whole.runs.first, whole.runs.ends
        counts = np.diff(self.ends)
        bins = np.repeat(self.first, counts) + np.arange(self.ends[-1]) - np.repeat(self.ends[:-1], counts)
        # a chunk ends one step after its last half frame, from which the bins' turns are counted back
        back = np.exp(2j * np.pi * (bins - BELOW) * (size - 1) / (OVERSAMPLING * size))
        self.weights = (2.0 * whole.runs.weights * back * np.repeat(np.exp(turn), counts)).astype(
            np.complex64
        )

    def add(self, force: Array, drive: States, source: Indices, chunk_of: Indices, states: States) -> None:
        bins = self._bins(force)
        room = np.empty((2, TILE, bins.shape[2]), np.float32)
        runs = (self.first, self.ends, self.weights)
        _gather(bins, *runs, self.modes, drive, source, chunk_of, room, states)

    def _bins(self, force: Array) -> Singles:
        """(2, B, K or more) real and imaginary parts of the bins from -BELOW on, block beside block."""
        half = np.fft.rfft(force * self.over_window, OVERSAMPLING * self.size)  # (K, size + 1)
        bins = np.zeros((2, BELOW + self.size + 1, -(-len(force) // LANES) * LANES), np.float32)
        own = bins[..., : len(force)]
        own[0, BELOW:], own[1, BELOW:] = half.real.T, half.imag.T
        own[0, :BELOW], own[1, :BELOW] = half.real.T[BELOW:0:-1], -half.imag.T[BELOW:0:-1]
        return bins


def _gentle(turn: AnyComplex, size: int) -> NDArray[np.bool_]:
    """Which modes (M,), by their turn per half frame, a run of bins can stand for in chunks of so many."""
    top = turn.imag * (OVERSAMPLING * size / (2.0 * np.pi)) + RUNS[-1][1]
    return np.asarray((-turn.real * size <= STEEPEST) & (top < size))


def _portions(edges: Sequence[int]) -> Iterator[slice]:
    """Blocks AT_ONCE at a time, and never of two parts, which are between the edges."""
    for begin, end in pairwise(edges):
        yield from (slice(at, min(at + AT_ONCE, end)) for at in range(begin, end, AT_ONCE))


# numbers of other files come as arguments or shapes: kept compiled code would not see them change
@njit(cache=True, holds=(lanes,), nogil=True, fastmath={"contract"})
def _gather(
    bins: Any,
    first: Any,
    ends: Any,
    weights: Any,
    modes: Any,
    drive: Any,
    source: Any,
    chunk_of: Any,
    room: Any,
    states: Any,
) -> None:
    """Adds each mode's run of bins (2, B, N), times what it is driven, to states (E, M); `room` (2, TILE, N)."""
    tile, count = room.shape[1], room.shape[2]
    imag, apart = bins.shape[1] * count, tile * count
    for begin in range(0, modes.shape[0], tile):
        end = min(begin + tile, modes.shape[0])
        for m in range(begin, end):
            for j in range(0, count, LANES):
                at, to_real = first[m] * count + j, (m - begin) * count + j
                run = (weights, ends[m], ends[m + 1])
                sum_run(bins, at, at + imag, count, *run, room, to_real, to_real + apart)
        for k in range(source.shape[0]):
            to, by = states[chunk_of[k]], drive[source[k]]
            for m in range(begin, end):
                mode = modes[m]
                to[mode] += complex(room[0, m - begin, k], room[1, m - begin, k]) * by[mode]


@njit(cache=True, nogil=True, fastmath={"contract"})
def _add_driven(left: Any, modes: Any, drive: Any, source: Any, chunk_of: Any, states: Any) -> None:
    """Adds to states (E, M) what blocks leave of a unit of some modes (K, N), times what their inputs drive."""
    for k in range(left.shape[0]):
        to, by, what = states[chunk_of[k]], drive[source[k]], left[k]
        for n in range(modes.shape[0]):
            to[modes[n]] += what[n] * by[modes[n]]
