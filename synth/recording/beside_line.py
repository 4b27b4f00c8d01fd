"""The pole beside a steady line that leaves least of a band, compiled.

In: a band's values (M,) `step` s apart, turned back by the steady line, and where to begin. Out: the power that is
left and the pole. Amplitudes are nobody's business: at each pole they are those that fit best (variable projection,
G. Golub & V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, from memory), by orthogonal columns.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Complex
from synth.compiled import njit

ROUNDS: Final = 12
FARTHEST: Final = 2.0  # rad/s, and 1/s, of one step
ALIKE: Final = 1e-10  # of a column, what is left of it beside others that can say the same
ENOUGH: Final = 1e-6  # share of what is left that a step gains at least


@njit(part=True, nogil=True, error_model="numpy")
def _dot(one: Complex, other: Complex) -> complex:
    total = 0j
    for m in range(len(one)):
        total += np.conj(one[m]) * other[m]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def orthogonal_parts(columns: Complex, left: Complex) -> Complex:
    """Least squares: `columns` (K, M) are made orthogonal, their sum that is nearest is taken from `left` (M,), and
    its coefficients (K,) are given. A column that others can say as well has none."""
    count = len(columns)
    upper, told = np.zeros((count, count), np.complex128), np.zeros(count, np.complex128)
    for k in range(count):
        whole = np.sqrt(_dot(columns[k], columns[k]).real)
        for _ in range(2):  # once more, against rounding
            for i in range(k):
                share = _dot(columns[i], columns[k])
                upper[i, k] += share
                for m in range(len(left)):
                    columns[k, m] -= share * columns[i, m]
        size = np.sqrt(_dot(columns[k], columns[k]).real)
        upper[k, k] = size
        if size <= ALIKE * whole or size == 0.0:
            upper[k, k] = 0.0
            columns[k, :] = 0.0
            continue
        for m in range(len(left)):
            columns[k, m] /= size
        for _ in range(2):
            share = _dot(columns[k], left)
            told[k] += share
            for m in range(len(left)):
                left[m] -= share * columns[k, m]
    for k in range(count - 1, -1, -1):
        for i in range(k + 1, count):
            told[k] -= upper[k, i] * told[i]
        told[k] = told[k] / upper[k, k] if upper[k, k] != 0.0 else 0j
    return told


@njit(part=True, nogil=True, error_model="numpy")
def _left(values: Complex, step: float, pole: complex, left: Complex) -> Complex:
    """The amplitudes of the steady line and of this pole; into `left` (M,) what they leave of the values."""
    columns = np.ones((2, len(values)), np.complex128)
    for m in range(len(values)):
        columns[1, m] = np.exp(pole * (m * step))
    left[:] = values
    return orthogonal_parts(columns, left)


@njit(cache=True, nogil=True, error_model="numpy")
def nearest_beside(values: Complex, step: float, start: complex) -> tuple[float, complex]:
    """The power that is left of the values (M,), and the pole, when it has moved to where least is."""
    pole, left, after = start, np.empty_like(values), np.empty_like(values)
    amplitude = _left(values, step, pole, left)
    best = _dot(left, left).real
    for _ in range(ROUNDS):
        columns = np.ones((3, len(values)), np.complex128)
        for m in range(len(values)):
            columns[1, m] = np.exp(pole * (m * step))
            columns[2, m] = amplitude[1] * (m * step) * columns[1, m]
        shift = orthogonal_parts(columns, left)[2]
        trial = pole + shift * min(1.0, FARTHEST / (abs(shift) + 1e-300))
        moved = _left(values, step, trial, after)
        power = _dot(after, after).real
        if not power < best * (1.0 - ENOUGH):
            break
        pole, best, amplitude, left, after = trial, power, moved, after, left
    return best, pole
