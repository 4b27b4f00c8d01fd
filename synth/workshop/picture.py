"""One sheet painted in the order of its shapes, as SVG and as PDF: the same list of shapes gives both.

In: patches, lines and words in mm on a sheet, x to the right and y upwards from its lower left corner. Out: a file
of the sheet's true size. It knows no instrument.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

from synth.files import atomic_write, write_text
from synth.frozen import frozen
from synth.workshop.drawing import Line, Point, Text, svg_shape
from synth.workshop.tiling import POINTS_PER_MM, draw_shape
from synth.workshop.typeface import typeface

# Pen widths in mm, of the series 0.13, 0.18, 0.25, 0.35, 0.5 (ISO 128-20).
PENS: Final = {
    "frame": 0.5, "contour": 0.35, "fine": 0.18, "tine": 0.13, "dimensions": 0.13, "words": 0.13, "leader": 0.13,
}  # fmt: skip
# Grey of what is filled, 1 white: enough to tell the pieces apart, and to print on any printer.
FILLS: Final = {
    "bar": 0.86, "tine": 1.0, "base nut": 0.93, "trim nut": 0.55, "foot": 0.75, "board": 0.96, "support": 0.7,
    "paper": 1.0, "arrow": 0.0, "hole": 0.8,
}  # fmt: skip


@frozen
class Patch:
    """A polygon filled without an edge."""

    fill: str
    corners: tuple[Point, ...]


Ink = Patch | Line | Text


@frozen
class Sheet:
    title: str
    width: float  # mm
    height: float
    ink: tuple[Ink, ...]


def text_width(words: str, height: float) -> float:
    """How wide words of letters `height` high are, in the unit of the height."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(words, typeface(), height * 1.37))


def scaled(ink: Sequence[Patch | Line], ratio: float, at: Point) -> list[Patch | Line]:
    """The same at 1:`ratio`, its origin at a place of the sheet."""

    def moved(point: Point) -> Point:
        return Point(at.x + point.x / ratio, at.y + point.y / ratio)

    return [
        Patch(each.fill, tuple(moved(p) for p in each.corners))
        if isinstance(each, Patch)
        else Line(each.layer, moved(each.start), moved(each.end))
        for each in ink
    ]


def write_svg_sheet(sheet: Sheet, path: Path) -> None:
    """An SVG file, a unit a millimetre."""
    write_text(path, svg_of(sheet))


def svg_of(sheet: Sheet) -> str:
    """The text of that file."""
    body = "\n".join(
        f"<g {_look(look)}>\n" + "\n".join(_svg(each, sheet.height) for each in run) + "\n</g>"
        for look, run in groupby(sheet.ink, key=_kind)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width:g}mm" height="{sheet.height:g}mm" '
        f'viewBox="0 0 {sheet.width:g} {sheet.height:g}" fill="none" stroke-linecap="round" '
        f'stroke-linejoin="round">\n<title>{escape(sheet.title)}</title>\n'
        f'<rect width="100%" height="100%" fill="white"/>\n{body}\n</svg>\n'
    )


def write_pdf_sheet(sheet: Sheet, path: Path) -> None:
    """A PDF of one page."""
    from reportlab.pdfgen.canvas import Canvas

    with atomic_write(path) as beside, beside.open("wb") as file:
        size = (sheet.width * POINTS_PER_MM, sheet.height * POINTS_PER_MM)
        canvas = Canvas(file, pagesize=size, invariant=1)
        canvas.setTitle(sheet.title)
        canvas.setViewerPreference("PrintScaling", "None")
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        paint(canvas, sheet)
        canvas.showPage()
        canvas.save()


def paint(canvas: Any, sheet: Sheet) -> None:
    """The sheet on a canvas whose unit is a millimetre of it."""
    canvas.setLineCap(1)
    for look, run in groupby(sheet.ink, key=_kind):
        if look in PENS:
            canvas.setLineWidth(PENS[look])
        for each in run:
            if not isinstance(each, Patch):
                draw_shape(canvas, each)
                continue
            canvas.setFillGray(FILLS[each.fill])
            outline = canvas.beginPath()
            outline.moveTo(each.corners[0].x, each.corners[0].y)
            for corner in each.corners[1:]:
                outline.lineTo(corner.x, corner.y)
            outline.close()
            canvas.drawPath(outline, stroke=0, fill=1)
            canvas.setFillGray(0.0)


def _kind(each: Ink) -> str:
    return f"fill {each.fill}" if isinstance(each, Patch) else each.layer


def _look(look: str) -> str:
    if look in PENS:
        return f'class="{look}" stroke="black" stroke-width="{PENS[look]}"'
    fill = look.removeprefix("fill ")
    grey = round(255 * FILLS[fill])
    return f'class="{fill}" fill="rgb({grey},{grey},{grey})"'


def _svg(each: Ink, height: float) -> str:
    if not isinstance(each, Patch):
        return svg_shape(each, Point(0.0, height))
    corners = " ".join(f"{p.x:.3f},{height - p.y:.3f}" for p in each.corners)
    return f'<polygon points="{corners}"/>'
