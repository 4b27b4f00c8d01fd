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
from synth.table import Column, Table
from synth.table import as_json as data
from synth.units import FALL, MM, cents

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.calibrate import Calibration
    from synth.recording.calibration_model import MeasuredPiece
    from synth.recording.match import MatchedPartial, TineAssignment
    from synth.vibration.tuning import Row

PLANES = {0: "along", 1: "across", None: "both"}


@click.command("calibrate")
@arguments.design
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--tine", "tines", multiple=True, metavar="GROUP.N", help="Of which tine: once a file, or once a tap."
)
@click.option("--length", "lengths", multiple=True, metavar="GROUP.N=MM", help="A free length as measured.")
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
        click.echo(data(_data(instrument, claims, calibration, goal)))
        return
    click.echo(_tables(instrument, claims, calibration))
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


def _as_cut(
    instrument: Instrument, row: Row, lengths: Sequence[str]
) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The design's free lengths with those that the maker measured in their place."""
    out = row.length.copy()
    for words in lengths:
        name, equals, number = words.rpartition("=")
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not equals or not 20.0 <= value <= 600.0:
            raise InputError(
                f"'{words}' is not a tine and its length", remedy="write GROUP.N=MM, 20 to 600 mm"
            )
        out[bench.find_tine(instrument, name)] = value * MM
    return out


def _data(
    instrument: Instrument, claims: Sequence[TineAssignment], calibration: Calibration, goal: Path
) -> dict[str, Any]:
    return {
        "taps": [
            {"time_s": claim.tap.time, "tine": bench.tine_name(instrument, claim.tine), "found": claim.found}
            for claim in claims
        ],
        "fitted": _fitted(calibration).data(),
        "correlation": calibration.correlation.tolist(),
        "rejected": [
            {"name": each.unknown.name, "reason": each.reason, "would_tell": each.remedy}
            for each in calibration.rejected
        ],
        "partials": [_line_data(instrument, calibration, line) for line in calibration.lines],
        "warnings": list(calibration.warnings),
        "written": str(goal),
    }


def _line_data(instrument: Instrument, calibration: Calibration, line: MatchedPartial) -> dict[str, Any]:
    before, after = calibration.before, calibration.after
    old, new = before.row(line.tine), after.row(line.tine)
    return {
        "tine": bench.tine_name(instrument, line.tine),
        "partial": line.partial + 1,
        "plane": PLANES[line.plane],
        "frequency_hz": line.frequency,
        "before_cents": cents(line.of(before.frequency[old]) / line.frequency),
        "after_cents": cents(line.of(after.frequency[new]) / line.frequency),
        "decay_s": FALL / line.decay_rate if math.isfinite(line.decay_rate) else None,
        "before_s": FALL / line.of(before.decay_rate[old]),
        "after_s": FALL / line.of(after.decay_rate[new]),
    }


def _tables(instrument: Instrument, claims: Sequence[TineAssignment], calibration: Calibration) -> str:
    lines = Table(
        [
            Column("tine", "tine"),
            Column("partial", "partial"),
            Column("plane", "plane"),
            Column("frequency_hz", "Hz", "{:.2f}"),
            Column("before_cents", "before", "{:+.1f}"),
            Column("after_cents", "after cents", "{:+.1f}"),
            Column("decay_s", "decay s", "{:.3g}", empty="?"),
            Column("before_s", "before", "{:.3g}"),
            Column("after_s", "after s", "{:.3g}"),
        ],
        [_line_data(instrument, calibration, line) for line in calibration.lines],
    )
    parts = [
        "Learnt:\n" + _fitted(calibration).text(arguments.width()),
        *_correlated(calibration),
        "The model less the measurement:\n" + lines.text(arguments.width()),
    ]
    if calibration.rejected:
        reasons = [
            f"  {each.unknown.name}: {each.reason}" + (f"; {each.remedy}" if each.remedy else "")
            for each in calibration.rejected
        ]
        told = "Not fitted, and taken as it stands in the design; its error goes into what was fitted:\n"
        parts.append(told + "\n".join(reasons))
    parts += [f"warning: {each}" for each in calibration.warnings]
    return "\n\n".join(parts)


def _fitted(calibration: Calibration) -> Table:
    """What was fitted, before and now."""
    return Table(
        [
            Column("name", "what", value=lambda each: each.unknown.name),
            Column("key", "key", value=lambda each: each.unknown.key),
            Column("before", "before", "{:.5g}", lambda each: each.unknown.value),
            Column("after", "now", "{:.5g}", lambda each: each.value),
            Column("sd", "+-", "{:.2g}", lambda each: each.standard_uncertainty),
        ],
        calibration.fitted,
    )


def _correlated(calibration: Calibration) -> list[str]:
    """The correlations between what was learnt, where there are two or more."""
    names = [each.unknown.name for each in calibration.fitted]
    if len(names) < 2:
        return []

    def against(n: int) -> Column:
        return Column("", names[n], "{:+.2f}", lambda row: calibration.correlation[row, n])

    table = Table(
        [Column("", "", value=lambda row: names[row]), *map(against, range(len(names)))], range(len(names))
    )
    return [f"Correlations (near 1 or -1: only both together are known):\n{table.text(arguments.width())}"]
