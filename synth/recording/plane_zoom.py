"""Where the middles of planes may be, ever closer, and the likeliest decays there, compiled.

In: for each row (R,) of explanations where its middles may be at all and where to begin, splits, noises. Out:
points (P,) of each row that span what is likely, with the logarithms of their likelihoods, decays integrated. Rows
know nothing of each other, so that any core may do any of them; `plane_likelihood` has the likelihood.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex, Indices
from synth.compiled import njit
from synth.recording import plane_likelihood
from synth.recording.plane_likelihood import (
    AS_SUMS_COME,
    BLOWS,
    DECAY_SD,
    Room,
    points_likely,
    turned_without_decay,
    working_room,
)

SETTLED: Final = 0.004  # by which the logarithm of a decay still moves
SHORTER: Final = 0.25  # of a step that led to less
LIVE: Final = 8.0  # of log likelihood below the best, where the rest no longer counts
HOPELESS: Final = 30.0  # below the best, even after gaining `HOPED` times what its slope promises
HOPED: Final = 4.0
ELSEWHERE: Final = 20.0  # below the best, from where on nothing may be in another noise that is alike
_BEGINNING, _BESIDE, _MOVED = 0, 1, 2
_Noise = tuple[Array, Array, Complex, float]


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _promising(
    value: Array, values: Array, beside: float, point: Indices, gain: tuple[Array, Array], count: int
) -> int:
    """Slopes and bends into `gain` (2, P) of the first `count` points, from `values` (2 Q,) beside them; those that
    may still count are moved to the front, and so many there are."""
    top, kept = np.max(value), 0
    for q in range(count):
        p, up, down = point[q], values[q], values[count + q]
        slope = (up - down) / (2.0 * beside)
        bend = max(1.0, abs(up + down - 2.0 * value[p]) / beside**2)
        gain[0][p], gain[1][p] = slope, bend
        if value[p] + HOPED * 0.5 * slope * slope / bend > top - HOPELESS:
            point[kept] = p
            kept += 1
    return kept


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _moved(
    at: Array, rates: Array, tried: Array, rate: Array, values: Array, value: Array, trust: Array, point: Indices,
    count: int,
) -> int:  # fmt: skip
    """The first `count` points go where it is likelier; those that still move are put in front, and so many there
    are."""
    left = 0
    for q in range(count):
        p = point[q]
        moved, better = abs(tried[q] - at[p]), values[q] > value[p]
        trust[p] = 1.0 if better else SHORTER * trust[p]
        if better:
            at[p], rates[p], value[p] = tried[q], rate[q], values[q]
        if moved >= SETTLED:
            point[left] = p
            left += 1
    return left


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _followed(
    at: Array,
    turned: Array,
    faster: float,
    band: tuple[float, float, float],
    rounds: int,
    noise: _Noise,
    value: Array,
    room: Room,
) -> None:
    """`at` (P,), ln of decay rates, to the likeliest ones, and into `value` (P,) that, decays integrated.

    Slopes by what is `beside`. A step by Newton's rule that led to less, as beyond the turn of a slope, is tried
    again shorter. What cannot come near the best is left where it is.
    """
    step, usual, beside = band
    points, left = len(at), rounds
    tried, values, rate = np.empty(2 * points), np.empty(2 * points), np.empty(2 * points)
    trust, gain = np.ones(points), (np.empty(points), np.ones(points))
    point, asked = np.arange(points), np.empty(2 * points, np.int64)
    rates, grown = np.exp(at), np.exp(beside)
    tried[:points], rate[:points], asked[:points] = at, rates, point
    count, size, doing = points, points, _BEGINNING
    while True:  # likelihoods are asked at one place: it is the greater part of what is compiled
        some = slice(0, size)
        points_likely(
            tried[some], rate[some], asked[some], turned, faster, step, usual, noise, values[some], room
        )
        if doing == _BESIDE:
            count = _promising(value, values, beside, point, gain, count)
            for q in range(count):
                p = point[q]
                tried[q] = at[p] + trust[p] * min(max(gain[0][p] / gain[1][p], -DECAY_SD), DECAY_SD)
                rate[q], asked[q] = np.exp(tried[q]), p
            size, doing = count, _MOVED
        else:
            if doing == _MOVED:
                count, left = _moved(at, rates, tried, rate, values, value, trust, point, count), left - 1
            else:
                value[:] = values[:points]
            if left == 0:
                break
            for q in range(count):
                p = point[q]
                tried[q], tried[count + q] = at[p] + beside, at[p] - beside
                rate[q], rate[count + q] = rates[p] * grown, rates[p] / grown
                asked[q], asked[count + q] = p, p
            size, doing = 2 * count, _BESIDE
        if size == 0:
            break
    for p in range(points):
        value[p] -= 0.5 * np.log(gain[1][p])


@njit(part=True, nogil=True, error_model="numpy")
def _live(value: Array, below: float) -> tuple[int, int]:
    """The first and the last point that is no more than so much `below` the best."""
    first, last, least = 0, len(value) - 1, np.max(value) - below
    while value[first] <= least:
        first += 1
    while value[last] <= least:
        last -= 1
    return first, last


@njit(cache=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME, holds=[plane_likelihood])
def zoomed(
    rows: Indices,
    reach: NDArray[np.float64],
    bounds: Array,
    split: Array,
    differ: Array,
    band: tuple[float, float, float],
    which: Indices,
    whiten: NDArray[np.float64],
    askew: Array,
    white: Complex,
    offset: Array,
    zooms: int,
    rounds: int,
    found: Array,
    value: Array,
    share: Array,
    again: Array,
) -> None:
    """Of some `rows`, from `bounds` (R, 2) on and within `reach` (R, 2), rad/s: into `bounds` those of P points
    that span what is likely, into `found` and `value` (R, P) ln of the likeliest decay rates from there on, and the
    likelihood's logarithm, decays integrated, into `share` (R, P, K) how likely each direction of the blow is,
    into `again` (R, 2) where to begin in another noise.

    `split` (R,) is in rad/s, `differ` (R,) ln of the upper plane's decay rate over the lower's, `which` (R,) the
    noise of each row, `band` the step in s, ln of the decay rate that is leaned on and what slopes are told by.
    Where what is likely begins beyond the bounds, all the reach is looked at.
    """
    points = found.shape[1]
    room, turned = working_room(white.shape[1], 2 * points), np.empty((4, points))
    middle, splits, before = np.empty(points), np.empty(points), np.empty(points)
    for r in rows:
        own = which[r]
        noise = whiten[own], askew[own], white[own], offset[own]
        faster, at = np.exp(0.5 * differ[r]), found[r]
        low, high, left = bounds[r, 0], bounds[r, 1], zooms
        splits[:] = split[r]
        begun, found_all = low > reach[r, 0] or high < reach[r, 1], False
        while True:
            for p in range(points):
                middle[p] = low + (high - low) * p / max(points - 1, 1)
            turned_without_decay(middle, splits, band[0], turned)
            into, follow = (before, 0) if found_all else (value[r], rounds)
            _followed(at, turned, faster, band, follow, noise, into, room)
            if found_all:
                break
            first, last = _live(value[r], LIVE)
            cut = (first == 0 and low > reach[r, 0]) or (last == points - 1 and high < reach[r, 1])
            if begun and cut:
                low, high = reach[r]
                begun = False
                continue
            begun, left = False, left - 1
            first, last = max(first - 1, 0), min(last + 1, points - 1)
            found_all = left <= 0 or last - first >= points - 3
            if found_all:
                continue
            before[:] = at
            for p in range(points):
                at[p] = before[int(first + (last - first) * p / (points - 1) + 0.5)]
            low, high = middle[first], middle[last]
        bounds[r, 0], bounds[r, 1] = low, high
        first, last = _live(value[r], ELSEWHERE)
        again[r, 0], again[r, 1] = middle[max(first - 1, 0)], middle[min(last + 1, points - 1)]
        likely = room[4][: BLOWS * points].reshape((BLOWS, points))
        for p in range(points):
            for k in range(BLOWS):
                share[r, p, k] = likely[k, p] / np.sum(likely[:, p])
