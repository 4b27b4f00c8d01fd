"""The tines' own partials: each tine on an immovable base, its frequencies, dampings and shapes.

In: resolved tines, their free lengths and their nuts. Out: `TineModes`, one frozen set of arrays for them all.
A tine is a Timoshenko rod (`synth.vibration.rod`) from the clamp point, `added_length` below the base nut's upper
face, to its tip. Threaded rod is stiff as its bending diameter and heavy as its mass diameter; shear by G. R.
Cowper, J. Appl. Mech. 33 (1966) 335: k = 6 (1 + nu) / (7 + 6 nu) for the circle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array, Indices
from synth.design.instrument import Nut, PlacedNut, Tine
from synth.frozen import frozen
from synth.remembered import MIB, Remembered
from synth.vibration import damping
from synth.vibration.rod import RodModes, Rods, cubic, rods_together, solve_each

HIGHEST: Final = 18_000.0  # Hz, about where hearing ends
SHORTEST: Final = 20e-3  # m: below, the clamp and the nut are the tine
LONGEST: Final = 600e-3  # m: above, it whips
PLANES: Final = ("along", "across")

# What a nut's ends do not stiffen, in bending diameters: tines bonded into collars, by finite elements. A thin nut
# (ISO 4035) is told from a full one (ISO 4032) by its height: 0.30 to 0.34 of its width against 0.40 to 0.59.
_LOST_BY_FULL_NUT: Final = 0.42
_LOST_BY_THIN_NUT: Final = 0.36
_THIN_BELOW: Final = 0.37

_RODS: Final[Remembered[RodModes]] = Remembered(24 * MIB)  # of some two thousand tines
_LOSSES: Final[Remembered[Array]] = Remembered(4 * MIB)


@frozen(eq=False)  # itself alone: what is made of it is kept by it
class TineModes:
    """Partials of R tines on immovable bases: N partials, absent ones zero; K nodes, spare ones repeat the tip.

    Shapes are mass-normalised, the same in both planes. A physical displacement follows from the planes' modal
    coordinates q0, q1 by `axis`: along = cos q0 - sin q1, across = sin q0 + cos q1. `moment_participation`,
    `first_moment` and `second_moment` are about the clamp point, the first of the nodes; sections' and nuts' own
    turning included.
    """

    exists: NDArray[np.bool_]  # (R, N)
    frequency: Array  # (R, 2, N) Hz
    loss_factor: Array  # (R, 2, N)
    axis: Array  # (R,) rad from `along` to plane 0
    height: Array  # (R, K) above the base nut's upper face
    shape: Array  # (R, N, K) 1/sqrt(kg)
    slope: Array  # (R, N, K) the sections' turn
    momentum: Array  # (R, N) int phi dm
    moment_participation: Array  # (R, N) int (height above the clamp phi dm + phi' dJ)
    mass: Array  # (R,) with its nuts
    first_moment: Array  # (R,)
    second_moment: Array  # (R,)

    @property
    def decay(self) -> Array:
        """Seconds (R, 2, N) to fall by 60 dB; 0 for absent partials."""
        return np.where(self.exists[:, None, :], damping.decay_time(self.frequency, self.loss_factor), 0.0)

    @property
    def tip(self) -> Array:
        """Where the tines end (R,), above the base nut's upper face."""
        return self.height[:, -1]

    def at(self, depth_below_tip: ArrayLike) -> Array:
        """The shapes (R, N) at depths (R,) below the tips; cubic between nodes, held to the tine's ends."""
        z = np.broadcast_to(self.tip - np.asarray(depth_below_tip, dtype=float), self.tip.shape)
        return cubic(self.height, self.shape, self.slope, z[:, None])[0][..., 0]


def solve_tines(
    tines: Sequence[Tine], length: ArrayLike, trim: Sequence[Sequence[PlacedNut]], highest_hz: float = HIGHEST
) -> TineModes:
    """All partials of these tines up to `highest_hz`, each within 0.5 cent of the continuous rod's.

    `length` (R,) free lengths, `trim` the nuts on each. Identical tines are solved once.
    """
    modes, keys = _clamped(tines, length, trim, highest_hz)
    numbers, planes = _losing(tines), plane_ratios(tines)
    keys = [
        key + own.tobytes() + ratio.tobytes() for key, own, ratio in zip(keys, numbers, planes, strict=True)
    ]
    ones = _LOSSES.each(keys, lambda rows: _lost(modes, numbers, rows))
    loss = np.zeros_like(modes.frequency)
    for r, each in enumerate(ones):
        loss[r, :, : each.shape[1]] = each
    return replace(modes, loss_factor=loss)


def lossless_tines(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    highest_hz: ArrayLike = HIGHEST,
) -> TineModes:
    """The same without losses, for searches that ask for frequencies alone; `highest_hz` of all or of each (R,)."""
    return _clamped(tines, length, trim, highest_hz)[0]


def _clamped(
    tines: Sequence[Tine], length: ArrayLike, trim: Sequence[Sequence[PlacedNut]], highest_hz: ArrayLike
) -> tuple[TineModes, list[bytes]]:
    """The modes without losses, and what names each tine's among all."""
    rods = rods_of(tines, length, trim)
    limit = np.array(np.broadcast_to(highest_hz, len(tines)), dtype=float)

    def solve(rows: Indices) -> list[RodModes]:
        return solve_each(rods.take(rows), limit[rows])

    keys = rods.keys(limit)
    modes = rods_together(_RODS.each(keys, solve))
    frequency = modes.frequency[:, None, :] * plane_ratios(tines)[:, :, None]
    clamped = TineModes(
        exists=modes.exists,
        frequency=frequency,
        loss_factor=np.zeros_like(frequency),
        axis=np.array([tine.split_axis for tine in tines]),
        height=modes.height,
        shape=modes.shape,
        slope=modes.slope,
        momentum=modes.momentum,
        moment_participation=modes.moment_participation,
        mass=modes.mass,
        first_moment=modes.first_moment,
        second_moment=modes.second_moment,
    )
    return clamped, keys


def loss_shares(tines: Sequence[Tine], modes: TineModes, partials: int | None = None) -> dict[str, Array]:
    """What part of each partial's loss (R, 2, N), or of the lowest few's, is due to which mechanism.

    Absent partials are 0.
    """
    low = slice(0, partials)
    shapes = (modes.shape[:, low], modes.slope[:, low])
    shares = _losses(_losing(tines), modes.frequency[:, :, low], modes.height, *shapes).shares()
    return {name: share * modes.exists[:, None, low] for name, share in shares.items()}


def plane_ratios(tines: Sequence[Tine]) -> Array:
    """The two planes' frequencies (R, 2) over those of a perfectly round tine; plane 0 is along the row.

    The draw of the axis decides which plane is the higher: a positive angle makes it plane 0.
    """
    upper = np.sqrt([tine.split for tine in tines])
    rising = np.array([tine.split_axis >= 0.0 for tine in tines])
    first = np.where(rising, upper, 1.0 / upper)
    return np.stack([first, 1.0 / first], axis=1)


def rods_of(tines: Sequence[Tine], length: ArrayLike, trim: Sequence[Sequence[PlacedNut]]) -> Rods:
    """The tines as plain numbers, one row each."""
    bend, shear, mass, rotary = np.array([_line(tine) for tine in tines]).T
    added, translation, rotation = np.array([_root(tine) for tine in tines]).T
    most = max((len(nuts) for nuts in trim), default=0)
    nuts = np.array([_nuts(tine, placed, most) for tine, placed in zip(tines, trim, strict=True)])
    position, weight, inertia, piece, compliance = nuts.reshape(len(tines), most, 5).transpose(2, 0, 1)
    return Rods(
        bend=bend,
        shear=shear,
        mass=mass,
        rotary=rotary,
        length=np.broadcast_to(np.asarray(length, dtype=float), (len(tines),)),
        added=added,
        translation=translation,
        rotation=rotation,
        nut_height=position,
        nut_mass=weight,
        nut_inertia=inertia,
        nut_piece=piece,
        nut_compliance=compliance,
    )


def stiffened_length(nut: Nut, bend_diameter: float) -> float:
    """How long a rigid piece a perfectly gripping nut makes of the rod inside it; 0 for a flat one."""
    lost = _LOST_BY_THIN_NUT if nut.height < _THIN_BELOW * nut.width else _LOST_BY_FULL_NUT
    return max(nut.height - lost * bend_diameter, 0.0)


def _line(tine: Tine) -> tuple[float, float, float, float]:
    """E I, k G A, mass and rotary inertia per length; shear, being stiffness, goes with the bending diameter."""
    rod, steel = tine.rod, tine.rod.material
    area, moment = math.pi / 4.0 * rod.bend_diameter**2, math.pi / 64.0 * rod.bend_diameter**4
    cowper = 6.0 * (1.0 + steel.poisson) / (7.0 + 6.0 * steel.poisson)
    mass = steel.density * math.pi / 4.0 * rod.mass_diameter**2
    rotary = steel.density * math.pi / 64.0 * rod.mass_diameter**4
    return steel.youngs * moment, cowper * steel.shear * area, mass, rotary


def _root(tine: Tine) -> tuple[float, float, float]:
    return tine.root.added_length, tine.root.translation_stiffness, tine.root.rotation_stiffness


def _nuts(
    tine: Tine, placed: Sequence[PlacedNut], most: int
) -> list[tuple[float, float, float, float, float]]:
    rows = [
        (
            each.position,
            each.nut.mass,
            each.nut.rotary_inertia,
            stiffened_length(each.nut, tine.rod.bend_diameter),
            1.0 - each.nut.grip,
        )
        for each in placed
    ]
    return rows + [(LONGEST, 0.0, 0.0, 0.0, 1.0)] * (most - len(rows))


def _lost(modes: TineModes, numbers: Array, rows: Indices) -> list[Array]:
    """The loss factors (2, N) of some tines, as many nodes together: spare ones would change last digits."""
    count = modes.exists.sum(axis=1)
    nodes = np.argmax(modes.height == modes.height[:, -1:], axis=1) + 1
    found: dict[int, Array] = {}
    for ends in sorted(set(nodes[rows].tolist())):
        own = rows[nodes[rows] == ends]
        shapes = (modes.height[own, :ends], modes.shape[own, :, :ends], modes.slope[own, :, :ends])
        total = _losses(numbers[own], modes.frequency[own], *map(np.ascontiguousarray, shapes)).total
        found |= {r: each[:, : count[r]].copy() for r, each in zip(own.tolist(), total, strict=True)}
    return [found[r] for r in rows.tolist()]


def _losing(tines: Sequence[Tine]) -> Array:
    """All numbers (R, 12) that losses hang on besides the partials."""
    rows = []
    for tine in tines:
        steel, rod, root = tine.rod.material, tine.rod, tine.root
        springs = [0.0 if math.isinf(each) else each for each in _root(tine)[1:]]
        heat = (steel.youngs, steel.expansion, steel.density, steel.heat_capacity, steel.conductivity)
        sizes = (rod.bend_diameter / 2.0, rod.diameter / 2.0)
        rows.append((*heat, steel.loss_factor, *sizes, *springs, root.loss_factor, root.loss_slope))
    return np.array(rows, dtype=float)


def _losses(numbers: Array, frequency: Array, height: Array, shape: Array, slope: Array) -> damping.Losses:
    """Loss factors (R, 2, N) by `_losing`; where a partial is absent the numbers mean nothing."""
    hertz = np.where(frequency > 0.0, frequency, 1.0)
    youngs, expansion, density, capacity, conductivity, own, bending_radius, outside, *springs, held, rise = (
        numbers.T[:, :, None, None]
    )
    strength = damping.relaxation_strength(
        youngs=youngs, expansion=expansion, density=density, heat_capacity=capacity
    )
    strain = _strain_share(springs, hertz, shape, slope)
    swept = damping.swept_length(height, shape, slope)[:, None, :]
    middle = np.sqrt(
        hertz[:, 0] * hertz[:, 1]
    )  # both planes' radiation at once: it is the smallest loss by far
    radiation = damping.air_radiation(middle, outside[:, 0, 0], height, shape, slope)
    return damping.Losses(
        material=damping.material(own, strain),
        thermoelastic=strain
        * damping.thermoelastic(
            hertz, bending_radius, strength=strength, diffusivity=conductivity / (density * capacity)
        ),
        air_drag=damping.air_drag(hertz, outside, swept),
        air_radiation=np.broadcast_to(radiation[:, None, :], hertz.shape),
        clamp=damping.clamp(held, hertz, rise),
    )


def _strain_share(springs: Sequence[Array], hertz: Array, shape: Array, slope: Array) -> Array:
    """The part (R, 2, N) of the strain energy that sits in the rod and not in springs at its root."""
    shift, turn = (each[:, 0] for each in springs)
    held = shift * shape[:, :, 0] ** 2 + turn * slope[:, :, 0] ** 2
    omega = 2.0 * math.pi * np.sqrt(hertz[:, 0] * hertz[:, 1])
    return np.asarray(np.clip(1.0 - held / omega**2, 0.0, 1.0)[:, None, :] * np.ones((1, 2, 1)))
