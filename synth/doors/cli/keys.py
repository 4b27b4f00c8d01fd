"""`tinewright keys`: what may be written in a design and a script, what MIDI messages do, every command."""

from __future__ import annotations

import dataclasses

import click

from synth.doors.cli import arguments
from synth.errors import named
from synth.table import Column, Table
from synth.table import as_json as data


@click.command("keys")
@click.argument("table", required=False)
@arguments.json_flag
def command(table: str | None, as_json: bool) -> None:
    """Print keys with their default, range and meaning: of one TABLE of the design (bar, group, board ...), of a
    stroke script (script), MIDI messages (midi), commands (commands), or all.

    \b
    Example:
      tinewright keys bar
    """
    from synth.doors.reference import rows

    found = rows()
    if table is not None:
        table = named(table, dict.fromkeys(each.table for each in found), "there is no table")
        found = tuple(each for each in found if each.table == table)
    if as_json:
        click.echo(data([dataclasses.asdict(each) for each in found]))
        return
    keys = ("table", "key", "default", "range", "meaning")
    columns = [Column(key, "possible" if key == "range" else key, _plain) for key in keys]
    click.echo(Table(columns, found).text(arguments.width()))


def _plain(markdown: str) -> str:
    return markdown.replace("`", "")
