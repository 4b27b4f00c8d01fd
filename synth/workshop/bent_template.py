"""The bent bar at true size as one sees it, from above and from the front, with its tines' holes.

In: an instrument. Out: a `Drawing` for each view that a flat path does not make superfluous. Edges are projected:
lines and arcs where they appear as such, fine chords elsewhere.

    from above       y            from the front     z
                     |                               |
                     +--- x                          +--- x        (the viewer stands at -y)
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Bar, Bend, Group, Instrument, Tine
from synth.units import MM
from synth.vibration.bar import path
from synth.workshop.drawing import (
    Arc,
    Circle,
    Drawing,
    DrawnShape,
    Line,
    Point,
    Text,
    centre_mark,
    check_bar,
    chords,
    polyline,
)
from synth.workshop.fixing import joint
from synth.workshop.flat_length import bar_words
from synth.workshop.geometry import outline, stand
from synth.workshop.labels import Box, away, free_places
from synth.workshop.length_text import UNIT
from synth.workshop.picture import text_width
from synth.workshop.template import WHITE_EDGE, holes_by_group, lines_of_words
from synth.workshop.views import ABOVE, FRONT, View

WIDEST_ARC: Final = math.radians(150.0)  # a longer bend is drawn as several arcs
CHORD: Final = math.radians(1.0)  # of a bend seen askew: 0.04 mm off a radius of 1 m
TRUE: Final = 1e-3  # mm: nearer to a circle than this is one
FACING: Final = 0.999  # cosine: a tine that points at the viewer, within 2.5 degrees
STUB: Final = 8.0  # mm of a tine drawn that points elsewhere
LETTER: Final = 2.2  # mm
NAME: Final = 3.0  # mm, of a group's name


def bent_templates(instrument: Instrument) -> dict[str, Drawing]:
    """Views of a bent bar by their names; none for a straight one."""
    bar = instrument.bar
    if not any(isinstance(each, Bend) for each in bar.path):
        return {}
    position, _ = path(bar, np.linspace(0.0, bar.length, 201))
    flat = 1e-6 * bar.length
    views = [
        view for view, depth in ((ABOVE, position[:, 1]), (FRONT, position[:, 2])) if np.ptp(depth) > flat
    ]
    return {view.name: _drawing(instrument, view) for view in views}


def _drawing(instrument: Instrument, view: View) -> Drawing:
    bar = instrument.bar
    shapes = [*_edges(bar, view), *_joints(bar, view)]
    for tine in instrument.tines:
        shapes += _mark(instrument, tine, view)
    shapes += _labels(instrument, view, shapes)
    title = f"{instrument.name or 'untitled'}, bent, {view.name}"
    low = Drawing("", tuple(shapes)).bounds[0]
    units = instrument.bench.units
    shapes += check_bar(low.moved(0.0, -10.0), units)
    sizes = (f"{hole.drill}: {hole.words}: {names}" for hole, names in holes_by_group(instrument).items())
    bought = f"{bar_words(bar.section, units)} {UNIT[units]}, {bar.material.name}"
    shapes += lines_of_words(iter([title, bought, *sizes]), low.moved(0.0, -18.0))
    return Drawing(title, tuple(dict.fromkeys(shapes)), units, WHITE_EDGE)


def _edges(bar: Bar, view: View) -> Iterator[DrawnShape]:
    """The outline: of a square bar its four long edges, of a round one its two sides as seen."""
    start = 0.0
    for segment in bar.path:
        angle = abs(segment.angle) if isinstance(segment, Bend) else 0.0
        parts = max(1, math.ceil(angle / WIDEST_ARC))
        for low, high in pairwise(np.linspace(start, start + segment.length, parts + 1)):
            steps = 2 if angle == 0.0 else max(8, math.ceil(angle / parts / CHORD))
            for edge in np.moveaxis(_outline(bar, view, np.linspace(low, high, steps + 1)), 1, 0):
                yield from _curve("outline", edge)
        start += segment.length
    for end in (0.0, bar.length):
        yield from _across("outline", bar, view, end)


def _joints(bar: Bar, view: View) -> Iterator[DrawnShape]:
    """Bend lines: where straight meets bend and bend meets bend."""
    start = 0.0
    for one, other in pairwise(bar.path):
        start += one.length
        if isinstance(one, Bend) or isinstance(other, Bend):
            yield from _across("bend lines", bar, view, start)


def _across(layer: str, bar: Bar, view: View, position: float) -> Iterator[DrawnShape]:
    corners = [_point(each) for each in _outline(bar, view, np.array([position]))[0]]
    for one, other in pairwise([*corners, corners[0]]):
        if math.dist((one.x, one.y), (other.x, other.y)) > TRUE:
            yield Line(layer, *sorted((one, other), key=lambda each: (each.x, each.y)))


def _outline(bar: Bar, view: View, place: Array) -> Array:
    """The section's corners on paper (P, corners, 2): four of a rectangle, the two that a round one shows."""
    position, axes = path(bar, place)
    section = bar.section
    if section.shape == "rectangle":
        return view.flat(outline(bar, place))
    aside = np.cross(view.toward, axes[:, 0])
    long = np.linalg.norm(aside, axis=1, keepdims=True)
    aside = np.where(long > 1e-9, aside / np.maximum(long, 1e-9), 0.0) * section.width / 2.0
    return view.flat(position[:, None] + np.stack([aside, -aside], axis=1))


def _curve(layer: str, points: Array) -> Iterator[DrawnShape]:
    """A row of points (P, 2) as the line or the arc that it is, else as chords."""
    one, middle, other = points[0], points[len(points) // 2], points[-1]
    if np.linalg.norm(other - one) < TRUE and np.linalg.norm(middle - one) < TRUE:
        return
    centre = _centre(one, middle, other)
    if centre is None:
        ends = sorted((_point(one), _point(other)), key=lambda each: (each.x, each.y))
        yield Line(layer, *ends)
        return
    radius = float(np.linalg.norm(one - centre))
    if np.max(np.abs(np.linalg.norm(points - centre, axis=1) - radius)) > TRUE:
        yield from polyline(layer, [_point(each) for each in points])
        return
    start, end = (math.degrees(math.atan2(*(each - centre)[::-1])) for each in (one, other))
    turn = np.cross(np.append(middle - one, 0.0), np.append(other - middle, 0.0))[2]
    start, end = (start, end) if turn > 0.0 else (end, start)
    yield Arc(layer, _point(centre), round(radius, 6), round(start, 6), round(end, 6))


def _centre(a: Array, b: Array, c: Array) -> Array | None:
    """The centre of the circle through three points, None where they lie on a line."""
    sides = 2.0 * np.stack([b - a, c - a])
    size = float(np.linalg.norm(c - a)) or float(np.linalg.norm(b - a))
    if abs(np.linalg.det(sides)) < 4.0 * TRUE * size:
        return None
    return np.asarray(np.linalg.solve(sides, [b @ b - a @ a, c @ c - a @ a]))


def _mark(instrument: Instrument, tine: Tine, view: View) -> Iterator[DrawnShape]:
    """The hole of a tine that points at the viewer or away, a stub of one that points aside."""
    base, end, facing = _seen(instrument, tine, view)
    if abs(facing) < FACING:
        yield Line("centre marks", base, end)
        return
    radius = joint(tine, instrument.bar, instrument.bench).hole.diameter / 2.0 / MM
    yield Circle("holes", base, radius)
    yield from centre_mark(base, radius + 1.0)


def _seen(instrument: Instrument, tine: Tine, view: View) -> tuple[Point, Point, float]:
    """Where a tine leaves the bar and where what is drawn of it ends, and how far it faces the viewer, a cosine."""
    base, direction = stand(instrument.bar, tine)
    facing = float(direction @ view.toward)
    at = _point(view.flat(base))
    if abs(facing) >= FACING:
        return at, at, facing
    aim = direction - facing * view.toward
    tip = view.flat(base) + view.flat(aim) * MM * STUB / float(np.linalg.norm(aim))
    return at, _point(tip), facing


def _labels(instrument: Instrument, view: View, drawn: list[DrawnShape]) -> Iterator[Text]:
    """Numbers of tines and names of groups, where they cover nothing that is drawn and none of each other."""
    words, wanted = [], []
    for tine in instrument.tines:
        number = _number(instrument, tine, view)
        words.append(number)
        wanted.append((_box(number), _round_about(instrument, tine, number)))
    for group in instrument.groups:
        name, out = _group_name(instrument, group, view)
        words.append(name)
        wanted.append((_box(name), list(away(out, 1.5, 40))))
    for text, box in zip(words, free_places(wanted, chords(drawn)), strict=True):
        yield replace(text, at=Point(box.left, box.low))


def _number(instrument: Instrument, tine: Tine, view: View) -> Text:
    _, end, facing = _seen(instrument, tine, view)
    radius = joint(tine, instrument.bar, instrument.bench).hole.diameter / 2.0 / MM
    words = f"{tine.number} below" if facing <= -FACING else str(tine.number)
    return Text("text", end.moved(radius + 0.8, radius + 0.3), LETTER, words)


def _round_about(instrument: Instrument, tine: Tine, number: Text) -> list[tuple[float, float]]:
    """Moves from the right above a hole to its other sides, and farther above and below."""
    radius = joint(tine, instrument.bar, instrument.bench).hole.diameter / 2.0 / MM
    box = _box(number)
    wide, under = box.right - box.left, -(2.0 * radius + 0.6 + LETTER)
    heights = (0.0, under, 1.2 * LETTER, under - 1.2 * LETTER, 2.4 * LETTER, under - 2.4 * LETTER)
    left = -(2.0 * radius + 1.6 + wide)
    sides = (0.0, left, -(radius + 0.8 + wide / 2.0), LETTER, left - LETTER)
    return [(x, y) for y in heights for x in sides]


def _box(text: Text) -> Box:
    wide = text_width(text.words, text.height)
    return Box(text.at.x, text.at.y, text.at.x + wide, text.at.y + text.height)


def _group_name(instrument: Instrument, group: Group, view: View) -> tuple[Text, tuple[float, float]]:
    """Beside the middle of the group's tines, outside the bar and clear of its tines; which way is out."""
    bar = instrument.bar
    own = instrument.tines[group.tines]
    point, axes = path(bar, np.array([np.mean([tine.position for tine in own])]))
    out = view.flat(np.cross(view.toward, axes[0, 0])) * MM
    out = out / (float(np.linalg.norm(out)) or 1.0)
    middle = view.flat(path(bar, np.linspace(0.0, bar.length, 201))[0]).mean(axis=0)
    at = view.flat(point[0])
    out = out if float((at - middle) @ out) >= 0.0 else -out
    reach = max(float((view.flat(stand(bar, tine)[0]) - at) @ out) for tine in own)
    half = max(bar.section.width, bar.section.height) / 2.0 / MM
    wide = 0.76 * NAME * len(group.name)
    at = at + out * (max(reach + STUB, half) + 4.0 + abs(out[0]) * wide / 2.0 + abs(out[1]) * NAME / 2.0)
    return Text("text", _point(at - (wide / 2.0, NAME / 2.0)), NAME, group.name), (
        float(out[0]),
        float(out[1]),
    )


def _point(point: Array) -> Point:
    return Point(round(float(point[0]), 6), round(float(point[1]), 6))
