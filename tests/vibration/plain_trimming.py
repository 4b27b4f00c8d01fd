"""Nuts settled plainly: each state of a Newton round, and each difference, asked of the full model by itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Nut, Tine
from synth.units import CENT
from synth.vibration.rod import cubic, lowest_frequencies, solve_rods
from synth.vibration.tine import plane_ratios, rods_of
from synth.vibration.trimming.loaded_rod import EXTRA, ROUNDS, log_frequencies
from synth.vibration.trimming.settle import Start

STEP = 1e-4
REACHED = 0.02 * CENT


def settled(starts: Sequence[Start]) -> tuple[Array, Array, Array]:
    """Lengths (C,), places (C, J) and cents a metre (C, J) of starts of as many nuts and wishes."""
    tines, nuts = [start.aim.tine for start in starts], [start.nuts for start in starts]
    bare = np.array([start.aim.length for start in starts])
    pitch = np.array([np.nan if start.aim.pitch is None else start.aim.pitch for start in starts])
    fixed = np.isnan(pitch)
    wanted = np.where(fixed, np.log(bare), np.log(pitch / plane_ratios(tines)[:, 0]))
    partial = np.array([[p - 1 for p, _ in start.aim.wishes] for start in starts])
    target = np.log([[ratio for _, ratio in start.aim.wishes] for start in starts])
    ways = np.array([start.ways for start in starts]) * bare[:, None, None]
    base = np.array([start.position for start in starts])

    def logs(length: Array, position: Array) -> Array:
        return log_frequencies(tines, length, nuts, position, partials=int(partial.max()) + 1)

    def moved(x: Array) -> Array:
        return base + np.einsum("wc,cwj->cj", x[1:], ways)

    def miss(x: Array) -> Array:
        found = logs(np.exp(x[0]), moved(x))
        first = np.where(fixed, x[0], found[:, 0]) - wanted
        upper = np.take_along_axis(found, partial, axis=1)
        return np.concatenate([first[None], (upper - found[:, :1] - target).T])

    x = np.zeros((1 + target.shape[1], len(starts)))
    x[0] = np.log([start.length for start in starts])
    for _ in range(12):
        error = miss(x)
        if np.max(np.abs(error)) < 0.1 * REACHED:
            break
        slopes = np.stack([(miss(x + STEP * unit[:, None]) - error) / STEP for unit in np.eye(len(x))])
        slopes = slopes.transpose(2, 1, 0)
        usable = np.abs(np.linalg.det(slopes)) > 1e-12
        change = np.zeros_like(x.T)
        change[usable] = np.linalg.solve(slopes[usable], error.T[usable][..., None])[..., 0]
        x = x - np.clip(change.T, -0.05, 0.05)
    there = np.max(np.abs(miss(x)), axis=0) < REACHED
    length, position = np.where(there, np.exp(x[0]), np.nan), moved(x)

    def both(length: Array, position: Array) -> Array:
        found = logs(length, position)
        return np.stack([found[:, 0], np.take_along_axis(found, partial[:, :1], axis=1)[:, 0] - found[:, 0]])

    tall = np.exp(x[0])
    by_length = (both(tall * (1 + STEP), position) - both(tall * (1 - STEP), position)) / (2 * STEP)
    cents = []
    for unit in np.eye(position.shape[1]):
        step = STEP * bare[:, None] * unit
        by_nut = (both(tall, position + step) - both(tall, position - step)) / (2 * STEP * bare)
        follow = np.where(fixed, 0.0, by_nut[0] / by_length[0])
        cents.append((by_nut[1] - follow * by_length[1]) / CENT)
    return length, position, np.stack(cents, axis=1)


def picture(
    tine: Tine, length: float, nuts: Sequence[Nut], share: Array, *, pitch: float | None, partials: int
) -> tuple[Array, Array]:
    """What `quick_picture` tells of nuts that do not grip, every eigenvalue of every matrix solved each time."""
    rods = rods_of([tine], [length], [tine.trim])
    modes = solve_rods(rods, lowest_frequencies(rods)[:, 0] * ((partials + EXTRA) * math.pi / 1.875) ** 2)
    omega, scale = 2.0 * math.pi * modes.frequency[0], np.ones(len(share))
    value, turn, _ = cubic(modes.height, modes.shape, modes.slope, (share * length).reshape(1, -1))
    v, t = (each[0].T.reshape(*share.shape, -1) for each in (value, turn))
    mass = np.einsum("j,gjn,gjm->gnm", [nut.mass for nut in nuts], v, v)
    inertia = np.einsum("j,gjn,gjm->gnm", [nut.rotary_inertia for nut in nuts], t, t)

    def logs(scale: Array) -> Array:
        s = scale[:, None, None]
        loaded = (np.eye(len(omega)) + mass / s + inertia / s**3) * s**4 / np.outer(omega, omega)
        return -0.5 * np.log(np.linalg.eigvalsh(loaded)[:, ::-1]) - math.log(2.0 * math.pi)

    for _ in range(ROUNDS if pitch is not None else 0):
        first = np.exp(logs(scale)[:, 0]) * plane_ratios([tine])[0, 0]
        scale = scale * np.sqrt(first / pitch)
    return length * scale, logs(scale)[:, :partials]
