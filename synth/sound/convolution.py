"""Long filters, many paths at once: partitioned convolution that answers every block when it comes.

In: kernels (C, P, L) from P signals to C. Out: the convolved signals, block after block, none of them delayed.

The kernel is cut into K parts as long as the blocks: overlap-save (T. G. Stockham, AFIPS Spring Joint Computer
Conference 28 (1966) 229) with parts of equal length, so that one transform of an input serves them all (B. D. Kulp,
85th AES Convention (1988) 2744; both from memory). What earlier blocks still have to say of the running one is
worked out once, when it begins:

    out(block b) = H_0 x_b + (H_1 x_(b-1) + ... + H_(K-1) x_(b-K+1))
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.sound.fast_length import fast_length

Spectra = NDArray[np.complex64]

SHORTEST = 1024  # samples of a part: shorter blocks are gathered into one


class Convolver:
    """Single precision, 1e-6 of the peak. The first block says how long the parts are."""

    def __init__(self, kernel: Array | NDArray[np.float32]) -> None:
        """`kernel` (C, P, L)."""
        self._kernel = kernel.astype(np.float32)
        self._part = 0

    def __call__(self, signals: Array) -> Array:
        """The next samples (C, n) from the next (P, n), n as long as you please."""
        count = signals.shape[1]
        if not self._part and count:
            self._begin(count)
        out = np.empty((self._kernel.shape[0], count))
        first = 0
        while first < count:
            size = min(self._part - self._filled, count - first)
            out[:, first : first + size] = self._step(signals[:, first : first + size])
            first += size
        return out

    def _begin(self, count: int) -> None:
        channels, paths, length = self._kernel.shape
        part = self._part = min(max(count, SHORTEST), max(length, SHORTEST))
        self._size = fast_length(2 * part)
        self._spectra = [
            _spectra(self._kernel[:, :, first : first + part], self._size) for first in range(0, length, part)
        ]
        self._past: deque[Spectra] = deque(maxlen=len(self._spectra) - 1)  # the latest block first
        self._block = np.zeros((paths, 2 * part), np.float32)  # the block before and the running one
        self._filled = 0
        self._left = np.zeros((channels, part), np.float32)

    def _step(self, signals: Array) -> NDArray[np.float32]:
        """Some samples that stay within the running block."""
        part = self._part
        here = slice(self._filled, self._filled + signals.shape[1])
        self._block[:, part:][:, here] = signals
        spectrum = _spectra(self._block, self._size)
        out = self._left[:, here] + self._through([(0, spectrum)])[:, here]
        self._filled = here.stop
        if self._filled == part:
            self._past.appendleft(spectrum)
            self._block[:, :part], self._block[:, part:] = self._block[:, part:], 0.0
            self._left = self._through(list(enumerate(self._past, start=1)))
            self._filled = 0
        return np.asarray(out)

    def _through(self, pairs: list[tuple[int, Spectra]]) -> NDArray[np.float32]:
        """The running block's share (C, part) of blocks by their ages: parts of the kernel times their spectra."""
        channels, part = len(self._kernel), self._part
        if not pairs:
            return np.zeros((channels, part), np.float32)
        total = np.zeros((channels, self._spectra[0].shape[2]), np.complex64)
        for age, spectrum in pairs:
            total += np.einsum("cpf,pf->cf", self._spectra[age], spectrum)
        return np.asarray(np.fft.irfft(total, self._size)[:, part : 2 * part])


def _spectra(signals: NDArray[np.float32], size: int) -> Spectra:
    return np.fft.rfft(signals, size).astype(
        np.complex64, copy=False
    )  # numpy before 2.0 gives it twice as wide
