"""What nuts anywhere on a tine do to its partials: quickly, to look around, and by the full model, to settle.

In: a tine, its length, nuts at heights (G, J). Out: logarithms of frequencies (G, partials). The quick way takes
the bare tine's own lowest modes and loads them (Rayleigh and Ritz), with a change of length as a change of scale:

    M = 1 + sum over nuts (m phi phi' / s + J phi_z phi_z' / s^3)
    K = Omega^2 / s^4 + sum over nuts h grip E I phi_zz phi_zz' / s^5

where s is the length over the bare one, and h the piece that a gripping nut stiffens.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.design.instrument import Nut, PlacedNut, Tine
from synth.remembered import MIB, Remembered
from synth.vibration.rod import RodModes, Rods, cubic, lowest_frequencies, solve_each
from synth.vibration.tine import plane_ratios, rods_of, stiffened_length

EXTRA: Final = 6  # modes above the highest partial looked at
ROUNDS: Final = 3  # to bring a loaded tine back to pitch: each takes its error by the fourth power
_BARE: Final[Remembered[RodModes]] = Remembered(MIB)  # of tines that are looked at
_PULLS: Final = 12  # of a power iteration; a handful are usual, since partials stand far apart
_STILL: Final = 1e-14  # relative: an eigenvalue that moves by less has arrived


def quick_picture(
    tine: Tine, length: float, nuts: Sequence[Nut], share: Array, *, pitch: float | None, partials: int
) -> tuple[Array, Array]:
    """Lengths (G,) that keep the pitch (Hz; None: the length stays), and ln f_n (G, partials) there.

    The nuts have their middles at shares (G, J) of the length.
    """
    rods = rods_of([tine], [length], [tine.trim])
    modes = _bare(rods, partials)
    height = (share * length).reshape(1, -1)
    value, turn, bend = (
        each[0].T.reshape(*share.shape, -1)
        for each in cubic(modes.height[None], modes.shape[None], modes.slope[None], height)
    )  # (G, J, N)
    mass = np.sqrt([nut.mass for nut in nuts])[:, None]
    inertia = np.sqrt([nut.rotary_inertia for nut in nuts])[:, None]
    piece = [stiffened_length(nut, tine.rod.bend_diameter) * nut.grip for nut in nuts]
    stiff = np.sqrt(rods.bend[0] * np.array(piece))[:, None]
    each = np.stack([value * mass, turn * inertia, bend * stiff])
    loads = each.swapaxes(-1, -2) @ each  # (3, G, N, N)
    omega, scale = 2.0 * math.pi * modes.frequency, np.ones(len(share))
    if pitch is not None:
        scale = _at_pitch(omega, loads, pitch / float(plane_ratios([tine])[0, 0]))
    return length * scale, _log_hz(omega, loads, scale)[:, :partials]


def log_frequencies(
    tines: Sequence[Tine], length: Array, nuts: Sequence[Sequence[Nut]], position: Array, *, partials: int
) -> Array:
    """ln f_n (C, partials) of round tines by the full model, nuts (C, J) at heights (C, J) besides their own."""
    return log_frequencies_at(with_nuts(tines, nuts), length, position, partials=partials)


def with_nuts(tines: Sequence[Tine], nuts: Sequence[Sequence[Nut]]) -> Rods:
    """The tines (C,) as rods with these nuts (C, J) before their own; of which length and where is not told yet."""
    trim = [
        (*(PlacedNut(nut, 0.0) for nut in own), *tine.trim) for tine, own in zip(tines, nuts, strict=True)
    ]
    return rods_of(tines, 1.0, trim)


def log_frequencies_at(rods: Rods, length: Array, position: Array, *, partials: int) -> Array:
    """The same of rods (C,) `with_nuts`, of these lengths (C,), their first nuts at heights (C, J)."""
    height = np.concatenate([position, rods.nut_height[:, position.shape[1] :]], axis=1)
    return np.asarray(np.log(lowest_frequencies(replace(rods, length=length, nut_height=height), partials)))


def _bare(rods: Rods, partials: int) -> RodModes:
    """The modes of one rod by itself, as many as it takes to tell `partials` of it loaded."""

    def solve(_: Indices) -> list[RodModes]:
        highest = lowest_frequencies(rods)[:, 0] * ((partials + EXTRA) * math.pi / 1.875) ** 2
        return solve_each(rods, highest)

    return _BARE.each(rods.keys(np.array([float(partials)])), solve)[0]


def _at_pitch(omega: Array, loads: Array, hertz: float) -> Array:
    """The scales (G,) that bring loaded rods back to a pitch, all but, from the bare length."""
    scale, swing = np.ones(loads.shape[1]), np.broadcast_to(np.eye(len(omega))[:, :1], (*loads.shape[1:3], 1))
    for _ in range(ROUNDS):
        square, swing = _greatest(_flexibility(omega, loads, scale), swing)
        scale = scale * np.sqrt(np.exp(_log_of(square)) / hertz)
    return scale


def _greatest(matrix: Array, vector: Array) -> tuple[Array, Array]:
    """The greatest eigenvalue (G,) of symmetric positive matrices (G, N, N) and its vector, from one near to it."""
    value = np.zeros(len(matrix))
    for _ in range(_PULLS):
        vector = vector / np.sqrt(np.sum(vector**2, axis=1, keepdims=True))
        pulled = matrix @ vector
        before, value = value, np.sum(vector * pulled, axis=(1, 2))
        vector = pulled
        if np.all(np.abs(value - before) <= _STILL * value):
            return value, vector
    return np.asarray(np.linalg.eigvalsh(matrix)[:, -1]), vector


def _log_hz(omega: Array, loads: Array, scale: Array) -> Array:
    return _log_of(np.asarray(np.linalg.eigvalsh(_flexibility(omega, loads, scale))[:, ::-1]))


def _log_of(inverse_squares: Array) -> Array:
    """ln Hz of 1 / omega²."""
    return np.asarray(-0.5 * np.log(inverse_squares) - math.log(2.0 * math.pi))


def _flexibility(omega: Array, loads: Array, scale: Array) -> Array:
    """Matrices (G, N, N) whose eigenvalues are 1 / omega² of the loaded rods."""
    mass, inertia, stiff = loads
    s = scale[:, None, None]
    M = np.eye(len(omega)) + mass / s + inertia / s**3
    if not stiff.any():  # no nut grips
        return np.asarray(M * s**4 / np.multiply.outer(omega, omega))
    back = np.linalg.inv(np.linalg.cholesky(np.diag(omega**2) / s**4 + stiff / s**5))
    return np.asarray(back @ M @ back.swapaxes(-1, -2))
