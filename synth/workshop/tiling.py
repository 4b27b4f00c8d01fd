"""A drawing on paper at true size: PDF pages tiled over A4 or Letter, with overlap to glue along.

In: a `Drawing` in mm. Out: a PDF whose viewer is told not to scale. It knows no instrument.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any, Final, Literal

from synth.files import atomic_write
from synth.frozen import frozen
from synth.workshop.drawing import (
    DASHED,
    LINE_WIDTH,
    Arc,
    Circle,
    Drawing,
    DrawnShape,
    Line,
    Point,
    check_bar,
    chords,
    extent,
)
from synth.workshop.labels import Box, crossed
from synth.workshop.typeface import shortened, typeface

PaperName = Literal["A4", "Letter"]
SIZES: Final[dict[PaperName, tuple[float, float]]] = {
    "A4": (297.0, 210.0),  # mm, ISO 216, long side level
    "Letter": (279.4, 215.9),  # mm, ANSI/ASME Y14.1
}
MARGIN: Final = 12.0  # mm that office printers leave white, with some to spare
OVERLAP: Final = 10.0  # mm of the drawing that two neighbouring pages share
LEAST_EDGE: Final = 1.0  # mm
GAP: Final = 4.5  # mm of nothing between two strips, where a row of pages may end
FOOT: Final = 14.0  # mm below the drawing for the check bar and the page's name
BESIDE_BAR: Final = 115.0  # mm from the margin, clear of the check bar
POINTS_PER_MM: Final = 72.0 / 25.4  # PDF user space, ISO 32000


@frozen
class Tile:
    """What one page shows: the drawing's rectangle from `corner`, in row (from the lowest) and column."""

    row: int
    column: int
    corner: Point
    width: float
    height: float
    goes_on_below: bool  # it shares `OVERLAP` with the row below, else nothing is cut between the two


def tiles(drawing: Drawing, paper: PaperName) -> list[Tile]:
    """The pages that cover a drawing with its quiet edge and are not empty.

    Neighbours in a row share `OVERLAP`. Rows break where nothing is drawn, between strips, unless what stands
    together is higher than a page.
    """
    low, high = drawing.bounds
    width = SIZES[paper][0] - 2 * MARGIN
    height = SIZES[paper][1] - 2 * MARGIN - FOOT
    segments, edge = chords(drawing.shapes), _edge(high.x - low.x, width, drawing.quiet)
    found = []
    for row, (level, tall, goes_on) in enumerate(_rows(drawing, height)):
        for column in range(_count(high.x - low.x + 2.0 * edge, width)):
            corner = Point(low.x - edge + column * (width - OVERLAP), level)
            if crossed(Box(corner.x, corner.y, corner.x + width, corner.y + tall), segments):
                found.append(Tile(row, column, corner, width, tall, goes_on))
    return found


def _rows(drawing: Drawing, height: float) -> Iterator[tuple[float, float, bool]]:
    """The lower edge and the height of each row of pages, from below, and whether it goes on on the row below."""
    rows: list[tuple[float, float, bool]] = []  # with the upper end of what it holds in place of its height
    for low, high in _apart(_blocks(drawing), height, drawing.quiet):
        if rows and high - rows[-1][0] <= height:
            rows[-1] = (rows[-1][0], high, rows[-1][2])
            continue
        if not rows or high - low <= height:
            rows.append((low, high, False))
        while high - rows[-1][0] > height:
            rows.append((rows[-1][0] + height - OVERLAP, high, True))
    for (low, top, goes_on), after in zip_longest(rows, rows[1:]):
        whole = after is None or after[2]
        yield low, height if whole else min(height, top - low), goes_on


def _apart(
    blocks: Sequence[tuple[float, float]], height: float, quiet: float
) -> Iterator[tuple[float, float]]:
    """The blocks with a quiet edge below and above, less where two would meet: there each takes half of the gap."""
    most = _edge(blocks[-1][1] - blocks[0][0], height, quiet)
    ends = [-math.inf, *(end for block in blocks for end in block), math.inf]
    for under, low, high, over in zip(ends[:-3:2], ends[1:-2:2], ends[2:-1:2], ends[3::2], strict=True):
        edge = min(most, _edge(high - low, height, quiet))
        yield low - min(edge, (low - under) / 2.0), high + min(edge, (over - high) / 2.0)


def _edge(extent: float, window: float, quiet: float) -> float:
    """As much of the quiet edge as costs no further page, or all of it where that is next to nothing."""
    spare = (_count(extent, window) * (window - OVERLAP) + OVERLAP - extent) / 2.0 - 1e-9
    return min(quiet, spare) if spare >= LEAST_EDGE else quiet


def _blocks(drawing: Drawing) -> list[tuple[float, float]]:
    """What stands together from below: spans of height with less than `GAP` of nothing between their shapes."""
    ends = [[point.y for point in extent(shape)] for shape in drawing.shapes]
    found: list[tuple[float, float]] = []
    for low, high in sorted((min(each), max(each)) for each in ends):
        if found and low - found[-1][1] < GAP:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return found


def _count(extent: float, window: float) -> int:
    return 1 if extent <= window else math.ceil((extent - OVERLAP) / (window - OVERLAP))


def write_pdf(drawing: Drawing, path: Path, *, paper: PaperName, notes: tuple[str, ...] = ()) -> int:
    """The number of pages written. Notes (cautions) stand on a last page of their own."""
    from reportlab.pdfgen.canvas import Canvas

    pages = tiles(drawing, paper)
    with atomic_write(path) as beside, beside.open("wb") as file:
        size = tuple(side * POINTS_PER_MM for side in SIZES[paper])
        canvas = Canvas(file, pagesize=size)
        canvas.setTitle(drawing.title)
        canvas.setViewerPreference("PrintScaling", "None")
        for tile in pages:
            _page(canvas, drawing, tile, of=len(pages))
        if notes:
            _notes(canvas, notes, SIZES[paper][1])
        canvas.save()
    return len(pages) + bool(notes)


def _page(canvas: Any, drawing: Drawing, tile: Tile, *, of: int) -> None:
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setLineWidth(LINE_WIDTH)
    foot = check_bar(Point(MARGIN, MARGIN), drawing.units)
    for shape in foot:
        draw_shape(canvas, shape)
    canvas.setFont(typeface(), 3.0)
    canvas.drawString(MARGIN + BESIDE_BAR, MARGIN, _page_name(drawing.title, tile, of))
    _overlap_marks(canvas, tile)
    canvas.saveState()
    window = canvas.beginPath()
    window.rect(MARGIN, MARGIN + FOOT, tile.width, tile.height)
    canvas.clipPath(window, stroke=0)
    canvas.translate(MARGIN - tile.corner.x, MARGIN + FOOT - tile.corner.y)
    for shape in drawing.shapes:
        draw_shape(canvas, shape)
    canvas.restoreState()
    canvas.showPage()


def _page_name(title: str, tile: Tile, of: int) -> str:
    """A title as long as leaves room for the page's row and column beside the check bar."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    place = f": row {tile.row + 1}, column {tile.column + 1}, {of} in all"
    room = min(width for width, _ in SIZES.values()) - 2 * MARGIN - BESIDE_BAR
    return shortened(title, room, lambda some: float(stringWidth(some + place, typeface(), 3.0))) + place


def _overlap_marks(canvas: Any, tile: Tile) -> None:
    """Dashed lines to cut or fold along: what lies beyond them is printed again on the neighbouring page."""
    canvas.setDash(1.5, 1.5)
    left, low = MARGIN, MARGIN + FOOT
    right, high = left + tile.width, low + tile.height
    canvas.rect(left, low, tile.width, tile.height)
    if tile.column:
        canvas.line(left + OVERLAP, low, left + OVERLAP, high)
    if tile.goes_on_below:
        canvas.line(left, low + OVERLAP, right, low + OVERLAP)
    canvas.setDash()


def draw_shape(canvas: Any, shape: DrawnShape) -> None:
    canvas.setDash(list(DASHED.get(shape.layer, ())))
    if isinstance(shape, Line):
        canvas.line(shape.start.x, shape.start.y, shape.end.x, shape.end.y)
    elif isinstance(shape, Circle):
        canvas.circle(shape.centre.x, shape.centre.y, shape.radius, stroke=1, fill=0)
    elif isinstance(shape, Arc):
        c, r = shape.centre, shape.radius
        sweep = (shape.end_deg - shape.start_deg) % 360.0
        canvas.arc(c.x - r, c.y - r, c.x + r, c.y + r, startAng=shape.start_deg, extent=sweep)
    else:
        canvas.saveState()
        canvas.translate(shape.at.x, shape.at.y)
        canvas.rotate(shape.turn_deg)
        canvas.setFont(typeface(), shape.height * 1.37)  # capitals of DejaVu Sans are 0.73 of its size
        canvas.drawString(0.0, 0.0, shape.words)
        canvas.restoreState()


def _notes(canvas: Any, notes: tuple[str, ...], height: float) -> None:
    from reportlab.lib.utils import simpleSplit

    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setFont(typeface(), 4.0)
    line = height - 20.0
    for note in notes:
        for words in simpleSplit(note, typeface(), 4.0, 240.0):
            canvas.drawString(20.0, line, words)
            line -= 6.0
        line -= 2.0
    canvas.showPage()
