"""The tines as rods that stretch: slow to sound, but they decide how heavily a tine hangs on a bar that bends.

In: resolved tines, their free lengths and nuts. Out: `AxialModes`. A uniform rod held at its foot rings along its
length at (2n - 1) c / 4 L, c = sqrt(EA / m) (Rayleigh, Theory of Sound I, article 150): 8 kHz for 150 mm of steel,
and 2 kHz for 600 mm. Below that it pulls on the bar as a mass tan(kL) / (kL) times its own, which shifts bar modes
by cents, so a bar that moves up and down must know of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.design.instrument import PlacedNut, Tine
from synth.vibration.beam import rod_element
from synth.vibration.section import Array

HIGHEST_HZ: Final = 18_000.0  # as for the bending partials
ELEMENTS: Final = 24  # the mean of consistent and lumped mass leaves (kh)⁴/480: 0.2 cent on the fourth mode


@dataclass(frozen=True)
class AxialModes:
    """Stretching modes of R tines on immovable bases, Na each (absent ones zero; the first is always there)."""

    exists: NDArray[np.bool_]  # (R, Na)
    frequency: Array  # (R, Na) Hz
    loss_factor: Array  # (R, Na)
    momentum: Array  # (R, Na) int phi dm, kg^(1/2)


def solve_axial(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    *,
    highest_hz: float = HIGHEST_HZ,
) -> AxialModes:
    """The stretching modes up to `highest_hz`, and the first in any case. `length` (R,) as for `solve_tines`."""
    free = np.broadcast_to(np.asarray(length, dtype=float), (len(tines),))
    K, M = _matrices(tines, free, trim)
    whole = np.sum(M, axis=-1)[:, 1:]  # what a unit motion of everything puts on each freedom
    lower = np.linalg.cholesky(M[:, 1:, 1:])
    half = np.linalg.solve(lower, K[:, 1:, 1:])
    value, vector = np.linalg.eigh(np.linalg.solve(lower, half.swapaxes(-1, -2)))
    shape = np.linalg.solve(lower.swapaxes(-1, -2), vector)
    frequency = np.sqrt(value) / (2.0 * math.pi)
    exists = frequency <= highest_hz
    exists[:, 0] = True
    kept = slice(0, int(exists.sum(axis=1).max()))
    exists = exists[:, kept]
    loss = np.array([tine.rod.material.loss_factor + tine.root.loss_factor for tine in tines])
    return AxialModes(
        exists,
        frequency[:, kept] * exists,
        loss[:, None] * exists,
        np.einsum("rd,rdn->rn", whole, shape[:, :, kept]) * exists,
    )


def _matrices(tines: Sequence[Tine], free: Array, trim: Sequence[Sequence[PlacedNut]]) -> tuple[Array, Array]:
    """Stiffness and mass (R, n + 1, n + 1), the foot first."""
    quarter = math.pi / 4.0
    stretch = np.array([t.rod.material.youngs * quarter * t.rod.bend_diameter**2 for t in tines])
    mass = np.array([t.rod.material.density * quarter * t.rod.mass_diameter**2 for t in tines])
    added = np.array([tine.root.added_length for tine in tines])
    k, m = rod_element(stretch, mass, (free + added) / ELEMENTS)
    K, M = np.zeros((2, len(tines), ELEMENTS + 1, ELEMENTS + 1))
    for e in range(ELEMENTS):
        K[:, e : e + 2, e : e + 2] += k
        M[:, e : e + 2, e : e + 2] += m
    for r, nuts in enumerate(trim):
        for placed in nuts:
            _hang(M[r], placed.nut.mass, (placed.position + added[r]) / (free[r] + added[r]) * ELEMENTS)
    return K, M


def _hang(M: Array, mass: float, place: float) -> None:
    """Add a nut at `place` (in elements from the foot): consistent with the element's straight line."""
    node = min(max(int(place), 0), ELEMENTS - 1)
    share = np.array([1.0 - (place - node), place - node])
    M[node : node + 2, node : node + 2] += mass * np.outer(share, share)
