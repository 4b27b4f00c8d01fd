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

from synth.arrays import Array
from synth.design.instrument import Nut, PlacedNut, Tine
from synth.vibration.rod import cubic, lowest_frequencies, solve_rods
from synth.vibration.tine import plane_ratios, rods_of, stiffened_length

EXTRA: Final = 6  # modes above the highest partial looked at
ROUNDS: Final = 3  # to bring a loaded tine back to pitch: each takes its error by the fourth power


def quick_picture(
    tine: Tine, length: float, nuts: Sequence[Nut], share: Array, *, pitch: float | None, partials: int
) -> tuple[Array, Array]:
    """Lengths (G,) that keep the pitch (Hz; None: the length stays), and ln f_n (G, partials) there.

    The nuts have their middles at shares (G, J) of the length.
    """
    rods = rods_of([tine], [length], [tine.trim])
    highest = lowest_frequencies(rods)[:, 0] * ((partials + EXTRA) * math.pi / 1.875) ** 2
    modes = solve_rods(rods, highest)
    height = (share * length).reshape(1, -1)
    value, turn, bend = (
        each[0].T.reshape(*share.shape, -1) for each in cubic(modes.height, modes.shape, modes.slope, height)
    )  # (G, J, N)
    mass = np.sqrt([nut.mass for nut in nuts])[:, None]
    inertia = np.sqrt([nut.rotary_inertia for nut in nuts])[:, None]
    piece = [stiffened_length(nut, tine.rod.bend_diameter) * nut.grip for nut in nuts]
    stiff = np.sqrt(rods.bend[0] * np.array(piece))[:, None]
    each = np.stack([value * mass, turn * inertia, bend * stiff])
    gram = np.einsum("lgjn,lgjm->lgnm", each, each)
    omega = 2.0 * math.pi * modes.frequency[0, modes.exists[0]]
    loads = gram[:, :, : len(omega), : len(omega)]
    scale = np.ones(len(share))
    plane = float(plane_ratios([tine])[0, 0])
    if pitch is not None:
        for _ in range(ROUNDS):
            first = np.exp(_log_hz(omega, loads, scale)[:, 0]) * plane
            scale = scale * np.sqrt(first / pitch)
    return length * scale, _log_hz(omega, loads, scale)[:, :partials]


def log_frequencies(
    tines: Sequence[Tine], length: Array, nuts: Sequence[Sequence[Nut]], position: Array, *, partials: int
) -> Array:
    """ln f_n (C, partials) of round tines by the full model, nuts (C, J) at heights (C, J) besides their own."""
    trim = [
        (*(PlacedNut(nut, 0.0) for nut in own), *tine.trim) for tine, own in zip(tines, nuts, strict=True)
    ]
    rods = rods_of(tines, length, trim)
    height = np.concatenate([position, rods.nut_height[:, position.shape[1] :]], axis=1)
    return np.asarray(np.log(lowest_frequencies(replace(rods, nut_height=height), partials)))


def _log_hz(omega: Array, loads: Array, scale: Array) -> Array:
    mass, inertia, stiff = loads
    s = scale[:, None, None]
    M = np.eye(len(omega)) + mass / s + inertia / s**3
    if stiff.any():
        back = np.linalg.inv(np.linalg.cholesky(np.diag(omega**2) / s**4 + stiff / s**5))
        flexibility = back @ M @ back.swapaxes(-1, -2)
    else:  # no nut grips
        flexibility = M * s**4 / np.multiply.outer(omega, omega)
    inverse_squares = np.linalg.eigvalsh(flexibility)[:, ::-1]
    return np.asarray(-0.5 * np.log(inverse_squares) - math.log(2.0 * math.pi))
