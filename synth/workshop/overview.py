"""What will be built, tine by tine, and what it adds up to.

In: an instrument and its tuned row. Out: a `TineLine` a tine and `Totals`, in the units of the bench;
`check` prints them, other programs get them as data.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

from synth.design.instrument import Instrument, Rod
from synth.frozen import frozen
from synth.many import many
from synth.table import Column, Table
from synth.units import GRAM, INCH, MM, Units, cents, length_said
from synth.vibration.bar import beam_of, is_closed
from synth.vibration.damping import UNCLAIMED, clamp
from synth.vibration.solve import solve_loss_shares
from synth.vibration.trimming.answers import shown_nuts
from synth.vibration.tuning import Row
from synth.workshop.fixing import joint
from synth.workshop.length_text import length_column

PARTIALS: Final = 3  # of the table: what the ear takes for the tine's tone
HIGHEST_HARMONIC: Final = 24  # above it the ear has no harmonic to compare a partial with


@frozen
class TineLine:
    """A tine. `ratios` of the second and third partial to the first; `harmonics` the low whole numbers near."""

    group: str
    number: int
    stock: str
    target_hz: float | None
    clamped_hz: float
    mounted_hz: float
    note: str
    note_cents: float  # mounted pitch, from the note
    free_length_mm: float
    ratios: tuple[float, ...]
    harmonics: tuple[int, ...]
    harmonic_cents: tuple[float, ...]
    trim: tuple[str, ...]
    mass_g: float
    mount_cents: float  # what the bar does to the clamped pitch


@frozen
class Totals:
    rod_m: dict[str, float]  # by stock, free and clamped lengths without allowances
    nuts: dict[str, int]
    tines: int
    tine_mass_g: float
    bar_length_m: float
    bar_mass_kg: float
    closed_ring: bool


def tine_lines(instrument: Instrument, row: Row) -> list[TineLine]:
    """One line a tine, in the order they stand."""
    return [_line(instrument, row, index) for index in range(len(instrument.tines))]


def _line(instrument: Instrument, row: Row, index: int) -> TineLine:
    tine, modes = instrument.tines[index], row.modes
    mounted, clamped = float(row.mounted_hz[index]), float(row.clamped_hz[index])
    note, off = instrument.note(mounted)
    ratios = tuple(
        float(modes.frequency[index, 0, n] / modes.frequency[index, 0, 0])
        for n in range(1, min(PARTIALS, modes.exists.shape[1]))
        if modes.exists[index, n]
    )
    harmonics = tuple(min(max(round(each), 1), HIGHEST_HARMONIC) for each in ratios)
    target = float(row.target_hz[index])
    return TineLine(
        group=instrument.groups[tine.group].name,
        number=tine.number,
        stock=tine.rod.name,
        target_hz=None if math.isnan(target) else target,
        clamped_hz=clamped,
        mounted_hz=mounted,
        note=note,
        note_cents=off,
        free_length_mm=float(row.length[index]) / MM,
        ratios=ratios,
        harmonics=harmonics,
        harmonic_cents=tuple(cents(ratio / whole) for ratio, whole in zip(ratios, harmonics, strict=True)),
        trim=tuple(shown_nuts((nut,), instrument.bench.units, digits=1) for nut in row.trim[index]),
        mass_g=float(modes.mass[index]) / GRAM,
        mount_cents=cents(mounted / clamped),
    )


def tine_table(lines: Sequence[TineLine], units: Units) -> Table:
    """The lines as `check` shows them."""
    return Table(
        [
            Column("group", "group"),
            Column("number", "tine"),
            Column("note", "pitch", value=_note_words),
            Column("mounted_hz", "Hz", "{:.2f}"),
            Column("clamped_hz", "clamped Hz", "{:.2f}"),
            Column("mount_cents", "bar cents", "{:+z.1f}"),
            length_column("free_length_mm", "free", lambda line: line.free_length_mm * MM, units, digits=2),
            *_partial_columns("2nd", 0),
            *_partial_columns("3rd", 1),
            Column("mass_g", "g", "{:.2f}"),
            Column("trim", "trim nuts", ", ".join),
        ],
        lines,
    )


def _note_words(line: TineLine) -> str:
    off = f"{line.note_cents:+z.1f}"
    return f"{line.note} {'+0.0' if off == '-0.0' else off}"


def _partial_columns(name: str, n: int) -> list[Column]:
    """An overtone over the first partial, and how far it stands from the nearest harmonic."""

    def off(line: TineLine) -> str | None:
        return f"{line.harmonic_cents[n]:+z.0f} from {line.harmonics[n]}" if n < len(line.ratios) else None

    return [
        Column("", name, "{:.3f}", lambda line: line.ratios[n] if n < len(line.ratios) else None),
        Column("", "cents", value=off),
    ]


def totals(instrument: Instrument, row: Row, units: Units = "mm") -> Totals:
    """What the whole instrument takes; plain rod is called by its diameter in this unit."""
    joints = [joint(tine, instrument.bar, instrument.bench) for tine in instrument.tines]
    rod: dict[str, float] = {}
    for tine, length, held in zip(instrument.tines, row.length, joints, strict=True):
        name = stock_name(tine.rod, units)
        rod[name] = rod.get(name, 0.0) + float(length) + held.clamped
    nuts = Counter(placed.nut.name for trim in row.trim for placed in trim)
    nuts.update(nut.name for held in joints for nut in held.nuts)
    return Totals(
        rod_m=rod,
        nuts=dict(nuts),
        tines=len(instrument.tines),
        tine_mass_g=float(row.modes.mass.sum()) / GRAM,
        bar_length_m=instrument.bar.length,
        bar_mass_kg=float(beam_of(instrument.bar).mass) * instrument.bar.length,
        closed_ring=is_closed(instrument.bar),
    )


def totals_words(sums: Totals, units: Units) -> str:
    """The totals in sentences, long lengths in m or in inches."""
    inch = units == "inch"

    def long(metres: float, digits: int) -> str:
        return f"{metres / INCH:.{digits - 1}f} in" if inch else f"{metres:.{digits}f} m"

    rod = [f"{long(metres, 2)} of {name}" for name, metres in sums.rod_m.items()]
    nuts = [f"{count} {name}" for name, count in sums.nuts.items()]
    bar = (
        f"a closed ring, {long(sums.bar_length_m, 3)} round"
        if sums.closed_ring
        else long(sums.bar_length_m, 3)
    )
    return (
        f"{many(sums.tines, 'tine')}, {sums.tine_mass_g:.0f} g; rod before allowances: {'; '.join(rod)}\n"
        f"nuts: {', '.join(nuts) if nuts else 'none'}\n"
        f"bar: {bar}, {sums.bar_mass_kg:.2f} kg"
    )


def boards_words(instrument: Instrument, row: Row, *, fresh: bool = False) -> list[str]:
    """Where the boards would do to a fundamental what they do not do to all; last, how far that holds."""
    if not instrument.boards:
        return []
    from synth.sound.board_forecast import ALONE, effect_warnings

    found = effect_warnings(instrument, row, fresh=fresh)
    return [*found, ALONE] if found else []


def loss_words(instrument: Instrument, row: Row, *, fresh: bool = False) -> str:
    """Which loss rules how long the tines ring, and how far to trust it."""
    shares = solve_loss_shares(instrument, row, fresh=fresh)
    first = {name: float(share[:, 0, 0].mean()) for name, share in shares.items()}
    largest = ", the largest share" if first["clamp"] == max(first.values()) else ""
    slopes = {tine.root.loss_slope for tine in instrument.tines} - {0.0}
    rises = "".join(f"; {_slope_words(each)}" for each in sorted(slopes))
    return (
        f"decay: the clamp takes {first['clamp']:.0%} of the first partials' loss{largest}, and is the least "
        "certain figure of all; times are right within a factor of two until one tine is measured"
        f"{rises}; nothing is claimed above {UNCLAIMED / 1e3:g} kHz"
    )


def _slope_words(slope: float) -> str:
    """What a rise of the clamp's loss with frequency does to decays that the clamp rules."""
    times = [f"{float(clamp(1.0, hz, slope)):.2g} times at {hz / 1e3:g} kHz" for hz in (2000.0, UNCLAIMED)]
    return f"clamp_loss_slope {slope:g} makes its loss {' and '.join(times)}"


def stock_name(rod: Rod, units: Units) -> str:
    """What to ask for in a shop, the thread or the diameter and the material; by the name of its own table, if any.

    Two tables of one thread may be two batches, measured and priced apart: they stay apart.
    """
    size = rod.thread or f"{length_said(rod.diameter, units)} rod"
    sold = f"{size}, {rod.material.name}"
    return sold if rod.name == rod.thread else f"{rod.name}: {sold}"
