"""The tines' own partials: each tine on an immovable base, its frequencies, dampings and shapes.

In: resolved tines, their free lengths and their nuts. Out: `TineModes`, one frozen set of arrays for them all.
A tine is a Timoshenko rod (`synth.vibration.rod`) from the clamp point, `added_length` below the base nut's upper
face, to its tip. Threaded rod is stiff as its bending diameter and heavy as its mass diameter; shear by G. R.
Cowper, J. Appl. Mech. 33 (1966) 335: k = 6 (1 + nu) / (7 + 6 nu) for the circle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array
from synth.design.instrument import Nut, PlacedNut, Tine
from synth.vibration import damping
from synth.vibration.rod import Rods, cubic, solve_rods

HIGHEST: Final = 18_000.0  # Hz, about where hearing ends
SHORTEST: Final = 20e-3  # m: below, the clamp and the nut are the tine
LONGEST: Final = 600e-3  # m: above, it whips
PLANES: Final = ("along", "across")

# What a nut's ends do not stiffen, in bending diameters: tines bonded into collars, by finite elements. A thin nut
# (ISO 4035) is told from a full one (ISO 4032) by its height: 0.30 to 0.34 of its width against 0.40 to 0.59.
_LOST_BY_FULL_NUT: Final = 0.42
_LOST_BY_THIN_NUT: Final = 0.36
_THIN_BELOW: Final = 0.37


@dataclass(frozen=True)
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
    modes = lossless_tines(tines, length, trim, highest_hz)
    losses = _losses(tines, modes.frequency, modes.height, modes.shape, modes.slope)
    return replace(modes, loss_factor=losses.total * modes.exists[:, None, :])


def lossless_tines(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    highest_hz: ArrayLike = HIGHEST,
) -> TineModes:
    """The same without losses, for searches that ask for frequencies alone; `highest_hz` of all or of each (R,)."""
    rods = rods_of(tines, length, trim)
    _, first, same = np.unique(rods.table(), axis=0, return_index=True, return_inverse=True)
    modes = solve_rods(rods.take(first), np.broadcast_to(highest_hz, len(tines))[first])
    same = same.reshape(-1)
    frequency = modes.frequency[same, None, :] * plane_ratios(tines)[:, :, None]
    return TineModes(
        exists=modes.exists[same],
        frequency=frequency,
        loss_factor=np.zeros_like(frequency),
        axis=np.array([tine.split_axis for tine in tines]),
        height=modes.height[same],
        shape=modes.shape[same],
        slope=modes.slope[same],
        momentum=modes.momentum[same],
        moment_participation=modes.moment_participation[same],
        mass=modes.mass[same],
        first_moment=modes.first_moment[same],
        second_moment=modes.second_moment[same],
    )


def loss_shares(tines: Sequence[Tine], modes: TineModes) -> dict[str, Array]:
    """What part of each partial's loss (R, 2, N) is due to which mechanism; absent partials are 0."""
    shares = _losses(tines, modes.frequency, modes.height, modes.shape, modes.slope).shares()
    return {name: share * modes.exists[:, None, :] for name, share in shares.items()}


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
    return rows + [(0.0, 0.0, 0.0, 0.0, 1.0)] * (most - len(rows))


def _losses(
    tines: Sequence[Tine], frequency: Array, height: Array, shape: Array, slope: Array
) -> damping.Losses:
    """Loss factors (R, 2, N); where a partial is absent the numbers mean nothing."""
    hertz = np.where(frequency > 0.0, frequency, 1.0)
    steels = [tine.rod.material for tine in tines]
    youngs, expansion, density, capacity, conductivity, own = (
        _column(values)
        for values in zip(
            *(
                (s.youngs, s.expansion, s.density, s.heat_capacity, s.conductivity, s.loss_factor)
                for s in steels
            ),
            strict=True,
        )
    )
    strength = damping.relaxation_strength(
        youngs=youngs, expansion=expansion, density=density, heat_capacity=capacity
    )
    bending_radius = _column([tine.rod.bend_diameter / 2.0 for tine in tines])
    outside = _column([tine.rod.diameter / 2.0 for tine in tines])
    strain = _strain_share(tines, hertz, shape, slope)
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
        clamp=damping.clamp(
            _column([tine.root.loss_factor for tine in tines]),
            hertz,
            _column([tine.root.loss_slope for tine in tines]),
        ),
    )


def _strain_share(tines: Sequence[Tine], hertz: Array, shape: Array, slope: Array) -> Array:
    """The part (R, 2, N) of the strain energy that sits in the rod and not in springs at its root."""
    springs = np.array([_root(tine)[1:] for tine in tines])
    springs = np.where(np.isinf(springs), 0.0, springs)
    held = springs[:, :1] * shape[:, :, 0] ** 2 + springs[:, 1:] * slope[:, :, 0] ** 2
    omega = 2.0 * math.pi * np.sqrt(hertz[:, 0] * hertz[:, 1])
    return np.asarray(np.clip(1.0 - held / omega**2, 0.0, 1.0)[:, None, :] * np.ones((1, 2, 1)))


def _column(values: Sequence[float]) -> Array:
    return np.array(values, dtype=float)[:, None, None]
