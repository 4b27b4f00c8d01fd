"""Damping of a slender round rod, one small function a mechanism; it knows no instrument.

In: frequencies (Hz) and the rod as numbers, SI. Out: loss factors, the part of the energy lost in a radian of
vibration. The one idea: losses are small and independent, so their loss factors add, and a partial falls by
60 dB in ln(10⁶) / (2 pi f eta) = 2.199 / (f eta).

Section numbers of the books and papers are from memory; what they say is checked in the tests, against the flow,
the heat equation and closed forms.

Mode shapes are mass-normalised (1/sqrt(kg)), so a mode's kinetic energy at speed amplitude v is v² / 2.
"""

from __future__ import annotations

import functools
import math
from dataclasses import fields
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from synth.air import AIR_DENSITY, AIR_VISCOSITY, SOUND_SPEED
from synth.angles import cos_sin
from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.units import FALL

ROOM: Final = 293.15  # K
CLAMP_FLAT_TO: Final = 1000.0  # Hz; a power law needs a place to start, and all measurements agree up to it
UNCLAIMED: Final = 5000.0  # Hz: no clamped tine's decay above it is on record
_ANGLES: Final = 12  # Gauss points over half the directions: exact enough to k L = 18, a mean beyond


@frozen
class Losses:
    """Loss factors by mechanism, all of one shape. `clamp` is usually the largest and the least certain."""

    material: Array
    thermoelastic: Array
    air_drag: Array
    air_radiation: Array
    clamp: Array

    @property
    def total(self) -> Array:
        return np.asarray(sum(getattr(self, each.name) for each in fields(self)))

    def shares(self) -> dict[str, Array]:
        """Each mechanism's part of the whole, 0 to 1; 0 where nothing is lost at all."""
        whole = np.where(self.total > 0.0, self.total, 1.0)
        return {each.name: getattr(self, each.name) / whole for each in fields(self)}


def decay_time(frequency: ArrayLike, loss_factor: ArrayLike) -> Array:
    """Seconds until a partial has fallen by 60 dB; infinite where nothing is lost."""
    rate = math.pi * np.asarray(frequency, dtype=float) * np.asarray(loss_factor, dtype=float)
    with np.errstate(divide="ignore"):
        return np.asarray(FALL / rate)


def material(loss_factor: ArrayLike, strain_share: ArrayLike) -> Array:
    """The metal's own loss, flat in frequency, on the share of the strain energy that the rod holds.

    Flat as tabulated by Cremer & Heckl, Structure-Borne Sound, table of loss factors.
    """
    return np.asarray(np.asarray(loss_factor, dtype=float) * strain_share)


def clamp(loss_factor: ArrayLike, frequency: ArrayLike, slope: ArrayLike = 0.0) -> Array:
    """Micro-slip under and inside the base nut: flat to 1 kHz, then as frequency to the power of `slope`.

    No first-principles number exists. Plucked clamped lamellae measured 1.1e-3 to 1.9e-3, flat within the
    scatter from 369 to 3400 Hz; 3e-4 to 2e-3 is the range to expect. Flat throughout is the default; a slope is for
    trying what a rise would do, and nothing is claimed above `UNCLAIMED`.
    """
    above = np.maximum(np.asarray(frequency, dtype=float) / CLAMP_FLAT_TO, 1.0)
    return np.asarray(np.asarray(loss_factor) * above ** np.asarray(slope))


def relaxation_strength(
    *,
    youngs: ArrayLike,
    expansion: ArrayLike,
    density: ArrayLike,
    heat_capacity: ArrayLike,
    temperature: float = ROOM,
) -> Array:
    """Delta = E alpha² T / (rho c_p), the adiabatic modulus over the isothermal one less 1 (Zener 1937)."""
    alpha = np.asarray(expansion, dtype=float)
    return np.asarray(np.asarray(youngs) * alpha**2 * temperature / (np.asarray(density) * heat_capacity))


def thermoelastic(
    frequency: ArrayLike, radius: ArrayLike, *, strength: ArrayLike, diffusivity: ArrayLike
) -> Array:
    """Heat flowing across a bent round rod from its warm side to its cool side: exact.

    eta = Delta |Im 4 J2(z) / (z² J1'(z))|, z = (1 - i) a sqrt(omega / 2 chi): the heat equation with a source
    that grows as cos(theta) from the axis and no heat through the surface. C. Zener, Physical Review 53 (1938)
    90, gives the series that this sums. `diffusivity` chi = k / (rho c_p), m²/s.
    """
    omega = 2.0 * math.pi * np.asarray(frequency, dtype=float)
    w = (1.0 + 1.0j) * np.asarray(radius) * np.sqrt(omega / (2.0 * np.asarray(diffusivity)))  # i z
    second = _second_over_zeroth(w)  # J2(z) = -I2(w), J1'(z) = (I0(w) + I2(w)) / 2
    return np.asarray(strength * np.abs(np.imag(8.0 * second / (w**2 * (1.0 + second)))))


def air_drag(frequency: ArrayLike, radius: ArrayLike, swept: ArrayLike) -> Array:
    """The viscous drag of the air round a cylinder that swings across it (G. G. Stokes 1851).

    Gamma = 1 + 4 K1(z) / (z K0(z)), z = a sqrt(i omega / nu) (J. T. Stuart 1963, in Rosenhead, Laminar Boundary
    Layers, chapter VII), is the air moved along, in units of the displaced air; its imaginary part is drag.
    `swept` is the integral of phi² over the rod's length (1/(kg/m)): 1 / (mass per length) for a bare rod.
    """
    omega = 2.0 * math.pi * np.asarray(frequency, dtype=float)
    z = np.asarray(radius) * np.sqrt(1.0j * omega / AIR_VISCOSITY)
    moved = 1.0 + 4.0 * _first_over_zeroth(z) / z
    displaced = AIR_DENSITY * math.pi * np.asarray(radius) ** 2 * np.asarray(swept)
    return np.asarray(-displaced * moved.imag / (1.0 + displaced * moved.real))


def _second_over_zeroth(w: Complex) -> Complex:
    """I2(w)/I0(w), to rounding where Re w >= |Im w|.

    I_n/I_(n-1) = 1/(2 n/w + I_(n+1)/I_n) downwards (DLMF 10.33.1). By hand, as the next: to import scipy.special
    takes a seventh of the first `check` of a design.
    """
    terms = math.ceil(7.0 * math.sqrt(float(np.max(np.abs(w), initial=0.0)))) + 10
    ratio = np.zeros_like(w)
    for n in range(terms, 2, -1):
        ratio = 1.0 / (2.0 * n / w + ratio)
    second = 1.0 / (4.0 / w + ratio)
    return np.asarray(second / (2.0 / w + second))


def _first_over_zeroth(z: Complex) -> Complex:
    """K1(z)/K0(z), to 1e-12 where Re z >= |Im z|: N. M. Temme's fraction, J. Comp. Phys. 19 (1975) 324."""
    terms = math.ceil(30.0 / float(np.min(np.abs(z), initial=30.0))) + 10
    rest = np.zeros_like(z)
    for n in range(terms, 0, -1):
        rest = -((n - 0.5) ** 2) / (2.0 * (z + n) + rest)
    return np.asarray((z + 0.5 + rest) / z)


def air_radiation(frequency: Array, radius: ArrayLike, height: Array, shape: Array, slope: Array) -> Array:
    """The sound a thin swinging rod sends out, as a line of dipoles in free air.

    frequency (..., N), radius (...), height (..., K), shape and slope (..., N, K). A slice of length dz pushes
    the air with i omega rho 2 pi a² v dz (its own volume and as much again moved along); summed in the direction
    mu = cos(angle to the rod) with its phase (Morse & Ingard, Theoretical Acoustics, section 7.1), and over mu:

        eta = (pi/4) rho a⁴ k³ int_-1^1 |int phi exp(-i k mu z) dz|² (1 - mu²) dmu

    The plus and minus of higher partials cancel, so this lies far below a rigid cylinder's loss.
    """
    k = 2.0 * math.pi * np.asarray(frequency) / SOUND_SPEED
    area, bend = _trapezoid(height)
    plain = area[..., None, :] * shape + bend[..., None, :] * slope
    tilted = bend[..., None, :] * shape
    sent = np.zeros_like(k)
    for mu, weight in zip(*_half_directions(), strict=True):
        turn = k * mu
        phase = turn[..., None] * height[..., None, :]
        cos, sin = cos_sin(phase)
        leaning = turn[..., None] * tilted
        real = np.sum(plain * cos - leaning * sin, axis=-1)
        imaginary = np.sum(plain * sin + leaning * cos, axis=-1)
        sent += 2.0 * weight * (1.0 - mu**2) * (real**2 + imaginary**2)
    return np.asarray(math.pi / 4.0 * AIR_DENSITY * np.asarray(radius)[..., None] ** 4 * k**3 * sent)


def swept_length(height: Array, shape: Array, slope: Array) -> Array:
    """The integral of phi² over the length (..., N), exact for the cubics between the nodes (..., K)."""
    h = np.diff(height)[..., None, :]
    a, b = shape[..., :-1], shape[..., 1:]
    c, d = h * slope[..., :-1], h * slope[..., 1:]
    square = 156.0 * (a**2 + b**2) + 108.0 * a * b + 4.0 * (c**2 + d**2) - 6.0 * c * d
    cross = 44.0 * (a * c - b * d) + 26.0 * (b * c - a * d)
    return np.asarray(np.sum(h * (square + cross), axis=-1) / 420.0)


@functools.cache
def _half_directions() -> tuple[Array, Array]:
    mu, weight = np.polynomial.legendre.leggauss(_ANGLES)
    return (mu + 1.0) / 2.0, weight / 2.0


def _trapezoid(height: Array) -> tuple[Array, Array]:
    """Weights of the values and of the slopes at the nodes: the trapezoid rule with its end correction."""
    h = np.diff(height)
    area, bend = np.zeros_like(height), np.zeros_like(height)
    area[..., :-1] += h / 2.0
    area[..., 1:] += h / 2.0
    bend[..., :-1] += h**2 / 12.0
    bend[..., 1:] -= h**2 / 12.0
    return area, bend
