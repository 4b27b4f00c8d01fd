"""`tinewright check`: what will be built, tine by tine, what is unwise, what it adds up to."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments
from synth.doors.cli.quarrel import quarrel_data, quarrel_lines
from synth.doors.cli.table import aligned

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.tuning import Row
    from synth.workshop.overview import TineLine, Totals


@click.command("check")
@arguments.design
@arguments.as_json
@arguments.fresh
def command(design: Path, as_json: bool, fresh: bool) -> None:
    """Print what will be built, tine by tine; warnings; totals. Exit code 0 if it can be built.

    \b
    Example:
      tinewright check designs/quay-rail.toml
    """
    from synth.vibration.solve import solve_advice, solve_quarrels, solve_row
    from synth.workshop.overview import loss_words, tine_lines, totals

    written, instrument = arguments.design_and_instrument(design)
    row = solve_row(instrument, fresh=fresh)
    rows, sums = tine_lines(instrument, row), totals(instrument, row)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    advice = solve_advice(written, instrument, row, quarrels, fresh=fresh)
    warnings = [*instrument.warnings, *row.warnings]
    boards = _boards(instrument, row, fresh=fresh)
    if as_json:
        tines = [dataclasses.asdict(each) for each in rows]
        data = {
            "design": instrument.name,
            "tines": tines,
            "warnings": warnings,
            "quarrels": quarrel_data(instrument, quarrels, advice, None),
            "boards": boards,
            "totals": dataclasses.asdict(sums),
        }
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        return
    click.echo(_table(rows))
    click.echo("".join(f"\nwarning: {each}" for each in warnings))
    if quarrels:
        click.echo(f"\n{quarrel_lines(instrument, quarrels, advice)}")
    if boards:
        from synth.sound.board_forecast import ALONE

        click.echo("\n" + "\n".join([*boards, ALONE]) + "\n")
    click.echo(_sums(sums))
    click.echo(loss_words(instrument, row, fresh=fresh))


def _boards(instrument: Instrument, row: Row, *, fresh: bool) -> list[str]:
    """Where the boards would do to a fundamental what they do not do to all."""
    if not instrument.boards:
        return []
    from synth.sound.board_forecast import effect_warnings

    return effect_warnings(instrument, row, fresh=fresh)


def _table(rows: Sequence[TineLine]) -> str:
    heads = (
        "group",
        "tine",
        "pitch",
        "Hz",
        "clamped Hz",
        "bar cents",
        "free mm",
        "2nd",
        "cents",
        "3rd",
        "cents",
        "g",
        "trim nuts",
    )
    return aligned(heads, [_row(each) for each in rows])


def _row(line: TineLine) -> tuple[str, ...]:
    partials = [
        words
        for ratio, harmonic, off in zip(line.ratios, line.harmonics, line.harmonic_cents, strict=True)
        for words in (f"{ratio:.3f}", f"{off:+.0f} from {harmonic}")
    ]
    partials += [""] * (4 - len(partials))
    return (
        line.group,
        str(line.number),
        f"{line.note} {line.note_cents:+.1f}",
        f"{line.mounted_hz:.2f}",
        f"{line.clamped_hz:.2f}",
        f"{line.mount_cents:+.1f}",
        f"{line.free_length_mm:.2f}",
        *partials,
        f"{line.mass_g:.2f}",
        ", ".join(line.trim),
    )


def _sums(sums: Totals) -> str:
    rod = [f"{metres:.2f} m of {name}" for name, metres in sums.rod_m.items()]
    nuts = [f"{count} {name}" for name, count in sums.nuts.items()]
    return "\n".join(
        [
            f"{sums.tines} tines, {sums.tine_mass_g:.0f} g; rod before allowances: {'; '.join(rod)}",
            f"nuts: {', '.join(nuts) if nuts else 'none'}",
            f"bar: {sums.bar_length_m:.3f} m, {sums.bar_mass_kg:.2f} kg",
        ]
    )
