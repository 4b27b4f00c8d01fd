"""The tuning sheet: where each base nut starts, how the pitch answers it, in which order, and which tines together.

In: an instrument, its row, its modal model. Out: lines, and a `Document` to print and write on. A tine's target is
its pitch with the others held (`Row.mounted_hz`), so that is how it is tuned. Tines belong together where one mode
of the whole, near their fundamentals, has a fair share of its swing in each of them: move one and the others'
pitch moves.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.fixings import thread_turned
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.units import cents, ratio
from synth.vibration.modal_model import ModalModel, energy_share
from synth.vibration.tuning import Row
from synth.workshop.cautions import CAUTIONS, HEADING
from synth.workshop.cut_list_pages import trim_words
from synth.workshop.fixing import joint
from synth.workshop.length_text import CALLIPER, UNIT, length_words
from synth.workshop.paper import Bullets, Document, Heading, PaperTable, Paragraph, Part
from synth.workshop.retuning import fixing_notes
from synth.workshop.tolerance import Limits, scattered

SHARED: Final = 0.05  # of a mode's swing in a tine: with less it is heard as the other's alone
ALIKE: Final = ratio(1.0)  # tines meant to be one pitch
HEARD: Final = 0.5  # cent; what parts modes by less beats slower than tines ring
NEAR: Final = ratio(100.0)  # a mode this near to a tine's pitch is its fundamental, alone or shared


@frozen
class SheetLine:
    tine: int  # index into Instrument.tines
    order: int  # 1-based
    cluster: int  # 0 for none, else 1-based; tines with one number are tuned together
    pulled: float  # cents from the lowest to the highest mode that the cluster makes of one pitch; 0 for none
    note: str
    note_cents: float
    target: float  # Hz, with the others held
    free: float  # m, tip above the base nut's upper face
    above_bar: float  # m, tip above the bar's face
    cents_per_metre: float  # as the base nut goes up
    cents_per_turn: float | None  # None where no nut is turned


def sheet_lines(instrument: Instrument, row: Row, model: ModalModel) -> list[SheetLine]:
    """One line a tine, in the order in which to tune: low before high, what belongs together in one go."""
    clusters = together(row, model)
    slopes = scattered(instrument, row, Limits()).base_slope
    lowest = {members: min(float(row.mounted_hz[n]) for n in members) for members in clusters}
    alone = set(range(len(instrument.tines))) - {n for members in clusters for n in members}
    units = sorted(
        [*clusters, *((n,) for n in alone)], key=lambda m: (lowest.get(m, row.mounted_hz[m[0]]), m[0])
    )
    lines: list[SheetLine] = []
    cluster = 0
    for members in units:
        cluster += len(members) > 1
        pulled = pulled_apart(row, model, members) if len(members) > 1 else 0.0
        for n in members:
            number = cluster if len(members) > 1 else 0
            lines.append(_line(instrument, row, n, float(slopes[n]), (len(lines) + 1, number, pulled)))
    return lines


def together(row: Row, model: ModalModel) -> list[tuple[int, ...]]:
    """The sets of two tines and more whose fundamentals share modes, each rising by index.

    Tines tuned alike share their modes however little couples them; where that parts the modes by less than
    anyone hears, they are no set.
    """
    from scipy.sparse.csgraph import connected_components

    share, near = _fundamental_share(row, model)
    linked = ((share.sum(axis=2) > SHARED) & near).astype(int)  # (M, R)
    _, label = connected_components(linked.T @ linked, directed=False)
    sets = [tuple(np.flatnonzero(label == each).tolist()) for each in range(label.max() + 1)]
    return sorted(
        each
        for each in sets
        if len(each) > 1 and (_unison(row, each) != each or pulled_apart(row, model, each) > HEARD)
    )


def pulled_apart(row: Row, model: ModalModel, members: tuple[int, ...]) -> float:
    """How far apart, in cents, the bar sets the modes along the row of those members that are tuned alike."""
    share, near = _fundamental_share(row, model)
    widest = 0.0
    for alike in {_unison(row, members, n) for n in members}:
        if len(alike) > 1:
            modes = model.frequency[(share[:, alike, 0].sum(axis=1) > 0.5) & near[:, alike[0]]]
            widest = max(widest, cents(float(modes.max() / modes.min())) if len(modes) else 0.0)
    return widest


def sheet_document(instrument: Instrument, row: Row, model: ModalModel) -> Document:
    """What lies on the bench while tuning."""
    lines = sheet_lines(instrument, row, model)
    title = f"Tuning sheet: {instrument.name or 'untitled'}"
    return Document(title, tuple(_parts(instrument, row, lines)))


def _fundamental_share(row: Row, model: ModalModel) -> tuple[Array, NDArray[np.bool_]]:
    """Each tine's share (M, R, 2) of each mode's swing, and whether (M, R) the mode is near the tine's pitch."""
    off = np.abs(np.log(model.frequency[:, None] / row.mounted_hz))
    return energy_share(model)[0], np.asarray(off < math.log(NEAR))


def _unison(row: Row, members: tuple[int, ...], like: int | None = None) -> tuple[int, ...]:
    """Those members that are tuned like one of them, the first by default."""
    pitch = row.mounted_hz[members[0] if like is None else like]
    return tuple(n for n in members if abs(math.log(row.mounted_hz[n] / pitch)) < math.log(ALIKE))


def _line(
    instrument: Instrument, row: Row, n: int, slope: float, position: tuple[int, int, float]
) -> SheetLine:
    tine, target = instrument.tines[n], float(row.mounted_hz[n])
    note, off = instrument.note(target)
    fixed = joint(tine, instrument.bar, instrument.bench)
    above = math.ceil(len(fixed.washers) / 2) if not fixed.hole.tapped else len(fixed.washers)
    seat = sum(each.thickness for each in fixed.washers[:above])
    free = float(row.length[n])
    order, cluster, pulled = position
    return SheetLine(
        tine=n,
        order=order,
        cluster=cluster,
        pulled=pulled,
        note=note,
        note_cents=off,
        target=target,
        free=free,
        above_bar=free + tine.root.base_nut_height + seat,
        cents_per_metre=slope,
        cents_per_turn=slope * thread_turned(tine) or None,
    )


def _let_go(cents: float) -> str:
    """What unisons do that are pulled so far apart, where that is a figure."""
    if cents < 0.5:
        return ""
    return (
        " Let go, a letter's unisons will not ring as one pitch but as several, up to "
        f"{cents:.0f} cents apart; that is the bar and cannot be tuned away."
    )


def _parts(instrument: Instrument, row: Row, lines: list[SheetLine]) -> Iterator[Part]:
    yield Paragraph(
        "Set every trim nut first, then every base nut at its start, and tighten all. Tune in the order of the "
        "list. A target is the pitch with the other tines held: lay felt over them, or at least over those of "
        "the same letter. Loosen, turn, tighten, listen: a loose nut sounds lower. Base nut up, rod down: higher."
    )
    notes = fixing_notes(instrument, row.modes)
    if notes:
        yield Bullets(tuple(notes))
    clusters = {line.cluster: line.pulled for line in lines if line.cluster}
    if clusters:
        yield Paragraph(
            "Tines with the same letter share their swing through the bar: tune them together, go round them "
            f"twice.{_let_go(max(clusters.values()))}"
        )
    yield Heading(HEADING)
    yield Bullets(CAUTIONS)
    yield Heading("Tines, in the order in which to tune")
    yield _table(instrument, row, lines)
    inch = instrument.bench.units == "inch"
    astray, step = ("1/8 in", "a thousandth of an inch") if inch else ("3 mm", "a millimetre")
    yield Paragraph(
        f"Cents a turn are of the base nut on the rod; on plain rod, cents {step}. Where a tine ends up more "
        f"than {astray} from its start, suspect the rod: measure it and "
        "correct the design before cutting more."
    )


def _table(instrument: Instrument, row: Row, lines: list[SheetLine]) -> PaperTable:
    units = instrument.bench.units
    unit = UNIT[units]
    trimmed = any(row.trim[line.tine] for line in lines)
    heads = (
        "order",
        "with",
        "group",
        "tine",
        "note",
        "target Hz",
        f"tip above nut {unit}",
        f"tip above bar {unit}",
    )
    heads = (
        *heads,
        "c/turn",
        f"c/{CALLIPER[units][0]}",
        *(("trim nuts",) if trimmed else ()),
        "found Hz",
        "turned",
        "notes",
    )
    rows = [_row(instrument, row, line, trimmed=trimmed) for line in lines]
    return PaperTable(heads, tuple(rows), ticks=True, to_write=("found Hz", "turned", "notes"))


def _row(instrument: Instrument, row: Row, line: SheetLine, *, trimmed: bool) -> tuple[str, ...]:
    tine, units = instrument.tines[line.tine], instrument.bench.units
    trim = ", ".join(trim_words(each, units) for each in row.trim[line.tine])
    return (
        str(line.order),
        letters(line.cluster),
        instrument.groups[tine.group].name,
        str(tine.number),
        f"{line.note} {line.note_cents:+z.0f} c" if abs(line.note_cents) >= 0.5 else line.note,
        f"{line.target:.2f}",
        length_words(line.free, units),
        length_words(line.above_bar, units),
        "" if line.cents_per_turn is None else f"{line.cents_per_turn:.1f}",
        f"{line.cents_per_metre * CALLIPER[units][1]:.{1 if units == 'mm' else 2}f}",
        *((trim,) if trimmed else ()),
        "",
        "",
        "",
    )


def letters(cluster: int) -> str:
    """A, B, ... Z, AA for the numbers from 1; "" for 0."""
    words = ""
    while cluster:
        cluster, rest = divmod(cluster - 1, 26)
        words = chr(ord("A") + rest) + words
    return words
