"""What moving pieces of rod do to the air: dipoles across and along, and small sources where they swell.

In: pieces in space, how they follow coordinates, those in every mode. Out: the pressure of every mode at listening
points, (C, M). Over the wavenumber the pressure of a coordinate, against that of one dipole, turns as the spread of
its pieces' distances: it is tabled as closely as that asks and read linearly. The physics is told in
`synth.sound.radiator.bar`.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.angles import cos_sin
from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.remembered import Remembered
from synth.sound.radiator.thickness import thickness

TOP: Final = 2.0 * math.pi * 20_000.0 / SOUND_SPEED  # rad/m: tables go so far whatever the highest mode is
STEP: Final = 0.1  # rad between two rows of a table over the wavenumber: leaves 0.1 % between them


@frozen
class SoundingRods:
    """Pieces of rod in space: X points that stand for a length each."""

    point: Array  # (X, 3) m
    volume: Array  # (X,) displaced plus carried air, m3
    radius: Array  # (X,) of the round rod that carries as much, m


def rods(point: Array, *, length: Array, radius: Array | float) -> SoundingRods:
    """Pieces of rod of the given `length` (X,), round or as round as `equivalent_radius` says."""
    radius = np.broadcast_to(np.asarray(radius, dtype=np.float64), length.shape)
    return SoundingRods(point=point, volume=2.0 * math.pi * radius**2 * length, radius=radius)


@frozen
class Following:
    """How pieces of rod follow D coordinates, and these the M modes."""

    rods: SoundingRods
    motion: Array  # (X, 3, D)
    moves: NDArray[np.complexfloating]  # (D, M)


@frozen
class Swelling:
    """How the volumes of the same pieces grow with D coordinates, m3, and these in the M modes."""

    volume: Array  # (X, D)
    moves: NDArray[np.complexfloating]  # (D, M)


def pressures(
    rods: SoundingRods,
    motion: Array,
    moves: NDArray[np.complexfloating],
    pole: Complex,
    points: Array,
    *,
    nearest: float | Array,
) -> Complex:
    """The pressure (C, M) in Pa at `points` (C, 3) of modes in which coordinates move by `moves` (D, M).

    `motion` (X, 3, D) is how the pieces follow each coordinate. The phase is that of the air at the time
    t + nearest/c, `nearest` (C,) or one for all.
    """
    return pressures_together([Following(rods, motion, moves)], pole, points, nearest=nearest)


def pressures_together(
    following: Sequence[Following],
    pole: Complex,
    points: Array,
    *,
    nearest: float | Array,
    swelling: Swelling | None = None,
    known: Remembered[Complex] | None = None,
) -> Complex:
    """The same of all that happens at the same pieces: how they move in several ways, and how they swell.

    Where `known` is given, tables over the wavenumber are kept there: pieces that follow as before are known.
    """
    following = [_moved(each) for each in following]
    acceleration = np.concatenate([each.moves for each in following]) * pole**2
    swell = None
    if swelling is not None:
        own = np.any(swelling.volume != 0.0, axis=0)
        swell = swelling.volume[:, own]
        acceleration = np.concatenate([acceleration, swelling.moves[own] * pole**2])
    k = np.abs(pole.imag) / SOUND_SPEED
    distance = np.linalg.norm(points[:, None] - following[0].rods.point, axis=2)  # (C, X)
    middle = distance.mean(axis=1)
    table = _table(k, float(np.max(np.abs(distance - middle[:, None]))))

    dipoles = sum(each.motion.shape[2] for each in following)

    def solve() -> Complex:
        tabled = np.empty((len(points), len(table), len(acceleration)), dtype=np.complex128)
        for c, point in enumerate(points):
            tabled[c] = _transfer(following, swell, table, point, middle[c])
            tabled[c, :, :dipoles] /= _one_dipole(table, middle[c])
        return tabled

    if known is None or table is k:
        tabled = solve()
    else:
        tabled = known.each([_key(following, swell, table, points)], lambda _: [solve()])[0]
    below, share = _row(table, k)
    moved = np.ascontiguousarray(acceleration.T)
    away = middle - np.broadcast_to(nearest, len(points))
    total = np.empty((len(points), len(k)), dtype=np.complex128)
    for c, rows in enumerate(tabled):
        if table is not k:
            low = rows[below]
            rows = low + share[:, None] * (rows[below + 1] - low)
        heard = np.einsum("md,md->m", rows[:, :dipoles], moved[:, :dipoles]) * _one_dipole(k, middle[c])[:, 0]
        if swell is not None:
            heard += np.einsum("md,md->m", rows[:, dipoles:], moved[:, dipoles:])
        total[c] = heard * np.exp(-1j * k * away[c])
    return total


def _one_dipole(k: Array, distance: float) -> Complex:
    """What all dipoles' pressures rise with (G, 1): without it a table is as right at low k as elsewhere."""
    return np.asarray(1j * k + 1.0 / distance)[:, None]


def _table(k: Array, spread: float) -> Array:
    """Wavenumbers (G,) close enough for distances that differ by `spread` each way; k itself where that is less."""
    top = max(TOP, float(k.max()))
    rows = math.ceil(top * spread / STEP) + 2
    return np.linspace(0.0, top, rows) if rows < len(k) else k


def _key(following: Sequence[Following], swell: Array | None, table: Array, points: Array) -> bytes:
    """All that a table hangs on, as a hash."""
    digest = hashlib.blake2b(digest_size=32)
    moving = [(e.rods.point, e.rods.volume, e.rods.radius, e.motion) for e in following]
    for each in (points, table, *itertools.chain(*moving), *([] if swell is None else [swell])):
        digest.update(str(each.shape).encode())
        digest.update(np.ascontiguousarray(each).data)
    return digest.digest()


def _moved(each: Following) -> Following:
    """Without the coordinates that do not move its pieces: a straight bar's modes move it in one direction each."""
    own = np.any(each.motion != 0.0, axis=(0, 1))
    return Following(each.rods, each.motion[:, :, own], each.moves[own])


def _row(table: Array, k: Array) -> tuple[NDArray[np.intp], Array]:
    """The row below each wavenumber and how far towards the next."""
    if len(table) == len(k):
        return np.arange(len(k)), np.zeros(len(k))
    position = k / table[-1] * (len(table) - 1)
    below = np.minimum(position.astype(np.intp), len(table) - 2)
    return below, position - below


def _transfer(
    following: Sequence[Following], swell: Array | None, k: Array, point: Array, middle: float
) -> Complex:
    """Pressure per acceleration of each coordinate (G, D), timed from `middle`/c."""
    away = point - following[0].rods.point
    distance = np.linalg.norm(away, axis=1)
    turns = _turns(k, distance - middle) * (AIR_DENSITY / (4.0 * math.pi * distance))
    dipole = (1j * k[:, None] + 1.0 / distance) * turns
    columns = []
    for each in following:
        towards = np.einsum("xi,xid->xd", away / distance[:, None], each.motion)
        columns.append(_of_rods(dipole, each.rods, k, each.rods.volume[:, None] * towards))
    if swell is not None:
        columns.append(_times(turns, swell))
    return np.concatenate(columns, axis=1)


def _of_rods(dipole: Complex, rods: SoundingRods, k: Array, towards: Array) -> Complex:
    """Dipoles (G, X) times strengths (X, D), as thick as the rods are."""
    radius, same = np.unique(rods.radius, return_inverse=True)
    thick = thickness(k[:, None] * radius)
    if len(radius) == 1:
        return thick * _times(dipole, towards)
    return _times(thick[:, same] * dipole, towards)


def _turns(k: Array, distance: Array) -> Complex:
    """exp(-j k d), (G, X)."""
    cos, sin = cos_sin(np.outer(k, distance))
    turns = np.empty(cos.shape, dtype=np.complex128)
    turns.real, turns.imag = cos, -sin
    return turns


def _times(one: Complex, other: Array) -> Complex:
    """The product with a real matrix, for half the work."""
    return np.asarray(one.real @ other + 1j * (one.imag @ other))
