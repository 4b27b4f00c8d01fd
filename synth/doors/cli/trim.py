"""`tinewright trim`: where to set nuts so that overtones stand where the design wishes them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments
from synth.errors import InputError
from synth.files import check_picture
from synth.many import many
from synth.table import as_json as data

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.trimming.answers import Trimming
    from synth.workshop.trim_roughness import RankedTrimming


@click.command("trim")
@arguments.design
@click.option("--group", metavar="GROUP", help="Only this group's tines.")
@click.option(
    "--also",
    metavar="PARTIAL=RATIO",
    help="One more ratio to meet, by two nuts: 3=16 beside the tine's own wish.",
)
@click.option(
    "--picture", type=click.Path(path_type=Path), help="Draw ratio against place (.png, .svg, .pdf)."
)
@click.option("--write", is_flag=True, help="Put the choice into the design file, after a backup copy.")
@click.option(
    "--choose", type=arguments.Whole(1), default=1, show_default=True, help="Which way --write takes."
)
@arguments.json_flag
@arguments.fresh
def command(
    design: Path,
    group: str | None,
    also: str | None,
    picture: Path | None,
    write: bool,
    choose: int,
    as_json: bool,
    fresh: bool,
) -> None:
    """List every way to set one or two nuts that meets a tine's wish (trim_to), the most forgiving first.

    \b
    Example:
      tinewright trim designs/test-piece.toml --picture nuts.png
    """
    from synth.design.file import read_text
    from synth.vibration.trimming.answers import reach_words
    from synth.workshop.trim_list import trimming_data, trimming_words
    from synth.workshop.trimplot import draw_trimmings

    if picture is not None:
        check_picture(picture)
    text, instrument = read_text(design), arguments.instrument(design)
    wishing = _wishing(instrument, group)
    ways = _trimmings(instrument, wishing, None if also is None else _second_wish(also), fresh=fresh)
    found = [each.found for each in ways]
    if not any(each.solutions for each in found):
        tine = instrument.tines[found[0].tine]
        raise InputError(
            f"tine {tine.number}: no place of the nuts at hand meets the wish of {found[0].wish.ratio:g}"
            + (f" and {also}" if also is not None else ""),
            remedy=reach_words(found[0].wish, found[0].reach, met=False),
            location=f"{tine.written.wish}.trim_to",
            file=instrument.file,
        )
    if picture is not None:
        draw_trimmings(instrument, found, picture)
    if as_json:
        click.echo(data([trimming_data(instrument, each) for each in ways]))
    else:
        click.echo("\n\n".join(trimming_words(instrument, each, arguments.width()) for each in ways))
    if write:
        _write(design, text, instrument, found, choose)


def _wishing(instrument: Instrument, group: str | None) -> list[int]:
    """The tines with a wish, of one group or all. Raises `InputError` where there is none."""
    only = None if group is None else instrument.group_index(group)
    own = [n for n, t in enumerate(instrument.tines) if t.wish is not None and only in (None, t.group)]
    if not own:
        where = "the design" if group is None else f"the group '{group}'"
        raise InputError(
            f"no tine of {where} has a wish",
            remedy='write trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" } at one',
            file=instrument.file,
        )
    return own


def _second_wish(words: str) -> tuple[int, float]:
    """A partial and its ratio from "3=17.5". Raises `InputError`."""
    partial, _, ratio = words.partition("=")
    try:
        wish = int(partial), float(ratio)
    except ValueError:
        wish = 0, 0.0
    if not 2 <= wish[0] <= 6 or not 1.0 < wish[1] <= 100.0:
        raise InputError(
            f"'{words}' is no wish",
            remedy="write 3=17.5: a partial from 2 to 6 and its ratio",
            location="--also",
        )
    return wish


def _trimmings(
    instrument: Instrument, wishing: list[int], also: tuple[int, float] | None, *, fresh: bool
) -> list[RankedTrimming]:
    from synth.vibration.trimming.answers import wish_of
    from synth.workshop.trim_roughness import every_way, row_without_wishes

    if also is not None and any(wish_of(instrument.tines[n]).partial == also[0] for n in wishing):
        raise InputError(
            f"partial {also[0]} has its wish in the design", remedy="name another", location="--also"
        )
    row = row_without_wishes(instrument, fresh=fresh)
    looking = arguments.progress(wishing, total=len(wishing), what="looking for places")
    return [every_way(instrument, row, index, also=also) for index in looking]


def _write(design: Path, text: str, instrument: Instrument, found: list[Trimming], choose: int) -> None:
    from synth.design.edit import write_edited
    from synth.vibration.trimming.answers import shown_nuts, trim_edits

    short = next((each for each in found if each.solutions and len(each.solutions) < choose), None)
    if short is not None:
        raise InputError(
            f"there are only {many(len(short.solutions), 'way')}", remedy="take a lower --choose"
        )
    chosen = {each.tine: each.solutions[choose - 1].nuts for each in found if each.solutions}
    copy = write_edited(design, trim_edits(instrument, chosen), read=text)
    for index, nuts in chosen.items():
        tine = instrument.tines[index]
        group = instrument.groups[tine.group].name
        click.echo(
            f"written: {group}, tine {tine.number}: {shown_nuts(nuts, instrument.bench.units)}", err=True
        )
    click.echo(f"the old file is kept as {copy}", err=True)
