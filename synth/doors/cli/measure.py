"""`tinewright measure`: the partials of every tap in a recording, with how sure each figure is."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.files import atomic_write, check_picture, check_place, write_text


@click.command("measure")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--start-s", type=arguments.Number(0.0), default=0.0, show_default=True, help="Begin there.")
@click.option("--seconds", type=arguments.Number(0.1), help="Read that much; at most, and by default, 300.")
@click.option("--csv", "table", type=click.Path(path_type=Path), help="Write the figures as CSV, too.")
@click.option("-o", "--output", "image", type=click.Path(path_type=Path), help="Draw them: PNG, SVG or PDF.")
@arguments.json_flag
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
    from synth.recording.measurement_list import measurement_data, measurement_words, partial_table
    from synth.recording.partials import measure_taps
    from synth.table import as_json as data

    if image is not None:
        check_picture(image)
    if table is not None:
        check_place(table)
    take = read_recording(recording, start_s, seconds)
    measurement = measure_taps(take)
    if table is not None:
        write_text(table, partial_table(measurement.taps).csv())
        click.echo(f"wrote {table}", err=True)
    if image is not None:
        from synth.recording.plot import picture

        with atomic_write(image) as beside:
            picture(take, measurement).savefig(beside, dpi=130)
        click.echo(f"wrote {image}", err=True)
    if as_json:
        click.echo(data(measurement_data(measurement)))
    else:
        click.echo(measurement_words(measurement, arguments.width()))
