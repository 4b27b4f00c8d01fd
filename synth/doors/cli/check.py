"""`tinewright check`: what will be built, tine by tine, what is unwise, what it adds up to."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from synth.doors.cli import arguments


@click.command("check")
@arguments.design
@arguments.json_flag
@arguments.fresh
def command(design: Path, as_json: bool, fresh: bool) -> None:
    """Print what will be built, tine by tine; warnings; totals. Exit code 0 if it can be built.

    \b
    Example:
      tinewright check designs/quay-rail.toml
    """
    from synth.table import as_json as data
    from synth.vibration.solve import solve_advice, solve_quarrels, solve_row
    from synth.workshop.overview import boards_words, loss_words, tine_lines, tine_table, totals
    from synth.workshop.quarrel_list import quarrel_data, quarrel_lines

    written, instrument = arguments.design_and_instrument(design)
    row = solve_row(instrument, fresh=fresh)
    rows, sums = tine_lines(instrument, row), totals(instrument, row)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    advice = solve_advice(written, instrument, row, quarrels, fresh=fresh)
    warnings = [*instrument.warnings, *row.warnings]
    boards = boards_words(instrument, row, fresh=fresh)
    if as_json:
        told = {
            "design": instrument.name,
            "tines": [dataclasses.asdict(each) for each in rows],
            "warnings": warnings,
            "quarrels": quarrel_data(instrument, quarrels, advice, None),
            "boards": boards[:-1],
            "totals": dataclasses.asdict(sums),
        }
        click.echo(data(told))
        return
    click.echo(tine_table(rows).text(arguments.width()))
    click.echo("".join(f"\nwarning: {each}" for each in warnings))
    if quarrels:
        click.echo(f"\n{quarrel_lines(instrument, quarrels, advice)}")
    if boards:
        click.echo("\n" + "\n".join(boards) + "\n")
    click.echo(sums.words)
    click.echo(loss_words(instrument, row, fresh=fresh))
