"""`tune --listen`: taps are heard while both hands work, and the terminal says what the nut wants.

In: a design and a microphone, or a recording played through as if it came from one. Out: lines, in large figures
where a person reads them from two metres, and the progress kept beside the design.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from synth.units import MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.tap_listener import Answer
    from synth.recording.tuning_progress import TuningProgress
    from synth.recording.tuning_targets import TuningTargets

RATE: Final = 48_000
BLOCK: Final = 256
KELVIN: Final = 273.15
_ROWS: Final = {  # five rows of three dots, for digits that are read from two metres
    "0": "75557",
    "1": "22222",
    "2": "71747",
    "3": "71717",
    "4": "55711",
    "5": "74717",
    "6": "74757",
    "7": "71111",
    "8": "75757",
    "9": "75717",
    "+": "02720",
    "-": "00700",
    ".": "00002",
}


@dataclass(frozen=True)
class TunerSettings:
    """What the command line asked: microphone, first tine (index), cents near enough, degrees at the bench."""

    device: str | None
    first: int | None
    within: float
    temperature_c: float | None


def listen_and_tell(
    instrument: Instrument, design: Path, recording: Path | None, wishes: TunerSettings
) -> None:
    """Hear taps until the recording ends, all is done, or the maker stops. Raises `InputError`."""
    from synth.recording.tap_listener import Listener
    from synth.recording.tuning_progress import begun, progress_path
    from synth.recording.tuning_targets import tuning_targets
    from synth.vibration.solve import solve_row

    warmth = instrument.temperature if wishes.temperature_c is None else wishes.temperature_c + KELVIN
    targets = tuning_targets(instrument, solve_row(instrument), temperature=warmth)
    progress = begun(targets.name, targets.target, first=wishes.first, path=progress_path(design))
    with _blocks(recording, wishes.device) as (rate, blocks):
        listener = Listener(targets, rate)
        session = _Session(targets, progress, progress_path(design), wishes.within, warmth - KELVIN)
        listener.following = session.say_next()
        try:
            for block in blocks:
                for answer in listener.feed(block):
                    listener.following = session.told(answer)
        except KeyboardInterrupt:
            click.echo("")
    click.echo(f"{len(progress.order) - len(progress.left())} of {len(progress.order)} tines are in tune.")


def _blocks(recording: Path | None, device: str | None) -> AbstractContextManager[tuple[int, Iterator[Any]]]:
    from contextlib import contextmanager

    from synth.doors.devices import microphone
    from synth.recording.audio_input import read_recording

    if recording is not None:
        take = read_recording(recording)
        parts = (take.samples[at : at + BLOCK] for at in range(0, len(take.samples), BLOCK))
        return nullcontext((take.rate, parts))

    @contextmanager
    def heard() -> Iterator[tuple[int, Iterator[Any]]]:
        with microphone(device, rate=RATE, block=BLOCK) as blocks:
            yield RATE, blocks

    return heard()


@dataclass
class _Session:
    """What was said and kept so far."""

    targets: TuningTargets
    progress: TuningProgress
    path: Path
    within: float
    temperature_c: float
    announced: int | None = None

    def told(self, answer: Answer) -> int | None:
        """Say one answer, keep what it tells; the tine that is next."""
        from synth.recording.tuning_progress import LastTap

        verdict = answer.verdict
        if verdict.tine is None:
            names = " or ".join(self.targets.name[each] for each in verdict.candidates)
            click.echo(f"{answer.time:7.2f} s  {names}: {verdict.reason}.")
        elif not math.isfinite(verdict.cents):
            click.echo(
                f"{answer.time:7.2f} s  {self.targets.name[verdict.tine]} sounds {verdict.sounds:.2f} Hz; "
                "the design gives it no pitch."
            )
        else:
            done = abs(verdict.cents) <= self.within
            moment = datetime.now().astimezone().isoformat(timespec="seconds")
            self.progress.last[verdict.tine] = LastTap(
                verdict.cents, verdict.cents_sd, done, moment, self.temperature_c
            )
            self.progress.keep(self.path)
            self._say(answer, verdict.tine, done=done)
        return self.say_next()

    def _say(self, answer: Answer, tine: int, *, done: bool) -> None:
        verdict = answer.verdict
        planes = f", planes {verdict.planes[0]:.2f} and {verdict.planes[1]:.2f} Hz beat {verdict.beat:.2f} a second"
        click.echo(
            f"{answer.time:7.2f} s  {self.targets.name[tine]} {verdict.cents:+.1f} cents +-{verdict.cents_sd:.1f}: "
            f"{'in tune' if done else self._nut(tine, verdict.sounds, verdict.cents)}"
            f"{planes if len(verdict.planes) == 2 else ''}"
        )
        if sys.stdout.isatty():
            click.echo(large(f"{verdict.cents:+.1f}"))

    def _nut(self, tine: int, sounds: float, off: float) -> str:
        """Which way, and how far."""
        wanted = sounds * 2.0 ** (-off / 1200.0)  # what the pitch that was heard, mean or plane, should be
        level = sounds * float(self.targets.target[tine]) / wanted
        way = "up" if off < 0.0 else "down"
        turns = self.targets.turns(tine, level)
        if math.isfinite(turns):
            return f"{abs(turns):.2f} turns {way}"
        return f"{abs(self.targets.shorten(tine, level)) / MM:.2f} mm {way}, plain rod"

    def say_next(self) -> int | None:
        following = self.progress.following()
        if following is not None and following != self.announced:
            click.echo(f"next: {self.targets.name[following]}, {self.targets.target[following]:.2f} Hz")
        self.announced = following
        return following


def large(figures: str) -> str:
    """Digits five lines high."""
    rows = []
    for row in range(5):
        dots = (f"{int(_ROWS[each][row]):03b}" for each in figures)
        rows.append("  ".join(each.replace("1", "\u2588\u2588").replace("0", "  ") for each in dots))
    return "\n".join(rows)
