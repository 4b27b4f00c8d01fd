"""The bar alone: tines and bar as lines of dipoles.

In: the coupled model with its mode shapes and two ears. Out: the pressure of every mode at the ears, (C, M).

A piece dz of a rod thin against the wavelength, moving with acceleration a, is a dipole of strength
rho V' dz a, where V' is the displaced plus the carried air per length: 2 pi r^2 for a round rod, since it carries
as much air as it displaces (P. M. Morse, Vibration and Sound, low-ka cylinder). At the distance R, with e^(+jwt),

    p = rho V' dz (a . R^) (jk + 1/R) e^(-jkR) / (4 pi R).

The force on the air is (rho/rho_steel) times the rate of momentum of the steel. A free bar with its tines has no
total momentum, so the two dipoles cancel to first order: tines and bar are always summed with their true phases,
and a tine's own dipole is never reported alone. Where a rod is not thin (ka > 0.1) the exact oscillating
cylinder corrects it. The travel time to the nearer ear is left out: a stroke is heard when it is played.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.sound.radiator import AIR_DENSITY, SOUND_SPEED, Complex

SQUARE_CARRIED_AIR: Final = (
    1.513  # of pi (s/2)^2, square of side s moving square on; 2-D panel method, 1.51 in tables
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rods:
    """Pieces of rod in space: X points that stand for a length each."""

    point: Array  # (X, 3) m
    volume: Array  # (X,) displaced plus carried air, m3
    radius: Array  # (X,) of the round rod that carries as much, m


def rods(point: Array, *, length: Array, radius: Array | float) -> Rods:
    """Pieces of rod of the given `length` (X,), round or as round as `equivalent_radius` says."""
    radius = np.broadcast_to(np.asarray(radius, dtype=np.float64), length.shape)
    return Rods(point=point, volume=2.0 * math.pi * radius**2 * length, radius=radius)


def equivalent_radius(shape: str, width: float, height: float) -> float:
    """The radius a of the round rod with 2 pi a^2 = displaced + carried area, as the section moves square on.

    A square of side s gives 0.590 s. A rectangle is taken as moving across its mean side; a tube is closed.
    """
    if shape != "rectangle":
        return width / 2.0
    area = width * height
    return math.sqrt(area * (1.0 + SQUARE_CARRIED_AIR * math.pi / 4.0) / (2.0 * math.pi))


def pressures(rods: Rods, motion: Complex | Array, pole: Complex, ears: Array, *, nearest: float) -> Complex:
    """The pressure (C, M) in Pa at `ears` (C, 3) of modes that move the pieces by `motion` (X, 3, M).

    A mode is Re(motion exp(pole t)); its phase is that of the air at the time t + nearest/c.
    """
    k = np.abs(pole.imag) / SOUND_SPEED
    strength = AIR_DENSITY * rods.volume[:, None] * pole**2 * thickness(k[None, :] * rods.radius[:, None])
    return np.stack([_at(ear, rods.point, strength, motion, k, nearest) for ear in ears])


def _at(
    ear: Array, point: Array, strength: Complex, motion: Complex | Array, k: Array, nearest: float
) -> Complex:
    away = ear - point
    distance = np.linalg.norm(away, axis=1)[:, None]
    towards = np.einsum("xi,xim->xm", away / distance, motion)
    green = (1j * k + 1.0 / distance) * np.exp(-1j * k * (distance - nearest)) / (4.0 * math.pi * distance)
    return np.asarray(np.sum(strength * towards * green, axis=0), dtype=np.complex128)


def thickness(ka: Array) -> Complex:
    """The far pressure of an oscillating cylinder over its thin-rod limit: (2j / (pi (ka)^2)) / H1(2)'(ka).

    1 for a thin rod; |.| is 1.01 at ka = 0.1 and 0.69 at ka = 1. Exact for a long rod broadside.
    """
    factor = np.ones(ka.shape, dtype=np.complex128)
    thick = ka > 0.02
    if np.any(thick):
        from scipy.special import h2vp

        factor[thick] = 2j / (math.pi * ka[thick] ** 2) / -h2vp(1, ka[thick])
    return factor
