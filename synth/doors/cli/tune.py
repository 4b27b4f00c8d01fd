"""`tinewright tune`: help at the bench: which way to turn a tine's base nut, and how far."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.doors.cli import arguments, bench
from synth.errors import InputError
from synth.table import as_json as data
from synth.units import MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.retune import Retune
    from synth.vibration.tuning import Row

IN_TUNE = 1.0  # cents: less is not heard, and no nut is turned so finely


@click.command("tune")
@arguments.design
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--tine", "name", required=True, metavar="GROUP.N", help="The tine that was tapped.")
@click.option("--target-hz", type=arguments.Number(8.0, 20_000.0), help="Its pitch.  [default: the design's]")
@arguments.json_flag
def command(design: Path, recording: Path, name: str, target_hz: float | None, as_json: bool) -> None:
    """Say which way, and how many turns, the base nut of a tine goes so that it sounds its pitch.

    Tap the tine alone and hold the others still; several taps in one recording are averaged.

    \b
    Example:
      tinewright tune designs/test-piece.toml --tine D3.1 tap.wav
    """
    from synth.recording.retune import retune
    from synth.vibration.solve import solve_row

    instrument = arguments.instrument(design)
    tine = bench.find_tine(instrument, name)
    row = solve_row(instrument)
    target = float(row.target_hz[tine]) if target_hz is None else target_hz
    if not math.isfinite(target):
        raise InputError(
            f"the design gives {name} a length and no pitch", remedy="say --target-hz", file=str(design)
        )
    (measured,) = bench.listen([recording])
    advice = retune(instrument, row, tine, measured.taps, target)
    if as_json:
        click.echo(data(_data(instrument, tine, advice)))
        return
    click.echo(_words(instrument, row, tine, advice))


def _data(instrument: Instrument, tine: int, advice: Retune) -> dict[str, Any]:
    other = None if advice.other is None else bench.tine_name(instrument, advice.other)
    return {
        "tine": bench.tine_name(instrument, tine),
        "sounds_hz": advice.sounds,
        "sounds_sd_hz": advice.standard_uncertainty,
        "target_hz": advice.target,
        "cents": advice.cents,
        "cents_sd": advice.deviation_cents,
        "told_by_partial": advice.partial + 1,
        "shorten_mm": advice.shorten / MM,
        "turns_up": advice.turns,
        "more_like": other,
        "doubts": list(advice.doubts),
    }


def _words(instrument: Instrument, row: Row, tine: int, advice: Retune) -> str:
    from synth.workshop.retuning import retuning_words

    name = bench.tine_name(instrument, tine)
    note, beside = instrument.note(advice.target)
    told = "" if advice.partial == 0 else f", told by partial {advice.partial + 1}"
    side = "above" if advice.cents > 0.0 else "below"
    head = (
        f"{name} sounds {advice.sounds:.2f} Hz{told}, {abs(advice.cents):.1f} cents {side} its "
        f"{advice.target:.2f} Hz ({note} {beside:+.0f}), known within {advice.deviation_cents:.1f} cents."
    )
    parts = [head, *(f"In doubt: {each}." for each in advice.doubts)]
    if advice.other is not None:
        other = bench.tine_name(instrument, advice.other)
        parts.append(f"In doubt: the partials fit {other} better. Which tine was tapped? If it was {name}:")
    if abs(advice.cents) < max(IN_TUNE, advice.deviation_cents):
        return "\n".join([*parts, "It is in tune: leave it."])
    return "\n".join([*parts, retuning_words(instrument, row.modes, tine, advice.shorten, advice.cents)])
