"""`tinewright check`: what will be built, group by group or tine by tine; what must be decided; totals."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.table import Table


@click.command("check")
@arguments.design
@click.option("--all", "everything", is_flag=True, help="Every tine and everything that must be decided.")
@click.option("--group", metavar="GROUP", help="Only this group, tine by tine, and what concerns it.")
@click.option("--boards", "ask_boards", is_flag=True, help="Also solve the boards: what they boost or kill.")
@click.option(
    "--ear",
    "listen",
    is_flag=True,
    help="Also stroke every group once through the bar: sone, octaves a second on, roughness.",
)
@arguments.json_flag
@arguments.fresh
def command(
    design: Path,
    everything: bool,
    group: str | None,
    ask_boards: bool,
    listen: bool,
    as_json: bool,
    fresh: bool,
) -> None:
    """Print what will be built and what must be decided; exit code 0 if it can be built.

    More than a dozen tines stand in one line a group.

    \b
    Example:
      tinewright check designs/quay-rail.toml
      tinewright check designs/quay-rail.toml --group D3
    """
    from synth.design.aliases import names_taken
    from synth.memory import keep_freed
    from synth.table import as_json as data
    from synth.vibration.solve import solve_advice, solve_quarrels, solve_row
    from synth.workshop import check_screen, overview
    from synth.workshop.quarrel_list import quarrel_data

    keep_freed()
    written, instrument = arguments.design_and_instrument(design)
    chosen = None if group is None else instrument.group_index(group)
    row = solve_row(instrument, fresh=fresh)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    advice = solve_advice(written, instrument, row, quarrels, fresh=fresh)
    borne = check_screen.usual_strokes(instrument, row, written.stick, fresh=fresh)
    lines = check_screen.group_lines(instrument, row, quarrels, borne)
    found = [
        each
        for each in check_screen.decisions(instrument, row, quarrels, advice, borne)
        if chosen is None or chosen in each.groups
    ]
    tines, names = overview.tine_lines(instrument, row), names_taken(written)
    if chosen is not None:
        tines, lines = tines[instrument.groups[chosen].tines], [lines[chosen]]
    boards = overview.boards_words(instrument, row, fresh=fresh) if ask_boards else []
    sounds = _sounds(instrument, chosen, fresh=fresh) if listen else None
    table = check_screen.check_table(instrument, lines)
    if as_json:
        told = {
            "design": instrument.name,
            "groups": table.data(),
            "tines": [dataclasses.asdict(each) for each in tines],
            "decide": [{"kind": each.kind, "words": " ".join(map(str.strip, each.lines))} for each in found],
            "warnings": [*instrument.warnings, *row.warnings],
            "names": names,
            "quarrels": quarrel_data(instrument, quarrels, advice, chosen),
            "ear": sounds and sounds.data(),
            "boards": boards[:-1] if ask_boards else None,
            "totals": dataclasses.asdict(overview.totals(instrument, row)),
        }
        click.echo(data(told))
        return
    units = instrument.bench.units
    rows = everything or chosen is not None or len(instrument.tines) <= check_screen.FEW
    shown = overview.tine_table(tines, units) if rows else table
    click.echo(shown.text(arguments.width()))
    click.echo(f"\n{check_screen.decision_words(found, None if rows else check_screen.SHOWN)}\n")
    if sounds is not None:
        click.echo(f"Each group stroked once, through the bar:\n{sounds.text(arguments.width())}\n")
    click.echo("".join(f"{each}\n" for each in (*names, *boards)), nl=False)
    if instrument.boards and not ask_boards:
        click.echo(f"boards {', '.join(instrument.boards)}: check --boards tells what they boost or kill")
    click.echo(overview.totals_words(overview.totals(instrument, row, units), units))
    click.echo(overview.loss_words(instrument, row, fresh=fresh))


def _sounds(instrument: Instrument, chosen: int | None, *, fresh: bool) -> Table:
    """What an ear would say of every group, or of one."""
    from synth.sound.render import scene
    from synth.workshop.group_sounds import group_sounds, sounds_table

    groups = range(len(instrument.groups)) if chosen is None else [chosen]
    heard = group_sounds(scene(instrument, "bar", fresh=fresh), groups)
    return sounds_table(arguments.progress(heard, total=len(groups), what="stroking"))
