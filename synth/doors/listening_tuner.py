"""`tune --listen`: taps are heard while both hands work; lines, large figures, tones and keys around a session.

In: a design and a microphone, or a recording played through as if it came from one. Out: lines, tones, the progress
kept beside the design, and on the key c a corrected copy of the design.
"""

from __future__ import annotations

import datetime
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import click

from synth.doors.drivers import LostError
from synth.doors.tuner_words import message_lines, what_it_says
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import KELVIN_AT_0_C, Units
from synth.workshop.length_text import UNIT, place_words

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.doors.microphone_process import MicrophoneApart
    from synth.doors.tuning_cues import CuePlayer
    from synth.recording.learnt_lengths import Lesson
    from synth.recording.tuning_session import TuningSession, TuningWishes
    from synth.served.serving import Serving
    from synth.served.tuning_page import TuningFeed

RATE: Final = 48_000
BLOCK: Final = 256
ECHO: Final = (
    0.3  # s after a cue in which it may still be on its way, out of the device, through the room and in
)
KEYS: Final = (
    "keys: y it was the announced one, t temperature, w tune to what is there, c correct the model, q ends"
)
WARMEST: Final = (-40.0, 60.0)  # degrees C, as --temperature-c


PageFor = Literal["this machine", "a phone"]


@frozen
class TunerSettings:
    """Where the sound comes from (a recording, else the microphone of that name) and whether tones answer."""

    recording: Path | None = None
    device: str | None = None
    tones: bool = False
    to_what_is_there: bool = False
    page: PageFor | None = None


def listen_and_tell(
    instrument: Instrument,
    design: Path,
    settings: TunerSettings,
    wishes: TuningWishes,
    serving: Serving | None = None,
) -> None:
    """Hear taps until the recording ends, the maker has all in tune, or stops. Raises `InputError`.

    The tuner's page is shown where the design is being served, or where the settings want it.
    """
    from synth.recording.tuning_file import progress_path
    from synth.recording.tuning_session import TuningSession
    from synth.vibration.solve import solve_row

    row, path = solve_row(instrument), progress_path(design)
    with ExitStack() as opened:
        rate, blocks, cues = opened.enter_context(_heard(settings))
        session = TuningSession(instrument, row, wishes, rate=rate, path=path)
        feed = opened.enter_context(_page(instrument, settings.page, serving))
        bench = _Bench(session, design, cues, feed)
        if settings.to_what_is_there:
            bench.shift_to_what_is_there()
        if settings.recording is None:
            session.rehearse()
        bench.tell(session.begin())
        read = None if settings.recording is not None else opened.enter_context(_keys())
        try:
            _work(bench, blocks, read)
        except KeyboardInterrupt:
            click.echo("")
        except LostError as loss:
            click.echo(f"ended: {loss}")
            raise click.exceptions.Exit(1) from loss
        finally:
            bench.sum_up()


def _work(bench: _Bench, blocks: Iterator[Any], read: Any) -> None:
    for block in blocks:
        bench.tell(bench.session.lost() if block is None else bench.session.feed(block))
        for key in bench.pressed() + ("" if read is None else read(0.0)):
            if not bench.press(key):
                return
    bench.tell(bench.session.finish())


@contextmanager
def _keys() -> Iterator[Any]:
    from synth.doors.keyboard import keyboard

    with keyboard() as read:
        if read is not None:
            click.echo(KEYS)
        yield read


@contextmanager
def _page(
    instrument: Instrument, page: PageFor | None, serving: Serving | None
) -> Iterator[TuningFeed | None]:
    """What a page shows, on the server there is or on one of its own; None where none is wanted."""
    if page is None and serving is None:
        yield None
        return
    import secrets

    from synth.served.address import SECRET_BYTES, Address, for_a_phone
    from synth.served.serving import tuner_served
    from synth.served.tuning_page import TuningFeed

    feed = TuningFeed(instrument.name, what_it_says)
    if serving is not None:
        serving.listens(feed)
        click.echo(f"the tuner's page: {serving.address.words}tune")
        yield feed
        return
    at = for_a_phone() if page == "a phone" else Address(0, secrets.token_urlsafe(SECRET_BYTES))
    with tuner_served(feed, at) as address:
        click.echo(f"the tuner's page: {address.words}")
        yield feed


@contextmanager
def _heard(
    settings: TunerSettings,
) -> Iterator[tuple[int, Iterator[Any], CuePlayer | MicrophoneApart | None]]:
    """The rate, the blocks, and what plays cues where tones are wanted: the system's usual loudspeaker."""
    from synth.doors.devices import sound_device
    from synth.doors.microphone_process import microphone_apart
    from synth.doors.tuning_cues import CuePlayer
    from synth.recording.audio_input import CUT, read_recording

    if settings.recording is None:
        with microphone_apart(settings.device, rate=RATE, block=BLOCK, tones=settings.tones) as apart:
            yield RATE, apart, apart if settings.tones else None
        return
    take = read_recording(settings.recording, remedy=CUT)
    for warning in take.warnings:
        click.echo(f"warning: {take.file}: {warning}", err=True)
    parts = (take.samples[at : at + BLOCK] for at in range(0, len(take.samples), BLOCK))
    if not settings.tones:
        yield take.rate, parts, None
        return
    player = CuePlayer(take.rate)
    with sound_device(None, player.fill, rate=take.rate, block=BLOCK, channels=1):
        yield take.rate, parts, player


class _Bench:
    """The session with its terminal, tones and keys."""

    def __init__(
        self,
        session: TuningSession,
        design: Path,
        cues: CuePlayer | MicrophoneApart | None,
        feed: TuningFeed | None = None,
    ) -> None:
        self.session, self.design, self.cues, self.feed = session, design, cues, feed
        self._cued = -1.0  # the moment of the tap that was answered in tones
        self._typed: str | None = None  # degrees being typed

    def pressed(self) -> str:
        """Keys pressed on pages."""
        return "" if self.feed is None else self.feed.pressed()

    def tell(self, messages: list[dict[str, Any]]) -> None:
        if self.feed is not None:
            self.feed.take(messages)
        for message in messages:
            for line in message_lines(message, tall=sys.stdout.isatty()):
                click.echo(line)
            if message["kind"] == "tap" and message["cents"] is not None:
                self._cue(message)

    def press(self, key: str) -> bool:
        """What a key does; False where it ends the work."""
        if self._typed is not None:
            self._type(key)
        elif key == "t":
            self._typed = ""
            click.echo("degrees C at the bench: ", nl=False)
        elif key == "y":
            self.tell(self.session.take_announced())
        elif key == "w":
            self._try(self.shift_to_what_is_there)
        elif key == "c":
            self._try(self._learn)
        return key != "q"

    def shift_to_what_is_there(self) -> None:
        messages = self.session.to_what_is_there()
        click.echo(
            f"all targets are moved by {self.session.wishes.shift:+z.1f} cents: say --shift-cents to keep that"
        )
        self.tell(messages)

    def sum_up(self) -> None:
        progress = self.session.progress
        moved = [(tine, off) for tine, off in progress.moved().items() if abs(off) > progress.within]
        for tine, off in sorted(moved, key=lambda each: -abs(each[1])):
            click.echo(f"{progress.name[tine]} had moved {off:+z.1f} cents since the last round.")
        click.echo(
            f"{len(progress.order) - len(progress.left())} of {len(progress.order)} tines are in tune."
        )
        if self.session.trouble:
            click.echo(self.session.trouble)

    def _cue(self, message: dict[str, Any]) -> None:
        if self.cues is None or message["at_s"] == self._cued or not _tells_a_way(message):
            return
        from synth.doors.tuning_cues import cue_of

        self._cued = message["at_s"]
        lasts = self.cues.play(cue_of(message["cents"], in_tune=message["in_tune"]))
        self.session.listener.deafen(lasts + ECHO)

    def _type(self, key: str) -> None:
        """Degrees, ended by the enter key."""
        assert self._typed is not None
        if key not in "\r\n":
            self._typed += key
            click.echo(key, nl=False)
            return
        typed, self._typed = self._typed, None
        click.echo("")
        try:
            celsius = float(typed.replace(",", "."))
        except ValueError:
            celsius = float("nan")
        if not WARMEST[0] <= celsius <= WARMEST[1]:
            click.echo(f"'{typed}' is no temperature at a bench: the old one stays")
            return
        self.tell(self.session.at_temperature(celsius + KELVIN_AT_0_C))

    def _try(self, what: Any) -> None:
        """What a key asks for; a refusal is a line, and the work goes on."""
        try:
            what()
        except InputError as refusal:
            click.echo(str(refusal))

    def _learn(self) -> None:
        """Fit the model to the first taps, write a corrected copy, and say how long the rest should be cut."""
        from synth.design.edit import write_edited
        from synth.files import check_place
        from synth.recording.calibrate import to_write
        from synth.recording.calibration_list import calibration_words

        goal = self.design.with_name(f"{self.design.stem}-measured.toml")
        check_place(goal)
        if goal.exists():
            raise InputError("is already there", remedy="move it away, then press c again", file=str(goal))
        found = self.session.lesson()
        today = datetime.date.today().isoformat()
        write_edited(self.design, to_write(found.calibration.edits, today), goal=goal)
        click.echo(calibration_words(self.session.instrument, found.calibration, None))
        for line in lengths_of_the_rest(
            found, self.session.targets.name, self.session.instrument.bench.units
        ):
            click.echo(line)
        click.echo(f"wrote {goal}")


def _tells_a_way(message: dict[str, Any]) -> bool:
    """Whether a tone would not have to be taken back by a surer figure of the same tap."""
    return bool(message["in_tune"]) or abs(message["cents"]) > 2.0 * message["cents_sd"]


def lengths_of_the_rest(found: Lesson, name: tuple[str, ...], units: Units) -> list[str]:
    """How long the tines that are not cut yet should become."""
    if not found.uncut:
        return ["every tine has been tapped: none is left to cut"]
    return [
        f"{name[tine]}: cut it for {place_words(found.after[tine], units)} {UNIT[units]} free, "
        f"not {place_words(found.before[tine], units)}"
        for tine in found.uncut
    ]
