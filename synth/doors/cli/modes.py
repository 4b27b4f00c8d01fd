"""`tinewright modes`: partials of every tine, clamped and mounted; the bar's modes; what they make together."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments


@click.command("modes")
@arguments.design
@click.option("--group", metavar="GROUP", help="Only this group's tines.")
@arguments.json_flag
@arguments.fresh
def command(design: Path, group: str | None, as_json: bool, fresh: bool) -> None:
    """Print the partials of every tine, clamped and mounted, the bar's modes, and the modes of the whole.

    \b
    Example:
      tinewright modes designs/test-piece.toml --json
    """
    from synth.table import as_json as data
    from synth.vibration.solve import solve_advice, solve_model, solve_quarrels, solve_row
    from synth.workshop.mode_list import assembly_data, bar_data, mode_words, tine_data
    from synth.workshop.quarrel_list import quarrel_data

    written, instrument = arguments.design_and_instrument(design)
    chosen = None if group is None else instrument.group_index(group)
    row = solve_row(instrument, fresh=fresh)
    model = solve_model(instrument, row, fresh=fresh)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    advice = solve_advice(written, instrument, row, quarrels, fresh=fresh)
    told = {
        "design": instrument.name,
        "tines": tine_data(instrument, row, chosen),
        "bar": bar_data(model),
        "assembly": assembly_data(instrument, model, chosen),
        "quarrels": quarrel_data(instrument, quarrels, advice, chosen),
    }
    click.echo(data(told) if as_json else mode_words(told, instrument.bench.units, arguments.width()))
