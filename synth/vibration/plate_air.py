"""Plates in air: what the air adds to a moving plate, the sound that leaves it, the box and the hole under it.

In: `PlateModes`, frequencies, and whether both faces (a bare panel) or one (the lid of a box) meet open air. Out: a
`Radiation`: the air's impedance between the modes, Z = R + j w M, and the sources that stand for each mode.

A bare panel is a sheet of dipoles with the unknown pressure jump p_d (e^(+jwt), R the distance in the plane):

    finite part of  integral p_d (1 + jkR) e^(-jkR) / (4 pi R^3) dS  =  -j w rho v

solved by collocation on equal cells. The 1/R^3 and 1/R parts are integrated in closed form over each cell. The
cells stop a quarter of a cell short of the edges, as vortex lattices do for the same equation of a wing (G. J.
Hough, J. Aircraft 10 (1973) 314), which turns an error of first order into one of second.
A closed box is a sheet of monopoles, p = j w rho integral v e^(-jkR) / (4 pi R) dS: its body is taken as small, so
this holds below about ka = 1 and is up to 6 dB low in front of the box above that.

Modes of a plate with like edges are even or odd about both middle lines, and the air keeps them so: everything is
done on a quarter of the plate, once for each of the four classes.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.angles import cos_sin
from synth.arrays import Array, Complex, Indices
from synth.cores import one_core, spread
from synth.frozen import frozen
from synth.vibration.air_cells import CLASSES, against, dipoles, monopoles, pressed
from synth.vibration.plate import Plate, PlateModes

CELLS_A_WAVE: Final = 8.0  # of the shortest bending wave; doubling it moves levels by less than 0.5 dB
MOST_CELLS: Final = 24  # along half a side; beyond that the solve, not the physics, is what one waits for
LOWEST: Final = 20.0  # Hz, of the table of the air
STEP: Final = 0.65  # between its rows, of the scale of `_along`,
ROWS: Final = (18, 60)  # as few of them at least, and as many at most
SWING: Final = 0.35  # of that scale, for each radian of a wave of sound along the plate; see the tests
CAVITY_LOSS: Final = 0.02  # of the air spring, by leaks and walls; order of magnitude, no published source
PLUG_END: Final = (
    1.7  # radii of air that swing with a hole's plug: two flanged ends, 8/(3 pi) each (Rayleigh)
)

Faces = Literal["both", "one"]
_Classes = list[tuple[tuple[int, int], Indices]]


@frozen
class Radiation:
    """The air around B modes at G frequencies, per unit of modal velocity.

    `sources` are dipole strengths p_d dS (both faces) or monopole strengths v dS rho (one) divided by j w, on the X
    cells of a quarter plate, in the order of `point`; the other quarters follow by `parity`.
    """

    faces: Faces
    size: tuple[float, float]  # of the plate, m
    frequency: Array  # (G,) Hz, rising
    impedance: NDArray[np.complexfloating]  # (G, B, B) N s/m per kg, symmetric
    point: Array  # (X, 2) m from the plate's middle, the quarter x > 0, y > 0
    sources: NDArray[np.complexfloating]  # (G, X, B), or (1, X, B) where all rows are alike
    parity: NDArray[np.int64]  # (B, 2) +1 even or -1 odd in x and in y

    def mass(self, frequency: Array) -> Array:
        """The air's mass between the modes (B, B), kg/kg, each entry at its own `frequency` (B, B) Hz."""
        turn = 2.0 * math.pi * self.frequency[:, None, None]
        return self._looked_up(self.impedance.imag / turn, frequency)

    def resistance(self, frequency: Array) -> Array:
        """The air's resistance between the modes (B, B), 1/s, each entry at its own `frequency` (B, B) Hz."""
        scale = (self.frequency / self.frequency[0]) ** 3  # between a box's and a panel's low-frequency law
        found = self._looked_up(self.impedance.real / scale[:, None, None], frequency)
        held = np.clip(frequency, self.frequency[0], self.frequency[-1])
        return np.asarray(found * (held / self.frequency[0]) ** 3)

    def mixed(self, mix: Array) -> Radiation:
        """The same air in new modes, of which each is a mixture (B, B') of modes of one class."""
        parity = self.parity[np.argmax(np.abs(mix), axis=0)]
        count = mix.shape[1]
        impedance = np.zeros((len(self.impedance), count, count), dtype=self.impedance.dtype)
        sources = np.zeros((*self.sources.shape[:2], count), dtype=self.sources.dtype)
        both = list(zip(_classes(self.parity), _classes(parity), strict=True))
        parts = [(np.ix_(old, old), np.ix_(new, new), mix[np.ix_(old, new)]) for (_, old), (_, new) in both]

        def turn(row: int) -> None:
            for old, new, part in parts:
                impedance[row][new] = part.T @ self.impedance[row][old] @ part
                if row < len(sources):
                    # a real product, twice as many columns: the mixture has no imaginary part
                    apart = np.ascontiguousarray(self.sources[row][:, old[1][0]].T).view(sources.real.dtype)
                    sources[row][:, new[1][0]] = (part.T.astype(apart.dtype) @ apart).view(sources.dtype).T

        spread(turn, range(len(impedance)))
        return dataclasses.replace(self, impedance=impedance, sources=sources, parity=parity)

    def stored(self) -> Radiation:
        """The same in single precision: half the size in the cache, exact to 1e-7 of each number."""
        return dataclasses.replace(
            self, impedance=self.impedance.astype(np.complex64), sources=self.sources.astype(np.complex64)
        )

    def with_hole(self, area: float) -> Radiation:
        """One more freedom, the plug of air (m, outwards) in a hole in the middle of a box's lid.

        Its resistance is that of a monopole in free space, alone and with the lid; its mass is `plug_mass`.
        """
        k = 2.0 * math.pi * self.frequency / SOUND_SPEED
        R = np.maximum(np.hypot(*self.point.T), 1e-6)
        ring = np.sin(k[:, None] * R) / (4.0 * math.pi * R)  # of all four images alike
        even = np.where(np.all(self.parity == 1, axis=1), 4.0, 0.0)
        row = (k * SOUND_SPEED)[:, None] * area * even * (ring @ self.sources[0].real)
        alone = AIR_DENSITY * k**2 * SOUND_SPEED * area**2 / (4.0 * math.pi)
        impedance = np.pad(self.impedance, [(0, 0), (0, 1), (0, 1)])
        impedance[:, -1, :-1] += row
        impedance[:, :-1, -1] += row
        impedance[:, -1, -1] += alone
        alike, cells, count = self.sources.shape
        plug = np.zeros((alike, cells + 1, count + 1), dtype=np.complex128)
        plug[:, :-1, :-1] = self.sources
        plug[:, -1, -1] = AIR_DENSITY * area / 4.0  # its four images lie on one another
        return dataclasses.replace(
            self,
            impedance=impedance,
            point=np.append(self.point, [[0.0, 0.0]], axis=0),
            sources=plug,
            parity=np.append(self.parity, [[1, 1]], axis=0),
        )

    def pressure(self, motion: Complex, frequency: Array, ear: Array, *, nearest: float) -> Complex:
        """The pressure (M,) in Pa at `ear` (3,) of modal accelerations (B, M); see `transfer`."""
        return np.asarray(np.einsum("bm,bm->m", self.transfer(frequency, ear, nearest=nearest), motion))

    def transfer(self, frequency: Array, ear: Array, *, nearest: float) -> Complex:
        """The pressure (B, M) per acceleration of each mode at `frequency` (M,) Hz, e^(+jwt).

        `ear` (3,) from the plate's middle, z off its face; the phase is that of the time nearest/c later. Sources
        are read between the table's rows, and worked with in the precision that they are kept in.
        """
        order = np.argsort(frequency)
        rising = frequency[order]
        greens = self._greens(2.0 * math.pi * rising / SOUND_SPEED, ear, nearest)
        weights = self._weights(rising) if len(self.sources) > 1 else np.ones((1, len(rising)))
        out = np.zeros((len(self.parity), len(rising)), dtype=np.complex128)
        for sources, weight in zip(self.sources, weights, strict=True):
            read = np.flatnonzero(weight)
            some = slice(read[0], read[-1] + 1) if len(read) else slice(0)
            for (_, own), green in zip(_classes(self.parity), greens, strict=True):
                out[own, some] += (sources[:, own].T @ green[:, some]) * weight[some]
        return out[:, np.argsort(order)]

    def _weights(self, frequency: Array) -> Array:
        """The share (G, ...) of each row in what is read at each frequency (...), held at both ends of the table.

        Lagrange's cubic through the four nearest rows, as far as there are so many.
        """
        rows = _along(self.frequency, self.size)
        held = np.clip(frequency, self.frequency[0], self.frequency[-1])
        place = np.clip(_along(held, self.size), rows[0], rows[-1])
        count = min(4, len(rows))
        every = np.arange(count).reshape(-1, *[1] * place.ndim)
        among = every + np.clip(np.searchsorted(rows, place) - count // 2, 0, len(rows) - count)
        shares = np.ones(among.shape)
        for n in range(count):
            others = np.delete(rows[among], n, axis=0)
            shares[n] = np.prod((place - others) / (rows[among[n]] - others), axis=0)
        weights = np.zeros((len(rows), *place.shape))
        np.put_along_axis(weights, among, shares, axis=0)
        return weights

    def _looked_up(self, values: Array, frequency: Array) -> Array:
        """Each entry (B, B) of values (G, B, B) at its own frequency (B, B)."""
        return np.asarray(np.sum(self._weights(frequency) * values, axis=0))

    def _greens(self, k: Array, ear: Array, nearest: float) -> tuple[Complex, ...]:
        """What a source on the quarter and its three images give at the ear, (X, M) in each of `CLASSES`."""
        own, over_y, over_x, over_both = (
            self._green(
                k, ear - np.append(self.point * mirror, np.zeros((len(self.point), 1)), axis=1), nearest
            )
            for mirror in CLASSES
        )
        even_x, even_y = own + over_y, over_x + over_both
        odd_x, odd_y = own - over_y, over_x - over_both
        return even_x + even_y, odd_x + odd_y, even_x - even_y, odd_x - odd_y

    def _green(self, k: Array, away: Array, nearest: float) -> Complex:
        """What sources as far `away` as (X, 3) give, (X, M), in the sources' precision."""
        R = np.sqrt(np.sum(away**2, axis=1))[:, None]
        cosine, sine = cos_sin(k * (nearest - R))
        spread = np.empty(cosine.shape, dtype=self.sources.dtype)
        spread.real, spread.imag = cosine / (4.0 * math.pi * R), sine / (4.0 * math.pi * R)
        if self.faces == "both":
            spread *= (away[:, 2:] / R * (1j * k + 1.0 / R)).astype(spread.dtype)
        return spread


def air_rows(plate: Plate, highest: float) -> Array:
    """Frequencies (G,) in Hz, from `LOWEST` to the `highest`, at which a plate's air is worth solving."""
    size = (plate.length, plate.width)
    fine = np.geomspace(LOWEST, max(highest, 2.0 * LOWEST), 100 * ROWS[1])
    along = _along(fine, size)
    rows = min(max(ROWS[0], 1 + math.ceil((along[-1] - along[0]) / STEP)), ROWS[1])
    return np.interp(np.linspace(along[0], along[-1], rows), along, fine)


def _along(frequency: Array, size: tuple[float, float]) -> Array:
    """A scale on which a plate's air changes evenly: by powers of frequency at first, then by waves along it."""
    return np.asarray(np.log(frequency) + SWING * 2.0 * math.pi * max(size) / SOUND_SPEED * frequency)


def radiation(modes: PlateModes, frequency: Array, *, faces: Faces, finer: float = 1.0) -> Radiation:
    """The air around the modes at `frequency` (G,) Hz. `finer` refines the cells (for tests of convergence).

    Raises `ValueError` for a plate whose opposite edges differ.
    """
    plate = modes.plate
    if plate.edges[0] != plate.edges[1] or plate.edges[2] != plate.edges[3]:
        raise ValueError("opposite edges must be alike")
    x, y, hx, hy = _cells(modes, faces, finer)
    shape = modes.grid(plate.length / 2.0 + x, plate.width / 2.0 + y)  # (nx, ny, B)
    parity = _parity(modes)
    point = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    around = _bare if faces == "both" else _lid
    classes = [(signs, own) for signs, own in _classes(parity) if len(own)]
    impedance, sources = around(shape, classes, 2.0 * math.pi * frequency, (hx, hy))
    return Radiation(faces, (plate.length, plate.width), frequency, impedance, point, sources, parity)


def _bare(shape: Array, classes: _Classes, w: Array, sides: tuple[float, float]) -> tuple[Complex, Complex]:
    """Impedance (G, B, B) and sources (G, X, B) of both faces at the circular frequencies w (G,)."""
    nx, ny, count = shape.shape
    pattern = shape.reshape(nx * ny, count)
    impedance = np.zeros((len(w), count, count), dtype=np.complex128)
    sources = np.zeros((len(w), nx * ny, count), dtype=np.complex128)

    def solve(row: int) -> None:
        k = w[row] / SOUND_SPEED
        kernel = dipoles(k, *sides, 2 * nx, 2 * ny)
        for signs, own in classes:
            found = AIR_DENSITY * math.prod(sides) * against(k, sides, signs, kernel, pattern[:, own])
            block = 4j * w[row] * pattern[:, own].T @ found
            sources[row][:, own] = found
            impedance[row][np.ix_(own, own)] = (block + block.T) / 2.0

    with one_core():  # scipy's pool as well
        spread(solve, range(len(w)))  # one row a core: each is too small for several
    return impedance, sources


def _lid(shape: Array, classes: _Classes, w: Array, sides: tuple[float, float]) -> tuple[Complex, Complex]:
    """The same of one face; its sources (1, X, B) are the same at every frequency."""
    nx, ny, count = shape.shape
    kernels = np.stack([monopoles(each / SOUND_SPEED, *sides, 2 * nx, 2 * ny) for each in w])
    impedance = np.zeros((len(w), count, count), dtype=np.complex128)
    scale = 1j * w[:, None, None] * AIR_DENSITY * math.prod(sides)
    for signs, own in classes:
        impedance[:, own[:, None], own] = scale * pressed(kernels, signs, shape[:, :, own])
    sources = AIR_DENSITY * math.prod(sides) * shape.reshape(1, nx * ny, count)
    return impedance, sources.astype(np.complex128)


def air_spring(volume: float) -> float:
    """What the closed air of a volume resists per squared volume displaced: rho c^2 / V in Pa/m3."""
    return AIR_DENSITY * SOUND_SPEED**2 / volume


def plug_mass(area: float, thickness: float) -> float:
    """The mass of air in a round hole of a wall, its swinging ends included, in kg."""
    return AIR_DENSITY * area * (thickness + PLUG_END * math.sqrt(area / math.pi))


def displaced_volume(modes: PlateModes) -> Array:
    """The integral of each shape (B,) over the plate, in m2/kg^(1/2)."""
    from numpy.polynomial import legendre

    nodes, weights = legendre.leggauss(48)
    x, y = (0.5 * (nodes + 1.0) * size for size in (modes.plate.length, modes.plate.width))
    return np.asarray(np.einsum("x,y,xyb->b", weights, weights, modes.grid(x, y)) * modes.plate.area / 4.0)


def _cells(modes: PlateModes, faces: Faces, finer: float) -> tuple[Array, Array, float, float]:
    """Centres of the cells of a quarter plate along x and y, from the middle, and the cells' sides."""
    plate, highest = modes.plate, float(modes.frequency[-1])
    sides = []
    for size, stiffness in ((plate.length, plate.stiffness_x), (plate.width, plate.stiffness_y)):
        waves = size * float(plate.wavenumber(max(highest, 1.0), stiffness)) / (2.0 * math.pi)
        half = min(max(4, math.ceil(CELLS_A_WAVE * waves / 2.0)), MOST_CELLS)
        half = round(half * finer)
        short = 0.5 if faces == "both" else 0.0  # of a cell, over both edges
        side = size / (2 * half + short)
        sides.append((side * (np.arange(half, dtype=np.float64) + 0.5), side))
    (x, hx), (y, hy) = sides
    return x, y, hx, hy


def _classes(parity: NDArray[np.int64]) -> _Classes:
    """Which modes (B,) are of each of `CLASSES`."""
    return [(signs, np.flatnonzero(np.all(parity == signs, axis=1))) for signs in CLASSES]


def _parity(modes: PlateModes) -> NDArray[np.int64]:
    """Even (+1) or odd (-1) in x and y, (B, 2), from the basis functions a mode is made of."""
    energy = modes.coefficients**2
    odd_x, odd_y = np.sum(energy[1::2], axis=(0, 1)), np.sum(energy[:, 1::2], axis=(0, 1))
    whole = np.sum(energy, axis=(0, 1))
    return np.stack([np.where(2.0 * odd > whole, -1, 1) for odd in (odd_x, odd_y)], axis=1).astype(np.int64)
