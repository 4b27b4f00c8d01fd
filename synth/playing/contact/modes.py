"""The tines as the stick feels them: a fixed number of modes each, at the height of the contact.

In: `TineModes` (partials within hearing). Out: `Tips`. The idea: the stick also feels partials above hearing, as
a give at the point of contact; where a tine has fewer partials than the contact wants, those of a slender uniform
cantilever of the same mass follow on (Rayleigh, Theory of Sound, 1894, art. 172: roots of cos x cosh x = -1).
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array
from synth.frozen import frozen
from synth.vibration.rod import cubic
from synth.vibration.tine import TineModes


@frozen(eq=False)  # itself alone: what is made of it is kept by it
class ContactModes:
    """T tines with n modes each, clamped, mass-normalised, in two principal planes. SI."""

    frequency: Array  # (T, 2, n) Hz
    decay_rate: Array  # (T, 2, n) 1/s, amplitude
    shape: Array  # (T, n) kg^(-1/2), at the contact
    slope: Array  # (T, n) kg^(-1/2)/m, likewise: how far the tine leans there
    tip_shape: Array  # (T, n), at the tip
    root_moment: Array  # (T, 2, n): bending moment at the root per modal displacement
    axis: Array  # (T,) rad from `along` to plane 0
    length: Array  # (T,) from the clamp to the tip
    mass: Array  # (T,) with its nuts
    stiffness: Array  # (T,) N/m, static, at the contact, mean of the planes

    @property
    def drop(self) -> Array:
        """c (T,) of the tip's drop c u^2 when it bends by u: 3/5 of u^2/L, closed form for a load at the tip."""
        return np.asarray(0.6 / self.length)


@functools.lru_cache(maxsize=32)
def tips_of(tines: TineModes, index: bytes, depth: float, count: int) -> ContactModes:
    """`tips` of strokes over the same tines at one height: `index` (T,) as bytes."""
    return tips(tines, np.frombuffer(index, np.int64), depth=depth, count=count)


def tips(tines: TineModes, index: NDArray[np.int64], *, depth: ArrayLike, count: int) -> ContactModes:
    """The tines `index` (T,) with `count` modes, touched `depth` (one, or (T,)) below their tips."""
    below = np.broadcast_to(np.asarray(depth, dtype=float), len(index))
    own = tines.frequency.shape[2]
    length = tines.height[index, -1] - tines.height[index, 0]
    solved = np.zeros((len(index), count), dtype=bool)
    solved[:, : min(own, count)] = tines.exists[index, :count]
    slender = Slender(length, tines.mass[index], count)
    frequency = _extended(tines.frequency[index], solved, slender.frequency_ratio)
    loss = _extended(tines.loss_factor[index], solved, np.ones(count))
    value, leaning = _touched(tines, index, below)
    at_contact = _merged(value, solved, slender.shape(below))
    lean = _merged(leaning, solved, slender.slope(below))
    at_tip = _merged(
        _touched(tines, index, np.zeros(len(index)))[0], solved, slender.shape(np.zeros(len(index)))
    )
    moment = _merged(tines.moment_participation[index], solved, slender.moment_participation)
    omega = 2.0 * math.pi * frequency
    compliance = np.sum(at_contact[:, None, :] ** 2 / omega**2, axis=2)
    return ContactModes(
        frequency=frequency,
        decay_rate=0.5 * loss * omega,
        shape=at_contact,
        slope=lean,
        tip_shape=at_tip,
        root_moment=moment[:, None, :] * omega**2,
        axis=tines.axis[index],
        length=length,
        mass=tines.mass[index],
        stiffness=1.0 / compliance.mean(axis=1),
    )


def _touched(tines: TineModes, index: NDArray[np.int64], below: Array) -> tuple[Array, Array]:
    """Shapes and their slopes (T, N), so far (T,) below the tips."""
    z = (tines.tip[index] - below)[:, None]
    value, slope, _ = cubic(tines.height[index], tines.shape[index], tines.slope[index], z)
    return value[..., 0], slope[..., 0]


@frozen
class Slender:
    """Uniform clamped-free beams: T lengths and masses, the first `count` modes."""

    length: Array
    mass: Array
    count: int

    @property
    def root(self) -> Array:
        """(n,) lambda of cos x cosh x = -1; the asymptote (2 n - 1) pi/2 is exact to 1e-7 from the fifth on."""
        first = [1.8751040687119611, 4.6940911329741746, 7.8547574382376126, 10.995540734875467]
        return np.array([*first, *((n - 0.5) * math.pi for n in range(5, self.count + 1))])[: self.count]

    @property
    def frequency_ratio(self) -> Array:
        return np.asarray(self.root**2)

    @property
    def moment_participation(self) -> Array:
        """(T, n) integral of height times shape over the mass, 2 sqrt(m) L / lambda^2."""
        return np.asarray(2.0 * np.sqrt(self.mass)[:, None] * self.length[:, None] / self.root**2)

    @property
    def momentum(self) -> Array:
        """(T, n) integral of the shape over the mass, 2 sqrt(m) sigma / lambda."""
        return np.asarray(2.0 * np.sqrt(self.mass)[:, None] * (1.0 - self._rest) / self.root)

    @property
    def _rest(self) -> Array:
        """1 - sigma, written out because sigma is 1 to many digits."""
        lam = self.root
        return np.asarray((np.exp(-lam) + np.cos(lam) + np.sin(lam)) / (np.cosh(lam) + np.cos(lam)))

    def shape(self, depth: Array) -> Array:
        """(T, n) mass-normalised, +-2/sqrt(m) at the tip, `depth` (T,) below it."""
        x = self.root * np.clip(1.0 - depth / self.length, 0.0, 1.0)[:, None]
        rest = self._rest  # cosh x - sigma sinh x would cancel where x is large
        growing = 0.5 * rest * np.exp(x) + 0.5 * (2.0 - rest) * np.exp(-x)
        value = growing - np.cos(x) + (1.0 - rest) * np.sin(x)
        return np.asarray(value / np.sqrt(self.mass)[:, None])

    def slope(self, depth: Array) -> Array:
        """(T, n) 1/m, likewise."""
        x = self.root * np.clip(1.0 - depth / self.length, 0.0, 1.0)[:, None]
        rest = self._rest
        growing = 0.5 * rest * np.exp(x) - 0.5 * (2.0 - rest) * np.exp(-x)
        value = growing + np.sin(x) + (1.0 - rest) * np.cos(x)
        return np.asarray(value * self.root / self.length[:, None] / np.sqrt(self.mass)[:, None])


def _extended(solved: Array, known: NDArray[np.bool_], ratio: Array) -> Array:
    """(T, 2, n): the known values (T, 2, N), and beyond them the last known one scaled by `ratio` (n,)."""
    last = known.sum(axis=1) - 1
    row = np.arange(len(last))
    out = solved[row, :, last][:, :, None] * (ratio / ratio[last][:, None])[:, None, :]
    width = min(solved.shape[2], known.shape[1])
    out[:, :, :width] = np.where(known[:, None, :width], solved[:, :, :width], out[:, :, :width])
    return np.asarray(out)


def _merged(solved: Array, known: NDArray[np.bool_], slender: Array) -> Array:
    """(T, n): the known values (T, N), and those of the slender beam beyond them, with the first one's sign."""
    out = slender * np.sign(solved[:, :1] * slender[:, :1])
    width = min(solved.shape[1], known.shape[1])
    out[:, :width] = np.where(known[:, :width], solved[:, :width], out[:, :width])
    return np.asarray(out)
