"""`tinewright stock`: the materials, threads, nuts, holes, sheets, sticks and bars that ship with the tool."""

from __future__ import annotations

from typing import Any

import click

from synth.doors.cli import arguments
from synth.errors import named
from synth.table import Column, Table, of_words
from synth.table import as_json as data

_BESIDE = (
    "source",
    "confidence",
    "range",
    "loss_factor_mounted",
)  # sentences: too long for a line


@click.command("stock")
@click.argument("kind", required=False)
@arguments.json_flag
def command(kind: str | None, as_json: bool) -> None:
    """Print one KIND of the shipped tables: materials, threads, nuts, holes, sheets, sticks, bars,
    surfaces; or all names.

    With --json every row comes with its source and how sure it is.

    \b
    Example:
      tinewright stock threads
    """
    from synth.doors.reference import STOCK, stock

    kinds = list(STOCK) if kind is None else [named(kind, STOCK, "there is no kind of stock")]
    found = {each: stock(each) for each in kinds}
    if as_json:
        click.echo(data(found if kind is None else found[kinds[0]]))
    elif kind is None:
        names = [(each, ", ".join(r["name"] for r in found[each])) for each in kinds]
        click.echo(of_words(("kind", "names"), names).text(arguments.width()))
    else:
        click.echo(_table(found[kinds[0]]))


def _table(rows: list[dict[str, Any]]) -> str:
    columns = [Column(key, key, _cell) for key in rows[0] if key not in _BESIDE]
    return Table(columns, rows).text(arguments.width())


def _cell(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
