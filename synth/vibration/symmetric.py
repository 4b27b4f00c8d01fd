"""A dense symmetric matrix: all its values, and those vectors that are wanted.

In: its lower half. Out: values, rising, and the vectors of those within limits. By LAPACK itself: numpy has it in
double precision alone and copies twice, and while scipy's function works no other thread goes on. LAPACK's driver
(syevd) turns all vectors back by 32 reflections at a time, which takes a third of the whole; here wanted ones alone
are turned, by as many as the machine multiplies fast.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.vibration.lapack import call

REFLECTIONS: Final = 256  # at a time; measured, 128 take 1.05 times as long and 64 take 1.3
ROWS: Final = (
    512  # vectors at a time: what is as large as all of them the system would have to clear each time
)
_WORK: Final = 64  # numbers for each freedom that the reduction to three diagonals may use


def symmetric_modes(
    matrix: NDArray[Any], low: float = -math.inf, high: float = math.inf
) -> tuple[NDArray[Any], slice, NDArray[Any]]:
    """All values (n,), rising, which of them lie within the limits, and the vectors (n, m) of these.

    Of the matrix the lower half is read; it is overwritten. Raises `LinAlgError` for what is no number.
    """
    tau, value, beside = _reduced(matrix)
    vector = _three_diagonals(value, beside)
    within = slice(*np.searchsorted(value, [low, high]).tolist())
    wanted = vector[within]
    _turn_back(matrix, tau, wanted)
    return value, within, wanted.T


def _reduced(matrix: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """The matrix to three diagonals: reflections' factors (n,), the diagonal (n,), what is beside it (n,)."""
    count, kind = len(matrix), matrix.dtype
    tau, value, beside = (np.zeros(count, dtype=kind) for _ in range(3))
    work = np.empty(_WORK * count, dtype=kind)
    # what is the lower half by rows is the upper one by columns
    call("sytrd", kind, b"U", count, matrix, count, value, beside, tau, work, len(work))
    return tau, value, beside


def _three_diagonals(value: NDArray[Any], beside: NDArray[Any]) -> NDArray[Any]:
    """The vectors of three diagonals by rows (n, n), by dividing; `value` becomes the values."""
    count, kind = len(value), value.dtype
    vector, work = np.empty((count, count), dtype=kind), np.empty(1 + 4 * count + count**2, dtype=kind)
    whole = np.empty(3 + 5 * count, dtype=np.intc)
    given = (count, value, beside, vector, count, work, len(work), whole, len(whole))
    if call("stedc", kind, b"I", *given):
        raise np.linalg.LinAlgError("eigenvalues did not converge")
    if not np.all(np.isfinite(value)):
        raise np.linalg.LinAlgError("values that are no numbers")
    return vector


def _turn_back(matrix: NDArray[Any], tau: NDArray[Any], vector: NDArray[Any]) -> None:
    """Vectors of the three diagonals, by rows (m, n), to those of the reduced `matrix`, in place.

    Reflections H_i = 1 - tau_i v_i v_i^T, v_i = 1 at i and zero after it, follow each other. With some v as the
    rows of V their product is 1 - V^T T V, T^-1 the lower half of V V^T with 1 / tau on its diagonal (T. Joffrain
    et al., ACM Trans. Math. Softw. 32 (2006) 169; from memory).
    """
    for first in range(0, len(matrix) - 1, REFLECTIONS):
        last = min(first + REFLECTIONS, len(matrix) - 1)
        V, here = matrix[first + 1 : last + 1, :last].copy(), np.arange(last - first)
        V[:, first:] = np.tril(V[:, first:], -1)
        V[here, first + here] = 1.0
        factor, turns = tau[first:last].astype(np.float64), tau[first:last] != 0.0
        V[~turns] = 0.0
        inverse = np.tril((V @ V.T).astype(np.float64), -1)
        inverse[here, here] = np.divide(1.0, factor, out=np.ones_like(factor), where=turns)
        T = np.linalg.inv(inverse).astype(V.dtype)
        for row in range(0, len(vector), ROWS):
            some = vector[row : row + ROWS, :last]
            some -= ((some @ V.T) @ T.T) @ V
