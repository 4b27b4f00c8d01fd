"""`tinewright measure`: the partials of every tap in a recording, with how sure each figure is."""

from __future__ import annotations

import csv
import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.units import decibels

if TYPE_CHECKING:
    from synth.recording.audio_input import Recording
    from synth.recording.measurement import Measurement, Partial

_FIELDS = ("frequency_hz", "frequency_sd_hz", "decay_s", "decay_sd_s", "level_db", "note")
_CSV = ("tap", "time_s", *_FIELDS[:-1], "level_sd_db", "splits_hz", "kind", "note")


@click.command("measure")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--start-s", type=arguments.Number(0.0), default=0.0, show_default=True, help="Begin there.")
@click.option("--seconds", type=arguments.Number(0.1), help="Read that much; at most, and by default, 300.")
@click.option("--csv", "table", type=click.Path(path_type=Path), help="Write the figures as CSV, too.")
@click.option("-o", "--output", "image", type=click.Path(path_type=Path), help="Draw them: PNG, SVG or PDF.")
@arguments.as_json
def command(
    recording: Path,
    start_s: float,
    seconds: float | None,
    table: Path | None,
    image: Path | None,
    as_json: bool,
) -> None:
    """Find the taps in RECORDING and print what rings after each: frequency, decay (the time to fall 60 dB), level.

    Every figure comes with its standard deviation. Levels are in dB of a sine of full scale, at
    the tap. Where the recording cannot tell, that is said instead of guessed.

    \b
    Example:
      tinewright measure first-tine.wav -o first-tine.png
    """
    from synth.recording.audio_input import read_recording
    from synth.recording.partials import measure_taps

    take = read_recording(recording, start_s, seconds)
    measurement = measure_taps(take)
    if table is not None:
        _write_csv(measurement, table)
    if image is not None:
        _draw(take, measurement, image)
    if as_json:
        click.echo(json.dumps(measurement_data(measurement), indent=1, ensure_ascii=False))
        return
    click.echo(_tables(measurement))
    click.echo("".join(f"\nwarning: {each}" for each in measurement.warnings), nl=bool(measurement.warnings))


def measurement_data(measurement: Measurement) -> dict[str, Any]:
    """The measurement as data; what cannot be told is null."""
    return {
        "taps": [
            {
                "time_s": tap.time,
                "partials": [{key: _row(each)[key] for key in _FIELDS} for each in tap.partials],
            }
            for tap in measurement.taps
        ],
        "warnings": list(measurement.warnings),
    }


def _row(partial: Partial) -> dict[str, Any]:
    return {
        "frequency_hz": partial.frequency,
        "frequency_sd_hz": partial.frequency_deviation,
        "decay_s": _known(partial.decay),
        "decay_sd_s": _known(partial.decay_deviation),
        "level_db": decibels(partial.level),
        "level_sd_db": decibels(1.0 + partial.level_deviation),
        "splits_hz": partial.splits,
        "kind": partial.kind,
        "note": partial.note,
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _tables(measurement: Measurement) -> str:
    heads = ("Hz", "+-", "cents +-", "decay s", "+-", "dB", "+-", "note")
    return "\n\n".join(
        f"tap at {tap.time:.3f} s, heard for {tap.free_to - tap.free_from:.2f} s\n"
        + aligned(heads, [_words(each) for each in tap.partials])
        for tap in measurement.taps
    )


def _words(partial: Partial) -> tuple[str, ...]:
    known = math.isfinite(partial.decay)
    return (
        f"{partial.frequency:.3f}",
        f"{partial.frequency_deviation:.2g}",
        f"{1731.2 * partial.frequency_deviation / partial.frequency:.2g}",
        f"{partial.decay:.3g}" if known else "?",
        f"{partial.decay_deviation:.1g}" if known else "?",
        f"{decibels(partial.level):.1f}",
        f"{decibels(1.0 + partial.level_deviation):.1g}",
        partial.note,
    )


def _write_csv(measurement: Measurement, path: Path) -> None:
    from synth.files import atomic_write

    with atomic_write(path) as beside, beside.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, _CSV)
        writer.writeheader()
        for number, tap in enumerate(measurement.taps, start=1):
            for partial in tap.partials:
                writer.writerow({"tap": number, "time_s": tap.time, **_row(partial)})
    click.echo(f"wrote {path}", file=sys.stderr)


def _draw(take: Recording, measurement: Measurement, path: Path) -> None:
    from synth.files import atomic_write, check_picture
    from synth.recording.plot import picture

    check_picture(path)
    with atomic_write(path) as beside:
        picture(take, measurement).savefig(beside, dpi=130)
    click.echo(f"wrote {path}", file=sys.stderr)
