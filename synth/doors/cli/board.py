"""`tinewright board`: what a board or box would do, before it is made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments
from synth.files import atomic_write, check_picture

if TYPE_CHECKING:
    from synth.design.instrument import Instrument


@click.command("board")
@arguments.design
@click.argument("name", metavar="BOARD")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="A picture: PNG, SVG or PDF.")
@click.option(
    "--knock", type=click.Path(path_type=Path), help="A knuckle's knock on its first foot, WAV or FLAC."
)
@arguments.gain_db
@arguments.json_flag
@arguments.fresh
def command(
    design: Path,
    name: str,
    output: Path | None,
    knock: Path | None,
    gain_db: float,
    as_json: bool,
    fresh: bool,
) -> None:
    """Tell how a board of the design yields at its feet, what it radiates, and what it does to every group.

    \b
    Example:
      tinewright board designs/quay-rail.toml panel -o panel.png --knock knock.wav
    """
    from synth.sound.board_forecast import changes, sentences, solve_foretold
    from synth.sound.boardsheet import solve_sheet
    from synth.table import as_json as data
    from synth.vibration.solve import solve_row
    from synth.workshop.board_list import board_data, board_words, stroke_words

    instrument = arguments.instrument(design)
    name = instrument.board(name).name
    if output is not None:
        check_picture(output)
    row = solve_row(instrument, fresh=fresh)
    sheet = solve_sheet(instrument, name, fresh=fresh)
    bar = solve_foretold(instrument, row, None, fresh=fresh)
    board = solve_foretold(instrument, row, name, fresh=fresh)
    table = changes(instrument, bar, board)
    said, heard = sentences(instrument, name, bar, board), stroke_words(instrument, name, fresh=fresh)
    if as_json:
        click.echo(data(board_data(instrument, name, sheet, table, said, heard)))
    else:
        click.echo(board_words(instrument, name, sheet, table, [*said, *heard], arguments.width()))
    if output is not None:
        from synth.workshop.boardplot import draw_board

        with atomic_write(output) as beside:
            draw_board(instrument, name, sheet, table).savefig(beside, dpi=130)
        click.echo(f"wrote {output}", err=True)
    if knock is not None:
        _write_knock(knock, instrument, name, gain_db)


def _write_knock(path: Path, instrument: Instrument, name: str, gain_db: float) -> None:
    from synth.sound import audio, loudness
    from synth.sound.boardsheet import KNOCK, knock
    from synth.vibration.solve import solve_board_of

    audio.check_output(path)
    pressure = knock(instrument, solve_board_of(instrument, name), foot=0, rate=audio.RATE)
    peak = audio.write(path, [pressure], gain_db=gain_db)
    said = loudness.words(loudness.measure(pressure, audio.RATE), gain_db=gain_db)
    what = f"a knock of {1e3 * KNOCK:.0f} mN s on the first foot"
    click.echo(f"{path}: {what}, gain {gain_db:+z.1f} dB, peak {peak:z.1f} dBFS", err=True)
    click.echo("\n".join(said), err=True)
