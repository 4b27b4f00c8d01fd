"""About where nuts should sit: the quick picture of a loaded rod, looked over on a grid.

In: an `Aim` and nuts. Out: `Start`s where the picture meets the wishes, one nut or a locked pair along the tine,
two nuts apart anywhere. A pair apart has a whole line of answers to one wish: kept are the most forgiving, a few.
"""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np

from synth.arrays import Array, Bools, Indices
from synth.design.instrument import Nut
from synth.frozen import frozen
from synth.units import CENT
from synth.vibration.trimming.loaded_rod import log_frequencies, quick_picture
from synth.vibration.trimming.settle import Aim, Start, Ways, meets_none

GRID: Final = 97  # places looked at along a tine for one nut or a locked pair
COARSE: Final = 41  # each way, for two nuts apart
FINE: Final = 61  # each way, for two wishes
KEPT: Final = 2  # answers for each pair of nuts apart
APART: Final = 0.12  # of the length: answers nearer than this to each other are one
IDLE: Final = 15.0 * CENT  # a nut that alone does less is not worth its while in a pair
BOTH_FREE: Final[Ways] = ((1.0, 0.0), (0.0, 1.0))
BLUR: Final = 6.0 * CENT  # what the quick picture may be off: where it just misses, the full model may not


@frozen
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
    position = np.linspace(low, high, GRID)[:, None] + above
    length, (off, *_) = _look(aim, nuts, position / aim.length)
    stand = position * (length / aim.length)[:, None]  # shares of the length stay
    free = meets_none(aim.tine, nuts, stand)
    x, tall = _crossings_along(off, free, stand[:, 0], length)
    ways = ((1.0,) * len(nuts),)
    starts = [
        Start(aim, nuts, own, tuple(base + above), ways)
        for base, own in zip(x.tolist(), tall.tolist(), strict=True)
    ]
    return starts, Curve(nuts, stand[free, 0], np.exp(off[free]) * aim.wishes[0][1])


def pair(aim: Aim, nuts: tuple[Nut, Nut]) -> tuple[list[Start], Array]:
    """Starts for two nuts in the middles of cells that the picture says the wishes cross, and its ratios (G,).

    One wish: nuts apart that both do something, a few of the most forgiving; two: wherever both may be met.
    """
    two = len(aim.wishes) > 1
    count, gap = (FINE, 0.5) if two else (COARSE, 1.0)  # one wish: nearer nuts are locked
    share = np.linspace(gap * nuts[0].height, aim.length - gap * nuts[1].height, count) / aim.length
    grid = np.stack([each.ravel() for each in np.meshgrid(share, share, indexing="ij")], axis=1)
    length, off = _look_above(aim, nuts, grid)
    stand = grid * length[:, None]
    room = stand[:, 1] - stand[:, 0] >= gap * (nuts[0].height + nuts[1].height)
    room &= meets_none(aim.tine, nuts, stand)
    if two:
        useful = room
    else:
        works = {nut: _works(aim, nut, share) for nut in dict.fromkeys(nuts)}
        useful = room & np.logical_and.outer(*(works[nut] for nut in nuts)).ravel()
    fields = [np.where(useful, each, np.nan).reshape(count, count) for each in off]
    cells, ways = _cells(fields, share)
    tall = length.reshape(count, count)[*cells.T]
    position = (share[cells] + (share[1] - share[0]) / 2.0) * tall[:, None]
    starts = [
        Start(aim, nuts, own, tuple(where), way)
        for own, where, way in zip(tall.tolist(), position.tolist(), ways, strict=True)
    ]
    return starts, np.exp(off[0][room]) * aim.wishes[0][1]


def _cells(fields: list[Array], share: Array) -> tuple[Indices, list[Ways]]:
    """The cells (C, 2) that all fields (X, Y) cross, of one field the flattest, a few apart; and the ways to go."""
    corners = [np.stack([f[:-1, :-1], f[1:, :-1], f[:-1, 1:], f[1:, 1:]]) for f in fields]
    blur = BLUR if len(fields) > 1 else 0.0
    crossed = [(each.min(axis=0) < blur) & (each.max(axis=0) > -blur) for each in corners]  # nan is neither
    cells = np.argwhere(np.all(crossed, axis=0))
    if len(fields) > 1:
        return cells, [BOTH_FREE] * len(cells)
    near, right, up, far = corners[0][:, *cells.T]
    slope = np.stack([right + far - near - up, up + far - near - right], axis=1)
    size = np.hypot(*slope.T)
    kept: list[int] = []
    for n in np.argsort(size).tolist():
        clear = all(math.dist(share[cells[n]], share[cells[other]]) > APART for other in kept)
        if clear and len(kept) < KEPT:
            kept.append(n)
    return cells[kept], [(tuple(slope[n] / size[n]),) for n in kept]


def _look(aim: Aim, nuts: tuple[Nut, ...], share: Array) -> tuple[Array, list[Array]]:
    """Lengths (G,) and ln of the ratio over the wished one (G,), a wish each, by the quick picture."""
    most = max(partial for partial, _ in aim.wishes)
    length, logs = quick_picture(aim.tine, aim.length, nuts, share, pitch=aim.pitch, partials=most)
    return length, [logs[:, partial - 1] - logs[:, 0] - math.log(ratio) for partial, ratio in aim.wishes]


def _look_above(aim: Aim, nuts: tuple[Nut, ...], share: Array) -> tuple[Array, list[Array]]:
    """The same where the second nut is above the first; the others have no room, whatever the length: nan."""
    above = share[:, 1] > share[:, 0]
    length, *off = np.full((1 + len(aim.wishes), len(share)), np.nan)
    length[above], seen = _look(aim, nuts, share[above])
    for field, own in zip(off, seen, strict=True):
        field[above] = own
    return length, off


@functools.lru_cache(maxsize=64)  # every pair of nuts asks for it
def without(aim: Aim) -> float:
    """The first wish's ratio as the tine has it already."""
    partial = aim.wishes[0][0]
    logs = log_frequencies([aim.tine], np.array([aim.length]), [()], np.zeros((1, 0)), partials=partial)[0]
    return float(np.exp(logs[partial - 1] - logs[0]))


def _works(aim: Aim, nut: Nut, share: Array) -> Bools:
    """Where (G,) a nut alone moves the interval enough to be there for a reason."""
    _, (off, *_) = _look(aim, (nut,), share[:, None])
    return np.asarray(np.abs(off + math.log(aim.wishes[0][1] / without(aim))) > IDLE)


def _crossings_along(off: Array, free: Bools, position: Array, length: Array) -> tuple[Array, Array]:
    """Places and lengths (C,) where `off` (G,) crosses 0, and on both sides of where it turns back just before."""
    cross = np.flatnonzero(free[1:] & free[:-1] & (np.sign(off[1:]) != np.sign(off[:-1])))
    t = off[cross] / (off[cross] - off[cross + 1])
    x, tall = (each[cross] + t * (each[cross + 1] - each[cross]) for each in (position, length))
    size = np.abs(off)
    turns = (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & (size[1:-1] < BLUR) & free[1:-1]
    beside = np.concatenate([np.flatnonzero(turns) - 1, np.flatnonzero(turns) + 3]).clip(0, len(off) - 1)
    return np.concatenate([x, position[beside]]), np.concatenate([tall, length[beside]])
