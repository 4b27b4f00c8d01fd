"""`tinewright stock`: the materials, threads, nuts, holes, sheets, sticks and bars that ship with the tool."""

from __future__ import annotations

import json
from typing import Any

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.errors import named

_BESIDE = (
    "source",
    "confidence",
    "range",
    "loss_factor_mounted",
)  # sentences: too long for a line


@click.command("stock")
@click.argument("kind", required=False)
@arguments.as_json
def command(kind: str | None, as_json: bool) -> None:
    """Print one KIND of the shipped tables: materials, threads, nuts, holes, sheets, sticks, bars; or all names.

    With --json every row comes with its source and how sure it is.

    \b
    Example:
      tinewright stock threads
    """
    from synth.doors.reference import STOCK, stock

    kinds = list(STOCK) if kind is None else [named(kind, STOCK, "there is no kind of stock")]
    found = {each: stock(each) for each in kinds}
    if as_json:
        click.echo(json.dumps(found if kind is None else found[kinds[0]], indent=1, ensure_ascii=False))
    elif kind is None:
        click.echo(
            aligned(("kind", "names"), [(each, ", ".join(r["name"] for r in found[each])) for each in kinds])
        )
    else:
        click.echo(_table(found[kinds[0]]))


def _table(rows: list[dict[str, Any]]) -> str:
    heads = [key for key in rows[0] if key not in _BESIDE]
    return aligned(heads, [[_cell(each[key]) for key in heads] for each in rows])


def _cell(value: object) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
