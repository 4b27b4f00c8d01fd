"""The tines as rods that stretch and twist: hardly heard themselves, but a bar that bends must carry them.

In: resolved tines, their free lengths and nuts. Out: `AxialModes`. A uniform rod held at its foot stretches and
twists at (2n - 1) c / 4 L, c = sqrt(E / rho) and sqrt(G / rho) (Rayleigh, Theory of Sound I, articles 150 and 159):
8 and 5 kHz for 150 mm of steel, 2.1 and 1.3 kHz for 600 mm. Below the first the rod hangs on the bar as
tan(kL) / (kL) times its own mass, which moves bar modes by cents; where it meets a bar mode both split.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array
from synth.design.instrument import PlacedNut, Tine
from synth.vibration.beam import rod_element
from synth.vibration.damping import clamp

HIGHEST_HZ: Final = 10_000.0  # as for the bar's own modes
ELEMENTS: Final = 24  # the mean of consistent and lumped mass leaves (kh)⁴/480: 0.2 cent on the fourth mode


@dataclass(frozen=True)
class AxialModes:
    """Stretching (0) and twisting (1) of R tines on immovable bases, Na modes each, absent ones zero.

    The first of each is always there. `momentum` is int phi dm for stretching, the angular one for twisting.
    """

    exists: NDArray[np.bool_]  # (R, 2, Na)
    frequency: Array  # (R, 2, Na) Hz
    loss_factor: Array  # (R, 2, Na)
    momentum: Array  # (R, 2, Na) kg^(1/2), kg^(1/2) m
    inertia: Array  # (R, 2) kg, kg m²: of the whole tine


def solve_axial(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    *,
    highest_hz: float = HIGHEST_HZ,
) -> AxialModes:
    """The modes up to `highest_hz`, and the first in any case. `length` (R,) as for `solve_tines`."""
    free = np.broadcast_to(np.asarray(length, dtype=float), (len(tines),))
    K, M = _matrices(tines, free, trim)
    whole = np.sum(M, axis=-1)  # what a unit motion of everything puts on each freedom
    lower = np.linalg.cholesky(M[..., 1:, 1:])
    half = np.linalg.solve(lower, K[..., 1:, 1:])
    value, vector = np.linalg.eigh(np.linalg.solve(lower, half.swapaxes(-1, -2)))
    shape = np.linalg.solve(lower.swapaxes(-1, -2), vector)
    frequency = np.sqrt(value) / (2.0 * math.pi)
    exists = frequency <= highest_hz
    exists[..., 0] = True
    kept = slice(0, int(exists.sum(axis=-1).max()))
    exists = exists[..., kept]
    steel, held, slope = np.array(
        [(t.rod.material.loss_factor, t.root.loss_factor, t.root.loss_slope) for t in tines]
    ).T[..., None, None]
    loss = steel + clamp(held, frequency[..., kept], slope)
    return AxialModes(
        exists,
        frequency[..., kept] * exists,
        loss * exists,
        np.einsum("rkd,rkdn->rkn", whole[..., 1:], shape[..., kept]) * exists,
        whole.sum(axis=-1),
    )


def _matrices(tines: Sequence[Tine], free: Array, trim: Sequence[Sequence[PlacedNut]]) -> tuple[Array, Array]:
    """Stiffness and mass (R, 2, n + 1, n + 1), the foot first."""
    added = np.array([tine.root.added_length for tine in tines])
    stiffness, inertia = np.array([_line(tine) for tine in tines]).swapaxes(0, 1)  # (R, 2) each
    k, m = rod_element(stiffness, inertia, ((free + added) / ELEMENTS)[:, None])
    K, M = np.zeros((2, len(tines), 2, ELEMENTS + 1, ELEMENTS + 1))
    for e in range(ELEMENTS):
        K[..., e : e + 2, e : e + 2] += k
        M[..., e : e + 2, e : e + 2] += m
    for r, nuts in enumerate(trim):
        for placed in nuts:
            _hang(M[r], placed, (placed.position + added[r]) / (free[r] + added[r]) * ELEMENTS)
    return K, M


def _line(tine: Tine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Stiffness (E A, G J) and inertia (rho A, rho J) per length: bending diameter stiff, mass diameter heavy."""
    steel, stiff, heavy = tine.rod.material, tine.rod.bend_diameter, tine.rod.mass_diameter
    area, polar = math.pi / 4.0, math.pi / 32.0
    return (
        (steel.youngs * area * stiff**2, steel.shear * polar * stiff**4),
        (steel.density * area * heavy**2, steel.density * polar * heavy**4),
    )


def _hang(M: Array, placed: PlacedNut, position: float) -> None:
    """Add a nut at `place` (in elements from the foot), consistent with the element's straight line.

    About the rod's axis it turns with about the inertia it has about a diameter.
    """
    node = min(max(int(position), 0), ELEMENTS - 1)
    share = np.array([1.0 - (position - node), position - node])
    own = np.array([placed.nut.mass, placed.nut.rotary_inertia])
    M[:, node : node + 2, node : node + 2] += own[:, None, None] * np.outer(share, share)
