"""What a proposal says, part by part: the same for the page and for the print.

In: `Facts`, the maker's own words, the sounds. Out: `Section`s of parts. Sentences are made of figures: no
adjective stands here that a number does not bear.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from synth.design.instrument import Bend, Instrument
from synth.design.rooms import MeasuredRoom, ShoeboxRoom
from synth.frozen import frozen
from synth.many import many
from synth.proposal.care import CARE, FOR_STRANGERS, OF_BOX_ROOMS, OF_NOISE, PREDICTED, TEST_PIECE
from synth.proposal.costs import CostLine, Costs
from synth.proposal.facts import Facts
from synth.proposal.markdown import Block
from synth.proposal.sounds import EASY_SPEED, SoundFiles
from synth.sound.audio import FULL_SCALE_SPL
from synth.sound.loudness import QUIET_ROOM, SPEECH
from synth.sound.room_points import room_words
from synth.units import length_said
from synth.workshop.flat_length import bar_words
from synth.workshop.length_text import UNIT, length_words
from synth.workshop.paper import Bullets, PaperTable, Paragraph
from synth.workshop.picture import Sheet

MOST_ROWS = 40  # of a table of groups; more are told in a paragraph


@frozen
class Words:
    """The maker's own."""

    blocks: tuple[Block, ...]


@frozen
class Drawn:
    """The drawing of the instrument."""

    sheet: Sheet


@frozen
class Players:
    """Sounds to be heard, with what each is and how loud it will be."""

    files: tuple[SoundFiles, ...]
    gain_db: float


@frozen
class PlayedHere:
    """The place of the page on which it is stroked, and of the blind comparison where it is asked for."""

    blind: bool


ProposalPart = Paragraph | Bullets | PaperTable | Words | Drawn | Players | PlayedHere


@frozen
class Section:
    name: str  # of its anchor
    title: str
    parts: tuple[ProposalPart, ...]


def sections(
    facts: Facts,
    words: Sequence[Block],
    sheet: Sheet,
    files: Sequence[SoundFiles],
    *,
    gain_db: float,
    blind: bool,
) -> list[Section]:
    """All of it in order."""
    own = [Section("words", "", (Words(tuple(words)),))] if words else []
    return [
        *own,
        Section("what", "What it is", tuple(_what(facts))),
        Section("notes", "Its notes", tuple(_notes(facts))),
        Section("drawing", "What it looks like", (Drawn(sheet),)),
        Section("play", "Stroke it", (PlayedHere(blind),)),
        Section("sound", "How it sounds", (*_sound(files, gain_db), Players(tuple(files), gain_db))),
        Section("loud", "How loud it is", tuple(_loud(facts, files))),
        Section("cost", "What it is made of, and what it costs", tuple(_cost(facts))),
        Section("care", "For strangers' hands", (Bullets(FOR_STRANGERS), Paragraph("Care:"), Bullets(CARE))),
        Section("known", "What is predicted, and how well it is known", tuple(_known(facts))),
    ]


def _what(facts: Facts) -> Iterator[ProposalPart]:
    instrument, bench = facts.instrument, facts.instrument.bench
    bar, unit = instrument.bar, UNIT[instrument.bench.units]
    bent = " (bent)" if any(isinstance(each, Bend) for each in bar.path) else ""
    along, across, up = (length_words(float(each), bench.units) for each in facts.size)
    size = f"{bar_words(bar.section, bench.units)} {unit}, {bar.material.name}"
    mass, of_bar = facts.cuts.mass, facts.cuts.bar_mass
    fine = 1 if mass >= 1.0 else 2
    rows = [
        (
            "Tines",
            f"{len(instrument.tines)}, in {many(len(instrument.groups), 'group')}, a note each",
        ),
        ("Bar", f"{size}, {_metres(facts, bar.length)}{bent}"),
        ("Size over all", f"{along} x {across} x {up} {unit} (long, deep, high), what it stands on as drawn"),
        (
            "Mass",
            f"{mass:.{fine}f} kg: bar {of_bar:.{fine}f} kg, tines, nuts and washers {mass - of_bar:.2f} kg",
        ),
        ("Stands on", _stands_on(facts)),
        ("Heard through", ", ".join(facts.through)),
    ]
    if facts.design.proposal.site:
        rows.insert(0, ("Site", facts.design.proposal.site))
    if facts.design.proposal.maker:
        rows.insert(1, ("Maker", facts.design.proposal.maker))
    yield PaperTable(("what", "figure"), tuple(rows))


def _metres(facts: Facts, length: float) -> str:
    return f"{length_words(length, facts.instrument.bench.units)} {UNIT[facts.instrument.bench.units]} long"


def _stands_on(facts: Facts) -> str:
    supports = facts.instrument.bar.supports
    held = f"{many(len(supports), 'support')} ({', '.join(dict.fromkeys(each.kind for each in supports))})"
    if facts.board is None:
        return held if supports else "nothing that the design names"
    units, board = facts.instrument.bench.units, facts.board
    sides = " x ".join(length_words(each, units) for each in (board.length, board.width, board.thickness))
    kind = f"{board.kind} '{board.name}': {sides} {UNIT[units]}, {board.material.name}"
    feet = many(len(board.feet), "foot", "feet")
    return f"{kind}, {feet}, its sheet {facts.board_mass:.1f} kg; or, alone, {held}"


def _notes(facts: Facts) -> Iterator[ProposalPart]:
    instrument = facts.instrument
    rows = [
        (
            group.name,
            _sounding(instrument, float(facts.row.mounted_hz[group.tines].min())),
            _sounding(instrument, float(facts.row.mounted_hz[group.tines].max())),
            str(group.count),
            ", ".join(dict.fromkeys(tine.rod.name for tine in instrument.tines[group.tines])),
        )
        for group in instrument.groups
    ]
    if len(rows) <= MOST_ROWS:
        yield PaperTable(("group", "lowest", "highest", "tines", "rod"), tuple(rows))
    else:
        yield Paragraph(
            "; ".join(f"{row[0]}: {row[1]} to {row[2]}, {many(int(row[3]), 'tine')}" for row in rows) + "."
        )
    yield Paragraph(f"A4 is {instrument.a4:g} Hz; tuned for {instrument.temperature - 273.15:g} degrees C.")


def _sounding(instrument: Instrument, hertz: float) -> str:
    name, cents = instrument.note(hertz)
    off = f" {cents:+z.0f} cents" if abs(cents) >= 0.5 else ""
    return f"{name}{off}, {hertz:.1f} Hz"


def _sound(files: Sequence[SoundFiles], gain_db: float) -> Iterator[ProposalPart]:
    yield Paragraph(
        "Every sound is computed from the drawing: nothing of it is recorded. All are raised by the same "
        f"{gain_db:+z.0f} dB, so that they stand to each other as they will; how loud each will be is told "
        "with it. The bar alone is quiet: what one hears here through loudspeakers is louder than it will "
        f"be, unless these are set so that a full-scale tone gives {FULL_SCALE_SPL - gain_db:.0f} dB SPL "
        "where one sits."
    )
    if any(each.sound.through == "pickup" for each in files):
        yield Paragraph(
            "Through the pickup it is as loud as its amplifier is turned up: levels are those of the "
            "design's own gain."
        )


def _loud(facts: Facts, files: Sequence[SoundFiles]) -> Iterator[ProposalPart]:
    heads = ("what", "through", "where", "loudest dB(A)", "sone")
    rows = [
        (each.sound.title, each.sound.through, each.sound.where, _level(each), f"{each.sound.sone:.2g}")
        for each in files
        if not each.sound.surroundings.noise
    ]
    yield PaperTable(heads, tuple(rows))
    name = facts.instrument.groups[facts.group].name
    stick = next(iter(facts.instrument.sticks))
    speed = length_said(EASY_SPEED, facts.instrument.bench.units, figures=3)
    yield Paragraph(
        f"The stroke is an easy pass over {name} at {speed}/s with a "
        f"{stick} stick. For comparison: speech at 1 m {SPEECH:.0f} dB(A), a "
        f"quiet room {QUIET_ROOM:.0f} dB(A). Sone are in proportion to what is heard (ISO 532-1): twice as "
        "many are twice as loud; of a score its first six seconds."
    )
    if isinstance(facts.room, ShoeboxRoom):
        yield Paragraph(room_words(facts.room))
        yield Bullets(facts.carried)
    elif isinstance(facts.room, MeasuredRoom):
        yield Paragraph(
            f"The room {facts.room.name} is a measured impulse response; its direct sound is that of a source "
            f"{facts.room.reference:g} m away."
        )
    else:
        yield Paragraph("The design describes no room: how it sounds and carries there is not predicted.")


def _level(each: SoundFiles) -> str:
    loudest = each.sound.loudness.loudest
    return f"{loudest:.0f}" if math.isfinite(loudest) else "silent"


def _cost(facts: Facts) -> Iterator[ProposalPart]:
    costs, currency = facts.costs, facts.instrument.bench.currency
    heads = ("what", "how much", "each", f"together {currency}".strip())
    lines = [_cost_row(each) for each in (*costs.stock, *costs.work, *costs.extra)]
    if not costs.any:
        yield PaperTable(heads[:2], tuple(line[:2] for line in lines))
        yield Paragraph("The design gives no prices.")
        return
    yield PaperTable(heads, (*lines, *_sums(costs)))
    if costs.unpriced:
        yield Paragraph(f"Without a price, and in no sum: {', '.join(costs.unpriced)}.")


def _cost_row(line: CostLine) -> tuple[str, str, str, str]:
    if math.isnan(line.cost):
        return line.what, line.count, "no price given", ""
    return line.what, line.count, f"{line.price:.2f}{line.per}", f"{line.cost:.2f}"


def _sums(costs: Costs) -> Iterator[tuple[str, str, str, str]]:
    if not all(math.isnan(each.cost) for each in costs.stock):
        yield "Stock together", "", "", f"{costs.stock_sum:.2f}"
    if costs.margin_percent:
        yield f"Margin, {costs.margin_percent:g} %", "", "", f"{costs.margin:.2f}"
    yield "Total", "", "", f"{costs.total:.2f}"


def _known(facts: Facts) -> Iterator[ProposalPart]:
    limits, spread = facts.spread.limits, facts.spread
    pitch, overtones = float(np.max(spread.deviation)), float(np.max(spread.overtone_deviation))
    units = facts.instrument.bench.units
    cut, nut, rod = (length_said(each, units, figures=3) for each in (limits.cut, limits.nut, limits.rod))
    yield Paragraph(
        f"As built, with cuts within {cut}, nuts {nut}, rod {rod} and a stiffness of steel within "
        f"{100 * limits.modulus:g} %, a tine's pitch is off by {pitch:.0f} cents "
        "(one standard deviation, the worst tine); its base nut tunes that out. What stays on its overtones is "
        f"{overtones:.1f} cents at the worst tine."
    )
    yield Paragraph(_calibrated(facts))
    box = OF_BOX_ROOMS if isinstance(facts.room, ShoeboxRoom) else ()
    yield Bullets((*PREDICTED, *box, *(OF_NOISE if facts.room is not None else ())))
    yield Paragraph("A test piece of a few tines on an offcut settles:")
    yield Bullets(TEST_PIECE)


def _calibrated(facts: Facts) -> str:
    design = facts.design
    measured = {"how tines are held": design.tines.measured}
    measured |= {f"stock {name}": each.measured for name, each in design.stock.items()}
    measured |= {f"material {name}": each.measured for name, each in design.material.items()}
    told = [f"{what} ({when})" for what, when in measured.items() if when]
    if not told:
        return "No tine has been measured for this design: all of this is prediction."
    return f"Measured, and taken into these figures: {', '.join(told)}."
