"""`tinewright page`: the instrument as one HTML file on which it is stroked."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.errors import InputError
from synth.files import check_place, write_text


@click.command("page")
@arguments.design
@click.option(
    "--through",
    metavar="A,B,...",
    help="What it can be heard through, the first at once; bar, pickup and the first board unless told.",
)
@click.option(
    "--quality",
    type=click.Choice(["fine", "usual", "small"]),
    default="usual",
    show_default=True,
    help="How closely the modes' shapes are kept, against the size of the file.",
)
@arguments.fresh
@arguments.output
def command(design: Path, through: str | None, quality: str, fresh: bool, output: Path) -> None:
    """Write a page that opens from disk in a browser: the drawn tines are stroked, and sound as they will.

    \b
    Example:
      tinewright page designs/quay-rail.toml --through bar,panel -o rail.html
    """
    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError("the name does not say it is a page", remedy="end it in .html", file=str(output))
    check_place(output)
    instrument = arguments.instrument(design)
    default = ["bar", "pickup", *list(instrument.boards)[:1]]
    names = default if through is None else [each.strip() for each in through.split(",")]

    from synth.page.build import page
    from synth.sound.render import scene

    built = page([scene(instrument, name, fresh=fresh) for name in dict.fromkeys(names)], quality=quality)
    write_text(output, built.text)
    size = len(built.text.encode("utf-8")) / 1e6
    click.echo(
        f"{output}: heard through {', '.join(dict.fromkeys(names))}; {size:.1f} MB, one file, opens from disk"
    )
    for words in built.words:
        click.echo(words)
