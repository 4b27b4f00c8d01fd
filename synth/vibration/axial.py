"""The tines as rods that stretch and twist: hardly heard themselves, but a bar that bends must carry them.

In: resolved tines, their free lengths and nuts. Out: `AxialModes`. A uniform rod held at its foot stretches and
twists at (2n - 1) c / 4 L, c = sqrt(E / rho) and sqrt(G / rho) (Rayleigh, Theory of Sound I, articles 150 and 159):
8 and 5 kHz for 150 mm of steel, 2.1 and 1.3 kHz for 600 mm. Below the first the rod hangs on the bar as
tan(kL) / (kL) times its own mass, which moves bar modes by cents; where it meets a bar mode both split.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array
from synth.design.instrument import PlacedNut, Tine
from synth.frozen import frozen
from synth.remembered import MIB, Remembered
from synth.vibration.beam import rod_element
from synth.vibration.damping import clamp

HIGHEST_HZ: Final = 10_000.0  # as for the bar's own modes
ELEMENTS: Final = 24  # the mean of consistent and lumped mass leaves (kh)⁴/480: 0.2 cent on the fourth mode


@frozen
class AxialModes:
    """Stretching (0) and twisting (1) of R tines on immovable bases, Na modes each, absent ones zero.

    The first of each is always there. `momentum` is int phi dm for stretching, the angular one for twisting.
    """

    exists: NDArray[np.bool_]  # (R, 2, Na)
    frequency: Array  # (R, 2, Na) Hz
    loss_factor: Array  # (R, 2, Na)
    momentum: Array  # (R, 2, Na) kg^(1/2), kg^(1/2) m
    inertia: Array  # (R, 2) kg, kg m²: of the whole tine


_AXIAL: Final[Remembered[AxialModes]] = Remembered(4 * MIB)


def solve_axial(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    *,
    highest_hz: float = HIGHEST_HZ,
) -> AxialModes:
    """The modes up to `highest_hz`, and the first in any case. `length` (R,) as for `solve_tines`."""
    free = np.broadcast_to(np.asarray(length, dtype=float), (len(tines),))
    numbers = np.array([_numbers(tine, long) for tine, long in zip(tines, free.tolist(), strict=True)])
    nuts = [_hung(tine, long, placed) for tine, long, placed in zip(tines, free.tolist(), trim, strict=True)]
    keys = [own.tobytes() + hung.tobytes() for own, hung in zip(numbers, nuts, strict=True)]
    whole = _together(
        _AXIAL.each(keys, lambda rows: _solved(numbers[rows], [nuts[r] for r in rows.tolist()]))
    )
    exists = whole.frequency <= highest_hz
    exists[..., 0] = True
    kept = slice(0, int(exists.sum(axis=-1).max()))
    exists = exists[..., kept]
    return AxialModes(
        exists,
        whole.frequency[..., kept] * exists,
        whole.loss_factor[..., kept] * exists,
        whole.momentum[..., kept] * exists,
        whole.inertia,
    )


def _solved(numbers: Array, nuts: Sequence[Array]) -> list[AxialModes]:
    """All modes (2, ELEMENTS) of each of some tines."""
    K, M = _matrices(numbers, nuts)
    whole = np.sum(M, axis=-1)  # what a unit motion of everything puts on each freedom
    lower = np.linalg.cholesky(M[..., 1:, 1:])
    half = np.linalg.solve(lower, K[..., 1:, 1:])
    value, vector = np.linalg.eigh(np.linalg.solve(lower, half.swapaxes(-1, -2)))
    shape = np.linalg.solve(lower.swapaxes(-1, -2), vector)
    frequency = np.sqrt(value) / (2.0 * math.pi)
    steel, held, slope = numbers.T[5:, :, None, None]
    loss = steel + clamp(held, frequency, slope)
    momentum = (whole[..., None, 1:] @ shape)[..., 0, :]
    exists = np.ones(frequency.shape, dtype=bool)
    every = zip(exists, frequency, loss, momentum, whole.sum(axis=-1), strict=True)
    return [AxialModes(*(each.copy() for each in one)) for one in every]


def _together(ones: Sequence[AxialModes]) -> AxialModes:
    return AxialModes(*(np.stack([getattr(one, each.name) for one in ones]) for each in fields(AxialModes)))


def _matrices(numbers: Array, nuts: Sequence[Array]) -> tuple[Array, Array]:
    """Stiffness and mass (R, 2, n + 1, n + 1), the foot first."""
    k, m = rod_element(numbers[:, 1:3], numbers[:, 3:5], (numbers[:, 0] / ELEMENTS)[:, None])
    K, M = np.zeros((2, len(numbers), 2, ELEMENTS + 1, ELEMENTS + 1))
    for e in range(ELEMENTS):
        K[..., e : e + 2, e : e + 2] += k
        M[..., e : e + 2, e : e + 2] += m
    for r, hung in enumerate(nuts):
        for position, *own in hung.tolist():
            _hang(M[r], np.array(own), position)
    return K, M


def _numbers(tine: Tine, free: float) -> tuple[float, ...]:
    """All that the modes hang on but nuts: the whole length, what `_line` gives, and losses."""
    root, stiffness, inertia = tine.root, *_line(tine)
    loss = (tine.rod.material.loss_factor, root.loss_factor, root.loss_slope)
    return (free + root.added_length, *stiffness, *inertia, *loss)


def _hung(tine: Tine, free: float, trim: Sequence[PlacedNut]) -> Array:
    """Of each nut (J, 3): where it is, in elements from the foot, its mass and its rotary inertia."""
    added = tine.root.added_length
    rows = [
        ((each.position + added) / (free + added) * ELEMENTS, each.nut.mass, each.nut.rotary_inertia)
        for each in trim
    ]
    return np.array(rows, dtype=float).reshape(len(rows), 3)


def _line(tine: Tine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Stiffness (E A, G J) and inertia (rho A, rho J) per length: bending diameter stiff, mass diameter heavy."""
    steel, stiff, heavy = tine.rod.material, tine.rod.bend_diameter, tine.rod.mass_diameter
    area, polar = math.pi / 4.0, math.pi / 32.0
    return (
        (steel.youngs * area * stiff**2, steel.shear * polar * stiff**4),
        (steel.density * area * heavy**2, steel.density * polar * heavy**4),
    )


def _hang(M: Array, own: Array, position: float) -> None:
    """Add a nut of `own` mass and inertia at a `position`, consistent with the element's straight line.

    About the rod's axis it turns with about the inertia it has about a diameter.
    """
    node = min(max(int(position), 0), ELEMENTS - 1)
    share = np.array([1.0 - (position - node), position - node])
    M[:, node : node + 2, node : node + 2] += own[:, None, None] * np.outer(share, share)
