"""The bar alone: tines and bar as lines of dipoles, across themselves and along.

In: the coupled model with its mode shapes and two ears. Out: the pressure of every mode at the ears, (C, M).

A piece dz of a rod thin against the wavelength, moving with acceleration a, is a dipole of strength
rho V' dz a, where V' is the displaced plus the carried air per length: 2 pi r^2 for a round rod, since it carries
as much air as it displaces (P. M. Morse, Vibration and Sound, low-ka cylinder). At the distance R, with e^(+jwt),

    p = rho V' dz (a . R^) (jk + 1/R) e^(-jkR) / (4 pi R).

Along itself a rod displaces air with its two end faces alone, volume sources of opposite sign. Over its length they
are the dipoles of the displaced air, S dz a with no carried air, bends included; where the rod stretches by e, its
sides draw in by Poisson's ratio nu and the piece breathes by (1 - 2 nu) S dz e, a small volume source more.

The force on the air is (rho/rho_steel) times the rate of momentum of the steel. A free bar with its tines has no
total momentum, so the two dipoles cancel to first order: tines and bar are always summed with their true phases,
and a tine's own dipole is never reported alone. Where a rod is not thin (ka > 0.1) the exact oscillating
cylinder corrects it. The travel time to the nearer ear is left out: a stroke is heard when it is played.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.arrays import Array, Complex
from synth.design.instrument import Bar, Instrument, PlacedNut, Tine
from synth.design.instrument import Section as BarSection
from synth.sound.radiator import EARS, Direct, arrivals, ears
from synth.vibration.bar import path, section_of
from synth.vibration.frame import rigid_arm
from synth.vibration.modal_model import ModalModel

# Air that a rectangle carries, of pi (b/2)^2, b its breadth across the motion, over its depth along the motion / b:
# a two-dimensional panel method, within 1 % of tables of hydrodynamics (those from memory); 1 is H. Lamb's plate
DEPTH: Final = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
CARRIED_AIR: Final = (1.0, 1.140, 1.217, 1.364, 1.513, 1.696, 1.982, 2.225)
BEND_OF_TABLE: Final = 0.1  # of depth over breadth: read linearly below, by its logarithm above
THIN: Final = 0.02  # ka below which a rod is a thin one, within 0.1 %
PER_WAVE: Final = 8.0  # pieces of the bar a wavelength of sound at the highest mode
STEP: Final = 0.1  # rad between two rows of a table over the wavenumber: leaves 0.1 % between them


def bar_radiator(model: ModalModel, instrument: Instrument, trim: Sequence[Sequence[PlacedNut]]) -> Direct:
    """What the listener hears of the bar and its tines alone. `trim` holds the nuts on each tine."""
    points = ears(instrument)
    nearest = arrivals(instrument, points, nearest_distance(model, points[:EARS]))
    return Direct(rod_pressures(model, instrument, trim, points, nearest=nearest))


def rod_pressures(
    model: ModalModel,
    instrument: Instrument,
    trim: Sequence[Sequence[PlacedNut]],
    points: Array,
    *,
    nearest: float | Array,
) -> Complex:
    """The pressure (C, M) in Pa at `points` (C, 3) per unit of each mode's amplitude, bar and tines together.

    The phase is that of the air at the time t + nearest/c, `nearest` (C,) or one for all.
    """
    total = _of_bar(model, instrument.bar, points, nearest)
    for pieces, motion, moves in _of_tines(model, instrument.tines, trim):
        total += pressures(pieces, motion, moves, model.pole, points, nearest=nearest)
    return total


def nearest_distance(model: ModalModel, points: Array) -> float:
    """From the bar to the nearer of the listening points: sound is timed from its arrival over this way."""
    return float(np.min(np.linalg.norm(points[:, None] - model.bar.point, axis=2)))


def _of_bar(model: ModalModel, bar: Bar, points: Array, nearest: float | Array) -> Complex:
    length, section = bar.length, bar.section
    count = max(32, math.ceil(PER_WAVE * length * float(model.frequency[-1]) / SOUND_SPEED))
    edge = np.linspace(0.0, length, count + 1)
    position = (edge[1:] + edge[:-1]) / 2.0
    point, axes = path(bar, position)
    motion = model.bar.at(position)[:, :3]
    step = np.full(count, length / count)
    area = float(section_of(section, bar.material.poisson).area)
    along = SoundingRods(point, volume=area * step, radius=np.zeros(count))
    # each direction across the bar pushes air with the breadth that lies across it, and carries its own
    sideways = rods(point, length=step, radius=equivalent_radius(section, section.height))
    upwards = rods(point, length=step, radius=equivalent_radius(section, section.width))
    total = np.zeros((len(points), len(model.pole)), dtype=np.complex128)
    moves = model.vectors[model.bar_dof]
    for axis, pieces in enumerate((along, sideways, upwards)):
        direction = axes[:, axis, :, None]
        turned = direction * np.sum(direction * motion, axis=1, keepdims=True)
        total += pressures(pieces, turned, moves, model.pole, points, nearest=nearest)
    stretch = np.sum(axes[:, 0, :, None] * np.diff(model.bar.at(edge)[:, :3], axis=0), axis=1)
    breath = (1.0 - 2.0 * bar.material.poisson) * area * stretch
    return total + breaths(point, breath, moves, model.pole, points, nearest=nearest)


def _of_tines(
    model: ModalModel, tines: Sequence[Tine], trim: Sequence[Sequence[PlacedNut]]
) -> Iterator[tuple[SoundingRods, Array, NDArray[np.complexfloating]]]:
    """Every tine's pieces, how they follow its base and partials (K, 3, D), and those in every mode (D, M)."""
    modes, bases = model.tines, model.bases
    at_base = model.bar.at(bases.position).reshape(-1, model.bar_count)
    carried = (at_base @ model.vectors[model.bar_dof]).reshape(len(tines), 6, -1)
    for r, tine in enumerate(tines):
        height = np.unique(modes.height[r])
        above = bases.arm[r] + (height - height[0])[:, None] * bases.pointing[r]
        rigid = rigid_arm(above)[:, :3]
        along = bases.pointing[r][:, None] * np.einsum("i,xid->xd", bases.pointing[r], rigid)[:, None]
        follows, moves = [rigid - along], [carried[r]]
        turn, lean = math.cos(bases.axis[r]), math.sin(bases.axis[r])
        planes = (
            turn * bases.along[r] + lean * bases.across[r],
            turn * bases.across[r] - lean * bases.along[r],
        )
        for plane, direction in enumerate(planes):
            dof = model.tine_dof[r, plane]
            shape = modes.shape[r, dof >= 0, : len(height)].T
            follows.append(direction[:, None] * shape[:, None])
            moves.append(model.vectors[dof[dof >= 0]])
        point, _ = model.bar.frame_at(bases.position[r])
        across, ends = _tine_rods(tine, trim[r], height, point + above)
        yield across, np.concatenate(follows, axis=2), np.concatenate(moves)
        yield ends, along, carried[r]


def _tine_rods(
    tine: Tine, nuts: Sequence[PlacedNut], height: Array, point: Array
) -> tuple[SoundingRods, SoundingRods]:
    """A tine's pieces as they move across it, and along it.

    A threaded rod displaces as its mass diameter and carries air as its outside; a nut adds its own volume. Along
    itself the rod has its displaced air alone, that of its end face.
    """
    share = np.zeros(len(height))
    share[:-1] += np.diff(height) / 2.0
    share[1:] += np.diff(height) / 2.0
    radius = math.sqrt((tine.rod.mass_diameter**2 + tine.rod.diameter**2) / 8.0)
    across = rods(point, length=share, radius=radius)
    face = math.pi / 4.0 * tine.rod.mass_diameter**2
    along = SoundingRods(point, volume=face * share, radius=np.zeros(len(share)))
    for placed in nuts:
        volume = (
            2.0 * placed.nut.mass / tine.rod.material.density
        )  # of a nut as thick as it is wide, either way
        at = np.argmin(np.abs(height - placed.position))
        across.volume[at] += volume
        along.volume[at] += volume
    return across, along


@dataclass(frozen=True)
class SoundingRods:
    """Pieces of rod in space: X points that stand for a length each."""

    point: Array  # (X, 3) m
    volume: Array  # (X,) displaced plus carried air, m3
    radius: Array  # (X,) of the round rod that carries as much, m


def rods(point: Array, *, length: Array, radius: Array | float) -> SoundingRods:
    """Pieces of rod of the given `length` (X,), round or as round as `equivalent_radius` says."""
    radius = np.broadcast_to(np.asarray(radius, dtype=np.float64), length.shape)
    return SoundingRods(point=point, volume=2.0 * math.pi * radius**2 * length, radius=radius)


def equivalent_radius(section: BarSection, breadth: float) -> float:
    """The radius a (m) of the round rod with 2 pi a^2 = displaced + carried area, moving square on to `breadth`.

    A square of side s gives 0.590 s.
    """
    if section.shape != "rectangle":
        return section.width / 2.0
    area = section.width * section.height
    slimness = math.log1p(area / breadth**2 / BEND_OF_TABLE)
    share = np.interp(slimness, np.log1p(np.array(DEPTH) / BEND_OF_TABLE), CARRIED_AIR)
    carried = float(share) * math.pi * breadth**2 / 4.0
    return math.sqrt((area + carried) / (2.0 * math.pi))


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

    `motion` (X, 3, D) is how the pieces follow each coordinate. Over the wavenumber the pressure of a coordinate
    turns as the spread of its pieces' distances: it is tabled as closely as that asks and read linearly. The
    phase is that of the air at the time t + nearest/c.
    """

    def transfer(k: Array, point: Array, middle: float) -> Complex:
        return _transfer(rods, motion, k, point, middle)

    return _over_modes(rods.point, transfer, moves, pole, points, nearest)


def breaths(
    point: Array,
    swell: Array,
    moves: NDArray[np.complexfloating],
    pole: Complex,
    points: Array,
    *,
    nearest: float | Array,
) -> Complex:
    """The same of pieces at `point` (X, 3) whose volumes grow by `swell` (X, D), m3, with each coordinate."""

    def transfer(k: Array, ear: Array, middle: float) -> Complex:
        distance = np.linalg.norm(ear - point, axis=1)
        green = np.exp(-1j * np.outer(k, distance - middle)) / (4.0 * math.pi * distance)
        return np.asarray(AIR_DENSITY * green @ swell)

    return _over_modes(point, transfer, moves, pole, points, nearest)


def _over_modes(
    at: Array,
    transfer: Callable[[Array, Array, float], Complex],
    moves: NDArray[np.complexfloating],
    pole: Complex,
    points: Array,
    nearest: float | Array,
) -> Complex:
    """The pressure (C, M) of pieces at `at` (X, 3) from what the air makes of coordinates over the wavenumber."""
    k = np.abs(pole.imag) / SOUND_SPEED
    distance = np.linalg.norm(points[:, None] - at, axis=2)  # (C, X)
    middle = distance.mean(axis=1)
    spread = float(np.max(np.abs(distance - middle[:, None])))
    rows = math.ceil(float(k.max()) * spread / STEP) + 2
    table = np.linspace(0.0, float(k.max()), rows) if rows < len(k) else k
    below, share = _row(table, k)
    acceleration = moves * pole**2
    since = np.broadcast_to(nearest, len(points))
    total = np.empty((len(points), len(k)), dtype=np.complex128)
    for c, point in enumerate(points):
        tabled = transfer(table, point, middle[c])  # (G, D)
        low = np.einsum("md,dm->m", tabled[below], acceleration)
        high = np.einsum("md,dm->m", tabled[np.minimum(below + 1, len(table) - 1)], acceleration)
        total[c] = (low * (1.0 - share) + high * share) * np.exp(-1j * k * (middle[c] - since[c]))
    return total


def _row(table: Array, k: Array) -> tuple[NDArray[np.intp], Array]:
    """The row below each wavenumber and how far towards the next."""
    if len(table) == len(k):
        return np.arange(len(k)), np.zeros(len(k))
    position = k / table[-1] * (len(table) - 1)
    below = np.minimum(position.astype(np.intp), len(table) - 2)
    return below, position - below


def _transfer(rods: SoundingRods, motion: Array, k: Array, point: Array, middle: float) -> Complex:
    """Pressure per acceleration of each coordinate (G, D), timed from `middle`/c."""
    away = point - rods.point
    distance = np.linalg.norm(away, axis=1)
    towards = np.einsum("xi,xid->xd", away / distance[:, None], motion)
    radius, same = np.unique(rods.radius, return_inverse=True)
    strength = AIR_DENSITY * rods.volume * thickness(k[:, None] * radius)[:, same]
    green = (1j * k[:, None] + 1.0 / distance) * np.exp(-1j * np.outer(k, distance - middle))
    return np.asarray((strength * green / (4.0 * math.pi * distance)) @ towards)


def thickness(ka: Array) -> Complex:
    """The far pressure of an oscillating cylinder over its thin-rod limit: (2j / (pi (ka)^2)) / H1(2)'(ka).

    1 for a thin rod; |.| is 1.01 at ka = 0.1 and 0.69 at ka = 1. Exact for a long rod broadside.
    """
    factor = np.ones(ka.shape, dtype=np.complex128)
    thick = ka > THIN
    if np.any(thick):
        from scipy.special import h2vp

        factor[thick] = 2j / (math.pi * ka[thick] ** 2) / -h2vp(1, ka[thick])
    return factor
