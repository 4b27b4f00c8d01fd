"""The cut list as a document to print and as a table for a spreadsheet.

In: a `CutList` and its instrument. Out: a `Document`; rows of a CSV file.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from synth.design.fixings import slides
from synth.design.instrument import Instrument, PlacedNut
from synth.files import atomic_write
from synth.units import GRAM, INCH, MM, Units
from synth.workshop.cautions import CAUTIONS, HEADING
from synth.workshop.cutlist import CutList, Purchase, StockBar
from synth.workshop.length_text import UNIT, inch_words, length_words, place_words
from synth.workshop.paper import Bullets, Document, Heading, PaperTable, Paragraph, Part

COLUMNS: Final = (
    "number", "group", "tine", "pitch_hz", "stock", "cut_mm", "cut_in", "free_mm", "clamped_mm", "bar",
    "base_nut", "base_nuts", "washers", "trim_nuts", "hole_mm", "mass_g",
)  # fmt: skip


def cut_list_document(instrument: Instrument, cuts: CutList) -> Document:
    """What is taken to the saw."""
    return Document(f"Cut list: {instrument.name or 'untitled'}", tuple(_parts(instrument, cuts)))


def write_csv(instrument: Instrument, cuts: CutList, path: Path) -> None:
    """One row a tine; lengths in mm with a point, and in inches to the nearest 64th."""
    with atomic_write(path) as beside, beside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        writer.writerows(_csv_rows(cuts, instrument.bench.units))


def _csv_rows(cuts: CutList, units: Units) -> Iterator[tuple[object, ...]]:
    bar_of = _bar_numbers(cuts)
    for index, piece in enumerate(cuts.pieces):
        nuts = piece.joint.nuts
        yield (
            index + 1,
            piece.group,
            piece.number,
            f"{piece.pitch:.3f}",
            piece.stock,
            f"{piece.cut / MM:.2f}",
            inch_words(piece.cut / INCH),
            f"{piece.free / MM:.2f}",
            f"{piece.joint.clamped / MM:.2f}",
            bar_of[index],
            nuts[0].name if nuts else "",
            len(nuts),
            len(piece.joint.washers),
            "; ".join(
                f"{each.nut.name} at {place_words(each.position, units)} {UNIT[units]}" for each in piece.trim
            ),
            f"{piece.joint.hole.diameter / MM:.2f}",
            f"{piece.mass / GRAM:.2f}",
        )


def _parts(instrument: Instrument, cuts: CutList) -> Iterator[Part]:
    units = instrument.bench.units
    yield Paragraph(_sum_in_words(instrument))
    if units == "inch":
        yield Paragraph("Lengths in inches, to the nearest 1/64.")
    yield Heading(HEADING)
    yield Bullets(CAUTIONS)
    yield Heading("Pieces")
    yield _pieces(instrument, cuts)
    yield Heading("From which bar of stock")
    kerf = length_words(instrument.bench.kerf, units)
    yield Paragraph(
        f"Saw in this order; the saw takes {kerf} {UNIT[units]} a cut. Numbers are those of the pieces above."
    )
    yield _sawing(instrument, cuts)
    yield Heading("What is clamped")
    yield _clamped(cuts, units)
    yield Heading("To buy")
    yield _to_buy(instrument, cuts)
    yield Paragraph(_cost_in_words(instrument, cuts))
    yield Paragraph(
        f"Mass: bar {cuts.bar_mass:.2f} kg (holes not taken off), rods {cuts.rods_mass / GRAM:.0f} g, "
        f"nuts and washers {cuts.hardware_mass / GRAM:.0f} g; together {cuts.mass:.2f} kg."
    )


def _sum_in_words(instrument: Instrument) -> str:
    bench = instrument.bench
    saw, tuning = (length_words(each, bench.units) for each in (bench.saw_allowance, bench.tuning_allowance))
    unit = UNIT[bench.units]
    stuck = dict.fromkeys(instrument.groups[tine.group].name for tine in instrument.tines if not slides(tine))
    filed = f"; glued tines ({', '.join(stuck)}) keep it at the tip, to be filed off" if stuck else ""
    return (
        f"Cut length = free length + clamped length + {saw} {unit} for saw and file + {tuning} {unit} for tuning. "
        "Free length counts from the base nut's upper face to the tip; what is for tuning goes below, so that the "
        f"rod can slide up{filed}. Leave both ends square; round the tip."
    )


def _pieces(instrument: Instrument, cuts: CutList) -> PaperTable:
    units = instrument.bench.units
    unit, bar_of = UNIT[units], _bar_numbers(cuts)
    heads = (
        "no.",
        "group",
        "tine",
        "pitch",
        "stock",
        f"cut {unit}",
        f"free {unit}",
        f"clamped {unit}",
        "bar",
    )
    rows = [
        (
            str(index + 1),
            piece.group,
            str(piece.number),
            _pitch(*instrument.note(piece.pitch)),
            piece.stock,
            length_words(piece.cut, units),
            length_words(piece.free, units),
            length_words(piece.joint.clamped, units),
            str(bar_of[index]),
            ", ".join(trim_words(each, units) for each in piece.trim),
        )
        for index, piece in enumerate(cuts.pieces)
    ]
    if any(piece.trim for piece in cuts.pieces):
        return PaperTable((*heads, f"trim nuts at {unit}"), tuple(rows), ticks=True)
    return PaperTable(heads, tuple(row[:-1] for row in rows), ticks=True)


def trim_words(placed: PlacedNut, units: Units) -> str:
    """A trim nut and where its middle goes, above the base nut's upper face."""
    return f"{placed.nut.name} at {length_words(placed.position, units)}"


def _pitch(name: str, off: float) -> str:
    return f"{name} {off:+z.0f} c" if abs(off) >= 0.5 else name


def _sawing(instrument: Instrument, cuts: CutList) -> PaperTable:
    units = instrument.bench.units
    rows = [
        (str(number), bar.stock, _in_order(cuts, bar, units), length_words(bar.left, units))
        for number, bar in enumerate(cuts.bars, start=1)
    ]
    return PaperTable(
        ("bar", "stock", "pieces: number and length", f"left {UNIT[units]}"), tuple(rows), ticks=True
    )


def _in_order(cuts: CutList, bar: StockBar, units: Units) -> str:
    return ", ".join(f"{index + 1}: {length_words(cuts.pieces[index].cut, units)}" for index in bar.pieces)


def _clamped(cuts: CutList, units: Units) -> PaperTable:
    rows = {
        (
            piece.stock,
            f"{piece.joint.hole.drill}, {piece.joint.hole.words}",
            piece.joint.words(units),
            length_words(piece.joint.clamped, units),
        )
        for piece in cuts.pieces
    }
    return PaperTable(("stock", "hole", "made up of", f"clamped {UNIT[units]}"), tuple(sorted(rows)))


def _to_buy(instrument: Instrument, cuts: CutList) -> PaperTable:
    money = any(each.price is not None for each in cuts.purchases)
    heads = ("what", "how many") + (
        ("each", f"together {instrument.bench.currency}".strip()) if money else ()
    )
    rows = tuple(_purchase(each, money, instrument.bench.units) for each in cuts.purchases)
    return PaperTable(heads, rows, ticks=True)


def _purchase(each: Purchase, money: bool, units: Units) -> tuple[str, ...]:
    if not money:
        return each.what, each.counted(units)
    if each.price is None or each.cost is None:
        return each.what, each.counted(units), "no price given", ""
    return each.what, each.counted(units), f"{each.price:.2f}{each.per(units)}", f"{each.cost:.2f}"


def _cost_in_words(instrument: Instrument, cuts: CutList) -> str:
    if len(cuts.unpriced) == len(cuts.purchases):
        return "The design gives no prices (price_per_m of a stock or the bar, price of a nut, bench.washer_price)."
    total = f"Together {cuts.cost:.2f} {instrument.bench.currency}".strip()
    return f"{total}, without {', '.join(cuts.unpriced)}." if cuts.unpriced else f"{total}."


def _bar_numbers(cuts: CutList) -> dict[int, int]:
    return {index: number for number, bar in enumerate(cuts.bars, start=1) for index in bar.pieces}
