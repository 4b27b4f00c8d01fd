"""A board as `board` tells of it: its curves and modes, and what it changes for every group.

In: a `BoardSheet`, the changes by group, sentences. Out: data with units in the keys; words.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.sound.board_forecast import ALONE, BoardEffect
from synth.sound.boardsheet import BoardSheet
from synth.table import Column, Table
from synth.units import MM, length_said

SECONDS: Final = 2.0  # of a stroke: attack, and the body from a second on
CHANGE: Final = (
    Column("group", "group"),
    Column("hz", "lowest Hz", "{:.1f}"),
    Column("level_db", "fundamental dB SPL", "{:.0f}"),
    Column("gain_db", "over bar dB", "{:+z.0f}"),
    Column("decay_s", "ring s", "{:.1f}"),
    Column("ring_ratio", "of the bar's ring", "{:.2f}"),
)


def stroke_words(instrument: Instrument, name: str, *, fresh: bool = False) -> list[str]:
    """What the board does to a usual stroke of the middle group, to the ear: attack and body apart."""
    from synth.playing.stroke import Stroke
    from synth.sound import audio, ear
    from synth.sound.render import ContactSettings, perform, scene

    group = len(instrument.groups) // 2
    stroke = Stroke(group=group, stick=next(iter(instrument.sticks.values())))
    settings = ContactSettings(allow_yield=True)
    bar, board = (
        ear.describe(
            perform(
                scene(instrument, through, fresh=fresh), [stroke], seconds=SECONDS, settings=settings
            ).sound(),
            audio.RATE,
            since=stroke.start,
        )
        for through in ("bar", name)
    )
    return [
        f"A usual stroke of {instrument.groups[group].name}, from the bar alone to {name}:",
        *ear.words(bar, board),
    ]


def board_data(
    instrument: Instrument,
    name: str,
    sheet: BoardSheet,
    table: Sequence[BoardEffect],
    said: Sequence[str],
    heard: Sequence[str],
) -> dict[str, Any]:
    feet = [
        {
            "foot": number,
            "mobility_mm_s_n": [round(1e3 * abs(each), 6) for each in sheet.mobility[number - 1]],
            "conductance_mm_s_n": [round(1e3 * float(each.real), 6) for each in sheet.mobility[number - 1]],
            "level_db_n": [round(float(each), 2) for each in sheet.level[number - 1]],
        }
        for number in range(1, len(sheet.mobility) + 1)
    ]
    return {
        "design": instrument.name,
        "board": name,
        "endless_sheet_n_s_m": sheet.impedance,
        "critical_hz": sheet.critical_hz,
        "statistical_above_hz": sheet.reach_hz,
        "modes": [
            {"frequency_hz": float(hz), "decay_s": float(decay)}
            for hz, decay in zip(sheet.modes_hz, sheet.modes_decay, strict=True)
        ],
        "box": None if sheet.box is None else dataclasses.asdict(sheet.box),
        "frequency_hz": [round(float(f), 3) for f in sheet.frequency],
        "feet": feet,
        "groups": Table(CHANGE, table).data(),
        "notes": list(said),
        "stroke": list(heard),
    }


def board_words(
    instrument: Instrument,
    name: str,
    sheet: BoardSheet,
    table: Sequence[BoardEffect],
    said: Sequence[str],
    width: int | None,
) -> str:
    board = instrument.boards[name]
    modes = ", ".join(
        f"{hz:.0f} Hz ({decay:.2f} s)" for hz, decay in zip(sheet.modes_hz, sheet.modes_decay, strict=True)
    )
    lines = [
        f"{name}: {board.kind} of {board.material.name}, {board.edges} edges",
        f"first modes in air, not yet under the bar: {modes}",
        f"an endless sheet of it resists a point with {sheet.impedance:.0f} N s/m; as fast as sound in air above "
        f"{sheet.critical_hz:.0f} Hz; single modes to {sheet.reach_hz:.0f} Hz, statistical above",
    ]
    if sheet.box is not None:
        lines.append(_box_words(sheet))
    lines += ["", Table(CHANGE, table).text(width), "", *said]
    if said:
        lines.append("")
    lines.append(ALONE)
    bent = length_said(1.0 * MM, instrument.bench.units, figures=2)
    lines.append(
        f"Each tine as if the others kept still, bent {bent} along the row; about 10 dB either way for one "
        "drawing, 5 dB for the difference of two boards over ten tines: foot, joint and sheet decide, so tap and "
        "measure."
    )
    return "\n".join(lines)


def _box_words(sheet: BoardSheet) -> str:
    assert sheet.box is not None
    box = sheet.box
    words = (
        f"the box: the lid alone starts at {box.open_hz:.0f} Hz, with the air behind it the first mode that moves "
        f"much air is at {box.boxed_hz:.0f} Hz"
    )
    if not math.isnan(box.hole_hz):
        words += f"; the hole's own pitch is {box.hole_hz:.0f} Hz"
    return f"{words}; above {box.standing_hz:.0f} Hz the air inside has waves of its own, which are left out"
