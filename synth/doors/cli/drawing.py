"""`tinewright drawing`: the instrument to scale, from the front, from above and askew, on one sheet."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.units import MM, size_said

KINDS = (".svg", ".pdf")


@click.command("drawing")
@arguments.design
@click.option(
    "--board", "board_name", metavar="BOARD", help="What it stands on: a board of the design, or none."
)
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="The sheet: SVG or PDF.")
@arguments.fresh
def command(design: Path, board_name: str | None, output: Path, fresh: bool) -> None:
    """Draw the instrument to scale: elevation, plan and an oblique view, with dimensions and group names.

    It stands on the first board of the design, unless --board names another, or none.

    \b
    Example:
      tinewright drawing designs/quay-rail.toml -o rail.pdf
    """
    from synth.errors import InputError, nearest
    from synth.vibration.solve import solve_row
    from synth.workshop.drawing_sheet import drawing_sheet
    from synth.workshop.picture import write_pdf_sheet, write_svg_sheet

    if output.suffix.lower() not in KINDS:
        raise InputError(
            f"'{output.suffix}' is not a kind of drawing" if output.suffix else "says no kind of drawing",
            remedy=f"name it {', '.join(KINDS)}",
            file=str(output),
        )
    instrument = arguments.instrument(design)
    boards = instrument.boards
    if board_name is not None and board_name != "none" and board_name not in boards:
        raise InputError(
            f"there is no board '{board_name}'",
            remedy=nearest(board_name, [*boards, "none"]),
            file=instrument.file,
        )
    name = next(iter(boards), "none") if board_name is None else board_name
    row = solve_row(instrument, fresh=fresh)
    sheet = drawing_sheet(instrument, row.length, row.trim, boards.get(name))
    write = write_svg_sheet if output.suffix.lower() == ".svg" else write_pdf_sheet
    write(sheet, output)
    click.echo(f"wrote {output}: {size_said(sheet.width * MM, sheet.height * MM, instrument.bench.units)}")
