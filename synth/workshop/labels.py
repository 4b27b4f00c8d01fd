"""Where words go so that they cover neither each other nor what is drawn.

In: boxes wanted, in the unit of the paper. Out: places. It knows no instrument.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen

BESIDE: Final = 0.8  # mm: what is nearer to its name needs no leader


@frozen
class Box:
    left: float
    low: float
    right: float
    high: float

    def meets(self, other: Box) -> bool:
        beside = self.right <= other.left or other.right <= self.left
        return not (beside or self.high <= other.low or other.high <= self.low)

    def moved(self, x: float, y: float) -> Box:
        return Box(self.left + x, self.low + y, self.right + x, self.high + y)


def levels(spans: Sequence[tuple[float, float]], gap: float) -> list[int]:
    """The lowest level (0, 1, ...) for each span so that none on one level comes nearer to another than `gap`."""
    ends: list[float] = []
    found = [0] * len(spans)
    for n in sorted(range(len(spans)), key=lambda each: spans[each]):
        low, high = spans[n]
        level = next((k for k, end in enumerate(ends) if low >= end + gap), len(ends))
        ends[level : level + 1] = [high]
        found[n] = level
    return found


def spread_out(wanted: Sequence[float], gap: float, ends: tuple[float, float]) -> list[float]:
    """Places at least `gap` apart and within `ends`, nearest to the rising ones wanted by the sum of squares.

    Less n gaps they need only rise: isotonic regression by pooling neighbours (R. E. Barlow et al., Statistical
    Inference under Order Restrictions, 1972). Raises `ValueError` where they do not fit.
    """
    low, high = ends[0], ends[1] - (len(wanted) - 1) * gap
    if wanted and high < low - 1e-9:
        raise ValueError("no room")
    pools: list[tuple[float, int]] = []
    for n, each in enumerate(wanted):
        pools.append((each - n * gap, 1))
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            (b, many), (a, few) = pools.pop(), pools.pop()
            pools.append(((a * few + b * many) / (few + many), few + many))
    levels = [min(max(level, low), high) for level, count in pools for _ in range(count)]
    return [level + n * gap for n, level in enumerate(levels)]


def free_places(
    wanted: Sequence[tuple[Box, Sequence[tuple[float, float]]]],
    segments: Array,
    anchors: Sequence[Array] = (),
) -> list[Box]:
    """Each box at the first of its moves where it meets no box placed before and none of the segments (n, 2, 2).

    With anchors, no leader from anchor to box runs over another box either. Where every move meets something, at
    the one that meets no other box and least else, else at the last.
    """
    placed: list[Box] = []
    leaders: Array = np.zeros((0, 2, 2))
    for n, (box, moves) in enumerate(wanted):
        tried = [box.moved(*move) for move in moves]
        own = [leader(anchors[n], each) if anchors else leaders[:0] for each in tried]
        apart = [k for k, each in enumerate(tried) if not any(each.meets(other) for other in placed)]
        kept = [
            k
            for k in apart
            if not crossings(tried[k], leaders) and not any(crossings(other, own[k]) for other in placed)
        ]
        best = _first_clear(tried, kept or apart, segments)
        placed.append(tried[best])
        leaders = np.concatenate([leaders, own[best]])
    return placed


def _first_clear(tried: Sequence[Box], some: Sequence[int], segments: Array) -> int:
    """The first of some boxes that the fewest segments pass through; the last of all where some are none."""
    least, best = np.inf, len(tried) - 1
    for k in some:
        met = crossings(tried[k], segments)
        if met < least:
            least, best = met, k
        if not met:
            break
    return best


def leader(anchor: Array, box: Box) -> Array:
    """The line (1, 2, 2) from what a box names to its nearest point; none (0, 2, 2) where that is beside it."""
    near = np.clip(anchor, [box.left, box.low], [box.right, box.high])
    if float(np.linalg.norm(near - anchor)) <= BESIDE:
        return np.zeros((0, 2, 2))
    return np.array([[anchor, near]], float)


def crossings(box: Box, segments: Array) -> int:
    """How many of the segments (n, 2, 2) pass through a box: clipped by its four sides (Liang and Barsky)."""
    if not len(segments):
        return 0
    start, step = segments[:, 0], segments[:, 1] - segments[:, 0]
    low, high = np.array([box.left, box.low]), np.array([box.right, box.high])
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = (low - start) / step, (high - start) / step
    still = np.abs(step) < 1e-12
    inside = (start > low) & (start < high)
    enter = np.where(still, np.where(inside, -np.inf, np.inf), np.minimum(one, other)).max(axis=1)
    leave = np.where(still, np.where(inside, np.inf, -np.inf), np.maximum(one, other)).min(axis=1)
    return int(np.sum((enter < leave) & (enter < 1.0) & (leave > 0.0)))


def crossed(box: Box, segments: Array) -> bool:
    """Whether any of the segments (n, 2, 2) passes through a box."""
    return crossings(box, segments) > 0


def away(direction: tuple[float, float], step: float, count: int) -> Iterator[tuple[float, float]]:
    """Moves further and further in a direction."""
    for n in range(count):
        yield direction[0] * step * n, direction[1] * step * n
