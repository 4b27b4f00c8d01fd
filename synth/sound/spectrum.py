"""Blocks of samples from the states of many modes at once: a few bins of a Fourier transform for each mode.

In: states x (n, K) at the first frame of n blocks. Out: blocks (n, length) of Re sum_k x_k exp(turn_k j),
j < length.

Seen through a window W that falls off smoothly, a mode that decays slowly within the block is a short run of bins
of a transform of twice the block's length:

    W(u) exp(turn j) = sum_b c_b exp(2 pi i (first + b) u),      u = (j - length/2) / (2 length),  b < BINS

(non-uniform fast Fourier transform: A. Dutt, V. Rokhlin, SIAM J. Sci. Comput. 14, 1993; the window with the
Kaiser-Bessel kernel: J. A. Fessler, B. P. Sutton, IEEE Trans. Signal Process. 51, 2003; here with a decay, which is
an imaginary frequency). Bins x modes is a sparse matrix; one product, one inverse transform and one division by W
serve all modes. A mode that decays by more than STEEPEST nepers within the block is not narrow: it needs shorter
blocks. The shortest blocks are summed directly, by a dense matrix product, which holds for any decay.

    error against the largest sample of a mode, float64:  no decay 1e-9, 2 nepers a block 3e-8, 4 nepers 4e-7
    single precision adds about 1e-7 of the effective value.
"""

from __future__ import annotations

from copy import copy
from typing import Final, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from synth.sound.phasor import Array, Complex, Index, powers

Sound = NDArray[np.float32]

BINS: Final = 10  # 8 would give 1e-7 without decay but only 5e-6 at 3 nepers a block
STEEPEST: Final = 4.0  # nepers a block: beyond, ten bins do not hold the spectrum to 4e-7
OVERSAMPLING: Final = (
    2  # bins of the transform for each sample of the block: at 1.5 the window is 16 times smaller
)
# at the block's edge than in its middle, and so magnifies the rounding of single precision
SHAPE: Final = (
    np.pi * BINS * (1 - 1 / (2 * OVERSAMPLING))
)  # Fessler and Sutton's; a wider window tolerates less decay
BELOW: Final = BINS // 2 - 1  # bins of a run below the mode's own
NODES: Final = 48  # points at which the run is fitted


class BlockSum(Protocol):
    """Sums modes over blocks of one length."""

    length: int

    def blocks(self, states: Complex) -> Sound:
        """(n, length) from states (n, K) complex64."""

    def only(self, alive: Index) -> Self:
        """The same for some of the modes."""


class DenseSum:
    """Short blocks of modes of any decay, by one matrix product."""

    def __init__(self, turn: Complex, length: int) -> None:
        self.length = length
        factor = powers(turn, length).T
        # Re(x z) = Re x Re z - Im x Im z
        self.table = np.stack([factor.real, -factor.imag], axis=1).astype(np.float32)  # (K, 2, length)

    def blocks(self, states: Complex) -> Sound:
        return np.asarray(states.view(np.float32) @ self.table.reshape(-1, self.length))

    def only(self, alive: Index) -> Self:
        some = copy(self)
        some.table = self.table[alive]
        return some


class BinSum:
    """Long blocks of modes that decay by no more than STEEPEST nepers within a block."""

    def __init__(self, turn: Complex, length: int) -> None:
        self.length = length
        place = (np.arange(length) - length / 2) / (OVERSAMPLING * length)
        self.unwindow = (1 / window(place)).astype(np.float32)
        self._hold(*fit(turn, length))

    def _hold(self, first: NDArray[np.int32], run: Complex) -> None:
        from scipy.sparse import csc_array

        self.first, self.run = first, run
        bins = (first[:, None] + np.arange(BELOW, BELOW + BINS, dtype=np.int32)).ravel()
        ends = np.arange(0, bins.size + 1, BINS, dtype=np.int32)
        self.table = csc_array((run.ravel(), bins, ends), shape=(self.length + 1 + BINS, first.size))

    def blocks(self, states: Complex) -> Sound:
        from scipy.fft import irfft

        half = _folded(self.table @ states.T, self.length)
        return np.asarray(irfft(half.T, axis=-1)[:, : self.length] * self.unwindow)

    def only(self, alive: Index) -> Self:
        some = copy(self)
        some._hold(self.first[alive], self.run[alive])
        return some


def window(u: Array) -> Array:
    """The Fourier transform of the Kaiser-Bessel kernel, 1 in the middle; |u| <= 1/4 of the transform's length."""
    root = np.sqrt(SHAPE**2 - (np.pi * BINS * u) ** 2)
    return np.asarray((np.sinh(root) / root) / (np.sinh(SHAPE) / SHAPE))


def fit(turn: Complex, length: int) -> tuple[NDArray[np.int32], Complex]:
    """First bin (K,) and run of weights (K, BINS) complex64, for states at the block's first frame.

    Moved to its own bin, every mode is fitted by the same BINS slow turns: one pseudo-inverse for all of them. The
    inverse transform's factor 2 / size is taken into the weights.
    """
    size = OVERSAMPLING * length
    nodes = np.linspace(-0.5, 0.5, NODES) / OVERSAMPLING
    bin_ = turn.imag * size / (2 * np.pi)
    near = np.floor(bin_)
    rest = turn.real * size + 2j * np.pi * (bin_ - near)
    target = np.exp(rest * nodes[0] + turn * (length / 2)) * powers(rest * (nodes[1] - nodes[0]), NODES)
    turns = np.exp(2j * np.pi * np.multiply.outer(nodes, np.arange(BINS) - BELOW)) / window(nodes)[:, None]
    run = np.linalg.pinv(turns) @ target
    # the middle of the block is the origin of u: a quarter turn back for each bin
    first = near.astype(np.int32) - BELOW
    quarter = (-1j) ** ((first + np.arange(BINS)[:, None]) % 4)
    return first, np.ascontiguousarray((run * quarter * (size / 2)).T).astype(np.complex64)


def _folded(bins: Complex, length: int) -> Complex:
    """Bins -BELOW ... length + BINS - BELOW as the half spectrum 0 ... length of a real signal.

    What lies below 0 Hz or above half the rate is, in a real signal, the conjugate of its mirror image. The two end
    bins have no mirror image, so they count twice.
    """
    half = bins[BELOW : BELOW + length + 1]
    half[1 : BELOW + 1] += bins[BELOW - 1 :: -1].conj()
    above = bins[BELOW + length + 1 :]
    half[length - len(above) : length] += above[::-1].conj()
    half[[0, -1]] *= 2
    return half
