"""`tinewright stroke`: one stroke of one group becomes a sound file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from synth.cores import one_core
from synth.doors.cli import arguments, hearing
from synth.files import atomic_write, check_place, write_text
from synth.memory import keep_freed
from synth.playing.report import trace_arrays
from synth.playing.stroke import ContactModel, Direction, Grip, Hand, Stroke


@click.command("stroke")
@arguments.design
@arguments.group
@arguments.stroke_options
@arguments.through
@click.option(
    "--seconds", type=arguments.Number(0.01, 600.0), default=8.0, show_default=True, help="How long."
)
@arguments.surroundings
@arguments.contact_options
@arguments.gain_db
@arguments.fresh
@click.option("--report", type=click.Path(path_type=Path), help="Write what happened to each tine, as JSON.")
@click.option(
    "--trace",
    type=click.Path(path_type=Path),
    help="Write the force that drove the sound, as NumPy arrays (.npz).",
)
@arguments.output
def command(
    design: Path,
    group: str,
    stick_name: str | None,
    direction: Direction,
    through: str,
    room: str,
    room_noise: bool,
    seconds: float,
    contact: ContactModel,
    hand: Hand,
    grip: Grip,
    allow_yield: bool,
    seed: int,
    gain_db: float,
    fresh: bool,
    report: Path | None,
    trace: Path | None,
    without: str | None,
    output: Path,
    **numbers: float,
) -> None:
    """Stroke one group once and write what is heard, at its true level.

    \b
    Example:
      tinewright stroke designs/quay-rail.toml --group D3 --speed-mm-s 300 --through panel -o d3.wav
    """
    from synth.sound import sensitivity
    from synth.sound.audio import check_output
    from synth.sound.beside import Beside
    from synth.sound.compiled_ahead import load_all
    from synth.sound.render import ContactSettings, perform, scene

    keep_freed()
    check_output(output)
    load_all()
    for path in (report, trace):
        if path is not None:
            check_place(path)
    instrument = arguments.instrument(design)
    wanted = arguments.stroke(
        instrument,
        group=instrument.group_index(group),
        stick_name=stick_name,
        direction=direction,
        hand=hand,
        grip=grip,
        numbers=numbers,
    )
    settings = ContactSettings(contact=contact, allow_yield=allow_yield, seed=seed, stick=without != "stick")
    surroundings = arguments.surroundings_of(instrument, room, room_noise)
    listening = scene(instrument, through, surroundings=surroundings, fresh=fresh)
    rendering = perform(listening, [wanted], seconds=seconds, settings=settings)
    fingers: Beside[Stroke, tuple[sensitivity.Moved, ...]] = Beside(
        lambda strokes: (sensitivity.moved_by_the_fingers(listening, each, settings) for each in strokes)
    )
    with one_core(with_scipy=False):  # in both threads: how many there are is the library's, not a thread's
        with fingers:
            fingers.give(wanted)
        touch = None if surroundings.noise else wanted.start  # an ear's words would be those of the noise
        said = hearing.write(rendering, output, gain_db=gain_db, touch=touch)
        (moved,) = fingers.results()
    for words in said:
        click.echo(words)
    if surroundings.room:
        for words in hearing.in_room(listening, instrument, wanted, settings):
            click.echo(words)
    for words in (sensitivity.words(moved), *rendering.warnings):
        click.echo(words)
    if report is not None:
        _write_report(rendering.reports[0], report)
    if trace is not None:
        _write_trace(trace_arrays(rendering.traces[0], instrument), trace)


def _write_report(document: dict[str, Any], path: Path) -> None:
    write_text(path, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def _write_trace(arrays: dict[str, NDArray[Any]], path: Path) -> None:
    with atomic_write(path) as beside, beside.open("wb") as file:
        np.savez(file, allow_pickle=False, **arrays)
