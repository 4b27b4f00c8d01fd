"""The drawing of an instrument: elevation, plan and an oblique view on one sheet, with dimensions and group names.

In: an instrument, its tines' lengths and trim nuts, a board or none. Out: a `Sheet`. Elevation and plan share a
scale of ISO 5455 (a power of two in inches); the oblique view is a true parallel projection at one of its own.

    elevation    |  oblique view               elevation
    plan         |  table of groups, title     plan
                                               oblique view  |  table of groups, title
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Bend, Board, Instrument, PlacedNut
from synth.frozen import frozen
from synth.units import MM, Units
from synth.vibration.bar import path
from synth.workshop.drawing import Line, Point, Text, extent
from synth.workshop.geometry import Solid, TinePlace, board_hole, bore, outline, solids, tine_place
from synth.workshop.labels import Box, away, free_places, leader, levels
from synth.workshop.length_text import short_words
from synth.workshop.lettering import SMALL, centred, frame, horizontal, plate, upright
from synth.workshop.picture import Ink, Patch, Sheet, scaled, text_width
from synth.workshop.sheet_title import COLUMN, TITLE_HEIGHT, rows_of_groups, table_height, title_block
from synth.workshop.views import ABOVE, FRONT, OBLIQUE, View, hull, painted

SIZES: Final = {
    "A4": (420.0, 297.0),
    "Letter": (431.8, 279.4),
}  # mm: A3 of ISO 216; B of ASME Y14.1, 11 x 17 in
SCALES: Final = {  # ISO 5455; the fractions of an inch to the inch of a rule, common practice
    "mm": (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0),
    "inch": (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0),
}
EDGE: Final = 10.0  # mm from the sheet's edge to the frame
LARGE = 3.0  # mm, height of capitals
LEFT, SIDE = 24.0, 8.0  # mm beside the views: for the heights, and on the other side
OVER, UNDER = 16.0, 18.0  # mm over and under a view, for names and dimensions
LOWEST: Final = 80.0  # mm, the height that an oblique view below the others needs at least


@frozen
class _Scene:
    """What is drawn, once for all views."""

    instrument: Instrument
    solids: tuple[Solid, ...]
    places: tuple[TinePlace, ...]
    rings: tuple[Array, ...]  # a tube's bores, a board's sound hole
    lengths: Array
    board: Board | None

    @property
    def units(self) -> Units:
        return self.instrument.bench.units

    @property
    def straight(self) -> bool:
        return not any(isinstance(each, Bend) for each in self.instrument.bar.path)

    def bounds(self, view: View, *kinds: str) -> tuple[Array, Array]:
        """Lower left and upper right corner (2,) in mm at true size, of some kinds or all."""
        chosen = [each for each in self.solids if not kinds or each.kind in kinds]
        flat = view.flat(np.concatenate([np.concatenate([each.start, each.end]) for each in chosen]))
        return flat.min(axis=0), flat.max(axis=0)


def drawing_sheet(
    instrument: Instrument, lengths: Array, trim: Sequence[Sequence[PlacedNut]], board: Board | None
) -> Sheet:
    """The whole sheet; `lengths` (R,) m and `trim` as tuned, the board it stands on or None."""
    width, height = SIZES[instrument.bench.paper]
    found = solids(instrument, lengths, trim, board)
    places = tuple(
        tine_place(instrument, tine, float(length))
        for tine, length in zip(instrument.tines, lengths, strict=True)
    )
    hole = board_hole(board, instrument.bar) if board else None
    rings = (*bore(instrument.bar), *(() if hole is None else (hole,)))
    scene = _Scene(instrument, found, places, rings, np.asarray(lengths), board)
    layout = _layout(scene, width, height)
    title = f"{instrument.name or 'untitled'}: drawing"
    return Sheet(title, width, height, tuple(_ink(scene, layout, width, height)))


def _layout(scene: _Scene, width: float, height: float) -> tuple[float, bool]:
    """The first scale at which elevation and plan leave room for the rest, and whether that stands below them."""
    low_e, high_e = scene.bounds(FRONT)
    low_p, high_p = scene.bounds(ABOVE)
    wide = max(high_e[0], high_p[0]) - min(low_e[0], low_p[0])
    high = high_e[1] - low_e[1] + high_p[1] - low_p[1]
    beneath = max(LOWEST, TITLE_HEIGHT + table_height(scene.instrument) + 4.0)
    for ratio in SCALES[scene.units]:
        for below, right, under in ((False, COLUMN, 0.0), (True, 0.0, beneath)):
            fits = wide / ratio + LEFT + SIDE + right <= width - 2 * EDGE
            if fits and high / ratio + 2 * (OVER + UNDER) + under <= height - 2 * EDGE:
                return ratio, below
    return SCALES[scene.units][-1], False


def _ink(scene: _Scene, layout: tuple[float, bool], width: float, height: float) -> Iterator[Ink]:
    ratio, below = layout
    yield from frame(EDGE, EDGE, width - EDGE, height - EDGE)
    low_e, high_e = scene.bounds(FRONT)
    low_p, high_p = scene.bounds(ABOVE)
    x = EDGE + LEFT - min(low_e[0], low_p[0]) / ratio
    high = (high_e[1] - low_e[1] + high_p[1] - low_p[1]) / ratio + 2 * (OVER + UNDER)
    lift = 0.0 if below else min((height - 2 * EDGE - high) / 3.0, 25.0)
    top = height - EDGE - OVER - lift
    elevation = Point(x, top - high_e[1] / ratio)
    foot = top - (high_e[1] - low_e[1]) / ratio - UNDER - lift
    plan = Point(x, foot - OVER - high_p[1] / ratio)
    yield from _elevation(scene, ratio, elevation)
    yield from _plan(scene, ratio, plan)
    table = EDGE + TITLE_HEIGHT + table_height(scene.instrument)
    yield from _oblique(scene, _room(scene, (plan, ratio), below, Point(width, height)))
    yield from rows_of_groups(scene.instrument, scene.lengths, Point(width - EDGE - COLUMN + 6.0, table))
    corner = Box(width - EDGE - COLUMN, EDGE, width - EDGE, EDGE + TITLE_HEIGHT)
    yield from title_block(scene.instrument, scene.board, ratio, corner)


def _room(scene: _Scene, plan: tuple[Point, float], below: bool, corner: Point) -> Box:
    """What elevation and plan, table and title leave to the oblique view."""
    at, ratio = plan
    (low, high), (_, front) = scene.bounds(ABOVE), scene.bounds(FRONT)
    if below:
        top = at.y + low[1] / ratio - UNDER - 2.0
        return Box(EDGE + 6.0, EDGE + 6.0, corner.x - EDGE - COLUMN - 4.0, top)
    left = at.x + max(high[0], front[0]) / ratio + SIDE + 4.0
    table = EDGE + TITLE_HEIGHT + table_height(scene.instrument)
    return Box(left, table + 8.0, corner.x - EDGE - 6.0, corner.y - EDGE - 10.0)


def _view(scene: _Scene, view: View, ratio: float, at: Point) -> Iterator[Ink]:
    drawn: list[Patch | Line] = []
    board = [each for each in scene.solids if each.kind == "board"]
    drawn += painted(board, view)
    for ring in scene.rings[-1:] if scene.board and scene.board.hole_diameter else ():
        if view.toward[2] > 0.0:
            drawn += _ring(view, ring, "hole")
    drawn += painted([each for each in scene.solids if each.kind != "board"], view)
    yield from scaled(drawn, ratio, at)


def _ring(view: View, rim: Array, fill: str) -> list[Patch | Line]:
    corners = [Point(float(x), float(y)) for x, y in hull(view.flat(rim))]
    return [Patch(fill, tuple(corners)), *(Line("fine", a, b) for a, b in pairwise([*corners, corners[0]]))]


def _elevation(scene: _Scene, ratio: float, at: Point) -> Iterator[Ink]:
    yield from _view(scene, FRONT, ratio, at)
    low, high = (_on(each, ratio, at) for each in scene.bounds(FRONT))
    bar_low, bar_high = (_on(each, ratio, at) for each in scene.bounds(FRONT, "bar"))
    yield centred("Elevation, from the front", (low.x + high.x) / 2.0, low.y - UNDER + 1.0, LARGE)
    true = {
        name: high - low
        for name, (low, high) in (("all", scene.bounds(FRONT)), ("bar", scene.bounds(FRONT, "bar")))
    }
    x = low.x - 5.0
    tips = max(place.tip[2] for place in scene.places) / MM
    bar_top = scene.bounds(FRONT, "bar")[1][1]
    over, thick = _shown(scene, tips - bar_top), _shown(scene, float(true["bar"][1]))
    if tips > bar_top:
        yield from upright(over, (bar_high.y, at.y + tips / ratio), x, short="above")
    yield from upright(thick, (bar_low.y, bar_high.y), x)
    outside = x - max(8.0, text_width(thick, SMALL) + 2.5)  # a figure may stand under its line
    yield from upright(_shown(scene, float(true["all"][1])), (low.y, high.y), outside)
    if scene.straight:
        yield from _names_over(scene, ratio, at, high.y)
        yield from _running(scene, ratio, at, low.y)
    else:
        yield from horizontal(_shown(scene, float(true["bar"][0])), (bar_low.x, bar_high.x), low.y - 6.0)


def _names_over(scene: _Scene, ratio: float, at: Point, top: float) -> Iterator[Ink]:
    """The groups' names in a row over the tallest tip, each with a bracket over its tines."""
    spans, names = [], [group.name for group in scene.instrument.groups]
    for group in scene.instrument.groups:
        xs = [at.x + place.bar[0] / MM / ratio for place in scene.places[group.tines]]
        spans.append((min(xs), max(xs)))
    wide = [
        ((a + b) / 2.0 - text_width(name, SMALL) / 2.0, (a + b) / 2.0 + text_width(name, SMALL) / 2.0)
        for (a, b), name in zip(spans, names, strict=True)
    ]
    words: list[Ink] = []
    for (a, b), name, lane in zip(spans, names, levels(wide, 1.2), strict=True):
        y = top + 3.0
        yield Line("dimensions", Point(a - 0.6, y), Point(b + 0.6, y))
        for x in (a - 0.6, b + 0.6):
            yield Line("dimensions", Point(x, y), Point(x, y - 1.2))
        middle, foot = (a + b) / 2.0, y + 1.0 + lane * (SMALL + 1.4)
        if lane:
            yield Line("leader", Point(middle, y), Point(middle, foot - 0.5))
        words += [plate(name, middle, foot, SMALL), centred(name, middle, foot, SMALL)]
    yield from words


def _running(scene: _Scene, ratio: float, at: Point, low: float) -> Iterator[Ink]:
    """Running dimensions from the bar's start to each group's first tine and to the bar's end."""
    length = scene.instrument.bar.length / MM
    places = {0.0: "0", length: _shown(scene, length)}
    for group in scene.instrument.groups:
        first = min(place.bar[0] for place in scene.places[group.tines]) / MM
        places.setdefault(first, _shown(scene, first))
    marks = sorted(places.items())
    spans = [
        (
            at.x + mm / ratio - text_width(words, SMALL) / 2.0,
            at.x + mm / ratio + text_width(words, SMALL) / 2.0,
        )
        for mm, words in marks
    ]
    figures: list[Ink] = []
    for (mm, words), lane in zip(marks, levels(spans, 1.0), strict=True):
        x, y = at.x + mm / ratio, low - 6.5 - lane * (SMALL + 1.0)
        yield Line("dimensions", Point(x, low - 1.0), Point(x, y + SMALL + 0.5))
        figures += [plate(words, x, y, SMALL), centred(words, x, y, SMALL)]
    yield from figures
    yield Line("dimensions", Point(at.x, low - 2.5), Point(at.x + length / ratio, low - 2.5))


def _plan(scene: _Scene, ratio: float, at: Point) -> Iterator[Ink]:
    drawn = [*_view(scene, ABOVE, ratio, at)]
    low, high = (_on(each, ratio, at) for each in scene.bounds(ABOVE))
    size = scene.bounds(ABOVE)[1] - scene.bounds(ABOVE)[0]
    drawn.append(centred("Plan, from above", (low.x + high.x) / 2.0, low.y - UNDER + 1.0, LARGE))
    out = 0.0 if scene.straight else 4.0  # room for names
    drawn += upright(_shown(scene, float(size[1])), (low.y, high.y), low.x - 5.0 - 2.0 * out)
    drawn += horizontal(_shown(scene, float(size[0])), (low.x, high.x), low.y - 6.0 - out)
    yield from drawn
    if not scene.straight:
        yield from _names_beside(scene, ratio, at, drawn)


def _names_beside(scene: _Scene, ratio: float, at: Point, drawn: Sequence[Ink] = ()) -> Iterator[Ink]:
    """Each group's name outside the bar, with a leader from the bar's edge at the middle of its tines."""
    bar, shift = scene.instrument.bar, np.array([at.x, at.y])
    place = np.linspace(0.0, bar.length, 401)
    point, axes = path(bar, place)
    aside = ABOVE.flat(axes[:, 1]) * MM
    axis = ABOVE.flat(point) / ratio + shift
    corners = ABOVE.flat(outline(bar, place)) / ratio + shift
    half = np.einsum("pcx,px->pc", corners - axis[:, None], aside).max(axis=1)
    tines = np.array([[ABOVE.flat(p.bar), ABOVE.flat(p.tip)] for p in scene.places]) / ratio + shift
    edges = [
        np.stack([e[:-1], e[1:]], axis=1)
        for e in (axis, axis + half[:, None] * aside, axis - half[:, None] * aside)
    ]
    anchors, wanted = [], []
    for group in scene.instrument.groups:
        middle = tines[group.tines, 0].mean(axis=0)
        near = int(np.argmin(np.linalg.norm(axis - middle, axis=1)))
        out = aside[near] / (float(np.linalg.norm(aside[near])) or 1.0)
        out = out if float((axis[near] - axis.mean(axis=0)) @ out) >= 0.0 else -out
        tips = float(((tines[group.tines, 1] - axis[near]) @ out).max())
        wide = text_width(group.name, SMALL) + 0.8
        centre = axis[near] + out * (
            max(half[near], tips) + 3.0 + abs(out[0]) * wide / 2 + abs(out[1]) * SMALL / 2
        )
        half_box = np.array([wide / 2, SMALL / 2 + 0.5])
        low, high = centre - half_box, centre + half_box
        anchors.append(axis[near] + out * half[near])
        wanted.append((Box(*map(float, (*low, *high))), _outwards(float(out[0]), float(out[1]))))
    boxes = free_places(wanted, np.concatenate([*edges, tines, _lines_of(drawn)]), anchors)
    for group, anchor, box in zip(scene.instrument.groups, anchors, boxes, strict=True):
        yield from _label(group.name, anchor, box)


def _outwards(x: float, y: float) -> list[tuple[float, float]]:
    """Moves in a direction, a little way, then with steps to either side, then far."""
    straight = list(away((x, y), 1.5, 40))
    aside = [
        (a - y * off, b + x * off) for a, b in straight[:10] for off in (-2.0, 2.0, -4.0, 4.0, -7.0, 7.0)
    ]
    return [*straight[:5], *aside, *straight[5:]]


def _lines_of(drawn: Sequence[Ink]) -> Array:
    """What is drawn as segments (n, 2, 2) that words keep off: lines, and level words."""
    ends = [
        ((each.start.x, each.start.y), (each.end.x, each.end.y)) for each in drawn if isinstance(each, Line)
    ]
    for each in (each for each in drawn if isinstance(each, Text) and not each.turn_deg):
        low, _, high, _ = extent(each)
        ends += [((low.x, y), (high.x, y)) for y in (low.y, (low.y + high.y) / 2.0, high.y)]
    return np.array(ends, float).reshape(-1, 2, 2)


def _oblique(scene: _Scene, room: Box) -> Iterator[Ink]:
    low, high = scene.bounds(OBLIQUE)
    over = 14.0  # mm for the names
    need = max(
        (high[0] - low[0]) / (room.right - room.left - 8.0),
        (high[1] - low[1]) / (room.high - room.low - over - 6.0),
    )
    ratio = math.ceil(10.0 * need) / 10.0
    size = (high - low) / ratio
    at = Point(
        (room.left + room.right - size[0]) / 2.0 - low[0] / ratio,
        room.low + 6.0 + (room.high - room.low - over - 6.0 - size[1]) / 2.0 - low[1] / ratio,
    )
    drawn = [*_view(scene, OBLIQUE, ratio, at)]
    words = f"Oblique view, parallel projection 1:{ratio:g}"
    drawn.append(centred(words, (room.left + room.right) / 2.0, at.y + low[1] / ratio - 7.0, LARGE))
    yield from drawn
    yield from _names_above(scene, ratio, at, drawn)


def _names_above(scene: _Scene, ratio: float, at: Point, drawn: Sequence[Ink] = ()) -> Iterator[Ink]:
    """Each group's name over its tallest tine, clear of every tine."""
    shift = np.array([at.x, at.y])
    segments = np.array([[OBLIQUE.flat(p.bar), OBLIQUE.flat(p.tip)] for p in scene.places]) / ratio + shift
    anchors, wanted = [], []
    for group in scene.instrument.groups:
        tips = segments[group.tines, 1]
        tip = tips[int(np.argmax(tips[:, 1]))]
        wide = text_width(group.name, SMALL)
        box = Box(tip[0] - wide / 2 - 0.4, tip[1] + 1.8, tip[0] + wide / 2 + 0.4, tip[1] + 1.8 + SMALL + 0.8)
        moves = sorted(
            ((x, y) for y in np.arange(0.0, 60.0, 1.5) for x in np.arange(-12.0, 12.1, 3.0)),
            key=lambda move: math.hypot(1.5 * move[0], move[1]),
        )
        anchors.append(tip)
        wanted.append((box, moves))
    order = sorted(range(len(wanted)), key=lambda n: -wanted[n][0].low)
    boxes = free_places(
        [wanted[n] for n in order],
        np.concatenate([segments, _lines_of(drawn)]),
        [anchors[n] for n in order],
    )
    for n, box in zip(order, boxes, strict=True):
        yield from _label(scene.instrument.groups[n].name, anchors[n], box)


def _label(name: str, anchor: Array, box: Box) -> Iterator[Ink]:
    """Words in a box, with a leader to what they name where that is not beside them."""
    for start, end in leader(anchor, box):
        yield Line("leader", Point(*map(float, start)), Point(*map(float, end)))
    x, y = (box.left + box.right) / 2.0, (box.low + box.high - SMALL) / 2.0
    yield plate(name, x, y, SMALL)
    yield centred(name, x, y, SMALL)


def _on(point: Array, ratio: float, at: Point) -> Point:
    return Point(at.x + float(point[0]) / ratio, at.y + float(point[1]) / ratio)


def _shown(scene: _Scene, mm: float) -> str:
    return short_words(mm * MM, scene.units)
