"""Solids seen from one side: which of their edges and faces show, the far ones first.

In: `Solid`s and a `View`. Out: filled patches and lines in mm on the paper of the view, at true size. Hidden lines
are painted over: every solid is convex and short, so that the depth of its middle orders it (the painter's order).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen
from synth.units import MM
from synth.workshop.drawing import Line, Point
from synth.workshop.geometry import Solid
from synth.workshop.picture import Patch

PENS: Final = {
    "bar": "contour",
    "board": "contour",
    "tine": "tine",
}  # other kinds are drawn with the fine pen


@frozen
class View:
    name: str
    right: Array
    up: Array
    toward: Array  # the viewer

    def flat(self, points: Array) -> Array:
        """Where points (..., 3) in m stand on paper (..., 2), in mm."""
        return np.stack([points @ self.right, points @ self.up], axis=-1) / MM


@frozen
class _Facing:
    sides: tuple[bool, ...]
    ends: tuple[bool, bool]


def looking(name: str, *, turn_deg: float, down_deg: float) -> View:
    """From the front, gone round by `turn_deg` to the right and looking down by `down_deg`."""
    turn, down = np.radians([turn_deg, down_deg])
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    front = np.array([np.sin(turn), -np.cos(turn), 0.0])
    toward = np.cos(down) * front + np.array([0.0, 0.0, np.sin(down)])
    return View(name, right, np.cross(toward, right), toward)


ABOVE: Final = View("from above", *np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]]))
FRONT: Final = View("from the front", *np.array([[1.0, 0, 0], [0, 0, 1.0], [0, -1.0, 0]]))
OBLIQUE: Final = looking("oblique", turn_deg=-28.0, down_deg=24.0)


def painted(solids: Sequence[Solid], view: View) -> list[Patch | Line]:
    """What is drawn, in the order in which to draw it."""
    depth = [_depth(each, view) for each in solids]
    facing = [_facing(each, view) for each in solids]
    return [shape for n in np.argsort(depth, kind="stable") for shape in _seen(solids, facing, int(n), view)]


def _depth(solid: Solid, view: View) -> float:
    """A board lies below everything else: behind, seen from anywhere but beneath. A nut is as near as its front."""
    if solid.kind == "board" and view.toward[2] >= 0.0:
        return -np.inf
    if solid.kind in ("base nut", "trim nut"):
        return float((np.concatenate([solid.start, solid.end]) @ view.toward).max())
    return float((solid.start.mean(axis=0) + solid.end.mean(axis=0)) @ view.toward / 2.0)


def _seen(solids: Sequence[Solid], facing: Sequence[_Facing], n: int, view: View) -> Iterator[Patch | Line]:
    """A solid's patch; its long edges where a face turns away or the sides meet at an angle; its ends' edges.

    A joint to the next piece has an edge only where a side is seen on one piece and not on the other.
    """
    solid, sides = solids[n], facing[n].sides
    start, end = view.flat(solid.start), view.flat(solid.end)
    pen = PENS.get(solid.kind, "fine")
    yield Patch(solid.kind, tuple(Point(x, y) for x, y in hull(np.concatenate([start, end]))))
    for k in range(len(start)):
        before = sides[k - 1]
        if before != sides[k] or (before and sides[k] and not solid.smooth):
            yield _line(pen, start[k], end[k])
        for at, outline in enumerate((start, end)):
            if solid.shown[at]:
                drawn = facing[n].ends[at] or sides[k]
            else:
                drawn = sides[k] and not facing[n + (-1, 1)[at]].sides[k]
            if drawn:
                yield _line(pen, outline[k], outline[(k + 1) % len(outline)])


def _facing(solid: Solid, view: View) -> _Facing:
    """Which sides (between corner k and the next) and which ends face the viewer."""
    middle = (solid.start.mean(axis=0) + solid.end.mean(axis=0)) / 2.0
    after = np.roll(solid.start, -1, axis=0)
    normal = np.cross(after - solid.start, solid.end - solid.start)
    outward = np.einsum("kx,kx->k", normal, (solid.start + after) / 2.0 - middle)
    facing = np.sign(outward) * (normal @ view.toward) > 1e-9 * np.linalg.norm(normal, axis=1)
    axis = solid.end.mean(axis=0) - solid.start.mean(axis=0)
    along = float(axis @ view.toward) / (float(np.linalg.norm(axis)) or 1.0)
    return _Facing(tuple(facing.tolist()), (along < -1e-9, along > 1e-9))


def hull(points: Array) -> Array:
    """The convex hull (H, 2) of points (n, 2), counter-clockwise.

    The monotone chain of A. M. Andrew, Inf. Proc. Lett. 9 (1979) 216.
    """
    ordered = sorted({(round(float(x), 9), round(float(y), 9)) for x, y in points})
    if len(ordered) < 3:
        return np.array(ordered)
    chains = []
    for run in (ordered, ordered[::-1]):
        chain: list[tuple[float, float]] = []
        for p in run:
            while len(chain) > 1 and _left(chain[-2], chain[-1], p) <= 0.0:
                chain.pop()
            chain.append(p)
        chains.append(chain[:-1])
    return np.array(chains[0] + chains[1])


def _left(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _line(pen: str, one: Array, other: Array) -> Line:
    return Line(pen, Point(float(one[0]), float(one[1])), Point(float(other[0]), float(other[1])))
