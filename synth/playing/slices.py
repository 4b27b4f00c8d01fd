"""The force of a contact as a few increments of the tine's ringing state.

In: the impulses of one contact in even bins of time. Out: increments, at most `MOST` of them. The idea: under a
force that changes slowly a mode only follows its place of rest; what is heard is its swing about that place. So the
contact is cut into slices, the force is drawn as straight lines from cut to cut (the best such line G, nothing at
both ends), the place of rest under G is left out of the state, and what is left to ring on is

    response(F - G over the slice)   and, where the line bends by dg,   velocity -dg phi/w^2

After the last slice G is nothing and the state is exactly that of the bins. Slices are narrow where the force
changes. With stairs in place of lines, every stair would be heard as a knock that the tine never had.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.compiled import njit
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


def increments(
    impulse: Array, moment: Array, *, start: float, width: float, omega: Array, decay: Array, shape: Array
) -> Increments:
    """The slices of a contact, modes (2, N), shape (N,).

    `impulse` (B, 2) N s in bins of `width` s from `start`, `moment` (B, 2) the impulses times their distance
    from the bins' middles.
    """
    cut = cuts(impulse, width)
    slope, line = lines(impulse, cut, width)
    part = np.repeat(slope, np.diff(cut), axis=0)
    rest, turning = impulse - line * width, moment - part * width**3 / 12.0
    moved = ring(rest, turning, cut, omega, decay, shape, width)
    bend = np.diff(slope, axis=0, prepend=0.0, append=0.0)[:, :, None] * shape
    # the place of rest under a force g t is g t phi/w^2 - 2 sigma g phi/w^4, its speed g phi/w^2
    displacement = 2.0 * decay * bend / omega**4
    displacement[1:] += moved[0]
    velocity = -bend / omega**2
    velocity[1:] += moved[1]
    return Increments(np.asarray(start + cut * width), displacement, velocity)


def lines(impulse: Array, cut: NDArray[np.int64], width: float) -> tuple[Array, Array]:
    """Slopes (K, 2) in N/s, and forces (B, 2) at the bins, of the lines from cut to cut nearest to the force."""
    slope, line = np.zeros((len(cut) - 1, 2)), np.zeros(impulse.shape)
    _lines(impulse, cut, width, slope, line)
    return slope, line


@njit(cache=True, nogil=True, error_model="numpy")
def _lines(impulse: Any, cut: Any, width: float, slope: Any, line: Any) -> None:
    """Least squares by the normal equations: two hats overlap in one slice alone, which leaves three diagonals."""
    slices = slope.shape[0]
    own = np.zeros(slices + 1)  # the diagonal
    beside = np.zeros(slices)
    pull = np.zeros((slices + 1, 2))
    for s in range(slices):
        count = cut[s + 1] - cut[s]
        for i in range(cut[s], cut[s + 1]):
            share = (i - cut[s] + 0.5) / count  # how far the bin is towards the next cut
            own[s] += (1.0 - share) ** 2
            own[s + 1] += share**2
            beside[s] += share * (1.0 - share)
            for plane in range(2):
                pull[s, plane] += (1.0 - share) * impulse[i, plane] / width
                pull[s + 1, plane] += share * impulse[i, plane] / width
    height = np.zeros((slices + 1, 2))  # nothing at both ends; between them by elimination (Thomas)
    for s in range(2, slices):
        factor = beside[s - 1] / own[s - 1]
        own[s] -= factor * beside[s - 1]
        for plane in range(2):
            pull[s, plane] -= factor * pull[s - 1, plane]
    for s in range(slices - 1, 0, -1):
        for plane in range(2):
            height[s, plane] = (pull[s, plane] - beside[s] * height[s + 1, plane]) / own[s]
    for s in range(slices):
        count = cut[s + 1] - cut[s]
        for plane in range(2):
            rise = height[s + 1, plane] - height[s, plane]
            slope[s, plane] = rise / (count * width)
            for i in range(cut[s], cut[s + 1]):
                line[i, plane] = height[s, plane] + rise * (i - cut[s] + 0.5) / count


def cuts(impulse: Array, width: float) -> NDArray[np.int64]:
    """Bin edges (K+1,) of the slices: half of their number shared out by time, half by change of force."""
    slices = min(math.ceil(len(impulse) * width / SLICE) + FEWEST, MOST - 1)
    edges: NDArray[np.int64] = _cuts(impulse, max(1, round(SMOOTH / width)), slices)
    return edges


@njit(cache=True, nogil=True, error_model="numpy")
def _cuts(impulse: Any, window: int, slices: int) -> Any:
    """Where time and change of the smoothed force, each counted from 0 to 1, come to even steps of their sum."""
    count = impulse.shape[0]
    change = np.zeros(count)
    before = 0.0
    for i in range(count):
        along = 0.0
        across = 0.0
        for j in range(max(0, i - window // 2), min(count, i - window // 2 + window)):
            along += impulse[j, 0]
            across += impulse[j, 1]
        now = math.sqrt(along * along + across * across)
        change[i] = abs(now - before)
        before = now
    whole = max(change.sum(), 1e-300)
    edges = np.zeros(slices + 1, np.int64)
    used, target = 1, 1
    busy = 0.0
    for i in range(count - 1):
        busy += 1.0 / count + change[i] / whole
        if target < slices and busy * slices >= 2.0 * target:
            edges[used] = i + 1
            used += 1
            while target < slices and busy * slices >= 2.0 * target:  # one bin may be worth several
                target += 1
    edges[used] = count
    return edges[: used + 1]


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
    c0, c1, c2, c3 = np.moveaxis(whole, -2, 0)
    _ring(impulse, moment, cut, c0, c1, c2, c3, shape, q, p)
    turn = np.moveaxis(half, -2, 0)
    return turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})
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
