"""Thin plates: the free vibration of a rectangle, orthotropic, with any edges; and what an endless one would do.

In: a `Plate`. Out: `PlateModes`, frequencies in vacuo and mass-normalised shapes anywhere on it.

Rayleigh-Ritz on Kirchhoff's plate: the energy

    U = 1/2 integral  Dx w_xx^2 + 2 D1 w_xx w_yy + Dy w_yy^2 + 4 Dk w_xy^2

(S. G. Lekhnitskii, Anisotropic Plates; Dx = Ex h^3/12 mu, D1 = nu_xy Dy, Dk = G h^3/12, mu = 1 - nu_xy nu_yx) over
products of polynomials that keep the edges: orthonormal, times (1 - s)^q (1 + s)^p with p, q = 0 at a free edge,
1 at a supported, 2 at a clamped one. Frequencies come from above and converge faster than any power of the count.

    y = width  +------------------+     x along the stiffer direction, the origin in a corner.
               |                  |     `edges` names them in the order x = 0, x = length, y = 0, y = width.
               o------------------+ x = length
"""

from __future__ import annotations

import itertools
import math
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.polynomial import legendre

from synth.arrays import Array, Indices
from synth.cores import spread
from synth.frozen import frozen

Edge = Literal["free", "supported", "clamped"]

_POWER: Final = {"free": 0, "supported": 1, "clamped": 2}
_RIGID: Final = 0.01  # Hz: rounding leaves a rigid motion about 1e-4; no plate on a bench bends as slowly
_SPARE: Final = 10  # polynomials beyond two a half wave: the highest asked mode is then right to 1e-3


@frozen
class Plate:
    """A rectangular orthotropic plate, SI: sizes, mass per area and the four stiffnesses (N m)."""

    length: float  # along x
    width: float  # along y
    mass_per_area: float
    stiffness_x: float  # Dx
    stiffness_y: float  # Dy
    coupling: float  # D1
    twist: float  # Dk
    edges: tuple[Edge, Edge, Edge, Edge]

    @property
    def area(self) -> float:
        return self.length * self.width

    @property
    def mass(self) -> float:
        return self.mass_per_area * self.area

    @property
    def mean_stiffness(self) -> float:
        """sqrt(Dx Dy), that of the isotropic plate with as many modes and the same point impedance."""
        return math.sqrt(self.stiffness_x * self.stiffness_y)

    @property
    def impedance(self) -> float:
        """The point impedance of the endless plate, 8 sqrt(B m'') in N s/m (Cremer and Heckl)."""
        return 8.0 * math.sqrt(self.mean_stiffness * self.mass_per_area)

    @property
    def modal_density(self) -> float:
        """Modes per hertz, S/2 sqrt(m''/B) (Cremer and Heckl)."""
        return 0.5 * self.area * math.sqrt(self.mass_per_area / self.mean_stiffness)

    def critical_frequency(self, sound_speed: float) -> float:
        """Where bending waves are as fast as sound: c^2/2pi sqrt(m''/B), in Hz (Cremer and Heckl)."""
        return sound_speed**2 / (2.0 * math.pi) * math.sqrt(self.mass_per_area / self.mean_stiffness)

    def wavenumber(self, frequency: Array | float, stiffness: float | None = None) -> Array:
        """The bending wavenumber in rad/m, (w^2 m''/B)^(1/4)."""
        B = self.mean_stiffness if stiffness is None else stiffness
        return np.asarray((2.0 * math.pi * np.asarray(frequency)) ** 2 * self.mass_per_area / B) ** 0.25


@frozen
class PlateModes:
    """Modes in vacuo, rigid ones included (0 Hz); the shapes' mass integral is 1, so they are in kg^(-1/2)."""

    plate: Plate
    frequency: Array  # (B,) Hz
    coefficients: Array  # (I, J, B) of the products of the two bases

    def at(self, x: Array, y: Array) -> Array:
        """Displacement and slopes (w, dw/dx, dw/dy) at points (Q,): (Q, 3, B)."""
        counts = self.coefficients.shape[:2]
        fx = _Basis.of(self.plate.edges[:2], counts[0]).at(x, self.plate.length)
        fy = _Basis.of(self.plate.edges[2:], counts[1]).at(y, self.plate.width)
        pairs = ((0, 0), (1, 0), (0, 1))
        return np.stack(
            [np.einsum("qi,ijb,qj->qb", fx[i], self.coefficients, fy[j], optimize=True) for i, j in pairs],
            axis=1,
        )

    def grid(self, x: Array, y: Array) -> Array:
        """Displacement on the grid of x (X,) and y (Y,): (X, Y, B)."""
        counts = self.coefficients.shape[:2]
        fx = _Basis.of(self.plate.edges[:2], counts[0]).at(x, self.plate.length)[0]
        fy = _Basis.of(self.plate.edges[2:], counts[1]).at(y, self.plate.width)[0]
        return np.asarray(np.einsum("xi,ijb,yj->xyb", fx, self.coefficients, fy, optimize=True))


def orthotropic(
    *,
    length: float,
    width: float,
    thickness: float,
    density: float,
    youngs_x: float,
    youngs_y: float,
    shear: float,
    poisson_xy: float,
    edges: tuple[Edge, Edge, Edge, Edge],
) -> Plate:
    """A plate of one sheet. Raises `ValueError` where the constants are not those of an elastic body."""
    mu = 1.0 - poisson_xy**2 * youngs_y / youngs_x
    if mu <= 0.0:
        raise ValueError("nu_xy nu_yx must be below 1")
    cubic = thickness**3 / 12.0
    stiffness_y = youngs_y * cubic / mu
    return Plate(
        length=length,
        width=width,
        mass_per_area=density * thickness,
        stiffness_x=youngs_x * cubic / mu,
        stiffness_y=stiffness_y,
        coupling=poisson_xy * stiffness_y,
        twist=shear * cubic,
        edges=edges,
    )


def solve_plate(plate: Plate, *, highest: float, most: int) -> PlateModes:
    """The modes up to `highest` Hz, at most the `most` lowest."""
    # no finer basis than the modes that are wanted need; the edges of a slender plate cost it some of its share
    limit = min(highest, 2.0 * most / plate.modal_density)
    modes = _solve_to(plate, limit, most)
    while len(modes.frequency) < most and limit < highest:
        limit = min(highest, 2.0 * limit)
        modes = _solve_to(plate, limit, most)
    return modes


def _solve_to(plate: Plate, highest: float, most: int) -> PlateModes:
    x = _Basis.of(plate.edges[:2], _count(plate, highest, plate.stiffness_x, plate.length))
    y = _Basis.of(plate.edges[2:], _count(plate, highest, plate.stiffness_y, plate.width))
    of_x, of_y = x.energies, y.energies

    def block(functions: tuple[Indices, Indices]) -> tuple[Array, Array]:
        rows, columns = functions
        frequency, vectors = _modes_of(plate, of_x[:, rows][..., rows], of_y[:, columns][..., columns])
        wanted = min(int(np.searchsorted(frequency, highest, side="right")), most)  # they rise
        full = np.zeros((x.count, y.count, wanted))
        full[np.ix_(rows, columns)] = vectors[:, :wanted].reshape(len(rows), len(columns), wanted)
        return frequency[:wanted], full

    pairs = list(itertools.product(_classes(plate.edges[:2], x.count), _classes(plate.edges[2:], y.count)))
    blocks = spread(block, pairs)
    frequency = np.concatenate([block[0] for block in blocks])
    order = np.argsort(frequency, kind="stable")[:most]
    shapes = np.concatenate([block[1] for block in blocks], axis=2)
    return PlateModes(plate, frequency[order], shapes[..., order])


def _classes(edges: tuple[Edge, ...], count: int) -> list[Indices]:
    """Basis functions that do not mix: even and odd ones where both edges are alike."""
    every = np.arange(count)
    return [every[0::2], every[1::2]] if edges[0] == edges[1] else [every]


def _modes_of(plate: Plate, of_x: Array, of_y: Array) -> tuple[Array, Array]:
    """Frequencies (n,) and coefficients (I J, n) of the modes of basis functions with these energies."""
    square, vectors = np.linalg.eigh(_stiffness(plate, of_x, of_y) / plate.mass)
    frequency = np.sqrt(np.maximum(square, 0.0)) / (2.0 * math.pi)
    frequency[frequency < _RIGID] = 0.0
    return frequency, vectors / math.sqrt(plate.mass)


def _count(plate: Plate, highest: float, stiffness: float, size: float) -> int:
    half_waves = float(plate.wavenumber(highest, stiffness)) * size / math.pi
    return _SPARE + math.ceil(1.6 * half_waves)


def _stiffness(plate: Plate, x: Array, y: Array) -> Array:
    """The Ritz matrix (I J, I J) times the area, from 1-D integrals on [-1, 1] (see `_Basis.energies`)."""
    a, b = 2.0 / plate.length, 2.0 / plate.width
    one_x, one_y = np.eye(x.shape[1]), np.eye(y.shape[1])
    mixed = np.kron(x[2], y[2].T) + np.kron(x[2].T, y[2])
    K = (
        plate.stiffness_x * a**4 * np.kron(x[1], one_y)
        + plate.stiffness_y * b**4 * np.kron(one_x, y[1])
        + plate.coupling * (a * b) ** 2 * mixed
        + 4.0 * plate.twist * (a * b) ** 2 * np.kron(x[0], y[0])
    )
    return np.asarray(K * plate.area)


@frozen
class _Basis:
    """Polynomials f_i on [-1, 1] that keep the edges, with mean(f_i f_j) = 1 where i = j, else 0."""

    series: Array  # (degree + 1, I), Legendre coefficients

    @staticmethod
    @lru_cache(maxsize=64)
    def of(edges: tuple[Edge, ...], count: int) -> _Basis:
        left, right = _POWER[edges[0]], _POWER[edges[1]]
        nodes, weights = legendre.leggauss(count + left + right + 1)
        keep = (1.0 + nodes) ** left * (1.0 - nodes) ** right
        # orthonormal by QR at Gauss points, where the products are integrated exactly
        raw = legendre.legvander(nodes, count - 1) * (keep * np.sqrt(weights / 2.0))[:, None]
        values = np.linalg.qr(raw)[0] / np.sqrt(weights / 2.0)[:, None]
        degree = count - 1 + left + right
        norm = (2.0 * np.arange(degree + 1) + 1.0) / 2.0
        return _Basis(norm[:, None] * (legendre.legvander(nodes, degree).T @ (weights[:, None] * values)))

    @property
    def count(self) -> int:
        return int(self.series.shape[1])

    @property
    def energies(self) -> Array:
        """(3, I, I): mean of f'f', of f''f'' and of f_i'' f_j, by Gauss' rule, exact."""
        nodes, weights = legendre.leggauss(len(self.series) + 1)
        f, slope, curve = (legendre.legval(nodes, legendre.legder(self.series, order)) for order in (0, 1, 2))
        mean = weights / 2.0
        return np.stack([(slope * mean) @ slope.T, (curve * mean) @ curve.T, (curve * mean) @ f.T])

    def at(self, position: Array, size: float) -> Array:
        """(2, Q, I): values and slopes per metre at positions (Q,) in [0, size]."""
        s = 2.0 * np.asarray(position, dtype=np.float64) / size - 1.0
        return np.stack(
            [
                legendre.legval(s, self.series).T,
                legendre.legval(s, legendre.legder(self.series)).T * 2.0 / size,
            ]
        )
