"""A flat drawing in millimetres and how it becomes DXF and SVG at true size. It knows no instrument.

In: shapes on named layers, x to the right and y upwards, in mm. Out: a file that measures what it says. The idea:
one list of shapes, drawn by every writer, so that no two files can disagree.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape

import numpy as np

from synth.arrays import Array
from synth.files import atomic_write, write_text
from synth.frozen import frozen
from synth.units import Units

# Layers are named for what they are. Colours are the index numbers that DXF readers share.
LAYERS: Final = {
    "outline": 7,
    "holes": 1,
    "centre marks": 2,
    "bend lines": 6,
    "text": 3,
    "dimensions": 4,
    "check bar": 5,
}
DASHED: Final = {"bend lines": (4.0, 1.0, 0.5, 1.0)}  # mm drawn and left out, the chain line of ISO 128
CHORD_DEG: Final = 2.0  # of a curve, where chords stand for it
LINE_WIDTH: Final = 0.18  # mm, a technical pen of ISO 9175-1: thin enough to scribe along
# long enough to see a print scaled by 1 %; mm, and as a ruler of that unit is read
CHECK_BAR: Final[dict[Units, tuple[float, str]]] = {"mm": (100.0, "100 mm"), "inch": (101.6, "4 in")}


@frozen
class Point:
    x: float
    y: float

    def moved(self, x: float, y: float) -> Point:
        return Point(self.x + x, self.y + y)


@frozen
class Line:
    layer: str
    start: Point
    end: Point


@frozen
class Circle:
    layer: str
    centre: Point
    radius: float


@frozen
class Arc:
    """Counter-clockwise from `start_deg` to `end_deg`, measured from +x."""

    layer: str
    centre: Point
    radius: float
    start_deg: float
    end_deg: float


@frozen
class Text:
    """Words whose baseline starts at a point."""

    layer: str
    at: Point
    height: float
    words: str
    turn_deg: float = 0.0


DrawnShape = Line | Circle | Arc | Text


@frozen
class Drawing:
    title: str
    shapes: tuple[DrawnShape, ...]
    units: Units = "mm"  # of the bar that checks the print
    quiet: float = 0.0  # mm left white round it on paper, so that nothing stands on a line to cut along

    @property
    def bounds(self) -> tuple[Point, Point]:
        """The lower left and upper right corner of everything drawn."""
        corners = [point for shape in self.shapes for point in extent(shape)]
        xs, ys = [each.x for each in corners], [each.y for each in corners]
        return Point(min(xs), min(ys)), Point(max(xs), max(ys))


def extent(shape: DrawnShape) -> Iterator[Point]:
    """Points that enclose a shape (of an arc its ends and every quarter point on it)."""
    if isinstance(shape, Line):
        yield from (shape.start, shape.end)
    elif isinstance(shape, Circle):
        yield shape.centre.moved(-shape.radius, -shape.radius)
        yield shape.centre.moved(shape.radius, shape.radius)
    elif isinstance(shape, Arc):
        sweep = (shape.end_deg - shape.start_deg) % 360.0
        quarters = [a for a in range(-360, 721, 90) if 0.0 < a - shape.start_deg < sweep]
        for angle in (shape.start_deg, *quarters, shape.end_deg):
            yield on_circle(shape.centre, shape.radius, angle)
    else:
        width = 0.76 * shape.height * len(shape.words)  # of a wide sans-serif letter
        turn = math.radians(shape.turn_deg)
        low = -0.3 * shape.height  # descenders
        for along, up in ((0.0, low), (width, low), (width, shape.height), (0.0, shape.height)):
            yield shape.at.moved(
                along * math.cos(turn) - up * math.sin(turn), along * math.sin(turn) + up * math.cos(turn)
            )


def on_circle(centre: Point, radius: float, angle_deg: float) -> Point:
    angle = math.radians(angle_deg)
    return centre.moved(radius * math.cos(angle), radius * math.sin(angle))


def chords(shapes: Sequence[DrawnShape]) -> Array:
    """Every shape as straight segments (n, 2, 2), curves as chords."""
    found: list[tuple[Point, Point]] = []
    for shape in shapes:
        if isinstance(shape, Line):
            found.append((shape.start, shape.end))
        elif isinstance(shape, Text):
            found += pairwise(extent(shape))
        else:
            start, sweep = (
                (shape.start_deg, (shape.end_deg - shape.start_deg) % 360.0)
                if isinstance(shape, Arc)
                else (0.0, 360.0)
            )
            parts = math.ceil(sweep / CHORD_DEG)
            round_it = [
                on_circle(shape.centre, shape.radius, start + sweep * n / parts) for n in range(parts + 1)
            ]
            found += pairwise(round_it)
    return np.array([[(a.x, a.y), (b.x, b.y)] for a, b in found]).reshape(-1, 2, 2)


def polyline(layer: str, points: list[Point]) -> list[DrawnShape]:
    return [Line(layer, start, end) for start, end in pairwise(points)]


def centre_mark(centre: Point, size: float) -> list[DrawnShape]:
    """A cross to centre-punch."""
    return [
        Line("centre marks", centre.moved(-size, 0.0), centre.moved(size, 0.0)),
        Line("centre marks", centre.moved(0.0, -size), centre.moved(0.0, size)),
    ]


def check_bar(at: Point, units: Units) -> list[DrawnShape]:
    """A bar that must measure exactly 100 mm, or 4 in, on paper."""
    length, told = CHECK_BAR[units]
    end = at.moved(length, 0.0)
    return [
        Line("check bar", at, end),
        Line("check bar", at.moved(0.0, -2.0), at.moved(0.0, 2.0)),
        Line("check bar", end.moved(0.0, -2.0), end.moved(0.0, 2.0)),
        Text("text", at.moved(2.0, 1.0), 2.4, f"this bar must measure {told}: print without scaling"),
    ]


def write_dxf(drawing: Drawing, path: Path) -> None:
    """A DXF R2010 file in millimetres."""
    import ezdxf
    from ezdxf import units

    document = ezdxf.new("R2010", setup=True, units=units.MM)  # type: ignore[attr-defined]
    document.header["$MEASUREMENT"] = 1
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour, linetype="CENTER" if name == "bend lines" else "CONTINUOUS")
    space = document.modelspace()
    for shape in drawing.shapes:
        look = {"layer": shape.layer}
        if isinstance(shape, Line):
            space.add_line((shape.start.x, shape.start.y), (shape.end.x, shape.end.y), dxfattribs=look)
        elif isinstance(shape, Circle):
            space.add_circle((shape.centre.x, shape.centre.y), shape.radius, dxfattribs=look)
        elif isinstance(shape, Arc):
            centre = (shape.centre.x, shape.centre.y)
            space.add_arc(centre, shape.radius, shape.start_deg, shape.end_deg, dxfattribs=look)
        else:
            text = space.add_text(shape.words, height=shape.height, rotation=shape.turn_deg, dxfattribs=look)
            text.set_placement((shape.at.x, shape.at.y))
    low, high = drawing.bounds
    for name, corner in (("$EXTMIN", low), ("$EXTMAX", high), ("$LIMMIN", low), ("$LIMMAX", high)):
        document.header[name] = (corner.x, corner.y, 0.0) if name.startswith("$EXT") else (corner.x, corner.y)
    space.dxf.extmin, space.dxf.extmax = (low.x, low.y, 0.0), (high.x, high.y, 0.0)
    space.dxf.limmin, space.dxf.limmax = (low.x, low.y), (high.x, high.y)
    with atomic_write(path) as beside:
        document.saveas(beside)


def write_svg(drawing: Drawing, path: Path, *, margin: float = 5.0) -> None:
    """An SVG file whose width and height in mm are its viewBox: one unit is one millimetre."""
    low, high = drawing.bounds
    width, height = high.x - low.x + 2 * margin, high.y - low.y + 2 * margin
    position = Point(
        margin - low.x, margin + high.y
    )  # x' = x + place.x, y' = place.y - y: SVG counts downwards
    body = "\n".join(
        f'<g id="{layer.replace(" ", "-")}"{_dashes(layer)}>\n{inner}\n</g>'
        for layer in LAYERS
        if (inner := "\n".join(svg_shape(each, position) for each in drawing.shapes if each.layer == layer))
    )
    document = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.4f}mm" height="{height:.4f}mm" '
        f'viewBox="0 0 {width:.4f} {height:.4f}" fill="none" stroke="black" stroke-width="{LINE_WIDTH}">\n'
        f"<title>{escape(drawing.title)}</title>\n{body}\n</svg>\n"
    )
    write_text(path, document)


def _dashes(layer: str) -> str:
    pattern = " ".join(f"{each:g}" for each in DASHED.get(layer, ()))
    return f' stroke-dasharray="{pattern}"' if pattern else ""


def svg_shape(shape: DrawnShape, position: Point) -> str:
    def at(point: Point) -> tuple[float, float]:
        return point.x + position.x, position.y - point.y

    if isinstance(shape, Line):
        (x1, y1), (x2, y2) = at(shape.start), at(shape.end)
        return f'<line x1="{x1:.4f}" y1="{y1:.4f}" x2="{x2:.4f}" y2="{y2:.4f}"/>'
    if isinstance(shape, Circle):
        x, y = at(shape.centre)
        return f'<circle cx="{x:.4f}" cy="{y:.4f}" r="{shape.radius:.4f}"/>'
    if isinstance(shape, Arc):
        x1, y1 = at(on_circle(shape.centre, shape.radius, shape.start_deg))
        x2, y2 = at(on_circle(shape.centre, shape.radius, shape.end_deg))
        large = int((shape.end_deg - shape.start_deg) % 360.0 > 180.0)
        r = f"{shape.radius:.4f}"
        return f'<path d="M {x1:.4f} {y1:.4f} A {r} {r} 0 {large} 0 {x2:.4f} {y2:.4f}"/>'
    x, y = at(shape.at)
    turn = f' transform="rotate({-shape.turn_deg:.3f} {x:.4f} {y:.4f})"' if shape.turn_deg else ""
    return (
        f'<text x="{x:.4f}" y="{y:.4f}" font-family="sans-serif" font-size="{shape.height * 1.4:.3f}" '
        f'fill="black" stroke="none"{turn}>{escape(shape.words)}</text>'
    )
