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

import math
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.compiled import njit
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
QUARTER_TURNS: Final = np.array([1, -1j, -1, 1j])
REACH: Final = 1e-9  # singular values of the wider runs below this are left out: their weights would be huge


class Transforms:
    """The inverse transforms of many blocks, and the memory for them: new memory costs more than the sums.

    numpy's; for `many` blocks scipy's, which take four at once and half the time, but 0.1 s to be loaded.
    """

    def __init__(self, *, many: bool = False) -> None:
        self._bins, self._samples = np.empty(0, np.complex64), np.empty(0, np.float32)
        self._fast: Callable[..., Rows] | None = None
        if many:
            from scipy.fft import irfft

            self._fast = irfft

    def bins(self, rows: int, count: int) -> AnyComplex:
        """(rows, count) complex64, zero."""
        if self._bins.size < rows * count:
            self._bins = np.empty(rows * count, np.complex64)
        bins = self._bins[: rows * count].reshape(rows, count)
        bins[:] = 0.0
        return bins

    def samples(self, bins: AnyComplex, length: int) -> Singles:
        """Real signals (n, 2 length) of bins (B, n) from bin -BELOW on, which it uses up."""
        half, size = _folded(bins, length).T, (bins.shape[1], 2 * length)
        if self._fast is not None:
            return np.asarray(self._fast(half, norm="forward"))
        if self._samples.size < math.prod(size):
            self._samples = np.empty(math.prod(size), np.float32)
        out: Rows = self._samples[: math.prod(size)].reshape(size)
        return np.asarray(np.fft.irfft(half, norm="forward", out=out), np.float32)


@dataclass(frozen=True)
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
        self,
        log_pole_per_frame: AnyComplex,
        length: int,
        transforms: Transforms | None = None,
        rows: Callable[[], Rows] | None = None,
    ) -> None:
        self.log_pole_per_frame, self.length = log_pole_per_frame, length
        self.transforms = transforms or Transforms()
        self._rows = rows or self._fitted

    def add(self, sound: Singles, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> None:
        """Adds blocks to sound (N,).

        states (S, K) complex64 at the first frames of the segments; reach (m, K) complex64 what carries them over
        0, 1, ... blocks.
        """
        _add_blocks(sound, blocks.first, blocks.count, self._samples(blocks, states, reach), self.unwindow)

    def only(self, active: Indices) -> Self:
        """The same for some of the modes."""
        few = self.log_pole_per_frame[active]
        return type(self)(few, self.length, self.transforms, lambda: self.rows[active])

    @cached_property
    def rows(self) -> Rows:
        """(K, ...) what stands for each mode in the table that multiplies the states."""
        return self._rows()

    @property
    @abstractmethod
    def unwindow(self) -> Singles:
        """(length,) by what the samples are multiplied."""

    @abstractmethod
    def _samples(self, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> Singles:
        """(n, length or more)."""

    @abstractmethod
    def _fitted(self) -> Rows: ...


class DenseSum(BlockSum):
    """Short blocks of modes of any decay, by one matrix product."""

    @cached_property
    def unwindow(self) -> Singles:
        return np.ones(self.length, np.float32)

    def _samples(self, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> Singles:
        begun = states[blocks.segment]
        begun *= reach[blocks.nth]
        return begun.view(np.float32) @ self.rows.reshape(-1, self.length)

    def _fitted(self) -> Rows:
        factor = powers(self.log_pole_per_frame, self.length).astype(np.complex64)
        # Re(x z) = Re x Re z - Im x Im z: two rows a mode
        return np.stack([factor.real.T, -factor.imag.T], axis=1)


class BinSum(BlockSum):
    """Long blocks of modes that decay by no more than STEEPEST nepers within a block."""

    @cached_property
    def unwindow(self) -> Singles:
        """What undoes the window."""
        position = (np.arange(self.length) - self.length / 2) / (OVERSAMPLING * self.length)
        return np.asarray((1 / window(position)).astype(np.float32))

    def _samples(self, blocks: PlacedBlocks, states: AnyComplex, reach: AnyComplex) -> Singles:
        count, runs = len(blocks.first), self.runs
        bins = self.transforms.bins(self.length + 1 + WIDEST, count)
        begun = np.empty((TILE, count), np.complex64)
        run = (runs.first, runs.ends, runs.weights)
        _add_runs(states, reach, blocks.segment, blocks.nth, *run, begun, bins)
        return self.transforms.samples(bins, self.length)

    @cached_property
    def runs(self) -> Runs:
        """The modes' weights without what is zero around them."""
        used = self.rows != 0
        first = _bin(self.log_pole_per_frame, self.length).astype(np.int64) + np.argmax(used, axis=1)
        ends = np.cumsum(np.concatenate([[0], np.count_nonzero(used, axis=1)]))
        return Runs(first, ends, self.rows[used])

    def _fitted(self) -> Rows:
        return fit_sums(self.log_pole_per_frame, self.length)


@dataclass(frozen=True)
class Runs:
    """Of K modes: the first bin of each, counted from -BELOW on, and its weights."""

    first: Indices  # (K,)
    ends: Indices  # (K + 1,) where each mode's weights begin, and the end
    weights: AnyComplex  # (ends[-1],)


@njit(cache=True, nogil=True, fastmath={"contract"})
def _add_runs(
    states: Any,
    reach: Any,
    segment: Any,
    nth: Any,
    first: Any,
    ends: Any,
    weights: Any,
    begun: Any,
    bins: Any,
) -> None:
    """Adds to bins (B, n) the runs of the nth blocks (n,) of segments with states (S, K), carried by reach (m, K).

    Twice as fast as a sparse product, whose memory is new. `begun` (TILE, n) has room for some modes' states at the
    beginnings of the blocks, side by side.
    """
    modes, count = states.shape[1], segment.shape[0]
    tile = begun.shape[0]
    for begin in range(0, modes, tile):
        end = min(begin + tile, modes)
        for j in range(count):
            state, carry = states[segment[j]], reach[nth[j]]
            for k in range(begin, end):
                begun[k - begin, j] = state[k] * carry[k]
        for k in range(begin, end):
            state = begun[k - begin]
            for b in range(ends[k], ends[k + 1]):
                weight, row = weights[b], bins[first[k] + b - ends[k]]
                for j in range(count):
                    row[j] += weight * state[j]


@njit(cache=True, nogil=True)
def _add_blocks(sound: Any, first: Any, counts: Any, samples: Any, factor: Any) -> None:
    """Adds to sound (N,) the first so many samples of each block (n, L or more), times factor (L,)."""
    for j in range(first.shape[0]):
        at, block = sound[first[j] : first[j] + counts[j]], samples[j]
        for i in range(counts[j]):
            at[i] += block[i] * factor[i]


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
            near = _bin(log_pole_per_frame[some], length)
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


def _bin(log_pole_per_frame: AnyComplex, length: int) -> Array:
    """The bin at or below each mode's frequency (K,)."""
    return np.asarray(np.floor(log_pole_per_frame.imag * (OVERSAMPLING * length / (2 * np.pi))))


def _folded(bins: AnyComplex, length: int) -> AnyComplex:
    """Bins -BELOW ... length + WIDEST - BELOW as the half spectrum 0 ... length of a real signal.

    What lies below 0 Hz or above half the rate is, in a real signal, the conjugate of its mirror image. The two end
    bins have no mirror image, so they count twice.
    """
    half = bins[BELOW : BELOW + length + 1]
    half[1 : BELOW + 1] += bins[BELOW - 1 :: -1].conj()
    above = bins[BELOW + length + 1 :]
    half[length - len(above) : length] += above[::-1].conj()
    half[[0, -1]] *= 2
    return half
