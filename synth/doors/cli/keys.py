"""`tinewright keys`: what may be written in a design and a script, what MIDI messages do, every command."""

from __future__ import annotations

import dataclasses
import json

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.errors import named


@click.command("keys")
@click.argument("table", required=False)
@arguments.as_json
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
        click.echo(json.dumps([dataclasses.asdict(each) for each in found], indent=1, ensure_ascii=False))
        return
    click.echo(
        aligned(
            ("table", "key", "default", "possible", "meaning"),
            [
                tuple(
                    _plain(words) for words in (each.table, each.key, each.default, each.range, each.meaning)
                )
                for each in found
            ],
        )
    )


def _plain(markdown: str) -> str:
    return markdown.replace("`", "")
