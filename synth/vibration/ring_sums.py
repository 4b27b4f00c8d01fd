"""Sums of modes for single tines, compiled: in double precision, of vectors kept in single.

In: rows of real and imaginary parts, side by side. Out: their products. By itself, for what is compiled takes 0.2 s
to be imported, and only a row that rings needs it.
"""

from __future__ import annotations

from typing import Any

from synth.compiled import njit


@njit(cache=True, nogil=True)
def ring_parts(amplitude: Any, pole: Any, ring: Any) -> None:
    """What `ring_sums` wants (S, 2, 2 M): amplitudes (S, M) and their velocities, the real part of a product with
    which is the real product of real and imaginary parts, side by side."""
    for s in range(amplitude.shape[0]):
        for m in range(amplitude.shape[1]):
            there = amplitude[s, m]
            moving = there * pole[m]
            ring[s, 0, 2 * m], ring[s, 0, 2 * m + 1] = there.real, -there.imag
            ring[s, 1, 2 * m], ring[s, 1, 2 * m + 1] = moving.real, -moving.imag


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def ring_sums(vectors: Any, first: Any, last: Any, ring: Any, sums: Any) -> None:
    """sums (S, 2, N) of rows first to last (S,) of vectors (D, 2 M) single, with ring (S, 2, 2 M) double."""
    for s in range(ring.shape[0]):
        for row in range(first[s], last[s]):
            vector, displacement, velocity = vectors[row], ring[s, 0], ring[s, 1]
            q = p = 0.0
            for m in range(vector.shape[0]):
                q += vector[m] * displacement[m]
                p += vector[m] * velocity[m]
            sums[s, 0, row - first[s]] = q
            sums[s, 1, row - first[s]] = p
