"""The force of a contact as a few increments of the tine's ringing state.

In: the impulses of one contact in even bins of time. Out: increments, at most `MOST` of them. The idea: a steady
force F only moves the place of rest (mode n to F phi_n/w_n^2), and a tine that swings about a moved place of rest
rings as one that swings about the old. So the contact is cut into slices; the mean force of each is a step of
steady force, which shows as a jump the other way, and only what departs from the mean is left to ring on:

    a(t_j) += response(F - mean of slice j) - (mean of slice j+1 - mean of slice j) phi/w^2

After the last slice the state is exactly that of the bins. Slices are narrow where the force changes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from synth.playing.sweep import rotation

Array = NDArray[np.float64]

MOST: Final = 16  # increments per contact: each costs a projection on all modes of the instrument
FEWEST: Final = 4
SLICE: Final = 1.5e-3  # s, usual length
SMOOTH: Final = 100e-6  # s, over which changes of force are told from chatter


@dataclass(frozen=True)
class Increments:
    """S increments of one tine: its two principal planes, N partials."""

    time: Array  # (S,) s
    displacement: Array  # (S, 2, N)
    velocity: Array  # (S, 2, N)
    force: Array  # (S, 2) N, steps of the steady force in the planes; they add up to nothing


def increments(
    impulse: Array, moment: Array, *, start: float, width: float, omega: Array, decay: Array, shape: Array
) -> Increments:
    """The slices of a contact, modes (2, N), shape (N,).

    `impulse` (B, 2) N s in bins of `width` s from `start`, `moment` (B, 2) the impulses times their distance from the
    bins' middles.
    """
    cut = cuts(impulse, width)
    length = np.diff(cut)
    mean = np.add.reduceat(impulse, cut[:-1], axis=0) / (length * width)[:, None]
    rest = impulse - np.repeat(mean, length, axis=0) * width
    moved = ring(rest, moment, cut, omega, decay, shape, width)
    step = np.diff(mean, axis=0, prepend=0.0, append=0.0)
    displacement = -step[:, :, None] * shape / omega**2
    displacement[1:] += moved[0]
    velocity = np.zeros_like(displacement)
    velocity[1:] = moved[1]
    return Increments(np.asarray(start + cut * width), displacement, velocity, step)


def cuts(impulse: Array, width: float) -> NDArray[np.int64]:
    """Bin edges (K+1,) of the slices: half of their number shared out by time, half by change of force."""
    count = len(impulse)
    smooth = max(1, round(SMOOTH / width))
    force = np.hypot(
        *np.array([np.convolve(plane, np.ones(smooth), "same") for plane in impulse.T])[:, :count]
    )
    change = np.abs(np.diff(force, prepend=0.0))
    busy = np.arange(1, count + 1) / count + np.cumsum(change) / max(float(change.sum()), 1e-300)
    slices = int(np.clip(math.ceil(count * width / SLICE) + FEWEST, FEWEST, MOST - 1))
    inner = np.searchsorted(busy, np.linspace(0.0, 2.0, slices + 1)[1:-1]) + 1
    return np.unique(np.concatenate([[0], np.minimum(inner, count), [count]]))


def ring(
    impulse: Array,
    moment: Array,
    cut: NDArray[np.int64],
    omega: Array,
    decay: Array,
    shape: Array,
    width: float,
) -> tuple[Array, Array]:
    """What the impulses of each slice leave at its end: modal displacement and velocity, (K, 2, N) each."""
    whole, half = rotation(omega, decay, width), rotation(omega, decay, 0.5 * width)
    q, p = np.zeros((2, len(cut) - 1, *omega.shape))
    _ring(impulse, moment, cut, *np.moveaxis(whole, -2, 0), shape, q, p)
    turn = np.moveaxis(half, -2, 0)
    return turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p


@njit(cache=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})
def _ring(
    impulse: Any, moment: Any, cut: Any, c0: Any, c1: Any, c2: Any, c3: Any, shape: Any, q: Any, p: Any
) -> None:
    """From rest to the middle of the last bin of every slice: a bin's turn, then its impulse.

    An impulse P a moment t later than the middle is, seen from the middle, P and a displacement of -P t.
    """
    for s in range(q.shape[0]):
        for i in range(cut[s], cut[s + 1]):
            for plane in range(2):
                push = impulse[i, plane]
                shift = moment[i, plane]
                for k in range(shape.shape[0]):
                    a = q[s, plane, k]
                    b = p[s, plane, k]
                    q[s, plane, k] = c0[plane, k] * a + c1[plane, k] * b - shape[k] * shift
                    p[s, plane, k] = c2[plane, k] * a + c3[plane, k] * b + shape[k] * push
