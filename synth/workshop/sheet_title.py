"""The lower right corner of a drawing: the table of groups and the block with name, scale, bar and stand.

In: an instrument, its tines' lengths, a board or none. Out: lines and words on the sheet, in mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from synth.arrays import Array
from synth.design.instrument import Bend, Board, Instrument
from synth.units import DEGREE
from synth.workshop.drawing import Line, Point, Text
from synth.workshop.geometry import FOOT_HEIGHT
from synth.workshop.labels import Box
from synth.workshop.length_text import UNIT, short_words, sold_words
from synth.workshop.lettering import SMALL, cut, frame
from synth.workshop.picture import Ink

TITLE: Final = 4.5  # mm, height of capitals
COLUMN: Final = 128.0  # mm that the oblique view, the table and the title need at least
TITLE_HEIGHT: Final = 30.0
ROW: Final = 4.0  # mm, of the table
COLUMNS: Final = (0.0, 22.0, 33.0, 48.0, 63.0)  # mm, of the table of groups


def table_height(instrument: Instrument) -> float:
    """What the table of groups takes, mm."""
    return ROW * (len(instrument.groups) + 1) + 4.0


def rows_of_groups(instrument: Instrument, lengths: Array, at: Point) -> Iterator[Ink]:
    """A row for each group; `lengths` (R,) m, as tuned."""
    units = instrument.bench.units
    unit = UNIT[units]
    heads = ("group", "tines", f"from {unit}", f"to {unit}", f"stock; free lengths {unit}")
    rows: list[tuple[str, ...]] = [heads]
    for group in instrument.groups:
        tines, free = instrument.tines[group.tines], lengths[group.tines]
        stock = ", ".join(dict.fromkeys(tine.rod.name for tine in tines))
        places = [tine.position for tine in tines]
        ends = [
            short_words(each, units)
            for each in (min(places), max(places), float(free.min()), float(free.max()))
        ]
        rows.append((group.name, str(group.count), *ends[:2], f"{stock}; {ends[2]} to {ends[3]}"))
    for number, row in enumerate(rows):
        y = at.y - ROW * (number + 1)
        for column, words in zip(COLUMNS, row, strict=True):
            room = (*COLUMNS, COLUMN - 8.0)[COLUMNS.index(column) + 1] - column - 1.0
            yield Text("words", Point(at.x + column, y), SMALL, cut(words, room))
        yield Line("dimensions", Point(at.x, y - 1.2), Point(at.x + COLUMN - 12.0, y - 1.2))


def title_block(instrument: Instrument, board: Board | None, ratio: float, box: Box) -> Iterator[Ink]:
    """Name, scale, bar, what it stands on."""
    unit = "inches" if instrument.bench.units == "inch" else "mm"
    yield from frame(box.left, box.low, box.right, box.high)
    room = box.right - box.left - 6.0
    x = box.left + 3.0
    yield Text("words", Point(x, box.high - 7.5), TITLE, cut(instrument.name or "untitled", room, TITLE))
    scale = f"1:{ratio:g}" if ratio >= 1.0 else f"{1.0 / ratio:g}:1"
    lines = [
        f"Scale {scale}; all sizes in {unit}; {len(instrument.tines)} tines, {len(instrument.groups)} groups",
        f"Bar: {_bar_words(instrument)}",
        _standing_words(instrument, board),
        "Places of groups along the bar's axis, from its start"
        + (f"; feet drawn {short_words(FOOT_HEIGHT, instrument.bench.units)} high" if board else ""),
    ]
    for number, words in enumerate(lines):
        yield Text("words", Point(x, box.high - 13.0 - 4.3 * number), SMALL, cut(words, room))


def _bar_words(instrument: Instrument) -> str:
    bar, units = instrument.bar, instrument.bench.units
    s, size = (
        bar.section,
        {
            "w": short_words(bar.section.width, units),
            "h": short_words(bar.section.height, units),
            "t": sold_words(bar.section.wall, units),
        },
    )
    shape = {
        "rectangle": f"{size['w']} x {size['h']}",
        "round": f"round {size['w']}",
        "tube": f"tube {size['w']} x {size['t']}",
    }[s.shape]
    parts = [
        f"{abs(each.angle) / DEGREE:.4g}\N{DEGREE SIGN} R{short_words(each.radius, units)}"
        if isinstance(each, Bend)
        else short_words(each.length, units)
        for each in bar.path
    ]
    return f"{shape}, {bar.material.name}; path {' + '.join(parts)}"


def _standing_words(instrument: Instrument, board: Board | None) -> str:
    units = instrument.bench.units
    if board is not None:
        sides = " x ".join(short_words(each, units) for each in (board.length, board.width, board.thickness))
        deep = f", {short_words(board.depth, units)} deep" if board.kind == "box" else ""
        return f"On {board.name} ({board.kind}): {sides}{deep}, {board.material.name}"
    if not (supports := instrument.bar.supports):
        return "No supports"
    kinds = "/".join(dict.fromkeys(each.kind for each in supports))
    return f"Supports ({kinds}) at " + ", ".join(short_words(each.position, units) for each in supports)
