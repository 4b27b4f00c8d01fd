"""`tinewright board`: what a board or box would do, before it is made."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.files import check_picture

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.sound.board_forecast import BoardEffect
    from synth.sound.boardsheet import BoardSheet


@click.command("board")
@arguments.design
@click.argument("name", metavar="BOARD")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="A picture: PNG, SVG or PDF.")
@click.option(
    "--knock", type=click.Path(path_type=Path), help="A knuckle's knock on its first foot, WAV or FLAC."
)
@arguments.gain_db
@arguments.as_json
@arguments.fresh
def command(
    design: Path,
    name: str,
    output: Path | None,
    knock: Path | None,
    gain_db: float,
    as_json: bool,
    fresh: bool,
) -> None:
    """Tell how a board of the design yields at its feet, what it radiates, and what it does to every group.

    \b
    Example:
      tinewright board designs/quay-rail.toml panel -o panel.png --knock knock.wav
    """
    from synth.sound.board_forecast import changes, sentences, solve_foretold
    from synth.sound.boardsheet import solve_sheet
    from synth.vibration.solve import solve_row

    instrument = arguments.instrument(design)
    name = instrument.board(name).name
    if output is not None:
        check_picture(output)
    row = solve_row(instrument, fresh=fresh)
    sheet = solve_sheet(instrument, name, fresh=fresh)
    bar = solve_foretold(instrument, row, None, fresh=fresh)
    board = solve_foretold(instrument, row, name, fresh=fresh)
    table, said = changes(instrument, bar, board), sentences(instrument, name, bar, board)
    if as_json:
        click.echo(json.dumps(_data(instrument, name, sheet, table, said), indent=1, ensure_ascii=False))
    else:
        click.echo(_words(instrument, name, sheet, table, said))
    if output is not None:
        _draw(output, instrument, name, sheet, table)
    if knock is not None:
        _write_knock(knock, instrument, name, gain_db)


def _data(
    instrument: Instrument, name: str, sheet: BoardSheet, table: Sequence[BoardEffect], said: Sequence[str]
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
        "box": None
        if sheet.box is None
        else {k: _number(v) for k, v in dataclasses.asdict(sheet.box).items()},
        "frequency_hz": [round(float(f), 3) for f in sheet.frequency],
        "feet": feet,
        "groups": [dataclasses.asdict(each) for each in table],
        "notes": list(said),
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def _words(
    instrument: Instrument, name: str, sheet: BoardSheet, table: Sequence[BoardEffect], said: Sequence[str]
) -> str:
    from synth.sound.board_forecast import ALONE

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
    lines += ["", _table(table), "", *said]
    if said:
        lines.append("")
    lines.append(ALONE)
    lines.append(
        "Each tine as if the others kept still, bent 1 mm along the row; about 10 dB either way for one drawing, "
        "5 dB for the difference of two boards over ten tines: foot, joint and sheet decide, so tap and measure."
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


def _table(table: Sequence[BoardEffect]) -> str:
    heads = ("group", "lowest Hz", "fundamental dB SPL", "over bar dB", "ring s", "of the bar's ring")
    return aligned(
        heads,
        [
            (
                each.group,
                f"{each.hz:.1f}",
                f"{each.level_db:.0f}",
                f"{each.gain_db:+.0f}",
                f"{each.decay_s:.1f}",
                f"{each.ring_ratio:.2f}",
            )
            for each in table
        ],
    )


def _draw(
    output: Path, instrument: Instrument, name: str, sheet: BoardSheet, table: Sequence[BoardEffect]
) -> None:
    from synth.files import atomic_write
    from synth.workshop.boardplot import draw_board

    with atomic_write(output) as beside:
        draw_board(instrument, name, sheet, table).savefig(beside, dpi=130)
    click.echo(f"wrote {output}", err=True)


def _write_knock(path: Path, instrument: Instrument, name: str, gain_db: float) -> None:
    from synth.sound import audio, loudness
    from synth.sound.boardsheet import KNOCK, knock
    from synth.vibration.solve import solve_board_of

    audio.check_output(path)
    pressure = knock(instrument, solve_board_of(instrument, name), foot=0, rate=audio.RATE)
    peak = audio.write(path, [pressure], gain_db=gain_db)
    said = loudness.words(loudness.measure(pressure, audio.RATE), gain_db=gain_db)
    what = f"a knock of {1e3 * KNOCK:.0f} mN s on the first foot"
    click.echo(f"{path}: {what}, gain {gain_db:+.1f} dB, peak {peak:.1f} dBFS", err=True)
    click.echo("\n".join(said), err=True)
