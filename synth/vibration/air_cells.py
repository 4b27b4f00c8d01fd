"""The cells of a plate and the air between them: what a pattern of movement meets, class by class.

In: a kernel by cell offsets (what one cell does to another, images not yet included) and patterns on the cells of a
quarter plate. Out: the pressure jump that keeps the air with a sheet of dipoles, or what a sheet of monopoles does
to itself. Both exact to rounding, and checked against whole matrices in the tests.

In wavenumbers the dipoles' kernel is -sqrt(kappa^2 - k^2)/2: real where waves are slower than sound, imaginary
where they are faster. So -A = R + jW with W positive and of as few dimensions as waves radiate, W = U U^T, and
R + W, whose transform is sqrt(|kappa^2 - k^2|)/2, is positive as well: one real Cholesky factor a frequency, and
the rest by Woodbury's formula,

    -A = (R + W) + (j - 1) U U^T.

R + W has a condition of 30 at most, with cells as short as a quarter of a wave of sound; longer ones (a thick board
far above coincidence) break the argument, and A is solved as it is.

Monopoles want no inverse: they are multiplied out in wavenumber, on a torus of twice the plate, where differences
of cells never meet those of the next turn (the convolution theorem, exact).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from synth.arrays import Array, Complex
from synth.vibration.lapack import pivoted_root, solve_positive

CLASSES: Final = ((1, 1), (1, -1), (-1, 1), (-1, -1))  # even or odd in x and in y
FAINT: Final = 1e-15  # of k: what of W is left out. Its largest is about k/2, so this is rounding
COARSE: Final = 1.5  # k times a cell's longer side: R + W is well conditioned to 1.5, and positive to 2


def quarter(kernel: Array, signs: tuple[int, int]) -> Array:
    """Matrices (..., n m, n m) on a quarter's cells of kernels by cell offsets (..., 2 n, 2 m), images included."""
    n, m = kernel.shape[-2] // 2, kernel.shape[-1] // 2
    j = np.arange(m)
    rows = kernel[..., np.abs(j[:, None] - j)] + signs[1] * kernel[..., j[:, None] + j + 1]
    rows = np.ascontiguousarray(rows.swapaxes(-3, -2))  # (..., m, 2 n, m): a window of n is one run of memory
    mirrored = np.concatenate([rows[..., n - 1 : 0 : -1, :], rows[..., :n, :]], axis=-2)
    direct = sliding_window_view(mirrored, n, axis=-2)[..., ::-1, :, :]  # (..., m, n, m, n), at |i - i'|
    image = sliding_window_view(signs[0] * rows[..., 1:, :], n, axis=-2)  # at i + i' + 1
    both = np.add(*(np.swapaxes(each, -4, -3).swapaxes(-2, -1) for each in (direct, image)), order="C")
    return np.reshape(both, (*kernel.shape[:-2], n * m, n * m))


def against(
    k: float, sides: tuple[float, float], signs: tuple[int, int], kernel: Complex, pattern: Array
) -> Complex:
    """-A^-1 of the patterns (n m, B), A the quarter's matrix of the dipoles' kernel (2 n, 2 m); see the module."""
    if k * max(sides) > COARSE:
        matrix = quarter(kernel.real, signs) + 1j * quarter(kernel.imag, signs)
        return np.asarray(-np.linalg.solve(matrix, pattern))
    radiated, positive = quarter(np.stack([-kernel.imag, -kernel.real - kernel.imag]), signs)
    radiating = pivoted_root(radiated, FAINT * k)
    solved = solve_positive(positive, np.concatenate([pattern, radiating], axis=1))
    own, apart = solved[:, : pattern.shape[1]], solved[:, pattern.shape[1] :]
    inner = np.eye(apart.shape[1]) / (1j - 1.0) + radiating.T @ apart
    share = np.linalg.solve(inner, radiating.T @ own)
    found = np.empty(own.shape, dtype=np.complex128)
    found.real = own - apart @ share.real
    found.imag = -apart @ share.imag
    return found


def pressed(kernel: Complex, signs: tuple[int, int], pattern: Array) -> Complex:
    """v^T K v over the whole plate (G, B, B) of the patterns v (n, m, B) of one class, by kernels (G, 2 n, 2 m)."""
    n, m, count = pattern.shape
    across = [_waves(cells, sign) for cells, sign in zip((n, m), signs, strict=True)]
    spectrum = np.einsum("pi,ijb,qj->pqb", across[0], pattern, across[1], optimize=True).reshape(-1, count)
    weight = np.einsum("pd,gde,qe->gpq", _torus(n), kernel, _torus(m), optimize=True).reshape(len(kernel), -1)
    one, other = np.triu_indices(count)
    pairs = spectrum[:, one] * spectrum[:, other]
    found = np.empty((len(kernel), count, count), dtype=np.complex128)
    found[:, one, other] = weight.real @ pairs + 1j * (weight.imag @ pairs)
    found[:, other, one] = found[:, one, other]
    return found


def _waves(cells: int, sign: int) -> Array:
    """Discrete Fourier transform (2 n + 1, n) of an even or odd pattern, from its half of n cells; real."""
    angle = math.pi / (2.0 * cells) * np.outer(np.arange(2 * cells + 1), np.arange(cells) + 0.5)
    return 2.0 * np.asarray(np.cos(angle) if sign > 0 else np.sin(angle))


def _torus(cells: int) -> Array:
    """The same (2 n + 1, 2 n) of a kernel at offsets from 0, weighted to sum as all 4 n waves do."""
    wave, offset = np.arange(2 * cells + 1), np.arange(2 * cells)
    both_ways = np.where((wave == 0) | (wave == 2 * cells), 1.0, 2.0)[:, None] * np.where(
        offset == 0, 1.0, 2.0
    )
    return np.asarray(both_ways * np.cos(math.pi / (2.0 * cells) * np.outer(wave, offset)) / (4.0 * cells))


def dipoles(k: float, hx: float, hy: float, nx: int, ny: int) -> Complex:
    """What cells of dipoles do to each other at offsets (nx, ny): the normal velocity's part, 1/m."""
    R, u, v = _corners(hx, hy, nx, ny)
    U, V = u[:, None], v[None, :]
    static = _over_cells(-np.hypot(U, V) / (U * V)) + k**2 / 2.0 * _inverse_distance(u, v)
    R[0, 0] = 1.0
    rest = ((1.0 + 1j * k * R) * np.exp(-1j * k * R) - 1.0 - (k * R) ** 2 / 2.0) / R**3
    rest[0, 0] = -1j * k**3 / 3.0
    return np.asarray((static + rest * hx * hy) / (4.0 * math.pi))


def monopoles(k: float, hx: float, hy: float, nx: int, ny: int) -> Complex:
    """What cells of monopoles do to each other at offsets (nx, ny): the potential, m."""
    R, u, v = _corners(hx, hy, nx, ny)
    R[0, 0] = 1.0
    rest = (np.exp(-1j * k * R) - 1.0) / R
    rest[0, 0] = -1j * k
    return np.asarray((_inverse_distance(u, v) + rest * hx * hy) / (4.0 * math.pi))


def _corners(hx: float, hy: float, nx: int, ny: int) -> tuple[Array, Array, Array]:
    """Distances (nx, ny) of the cells at whole offsets, and the ends of the cells, for closed-form integrals."""
    u, v = np.arange(nx) * hx, np.arange(ny) * hy
    return (
        np.hypot(u[:, None], v),
        np.append(u - hx / 2.0, u[-1] + hx / 2.0),
        np.append(v - hy / 2.0, v[-1] + hy / 2.0),
    )


def _over_cells(primitive: Array) -> Array:
    return np.asarray(np.diff(np.diff(primitive, axis=0), axis=1))


def _inverse_distance(u: Array, v: Array) -> Array:
    """The integral of 1/R over each cell between the ends u and v."""
    U, V = u[:, None], v[None, :]
    return _over_cells(U * np.arcsinh(V / np.abs(U)) + V * np.arcsinh(U / np.abs(V)))
