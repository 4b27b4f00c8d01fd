"""The drill template: the bar's faces at true size, flat, with every hole where it is drilled.

In: an instrument. Out: a `Drawing`. A square bar has a strip for each face that carries tines, seen from outside
with the bar's start at the left; round bar and tube have one strip to wrap round it. Places are measured from the
bar's start, on a bent bar along the bar before it is bent (`synth.workshop.flat_length`).

    numbers     1  2  3        (tines, counted in each group)
    strip     +-o--o--o---|bend|----+
    running     |  |  |
    dimensions 72 84 96
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from synth.design.instrument import Bend, Instrument, Section, Tine
from synth.frozen import frozen
from synth.units import DEGREE, MM, Units
from synth.workshop.cautions import IN_SHORT
from synth.workshop.drawing import Circle, Drawing, DrawnShape, Line, Point, Text, centre_mark, check_bar
from synth.workshop.fixing import joint
from synth.workshop.flat_length import Development, FlatBend, bar_words, develop
from synth.workshop.holes import Hole
from synth.workshop.labels import levels, spread_out
from synth.workshop.length_text import place_words
from synth.workshop.typeface import typeface

SMALL, LARGE = 2.2, 3.0  # mm, height of figures and of words
ABOVE: Final = 19.0  # mm over a strip, for tine numbers, group names and its title
BELOW: Final = 20.0  # mm under it at least, for the running dimensions
LINE_MM: Final = 240.0  # of words, which a page of either paper holds
LANE: Final = SMALL + 1.2  # mm, from a line of words under the figures to the next
MARK: Final = 1.0  # mm by which a centre mark is larger than its hole
WHITE_EDGE: Final = 5.0  # mm of white paper round a template
_QUARTERS: Final = (  # the faces, and what is up on their strips
    "top, seen from outside; the back (+y) is up",
    "back (+y), seen from outside; the bottom is up",
    "bottom, seen from outside; the front (-y) is up",
    "front (-y), seen from outside; the top is up",
)


@frozen
class _Spot:
    """A hole on a strip: its tine, place along the flat bar, height on the strip from the middle line (mm)."""

    tine: Tine
    x: float
    y: float
    hole: Hole
    tilt: float  # rad off the face's normal

    @property
    def radius(self) -> float:
        return self.hole.diameter / 2.0 / MM


@frozen
class _Strip:
    title: str
    height: float  # mm
    spots: tuple[_Spot, ...]

    def over(self, side: float) -> float:
        """How far holes and their marks reach over the strip's upper (1) or lower (-1) edge, as on a seam, mm."""
        reach = (side * spot.y + spot.radius + MARK - self.height / 2.0 for spot in self.spots)
        return max(0.0, *reach)


def flat_template(instrument: Instrument) -> Drawing:
    """Every face that is drilled, one strip above the other, with what to drill and what to mind."""
    flat = develop(instrument.bar, instrument.bench.neutral_axis)
    shapes: list[DrawnShape] = []
    level = 0.0
    for strip in _strips(instrument, flat):
        middle = level - ABOVE - strip.height / 2.0
        shapes += _strip(instrument, flat, strip, middle)
        level = middle - strip.height / 2.0 - _below(instrument, flat, strip)
    shapes += check_bar(Point(0.0, level - 4.0), instrument.bench.units)
    shapes += lines_of_words(_words(instrument, flat), Point(0.0, level - 12.0))
    title = f"Drill template: {instrument.name or 'untitled'}"
    return Drawing(title, tuple(shapes), instrument.bench.units, WHITE_EDGE)


def _strips(instrument: Instrument, flat: Development) -> Iterator[_Strip]:
    section = instrument.bar.section
    if section.shape != "rectangle":
        spots = tuple(_spot(instrument, flat, tine, 0.0) for tine in instrument.tines)
        yield _Strip(
            "to wrap round the bar; 0 degrees (up) in the middle", math.pi * section.width / MM, spots
        )
        return
    for quarter, name in enumerate(_QUARTERS):
        own = [tine for tine in instrument.tines if _face(section, tine.face) == quarter]
        height = (section.width if quarter % 2 == 0 else section.height) / MM
        if own:
            spots = tuple(_spot(instrument, flat, tine, quarter * math.pi / 2.0) for tine in own)
            yield _Strip(name, height, spots)


def _face(section: Section, face: float) -> int:
    """Which face of a square bar a tine leaves: the one whose plane its direction meets first."""
    up, side = math.cos(face) / section.height, math.sin(face) / section.width
    if abs(up) >= abs(side) - 1e-12:
        return 0 if up > 0.0 else 2
    return 1 if side > 0.0 else 3


def _spot(instrument: Instrument, flat: Development, tine: Tine, normal: float) -> _Spot:
    section = instrument.bar.section
    tilt = math.remainder(tine.face - normal, 2.0 * math.pi)
    hole = joint(tine, instrument.bar, instrument.bench).hole
    if section.shape != "rectangle":
        return _Spot(tine, flat.flat(tine.position) / MM, tilt * section.width / 2.0 / MM, hole, 0.0)
    depth = section.height if round(normal / (math.pi / 2.0)) % 2 == 0 else section.width
    return _Spot(tine, flat.flat(tine.position) / MM, depth / 2.0 * math.tan(tilt) / MM, hole, tilt)


def _strip(instrument: Instrument, flat: Development, strip: _Strip, middle: float) -> Iterator[DrawnShape]:
    length, half = flat.length / MM, strip.height / 2.0
    corners = [(0.0, -half), (length, -half), (length, half), (0.0, half), (0.0, -half)]
    for (x0, y0), (x1, y1) in pairwise(corners):
        yield Line("outline", Point(x0, middle + y0), Point(x1, middle + y1))
    yield Line("centre marks", Point(-3.0, middle), Point(length + 3.0, middle))
    top = middle + half + strip.over(1.0)
    yield Text("text", Point(0.0, top + 10.0), LARGE, strip.title)
    for spot in strip.spots:
        yield from _drilled(spot, middle)
        yield Text("text", Point(spot.x - 0.7, top + 1.0), SMALL, str(spot.tine.number))
    yield from _group_names(instrument, strip.spots, top)
    foot, marks = middle - half - strip.over(-1.0), _marks(instrument, flat, strip)
    yield from _running(marks, foot)
    yield from _bend_lines(flat, middle, half, foot - _figures(marks))


def _drilled(spot: _Spot, middle: float) -> Iterator[DrawnShape]:
    centre = Point(spot.x, middle + spot.y)
    yield Circle("holes", centre, spot.radius)
    yield from centre_mark(centre, spot.radius + MARK)


def _marks(instrument: Instrument, flat: Development, strip: _Strip) -> dict[str, float]:
    """What stands under a strip, each figure once, and its place, mm."""
    units, length = instrument.bench.units, flat.length / MM
    marks = {_shown(each / MM, units): each / MM for bend in flat.bends for each in (bend.start, bend.end)}
    marks |= {_place_words(instrument, spot): spot.x for spot in strip.spots}
    end = _shown(length, units)
    marks.pop(end, None)  # the last bend's end
    return marks | {f"{end} end": length}


def _running(marks: dict[str, float], foot: float) -> Iterator[DrawnShape]:
    """Running dimensions from the bar's start: a short leader, the figure downwards from it, clear of the next."""
    rising = sorted(marks.items(), key=lambda each: each[1])
    stands = spread_out([x for _, x in rising], 1.2 * SMALL, (-math.inf, math.inf))
    for (words, x), stand in zip(rising, stands, strict=True):
        yield Line("dimensions", Point(x, foot - 0.5), Point(stand, foot - 3.0))
        yield Text("dimensions", Point(stand - SMALL / 2.0, foot - 3.5), SMALL, words, turn_deg=-90.0)


def _figures(marks: dict[str, float]) -> float:
    """How far down the longest figure reaches, mm."""
    return 3.5 + 0.76 * SMALL * max(len(words) for words in marks)


def _place_words(instrument: Instrument, spot: _Spot) -> str:
    tilted = f" at {spot.tilt / DEGREE:.1f} deg" if abs(spot.tilt) > 0.1 * DEGREE else ""
    return _shown(spot.x, instrument.bench.units) + tilted


def _below(instrument: Instrument, flat: Development, strip: _Strip) -> float:
    """Room in mm under a strip: for the longest running dimension, and what is bent under it."""
    lanes = 1 + max((lane for _, lane in _bend_lanes(flat)), default=-1)
    figures = _figures(_marks(instrument, flat, strip))
    return strip.over(-1.0) + max(BELOW, figures + 2.5 + lanes * LANE)


def _group_names(instrument: Instrument, spots: Sequence[_Spot], edge: float) -> Iterator[DrawnShape]:
    """Each group's name over its first hole, on two levels in turn so that long names stay apart."""
    first: dict[int, _Spot] = {}
    for spot in sorted(spots, key=lambda each: each.x):
        first.setdefault(spot.tine.group, spot)
    for turn, (group, spot) in enumerate(first.items()):
        level = edge + 4.0 + (LARGE if turn % 2 else 0.0)
        yield Text("text", Point(spot.x - 0.7, level), SMALL, instrument.groups[group].name)


def _bend_lines(flat: Development, middle: float, half: float, under: float) -> Iterator[DrawnShape]:
    """Where each bend begins and ends, and under the figures how far it turns."""
    for bend, lane in _bend_lanes(flat):
        for x in (bend.start / MM, bend.end / MM):
            yield Line("bend lines", Point(x, middle - half - 0.3), Point(x, middle + half + 0.8))
        at = Point((bend.start + bend.end) / 2.0 / MM, under - (lane + 1) * LANE)
        yield Text("text", at, SMALL, _turned(bend))


def _bend_lanes(flat: Development) -> list[tuple[FlatBend, int]]:
    """Bends with the lane of their words, so that those of short ones stay apart."""
    starts = [(each.start + each.end) / 2.0 / MM for each in flat.bends]
    spans = [(x, x + 0.76 * SMALL * len(_turned(each))) for x, each in zip(starts, flat.bends, strict=True)]
    return list(zip(flat.bends, levels(spans, 2.0), strict=True))


def _turned(bend: FlatBend) -> str:
    return f"bend {bend.bend.angle / DEGREE:g} deg"


def _words(instrument: Instrument, flat: Development) -> Iterator[str]:
    bar, units = instrument.bar, instrument.bench.units
    unit = "in" if units == "inch" else "mm"
    yield f"{instrument.name or 'untitled'}: {bar_words(bar.section, units)}, {bar.material.name}"
    named = "inches" if units == "inch" else "mm"
    yield f"saw to {_shown(flat.length / MM, units)} {unit}; all places from the left end, in {named}"
    for hole, names in holes_by_group(instrument).items():
        yield f"{hole.drill}: {hole.words}: {names}"
    deep = {
        joint(t, bar, instrument.bench).in_bar
        for t in instrument.tines
        if instrument.bench.holes == "tapping"
    }
    if deep:
        yield f"tapped at least {_shown(max(deep) / MM, units)} {unit} deep"
    if bar.supports:
        places = ", ".join(_shown(flat.flat(each.position) / MM, units) for each in bar.supports)
        yield f"supports at {places} {unit}"
    for number, bend in enumerate(flat.bends, start=1):
        yield from _bend_words(number, bend, units)
    if any(isinstance(each, Bend) for each in bar.path):
        yield "holes drilled before bending deform in a bend: drill those after bending, by the bent template"
    yield from IN_SHORT


def _bend_words(number: int, bend: FlatBend, units: Units) -> Iterator[str]:
    unit = "in" if units == "inch" else "mm"
    start, end, length, inside, less = (
        _shown(each / MM, units) for each in (bend.start, bend.end, bend.length, bend.inside, bend.shortened)
    )
    yield (
        f"bend {number}: {abs(bend.bend.angle) / DEGREE:g} deg {_toward(bend.bend)}, inside radius "
        f"{inside} {unit}, between the bend lines at {start} and {end}"
    )
    yield (
        f"  allowance {length} {unit}, {less} less than along the middle: neutral axis at {bend.neutral:.2f} of "
        "the thickness from the inside"
    )


def _toward(bend: Bend) -> str:
    """Which way a bend goes, as the bar lies there."""
    plane = math.remainder(bend.plane + (math.pi if bend.angle < 0.0 else 0.0), 2.0 * math.pi) / DEGREE
    names = {
        0: "to the back (+y)",
        90: "up",
        180: "to the front (-y)",
        -90: "down",
        -180: "to the front (-y)",
    }
    return names.get(round(plane), f"towards {plane:g} deg from the back (+y) upwards")


def holes_by_group(instrument: Instrument) -> dict[Hole, str]:
    """Each size of hole with the groups that take it."""
    groups: dict[Hole, dict[str, None]] = {}
    for tine in instrument.tines:
        hole = joint(tine, instrument.bar, instrument.bench).hole
        groups.setdefault(hole, {})[instrument.groups[tine.group].name] = None
    return {hole: ", ".join(names) for hole, names in groups.items()}


def lines_of_words(lines: Iterator[str], start: Point) -> Iterator[DrawnShape]:
    """Lines below one another, long ones on several, so that each is whole on the page where it begins."""
    from reportlab.lib.utils import simpleSplit

    split = (part for words in lines for part in simpleSplit(words, typeface(), 1.37 * LARGE, LINE_MM))
    for number, words in enumerate(split):
        yield Text("text", start.moved(0.0, -1.6 * LARGE * number), LARGE, words)


def _shown(mm: float, units: Units) -> str:
    return place_words(mm * MM, units)
