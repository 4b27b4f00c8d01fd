"""`tinewright draft`: a first design file from a few wishes, said as options or asked for one by one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from synth.doors.cli import arguments
from synth.errors import InputError
from synth.files import check_place, write_text
from synth.many import many

if TYPE_CHECKING:
    from synth.units import Units
    from synth.workshop.wishes import Wishes

STOCK: Final = {"mm": "M4,rod3,M3", "inch": "#8-32,rod1/8in,#6-32"}
SECTION: Final = {"mm": "25x25", "inch": "1x1"}
NOTES: Final = "D2,A2,D3,F3,G3,A3,C4"
SHAPES: Final = ("straight", "u", "ring")
BOARDS: Final = ("panel", "box", "none")


@click.command("draft")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="The design file to write.")
@click.option("--notes", help="The groups' notes: D2,A2,D3.")
@click.option("--scale", help='Or a scale: "D dorian", with --from and --to.')
@click.option("--from", "low", default="D2", show_default=True, help="The lowest note of the scale.")
@click.option("--to", "high", default="C4", show_default=True, help="The highest.")
@click.option("--tines", type=arguments.Whole(1, 40), default=9, show_default=True, help="In each group.")
@click.option(
    "--octaves", type=arguments.Whole(1, 5), default=3, show_default=True, help="That a group covers."
)
@click.option("--intervals", default="1/1,3/2", show_default=True, help="Over each octave of the note.")
@click.option("--stock", help=f"Rods, low notes to high. [default: {STOCK['mm']}, or {STOCK['inch']}]")
@click.option("--section", help="Of the bar, in --units: 25x25 (across x up), round30, tube30x3.")
@click.option("--shape", type=click.Choice(SHAPES), default="straight", show_default=True)
@click.option("--legs", help="Both legs of a U, in --units: 500,400. [default: what fits]")
@click.option("--radius", help="Of a U's bend, to the bar's axis.")
@click.option("--diameter", help="Of a ring, to the bar's axis. [default: what fits]")
@click.option("--board", type=click.Choice(BOARDS), default="panel", show_default=True)
@click.option(
    "--pickup", type=click.Choice(["contact", "pad", "strain"]), default="contact", show_default=True
)
@click.option("--units", type=click.Choice(["mm", "inch"]), default="mm", show_default=True)
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def command(output: Path | None, force: bool, **words: Any) -> None:
    """Write a first design from a few wishes: complete, commented, ready to be heard and changed.

    Without notes or a scale it asks, on a terminal.

    \b
    Example:
      tinewright draft -o rail.toml --notes D2,A2,D3,F3,G3,A3,C4
    """
    from synth.workshop.draft import draft
    from synth.workshop.draft_text import draft_text

    if not words["notes"] and not words["scale"]:
        words, output = _asked(words, output)
    if output is None:
        raise InputError("draft needs a file to write", remedy="add -o rail.toml")
    _check_free(output, force=force)
    made = draft(wishes_of(words))
    text = draft_text(made)
    write_text(output, text)
    click.echo(
        f"{output}: {many(len(made.plans), 'group')}, "
        f"{many(sum(len(plan.members) for plan in made.plans), 'tine')}; "
        f"{many(len(made.warnings) + len(made.strained), 'warning')} and "
        f"{many(len(made.quarrels), 'quarrel')}, told at its top"
    )


def _check_free(output: Path, *, force: bool) -> None:
    check_place(output)
    if output.exists() and not force:
        raise InputError(
            "this file is there already", remedy="name another, or add --force", file=str(output)
        )


def _asked(words: dict[str, Any], output: Path | None) -> tuple[dict[str, Any], Path | None]:
    """The words with what a person answers; at most ten questions. Raises `InputError` where nobody can."""
    if not sys.stdin.isatty():
        raise InputError("draft needs notes", remedy='write --notes D2,A2,D3 or --scale "D dorian"')
    click.echo("A few questions; Enter takes what stands in brackets.")
    units = click.prompt("Millimetres or inches", type=click.Choice(["mm", "inch"]), default=words["units"])
    asked = {
        "units": units,
        "notes": click.prompt("Notes, one a group", default=NOTES),
        "tines": click.prompt("Tines in a group", type=arguments.Whole(1, 40), default=words["tines"]),
        "octaves": click.prompt(
            "Octaves a group covers", type=arguments.Whole(1, 5), default=words["octaves"]
        ),
        "intervals": click.prompt("Intervals over each octave", default=words["intervals"]),
        "stock": click.prompt("Rods, low notes to high", default=words["stock"] or STOCK[units]),
        "section": click.prompt("Section of the bar", default=words["section"] or SECTION[units]),
        "shape": click.prompt("Shape of the bar", type=click.Choice(SHAPES), default=words["shape"]),
        "board": click.prompt("Board under it", type=click.Choice(BOARDS), default=words["board"]),
    }
    where = output or Path(click.prompt("File to write", default="draft.toml"))
    return {**words, **asked}, where


def wishes_of(words: dict[str, Any]) -> Wishes:
    from synth.workshop.wishes import (
        Wishes,
        intervals_of,
        listed,
        notes_of,
        scale_notes,
        stock_of,
        wished_section,
    )

    units: Units = words["units"]
    if words["notes"] and words["scale"]:
        raise InputError("--notes and --scale exclude each other", remedy="keep one")
    _check_shape(words)
    legs = listed(words["legs"] or "")
    if words["legs"] and len(legs) not in (1, 2):
        raise InputError(f"'{words['legs']}' are not two legs", remedy="write 500,400", location="--legs")
    one, other = (_length(each, units) for each in ((legs * 2)[:2] or ("", "")))
    return Wishes(
        notes=notes_of(words["notes"])
        if words["notes"]
        else scale_notes(words["scale"], words["low"], words["high"]),
        tines=words["tines"],
        octaves=words["octaves"],
        intervals=intervals_of(words["intervals"]),
        stock=stock_of(words["stock"] or STOCK[units]),
        section=wished_section(words["section"] or SECTION[units], units),
        shape=words["shape"],
        legs_mm=(one, other),
        radius_mm=_length(words["radius"], units),
        diameter_mm=_length(words["diameter"], units),
        board=words["board"],
        pickup=words["pickup"],
        units=units,
    )


def _check_shape(words: dict[str, Any]) -> None:
    for key, shape in (("legs", "u"), ("radius", "u"), ("diameter", "ring")):
        if words[key] and words["shape"] != shape:
            raise InputError(
                f"--{key} is of another shape",
                remedy=f"add --shape {shape}, or leave it out",
                location=f"--{key}",
            )


def _length(words: str | None, units: Units) -> float:
    """In mm; 0 where it is left to the draft."""
    from synth.workshop.wishes import length_mm

    return length_mm(words, units) if words else 0.0
