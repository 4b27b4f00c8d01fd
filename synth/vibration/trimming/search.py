"""About where nuts should sit: the quick picture of a loaded rod, looked over on a grid.

In: an `Aim` and nuts. Out: `Start`s where the picture meets the wishes, one nut or a locked pair along the tine,
two nuts apart anywhere. A pair apart has a whole line of answers to one wish: kept are the most forgiving, a few.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from synth.design.instrument import Nut
from synth.vibration.rod import Array
from synth.vibration.trimming.loaded_rod import QuickPicture, log_frequencies, quick_picture
from synth.vibration.trimming.settle import CENT, Aim, Bools, Start, meets_none

GRID: Final = 97  # places looked at along a tine for one nut or a locked pair
COARSE: Final = 41  # each way, for two nuts apart
FINE: Final = 61  # each way, for two wishes
KEPT: Final = 2  # answers for each pair of nuts apart
APART: Final = 0.12  # of the length: answers nearer than this to each other are one
IDLE: Final = 15.0 * CENT  # a nut that alone does less is not worth its while in a pair
BLUR: Final = 6.0 * CENT  # what the quick picture may be off: where it just misses, the full model may not


@dataclass(frozen=True)
class Curve:
    """What one arrangement of nuts gives as it moves along the tine: the first wish's ratio."""

    nuts: tuple[Nut, ...]
    height: Array  # (G,) m, of the lower nut's middle
    ratio: Array  # (G,), right to some cents


def along(aim: Aim, nuts: tuple[Nut, ...]) -> tuple[list[Start], Curve]:
    """Where the ratio crosses the wish for one nut, or for two locked together."""
    heights = np.array([nut.height for nut in nuts])
    above = np.concatenate([[0.0], np.cumsum(heights[:-1] + heights[1:]) / 2.0])  # of each over the lowest
    low, high = heights[0] / 2.0, aim.length - above[-1] - heights[-1] / 2.0
    if high <= low:
        return [], Curve(nuts, np.zeros(0), np.zeros(0))
    place = np.linspace(low, high, GRID)[:, None] + above
    picture = _picture(aim, nuts, place / aim.length)
    stand = place * (picture.length / aim.length)[:, None]  # shares of the length stay
    off, free = _off(aim, picture)[0], meets_none(aim.tine, nuts, stand)
    x, tall = _crossings_along(off, free, stand[:, 0], picture.length)
    ways = ((1.0,) * len(nuts),)
    starts = [
        Start(aim, nuts, length, tuple(base + above), ways)
        for base, length in zip(x.tolist(), tall.tolist(), strict=True)
    ]
    return starts, Curve(nuts, stand[free, 0], np.exp(off[free]) * aim.wishes[0][1])


def apart(aim: Aim, nuts: tuple[Nut, Nut]) -> tuple[list[Start], Array]:
    """The most forgiving crossings for two nuts apart, distinct from each other; all ratios (G,) there are."""
    share = np.linspace(nuts[0].height, aim.length - nuts[1].height, COARSE) / aim.length
    picture, room = _pair(aim, nuts, share, touching=1.0)  # nearer ones are locked
    off = _off(aim, picture)[0]
    works = (_works(aim, nuts[0], share)[:, None] & _works(aim, nuts[1], share)).ravel()
    field = np.where(room & works, off, np.nan).reshape(COARSE, COARSE)
    tall = picture.length.reshape(COARSE, COARSE)
    kept: list[tuple[int, int, float, float, float, float]] = []
    for each in _crossings(field, share):
        if all(math.hypot(each[2] - other[2], each[3] - other[3]) > APART for other in kept):
            kept.append(each)
        if len(kept) == KEPT:
            break
    starts = [
        Start(aim, nuts, float(tall[i, j]), (x * float(tall[i, j]), y * float(tall[i, j])), ((way_x, way_y),))
        for i, j, x, y, way_x, way_y in kept
    ]
    return starts, np.exp(off[room]) * aim.wishes[0][1]


def both(aim: Aim, nuts: tuple[Nut, Nut]) -> list[Start]:
    """The middles of the cells in which both wishes may be met by two nuts, touching or apart."""
    share = np.linspace(nuts[0].height / 2.0, aim.length - nuts[1].height / 2.0, FINE) / aim.length
    picture, room = _pair(aim, nuts, share, touching=0.5)
    cross = np.ones((FINE - 1, FINE - 1), dtype=bool)
    for each in _off(aim, picture):
        off = np.where(room, each, np.nan).reshape(FINE, FINE)
        corners = np.stack([off[:-1, :-1], off[1:, :-1], off[:-1, 1:], off[1:, 1:]])
        cross &= (corners.min(axis=0) < BLUR) & (corners.max(axis=0) > -BLUR)  # nan is neither
    middle = (share[1] - share[0]) / 2.0
    starts = []
    for i, j in np.argwhere(cross).tolist():
        tall = float(picture.length.reshape(FINE, FINE)[i, j])
        place = (float(share[i] + middle) * tall, float(share[j] + middle) * tall)
        starts.append(Start(aim, nuts, tall, place, ((1.0, 0.0), (0.0, 1.0))))
    return starts


def _picture(aim: Aim, nuts: tuple[Nut, ...], share: Array) -> QuickPicture:
    return quick_picture(aim.tine, aim.length, nuts, share, pitch=aim.pitch, partials=aim.partials)


def _pair(aim: Aim, nuts: tuple[Nut, Nut], share: Array, *, touching: float) -> tuple[QuickPicture, Bools]:
    """The picture over a square of shares, and where on it the nuts have room (G,)."""
    grid = np.stack([each.ravel() for each in np.meshgrid(share, share, indexing="ij")], axis=1)
    picture = _picture(aim, nuts, grid)
    stand = grid * picture.length[:, None]
    room = stand[:, 1] - stand[:, 0] >= touching * (nuts[0].height + nuts[1].height)
    return picture, room & meets_none(aim.tine, nuts, stand)


def _off(aim: Aim, picture: QuickPicture) -> list[Array]:
    """ln of the ratio over the wished one (G,), a wish each."""
    return [picture.interval(partial) - math.log(ratio) for partial, ratio in aim.wishes]


def without(aim: Aim) -> float:
    """The first wish's ratio as the tine has it already."""
    partial = aim.wishes[0][0]
    logs = log_frequencies([aim.tine], np.array([aim.length]), [()], np.zeros((1, 0)), partials=partial)[0]
    return float(np.exp(logs[partial - 1] - logs[0]))


def _works(aim: Aim, nut: Nut, share: Array) -> Bools:
    """Where (G,) a nut alone moves the interval enough to be there for a reason."""
    interval = _picture(aim, (nut,), share[:, None]).interval(aim.wishes[0][0])
    return np.asarray(np.abs(interval - math.log(without(aim))) > IDLE)


def _crossings_along(off: Array, free: Bools, place: Array, length: Array) -> tuple[Array, Array]:
    """Places and lengths (C,) where `off` (G,) crosses 0, and on both sides of where it turns back just before."""
    cross = np.flatnonzero(free[1:] & free[:-1] & (np.sign(off[1:]) != np.sign(off[:-1])))
    t = off[cross] / (off[cross] - off[cross + 1])
    x, tall = (each[cross] + t * (each[cross + 1] - each[cross]) for each in (place, length))
    size = np.abs(off)
    turns = (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & (size[1:-1] < BLUR) & free[1:-1]
    beside = np.concatenate([np.flatnonzero(turns) - 1, np.flatnonzero(turns) + 3]).clip(0, len(off) - 1)
    return np.concatenate([x, place[beside]]), np.concatenate([tall, length[beside]])


def _crossings(field: Array, share: Array) -> list[tuple[int, int, float, float, float, float]]:
    """Where the field (X, Y) is 0 between neighbours: cell, shares, the way of steepest change; flattest first."""
    step = float(share[1] - share[0])
    slope_x, slope_y = (np.asarray(each) for each in np.gradient(field, step))
    found = []
    for axis in (0, 1):
        one, other = (field[:-1], field[1:]) if axis == 0 else (field[:, :-1], field[:, 1:])
        for i, j in np.argwhere(np.sign(one) * np.sign(other) < 0).tolist():
            t = float(one[i, j] / (one[i, j] - other[i, j]))
            way_x, way_y = float(slope_x[i, j]), float(slope_y[i, j])
            size = math.hypot(way_x, way_y)
            if math.isfinite(size) and size > 0.0:
                x, y = (float(share[n]) + t * step * (axis == k) for k, n in enumerate((i, j)))
                found.append((size, i, j, x, y, way_x / size, way_y / size))
    return [each[1:] for each in sorted(found)]
