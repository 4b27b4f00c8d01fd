"""The instrument as solids in space: what pictures, pages and plans of it are drawn from.

In: an instrument, the tines' free lengths and trim nuts. Out: `Solid`s in m, where the solver has them: the bar
along its path, each tine on its face up to its tip, nuts, supports, and a board as `synth.vibration.board.lie` puts
it, but for a turn that is none (`set_out`). What the design does not say (how high a foot is, how wide a cord) is
drawn at the sizes below. Every solid is convex, two outlines with straight sides between them; a long one comes in
pieces.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Bar, Bend, Board, Foot, Instrument, PlacedNut, Section, Support, Tine
from synth.frozen import frozen
from synth.vibration.bar import path, standing_on, surface_distance
from synth.vibration.board import Placement, lie
from synth.workshop.fixing import Joint, joint

PartKind = Literal["bar", "tine", "base nut", "trim nut", "foot", "board", "support"]

FOOT_HEIGHT: Final = 12e-3  # m, drawn between bar and board; the design gives none
PIECE: Final = 15e-3  # m of a straight bar or a tine in one solid
TURN: Final = math.radians(1.5)  # of a bend in one solid: a chord 0.02 mm off a radius of 250 mm
LAP: Final = 2e-3  # m that a piece of the bar reaches into the next, so that no seam shows
ROUND: Final = {"bar": 48, "tine": 12}  # corners of what is round
SUPPORTS: Final = {"cord": 4e-3, "rubber": 20e-3, "clamp": 20e-3, "foot": 20e-3}  # m along the bar, as drawn
COLLAR: Final = 2e-3  # m by which a cord or a clamp is drawn proud of the bar
SET_OUT: Final = 1e-3  # m by which feet on the marks of a ruler miss their places under the bar
PAD: Final = 10e-3  # m, height of a rubber pad or a foot as drawn


@frozen
class Solid:
    """Two outlines (n, 3) in m, corner by corner joined by sides; `group` is -1 for what belongs to none.

    `smooth` sides have no edges between them. An end that is not `shown` only joins the next solid of the list, or
    the one before, with the same corners in the same order.
    """

    kind: PartKind
    group: int
    start: Array
    end: Array
    smooth: bool
    shown: tuple[bool, bool] = (True, True)


@frozen
class TinePlace:
    """One tine's line in space (3,), m: where it leaves the bar, its base nut's upper face, its tip."""

    bar: Array
    base: Array
    tip: Array
    direction: Array


def solids(
    instrument: Instrument, lengths: Array, trim: Sequence[Sequence[PlacedNut]], board: Board | None
) -> tuple[Solid, ...]:
    """Everything that is drawn: `lengths` (R,) m and `trim` of each tine, and the board it stands on, if any."""
    bar = instrument.bar
    found = [*bar_solids(bar)]
    for tine, length, nuts in zip(instrument.tines, lengths, trim, strict=True):
        found += tine_solids(instrument, tine, float(length), nuts)
    standing = standing_on(bar, [foot.bar_place for foot in board.feet]) if board else bar
    for support in standing.supports:
        found += _support(bar, support)
    if board is not None:
        found += board_solids(board, bar)
    return tuple(found)


def tine_place(instrument: Instrument, tine: Tine, length: float) -> TinePlace:
    """Where a tine of this free length stands."""
    start, direction = stand(instrument.bar, tine)
    seat = _seat(joint(tine, instrument.bar, instrument.bench)) + tine.root.base_nut_height
    base = start + seat * direction
    return TinePlace(start, base, base + length * direction, direction)


def stand(bar: Bar, tine: Tine) -> tuple[Array, Array]:
    """Where (3,) a tine leaves the bar's surface and which way (3,) it points."""
    position, axes = path(bar, np.array([tine.position]))
    direction = math.cos(tine.face) * axes[0, 2] + math.sin(tine.face) * axes[0, 1]
    return position[0] + float(surface_distance(bar.section, tine.face)) * direction, direction


def bar_solids(bar: Bar) -> Iterator[Solid]:
    """The bar in pieces along its axis; a tube's ends show its wall (`bore`)."""
    start = 0.0
    for segment in bar.path:
        parts = math.ceil(segment.length / PIECE)
        if isinstance(segment, Bend):
            parts = max(parts, math.ceil(abs(segment.angle) / TURN))
        for low, high in pairwise(np.linspace(start, start + segment.length, max(parts, 1) + 1)):
            last = high > bar.length - 1e-9
            one, other = outline(bar, np.array([low, high if last else min(high + LAP, bar.length)]))
            yield Solid("bar", -1, one, other, bar.section.shape != "rectangle", (low == 0.0, bool(last)))
        start += segment.length


def outline(bar: Bar, position: Array, *, proud: float = 0.0) -> Array:
    """The section's corners (P, n, 3) at places along the axis, grown by `proud` all round."""
    point, axes = path(bar, position)
    corners = section_corners(bar.section, proud)
    return np.asarray(point[:, None] + np.einsum("ck,pkx->pcx", corners, axes[:, 1:]))


def section_corners(section: Section, proud: float = 0.0) -> Array:
    """Corners (n, 2) of the outside, to the side and up, in m."""
    half: Array = np.array([section.width / 2.0 + proud, section.height / 2.0 + proud])
    if section.shape == "rectangle":
        return np.asarray(np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]]) * half)
    return np.asarray(half[0] * _circle(ROUND["bar"]))


def bore(bar: Bar) -> tuple[Array, ...]:
    """The inner circles (n, 3) of a tube's two ends; none of a solid bar."""
    section = bar.section
    if section.shape != "tube":
        return ()
    point, axes = path(bar, np.array([0.0, bar.length]))
    inner = (section.width / 2.0 - section.wall) * _circle(ROUND["bar"])
    return tuple(np.asarray(p + inner @ a[1:]) for p, a in zip(point, axes, strict=True))


def tine_solids(
    instrument: Instrument, tine: Tine, length: float, trim: Sequence[PlacedNut]
) -> Iterator[Solid]:
    """Rod, base nuts on both sides of the bar, trim nuts."""
    place, held = tine_place(instrument, tine, length), joint(tine, instrument.bar, instrument.bench)
    seat = _seat(held)
    yield from _rod(tine, place.bar + seat * place.direction, place.tip)
    if held.nuts:
        yield _nut(tine, "base nut", place.bar + seat * place.direction, place.direction, held.nuts[0].width,
                   tine.root.base_nut_height)  # fmt: skip
    for each in trim:
        foot = place.base + (each.position - each.nut.height / 2.0) * place.direction
        yield _nut(tine, "trim nut", foot, place.direction, each.nut.width, each.nut.height)
    under = place.bar - held.in_bar * place.direction
    if len(held.nuts) > 1:
        low = sum(each.thickness for each in held.washers) - seat
        foot = under - (low + held.nuts[1].height) * place.direction
        yield _nut(tine, "base nut", foot, place.direction, held.nuts[1].width, held.nuts[1].height)
        yield from _rod(tine, foot - held.protrusion * place.direction, foot)
    elif held.protrusion:
        yield from _rod(tine, under - held.protrusion * place.direction, under)


def board_solids(board: Board, bar: Bar) -> Iterator[Solid]:
    """The panel or box below the bar, in pieces, and the feet between."""
    placement = set_out(board, bar)
    top = placement.origin - np.array([0.0, 0.0, FOOT_HEIGHT])
    deep = board.depth if board.kind == "box" else board.thickness
    x, y = placement.axes[0] * board.length / 2.0, placement.axes[1] * board.width / 2.0
    face = top + np.array([x + y, -x + y, -x - y, x - y])
    yield Solid("board", -1, face, face - np.array([0.0, 0.0, deep]), smooth=False)
    for foot in board.feet:
        yield _foot(foot, bar, float(top[2]))


def set_out(board: Board, bar: Bar) -> Placement:
    """How the board lies, square to the bar's start where that moves no foot by more than `SET_OUT`.

    Feet at rounded places turn a board by some hundredths of a degree, which no maker sets out nor wants to read.
    """
    placement = lie(board, bar)
    square = np.round(placement.axes) + 0.0
    on = np.array([(foot.x - board.length / 2.0, foot.y - board.width / 2.0, 0.0) for foot in board.feet])
    middle, turned = on.mean(axis=0), placement.axes - square
    if float(np.linalg.norm((on - middle) @ turned, axis=1).max()) > SET_OUT:
        return placement
    return Placement(placement.origin + middle @ turned, square)


def board_hole(board: Board, bar: Bar) -> Array | None:
    """The sound hole's rim (n, 3) in the middle of the board's upper face, as drawn; None where there is none."""
    if not board.hole_diameter:
        return None
    placement = set_out(board, bar)
    rim = board.hole_diameter / 2.0 * _circle(ROUND["bar"])
    return np.asarray(placement.origin - np.array([0.0, 0.0, FOOT_HEIGHT]) + rim @ placement.axes[:2])


def _foot(foot: Foot, bar: Bar, top: float) -> Solid:
    point, axes = path(bar, np.array([foot.bar_place]))
    level = np.array([axes[0, 0, 0], axes[0, 0, 1], 0.0])
    along = level / (float(np.linalg.norm(level)) or 1.0)
    aside = np.array([-along[1], along[0], 0.0])
    x, y = along * foot.along / 2.0, aside * foot.width / 2.0
    down = np.array([0.0, 0.0, -1.0])
    reach = float(surface_distance(bar.section, math.atan2(axes[0, 1] @ down, axes[0, 2] @ down)))
    under = point[0] + reach * down
    upper = under + np.array([x + y, -x + y, -x - y, x - y])
    lower = upper * np.array([1.0, 1.0, 0.0]) + np.array([0.0, 0.0, min(top, float(under[2]) - 1e-4)])
    return Solid("foot", -1, upper, lower, smooth=False)


def _support(bar: Bar, support: Support) -> Iterator[Solid]:
    half = SUPPORTS[support.kind] / 2.0
    ends = np.clip([support.position - half, support.position + half], 0.0, bar.length)
    if support.kind in ("cord", "clamp"):
        one, other = outline(bar, ends, proud=COLLAR)
        yield Solid("support", -1, one, other, bar.section.shape != "rectangle")
        return
    point, axes = path(bar, ends)
    side, up = axes[:, 1] * bar.section.width / 2.0, axes[:, 2]
    top, bottom = -bar.section.height / 2.0, -bar.section.height / 2.0 - PAD
    corners = [(1.0, top), (-1.0, top), (-1.0, bottom), (1.0, bottom)]
    one, other = (
        np.array([p + s * a + z * u for s, z in corners]) for p, a, u in zip(point, side, up, strict=True)
    )
    yield Solid("support", -1, one, other, smooth=False)


def _rod(tine: Tine, start: Array, end: Array) -> Iterator[Solid]:
    along = end - start
    long = float(np.linalg.norm(along))
    ring = _ring(along, tine.rod.diameter / 2.0, ROUND["tine"])
    steps = np.linspace(0.0, 1.0, max(1, math.ceil(long / PIECE)) + 1)
    for low, high in pairwise(steps):
        shown = (bool(low == 0.0), bool(high == 1.0))
        yield Solid("tine", tine.group, start + low * along + ring, start + high * along + ring, True, shown)


def _nut(tine: Tine, kind: PartKind, foot: Array, direction: Array, width: float, height: float) -> Solid:
    """A hexagon `width` across its flats."""
    ring = foot + _ring(direction, width / math.sqrt(3.0), 6)
    return Solid(kind, tine.group, ring, ring + height * direction, smooth=False)


def _ring(axis: Array, radius: float, corners: int) -> Array:
    """Corners (n, 3) round the origin at right angles to an axis."""
    axis = axis / float(np.linalg.norm(axis))
    least = np.eye(3)[int(np.argmin(np.abs(axis)))]
    one = np.cross(axis, least)
    one /= np.linalg.norm(one)
    return np.asarray(radius * _circle(corners) @ np.stack([one, np.cross(axis, one)]))


def _circle(corners: int) -> Array:
    angle = 2.0 * math.pi * np.arange(corners) / corners
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _seat(held: Joint) -> float:
    """How high washers lift the base nut off the bar's face."""
    above = len(held.washers) if held.hole.tapped else math.ceil(len(held.washers) / 2)
    return sum(each.thickness for each in held.washers[:above])
