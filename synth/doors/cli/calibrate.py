"""`tinewright calibrate`: recordings of the test piece correct the design's assumptions."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from synth.doors.cli import arguments, bench
from synth.errors import InputError
from synth.recording.parameters import KINDS
from synth.table import as_json as data
from synth.units import INCH, MM, length_said
from synth.vibration.tine import LONGEST, SHORTEST

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.calibration_model import MeasuredPiece
    from synth.recording.match import TineAssignment
    from synth.vibration.tuning import Row


@click.command("calibrate")
@arguments.design
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--tine", "tines", multiple=True, metavar="GROUP.N", help="Of which tine: once a file, or once a tap."
)
@click.option(
    "--length",
    "lengths",
    multiple=True,
    metavar="GROUP.N=MM",
    help="A free length as measured, in mm, or inches as 4.6in.",
)
@click.option(
    "--length-sd-mm",
    default=0.2,
    show_default=True,
    type=arguments.Number(0.0, 5.0),
    help="How well lengths are kept.",
)
@click.option(
    "--fit", "kinds", multiple=True, type=click.Choice(KINDS), help="Only this; default: all the data hold."
)
@click.option("--yes", is_flag=True, help="Take the tines that were found for the taps without asking.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="The corrected copy.  [default: NAME-measured.toml]",
)
@click.option("--overwrite", is_flag=True, help="Replace the corrected copy if it is there.")
@arguments.json_flag
def command(
    design: Path,
    recordings: tuple[Path, ...],
    tines: tuple[str, ...],
    lengths: tuple[str, ...],
    length_sd_mm: float,
    kinds: tuple[str, ...],
    yes: bool,
    output: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Fit the model of DESIGN to RECORDINGS of its tines and write a corrected copy of it.

    Tap one tine at a time and hold the others still; a file NAME.GROUP-N.wav says of which tine it is. DESIGN
    is the one that the tines were cut from: they are taken to be as long as it says, unless --length says
    otherwise, so record them before they are tuned. What the recordings cannot tell apart is not fitted, and
    the reason is given.

    \b
    Example:
      tinewright calibrate designs/test-piece.toml taps.wav --tine D3.1 --tine D3.3 -o corrected.toml
    """
    from synth.design.edit import write_edited
    from synth.design.file import read_text
    from synth.recording.calibrate import calibrate, to_write
    from synth.recording.calibration_list import calibration_data, calibration_words
    from synth.recording.parameters import unknowns
    from synth.vibration.solve import solve_row

    goal = _goal(design, output, overwrite)
    text, instrument = read_text(design), arguments.instrument(design)
    row = solve_row(instrument)
    claims, piece = _piece(instrument, row, bench.listen(recordings), tines, lengths, length_sd_mm)
    bench.approve(instrument, claims, yes)
    found = unknowns(piece.tree, instrument, piece.tines)
    calibration = calibrate(piece, found, kinds or None)
    today = datetime.date.today().isoformat()
    write_edited(design, to_write(calibration.edits, today), read=text, goal=goal)
    if as_json:
        click.echo(data({**calibration_data(instrument, claims, calibration), "written": str(goal)}))
        return
    click.echo(calibration_words(instrument, calibration, arguments.width()))
    click.echo(f"\nwrote {goal}")


def _goal(design: Path, output: Path | None, overwrite: bool) -> Path:
    """Where the corrected copy goes; never over the design, and over nothing that is not asked for."""
    from synth.files import check_place

    goal = output or design.with_name(f"{design.stem}-measured.toml")
    check_place(goal)
    if goal.exists() and (goal.samefile(design) if design.exists() else False):
        raise InputError(
            "the corrected copy may not replace the design", remedy="name another with -o", file=str(goal)
        )
    if goal.exists() and not overwrite:
        raise InputError(
            "is already there", remedy="name another with -o, or say --overwrite", file=str(goal)
        )
    return goal


def _piece(
    instrument: Instrument,
    row: Row,
    measured: Sequence[Any],
    named: Sequence[str],
    lengths: Sequence[str],
    length_sd_mm: float,
) -> tuple[list[TineAssignment], MeasuredPiece]:
    """The taps with their tines, and everything that was measured."""
    from synth.recording.calibration_model import MeasuredPiece
    from synth.recording.match import matched_partials, name_tines
    from synth.recording.parameters import tree_of
    from synth.recording.predicted_partials import bar_of, heard

    taps = bench.tines_of_taps(instrument, measured, named)
    length = _as_cut(instrument, row, lengths)
    wanted = [tine for _, tine in taps]
    which = (
        range(len(instrument.tines))
        if None in wanted
        else sorted({tine for tine in wanted if tine is not None})
    )
    model = heard(instrument, bar_of(instrument), length, row.trim, list(which))
    claims = name_tines([tap for tap, _ in taps], model, wanted)
    found = tuple(line for claim in claims for line in matched_partials(claim, model))
    tree = tree_of(instrument.file)
    return claims, MeasuredPiece(
        tree, instrument.file, instrument, length, row.trim, length_sd_mm * MM, found
    )


def _lengths_like(instrument: Instrument) -> str:
    units = instrument.bench.units
    low, high = (length_said(each, units, figures=3) for each in (SHORTEST, LONGEST))
    return f"write GROUP.N={'MM' if units == 'mm' else '4.6in'}, {low.split()[0]} to {high}"


def _as_cut(
    instrument: Instrument, row: Row, lengths: Sequence[str]
) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The design's free lengths with those that the maker measured in their place."""
    out = row.length.copy()
    for words in lengths:
        name, equals, number = words.rpartition("=")
        inch = number.rstrip().endswith("in")
        try:
            value = float(number.rstrip().removesuffix("in")) * (INCH if inch else MM)
        except ValueError:
            value = math.nan
        if not equals or not SHORTEST <= value <= LONGEST:
            raise InputError(f"'{words}' is not a tine and its length", remedy=_lengths_like(instrument))
        out[bench.find_tine(instrument, name)] = value
    return out
