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
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from synth.air import SOUND_SPEED
from synth.arrays import Array, Complex
from synth.design.instrument import Bar, Instrument, PlacedNut, Tine
from synth.design.instrument import Section as BarSection
from synth.remembered import MIB, Remembered
from synth.sound.radiator import EARS, Direct, arrivals, ears
from synth.sound.radiator.dipoles import Following, SoundingRods, Swelling, pressures_together, rods
from synth.vibration.bar import path, section_of
from synth.vibration.frame import rigid_arm
from synth.vibration.modal_model import ModalModel

# Air that a rectangle carries, of pi (b/2)^2, b its breadth across the motion, over its depth along the motion / b:
# a two-dimensional panel method, within 1 % of tables of hydrodynamics (those from memory); 1 is H. Lamb's plate
DEPTH: Final = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
CARRIED_AIR: Final = (1.0, 1.140, 1.217, 1.364, 1.513, 1.696, 1.982, 2.225)
BEND_OF_TABLE: Final = 0.1  # of depth over breadth: read linearly below, by its logarithm above
_TINES: Final[Remembered[Complex]] = Remembered(32 * MIB)
PER_WAVE: Final = 8.0  # pieces of the bar a wavelength of sound at the highest mode


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
    for following in _of_tines(model, instrument.tines, trim):
        total += pressures_together(following, model.pole, points, nearest=nearest, known=_TINES)
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
    moves = model.vectors[model.bar_dof]
    following = []
    for axis, pieces in enumerate((along, sideways, upwards)):
        direction = axes[:, axis, :, None]
        turned = direction * np.sum(direction * motion, axis=1, keepdims=True)
        following.append(Following(pieces, turned, moves))
    stretch = np.sum(axes[:, 0, :, None] * np.diff(model.bar.at(edge)[:, :3], axis=0), axis=1)
    breath = (1.0 - 2.0 * bar.material.poisson) * area * stretch
    swelling = Swelling(breath, moves)
    return pressures_together(following, model.pole, points, nearest=nearest, swelling=swelling)


def _of_tines(
    model: ModalModel, tines: Sequence[Tine], trim: Sequence[Sequence[PlacedNut]]
) -> Iterator[tuple[Following, Following]]:
    """Every tine's pieces as they follow its base and partials, across themselves and along."""
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
        yield (
            Following(across, np.concatenate(follows, axis=2), np.concatenate(moves)),
            Following(ends, along, carried[r]),
        )


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
