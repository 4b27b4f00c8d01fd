"""How likely each noise of a band is, compiled: waves of unknown amplitudes eliminated one by one.

In: for each kind of noise (S,) the columns (R, C, M), waves and at last the values, in the frame in which noises
of that kind are white, and the inverse powers (M, H) there. Out: logarithms of likelihoods (S, R, H). The sums are
those of `band_noise`, which says where they come from; noises stand side by side, so that one instruction does
several.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.compiled import njit

TOGETHER: Final = 4  # values at once
_AS_SUMS_COME: Final = {"reassoc", "contract", "nsz", "arcp"}


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _weighted(products: Array, inverse: Array, out: Array) -> None:
    """Into `out` (H,) the sum of products (M,), each weighted by the noise; four at once."""
    out[:] = 0.0
    whole = TOGETHER * (len(products) // TOGETHER)
    for m in range(0, whole, TOGETHER):
        a, b, c, d = products[m], products[m + 1], products[m + 2], products[m + 3]
        for h in range(len(out)):
            out[h] += (
                a * inverse[m, h] + b * inverse[m + 1, h] + c * inverse[m + 2, h] + d * inverse[m + 3, h]
            )
    for m in range(whole, len(products)):
        a = products[m]
        for h in range(len(out)):
            out[h] += a * inverse[m, h]


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _gram(x: Array, y: Array, inverse: Array, gram: Array, products: Array) -> None:
    """Into `gram` (C, C, 2, H), its lower half, what each column has in common with each, weighted by the noise."""
    for i in range(len(x)):
        for j in range(i):
            for m in range(len(products)):
                products[m] = x[i, m] * x[j, m] + y[i, m] * y[j, m]
            _weighted(products, inverse, gram[i, j, 0])
            for m in range(len(products)):
                products[m] = x[i, m] * y[j, m] - y[i, m] * x[j, m]
            _weighted(products, inverse, gram[i, j, 1])
        for m in range(len(products)):
            products[m] = x[i, m] * x[i, m] + y[i, m] * y[i, m]
        _weighted(products, inverse, gram[i, i, 0])
        gram[i, i, 1] = 0.0


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _eliminated(gram: Array, out: Array) -> None:
    """From `out` (H,) the logarithm of the determinant of 1 + G, G all rows of a Hermitian matrix but the last, and
    what is left of its last diagonal element once these are eliminated."""
    last = len(gram) - 1
    pivots = np.ones(len(out))
    for k in range(last):
        for h in range(len(out)):
            pivots[h] *= 1.0 + gram[k, k, 0, h]
        for i in range(k + 1, last + 1):
            for j in range(k + 1, i + 1):
                one, other, into = gram[i, k], gram[j, k], gram[i, j]
                for h in range(len(out)):
                    pivot = 1.0 + gram[k, k, 0, h]
                    a, b = one[0, h] / pivot, one[1, h] / pivot
                    into[0, h] -= a * other[0, h] + b * other[1, h]
                    into[1, h] -= b * other[0, h] - a * other[1, h]
    for h in range(len(out)):
        out[h] -= np.log(pivots[h]) + gram[last, last, 0, h]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def noise_likelihoods(rows: Indices, x: Array, y: Array, inverse: Array, log_det: Array, out: Array) -> None:
    """Into `out` (S, R, H), of some rows of columns x + i y (S, R, C, M) in noises of inverse powers (S, M, H),
    whose logarithms are `log_det` (S, H) in sum."""
    kinds, columns = len(x), x.shape[2]
    gram, products = np.empty((columns, columns, 2, inverse.shape[2])), np.empty(x.shape[3])
    for s in range(kinds):
        for r in rows:
            out[s, r] = log_det[s]
            _gram(x[s, r], y[s, r], inverse[s], gram, products)
            _eliminated(gram, out[s, r])
