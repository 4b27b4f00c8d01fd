"""`tinewright play`: a stroke script or a MIDI file becomes a sound file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments, hearing
from synth.playing.stroke import ContactModel, Hand

if TYPE_CHECKING:
    from synth.playing.script import Performance


@click.command("play")
@arguments.design
@click.argument("score", type=click.Path(path_type=Path))
@click.option("--through", help="bar, pickup, or a board; a script may say otherwise, a MIDI file cannot.")
@click.option("--skip-unplayable", is_flag=True, help="Leave out notes for which the design has no group.")
@arguments.surroundings
@arguments.contact_options
@arguments.gain_db
@arguments.fresh
@arguments.output
def command(
    design: Path,
    score: Path,
    through: str | None,
    room: str,
    room_noise: bool,
    skip_unplayable: bool,
    contact: ContactModel,
    hand: Hand,
    allow_yield: bool,
    seed: int,
    gain_db: float,
    fresh: bool,
    without: str | None,
    output: Path,
) -> None:
    """Play a stroke script (.toml) or a standard MIDI file (.mid) and write what is heard.

    \b
    Example:
      tinewright play designs/quay-rail.toml designs/slow-and-fast.toml -o piece.wav
    """
    from synth.playing.score import performance
    from synth.playing.script import held_by
    from synth.sound.audio import RATE, check_output
    from synth.sound.compiled_ahead import load_all
    from synth.sound.loudness import LoudnessMeter
    from synth.sound.render import ContactSettings, play

    check_output(output)
    load_all()
    instrument = arguments.instrument(design)
    through = through and instrument.listening(through)
    surroundings = arguments.surroundings_of(instrument, room, room_noise)
    piece, left_out = performance(score, instrument, through=through, skip_unplayable=skip_unplayable)
    for words in [*left_out, *_overruled(piece, through)]:
        click.echo(words, err=True)
    piece = held_by(piece, hand)
    settings = ContactSettings(
        contact=contact, allow_yield=allow_yield, seed=seed, stick=without != "stick", traces=False
    )
    meter = LoudnessMeter(RATE)
    rendering = play(
        instrument, piece, settings=settings, surroundings=surroundings, fresh=fresh, hear=meter.hear
    )
    for words in [*hearing.write(rendering, output, gain_db=gain_db, meter=meter), *rendering.warnings]:
        click.echo(words)


def _overruled(piece: Performance, through: str | None) -> list[str]:
    """What to tell of strokes that say themselves what they are heard through."""
    others = {each.through for each in piece.played} - {through}
    if through is None or not others:
        return []
    count = f"{sum(each.through != through for each in piece.played)} of {len(piece.played)}"
    return [f"--through {through} gives way to the script, in {count}: {', '.join(sorted(others))}"]
