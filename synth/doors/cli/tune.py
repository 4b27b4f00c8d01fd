"""`tinewright tune`: help at the bench: which way to turn a tine's base nut, and how far."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.doors.cli import arguments, bench
from synth.errors import InputError
from synth.many import many
from synth.table import as_json as data
from synth.units import KELVIN_AT_0_C, MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.audio_input import Recording
    from synth.recording.retune import Retune
    from synth.recording.tap_message import TunerMessage
    from synth.recording.tuning_session import TuningWishes
    from synth.vibration.tuning import Row


IN_TUNE = 3.0  # cents: near enough where a whole row is gone through
FINELY_IN_TUNE = 1.0  # cents: less is not heard, and no nut is turned so finely


@click.command("tune")
@arguments.design
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path), metavar="[RECORDING]...")
@click.option("--tine", "name", metavar="GROUP.N", help="The tine that was tapped.")
@click.option("--target-hz", type=arguments.Number(8.0, 20_000.0), help="Its pitch.  [default: the design's]")
@click.option(
    "--listen", "live", is_flag=True, help="Hear taps as they come: from the microphone, or from RECORDING."
)
@click.option("--device", help="With --listen: the microphone, its number or a part of its name.")
@click.option(
    "--tones",
    is_flag=True,
    help="With --listen: answer in tones, low for flat, high for sharp, a chord for done.",
)
@click.option("--page", is_flag=True, help="With --listen: large figures in a browser on this machine too.")
@click.option(
    "--phone",
    is_flag=True,
    help="With --listen: and on a phone in the same network, which sees the figures and nothing else.",
)
@click.option("--from", "first", metavar="GROUP.N", help="With --listen: the tine to begin with.")
@click.option(
    "--in-order",
    is_flag=True,
    help="With --listen: you tap what is announced; of tines that sound alike take it.",
)
@click.option("--again", is_flag=True, help="With --listen: another round, which tells what moved.")
@click.option(
    "--tune-to-what-is-there",
    "there",
    is_flag=True,
    help="With --listen: move all targets by what turns the fewest nuts.",
)
@click.option(
    "--cents",
    "within",
    type=arguments.Number(0.5, 50.0),
    help="So near is in tune.  [default: 3; with --tine 1]",
)
@click.option(
    "--shift-cents", type=arguments.Number(-200.0, 200.0), default=0.0, help="Move every target by so much."
)
@click.option(
    "--stretch-cents",
    type=arguments.Number(-20.0, 20.0),
    default=0.0,
    help="And by so much an octave above a', as much down below.",
)
@click.option(
    "--temperature-c", type=arguments.Number(-40.0, 60.0), help="At the bench.  [default: the design's]"
)
@arguments.json_flag
def command(
    design: Path,
    recordings: tuple[Path, ...],
    name: str | None,
    target_hz: float | None,
    live: bool,
    device: str | None,
    tones: bool,
    page: bool,
    phone: bool,
    first: str | None,
    in_order: bool,
    again: bool,
    there: bool,
    within: float | None,
    shift_cents: float,
    stretch_cents: float,
    temperature_c: float | None,
    as_json: bool,
) -> None:
    """Say which way, and how many turns, the base nut of a tine goes so that it sounds its pitch.

    Tap the tine alone and hold the others still. With --tine several taps in one recording are averaged, and
    --target-hz is its pitch at the bench, which no other option moves. Without --tine every RECORDING is a line,
    and the tine is found (or told by a name SOMETHING.GROUP-N.wav; a name of no tine of the design draws a
    warning). With --listen every tap is told of as it comes, heavy and low tines first; what is done is kept beside
    the design, in DESIGN.tuning.toml, and goes on from there the next time.

    \b
    Example:
      tinewright tune designs/test-piece.toml --tine D3.1 tap.wav
      tinewright tune designs/test-piece.toml taps/*.wav
      tinewright tune designs/test-piece.toml --listen
    """
    from synth.recording.tuning_session import TuningWishes

    if not live and (device or tones or page or phone or first or in_order or again or there):
        raise InputError(
            "--device, --tones, --page, --phone, --from, --in-order, --again and --tune-to-what-is-there "
            "go with --listen",
            remedy="say --listen, or leave them out",
        )
    if live and (name is not None or target_hz is not None or as_json or len(recordings) > 1):
        raise InputError(
            "--tine, --target-hz, --json and more than one recording are for taps on file",
            remedy="leave them out with --listen",
        )
    if not live and not recordings:
        raise InputError("which recording?", remedy="give one or more files of taps, or --listen")
    if name is not None and len(recordings) != 1:
        raise InputError(
            f"{many(len(recordings), 'recording')} of one tine",
            remedy="give one, or leave --tine out: each is a line",
        )
    if target_hz is not None and name is None:
        raise InputError("the pitch of which tine?", remedy="say --tine GROUP.N beside --target-hz")
    if target_hz is not None and (shift_cents or stretch_cents or temperature_c is not None):
        raise InputError(
            "--shift-cents, --stretch-cents and --temperature-c move the pitch that the design gives",
            remedy="leave them out with --target-hz, and say what the tine is to sound at the bench",
        )
    instrument = arguments.instrument(design)
    wishes = TuningWishes(
        within=within or (IN_TUNE if name is None else FINELY_IN_TUNE),
        temperature=None if temperature_c is None else temperature_c + KELVIN_AT_0_C,
        first=None if first is None else bench.find_tine(instrument, first),
        in_order=in_order,
        shift=shift_cents,
        stretch=stretch_cents,
        again=again,
    )
    if name is not None:
        _advise(instrument, recordings[0], name, target_hz, wishes, as_json=as_json)
        return
    if not live:
        _each_file(instrument, recordings, wishes, as_json=as_json)
        return
    from synth.doors.listening_tuner import PageFor, TunerSettings, listen_and_tell

    shown: PageFor | None = "a phone" if phone else "this machine" if page else None
    settings = TunerSettings(recordings[0] if recordings else None, device, tones, there, shown)
    listen_and_tell(instrument, design, settings, wishes)


def _each_file(
    instrument: Instrument, recordings: tuple[Path, ...], wishes: TuningWishes, *, as_json: bool
) -> None:
    """A line, or an object, for each tap of each file. Raises `InputError` once all of them are told."""
    from synth.recording.audio_input import CUT, read_recording
    from synth.recording.tap_reasons import with_reasons
    from synth.recording.taps_on_file import messages_of, unread
    from synth.recording.tuning_session import wished_targets
    from synth.vibration.solve import solve_row

    row = solve_row(instrument)
    targets = wished_targets(instrument, row, wishes)
    told, unusable = [], []
    for path in recordings:
        mine = bench.tine_in_file_name(instrument, path)
        try:
            take = read_recording(path, remedy=CUT)
        except InputError as trouble:
            if len(recordings) == 1:
                raise
            unusable.append(trouble)
            told.append(unread(path, trouble, instrument, targets, within=wishes.within) | {"warnings": []})
        else:
            heard = messages_of(take, instrument, targets, announced=mine, within=wishes.within)
            told += _with_warnings(with_reasons(heard, instrument, take), instrument, take)
    _print(told, as_json=as_json)
    if unusable:
        raise _all_of(unusable)


def _with_warnings(told: list[TunerMessage], instrument: Instrument, take: Recording) -> list[TunerMessage]:
    """The messages of a file with its warnings, which are said on standard error too, each once."""
    path = Path(take.file)
    doubts = [bench.doubts_of_file_name(instrument, path, each["name"], each["may_be"]) for each in told]
    told = [each | {"warnings": [*take.warnings, *some]} for each, some in zip(told, doubts, strict=True)]
    for warning in dict.fromkeys(warning for each in told for warning in each["warnings"]):
        bench.warn(take.file, warning)
    return told


def _all_of(unusable: list[InputError]) -> InputError:
    """One error that names all the files that cannot be used."""
    if len(unusable) == 1:
        return unusable[0]
    files = ", ".join(each.file for each in unusable)
    return InputError(
        f"{many(len(unusable), 'recording')} cannot be used: {files}", remedy="their lines say why"
    )


def _print(told: list[TunerMessage], *, as_json: bool) -> None:
    from synth.doors.tuner_words import what_it_says

    if as_json:
        click.echo(data(told))
        return
    for each in told:
        beside = f", taken for it: {' or '.join(each['may_be'])} sound alike" if each["taken"] else ""
        click.echo(f"{each['file']}: {what_it_says(each)}{beside}")


def _advise(
    instrument: Instrument,
    recording: Path,
    name: str,
    target_hz: float | None,
    wishes: TuningWishes,
    *,
    as_json: bool,
) -> None:
    from synth.recording.retune import retune
    from synth.recording.tuning_session import wished_pitches
    from synth.vibration.solve import solve_row

    tine = bench.find_tine(instrument, name)
    row = solve_row(instrument)
    target = float(wished_pitches(instrument, row, wishes)[tine]) if target_hz is None else target_hz
    if not math.isfinite(target):
        raise InputError(
            f"the design gives {name} a length and no pitch", remedy="say --target-hz", file=instrument.file
        )
    (measured,) = bench.listen([recording])
    advice = retune(instrument, row, tine, measured.taps, target)
    if as_json:
        click.echo(data(_data(instrument, tine, advice)))
        return
    click.echo(_words(instrument, row, tine, advice, wishes.within))


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


def _words(instrument: Instrument, row: Row, tine: int, advice: Retune, within: float) -> str:
    from synth.recording.tuning_targets import in_tune
    from synth.workshop.retuning import retuning_words

    name = bench.tine_name(instrument, tine)
    note, beside = instrument.note(advice.target)
    told = "" if advice.partial == 0 else f", told by partial {advice.partial + 1}"
    side = "above" if advice.cents > 0.0 else "below"
    head = (
        f"{name} sounds {advice.sounds:.2f} Hz{told}, {abs(advice.cents):.1f} cents {side} its "
        f"{advice.target:.2f} Hz ({note} {beside:+z.0f}), known within {advice.deviation_cents:.1f} cents."
    )
    parts = [head, *(f"In doubt: {each}." for each in advice.doubts)]
    if advice.other is not None:
        other = bench.tine_name(instrument, advice.other)
        parts.append(f"In doubt: the partials fit {other} better. Which tine was tapped? If it was {name}:")
    if in_tune(advice.cents, advice.deviation_cents, within):
        return "\n".join([*parts, "It is in tune: leave it."])
    if abs(advice.cents) < advice.deviation_cents:
        return "\n".join(
            [*parts, "Whether it is flat or sharp cannot be told: tap again, nearer to the microphone."]
        )
    return "\n".join([*parts, retuning_words(instrument, row.modes, tine, advice.shorten, advice.cents)])
