"""An instrument on stage: what its player chose, and the thread that turns gestures into modal states.

In: MIDI messages and keys from any thread. Out: states, and the sound of the touch, for the process of the sound.

    MIDI thread -- message, second --> gestures --> contact thread -- states, touch --> sound process
    main thread -- key, second -----'                              <-- clock, load, missed blocks --'

Contacts are worked out one after the other, a little ahead of their moment. All-sound-off overtakes them. A fault
of the program there ends the playing: nobody else answers the keys.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from synth.doors.threads import give_memory_back, nothing_to_collect
from synth.frozen import frozen
from synth.many import many
from synth.playing.computer_keys import HomeRow
from synth.playing.midi_mapping import Keys, Message, Unplayable, all_sound_off
from synth.playing.script_writer import as_written
from synth.playing.stroke import Hold, Stroke
from synth.sound.audio import FULL_SCALE_SPL, RATE
from synth.sound.limiter import CEILING_DB, limiter_words
from synth.sound.live_contacts import Performer
from synth.sound.live_output import SoundSink
from synth.sound.render import ContactSettings, Scene

BLOCK: Final = 256  # samples; 5.3 ms
REST: Final = 0.1  # s in which nothing is played and nothing left to work out: a moment to tidy up
PATIENCE: Final = 0.2  # s for a contact that is being worked out when the player has had enough


@frozen
class Setting:
    """What the player chose."""

    midi_port: str | None = None
    midi_socket: str | None = None
    device: str | None = None
    silent: bool = False  # no device: what is played goes into the recording alone
    block: int = BLOCK
    gain_db: float = 0.0
    ceiling_db: float = CEILING_DB
    record: Path | None = None
    seconds: float | None = None
    latency: float = 0.0  # s, added to the latency of every stroke
    allow_yield: bool = False


@frozen
class _Gesture:
    """What was done, when, and after how many silences."""

    made: Message | str
    second: float
    silences: int


class Stage:
    """The performer of one instrument, what it is played on, and the thread in which contacts are worked out."""

    def __init__(self, scene: Scene, setting: Setting, sound: SoundSink) -> None:
        self.scene, self.setting, self.sound = scene, setting, sound
        settings = ContactSettings(allow_yield=setting.allow_yield)
        self.performer = Performer(
            scene, sound, block=setting.block / RATE, settings=settings, kept=setting.record is not None
        )
        self.keys, self.row = Keys(scene.instrument), HomeRow(scene.instrument)
        self.unplayable = 0
        self.fault: Exception | None = None  # of the program, in the contact thread: it is no more
        self._gestures: queue.SimpleQueue[_Gesture | None] = queue.SimpleQueue()
        self._over = threading.Event()

    def make_ready(self) -> None:
        """Compile and measure before anyone plays."""
        self.performer.latency = self.performer.rehearse() + self.setting.latency

    def hear(self, gesture: Message | str) -> None:
        """A MIDI message, or a key of the computer's keyboard, now. From any thread."""
        if all_sound_off(gesture):
            self.performer.silence()
        self._gestures.put(_Gesture(gesture, self._now(), self.performer.silences))

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """With the contact thread running."""
        worker = threading.Thread(target=self._work, name="contacts", daemon=True)
        worker.start()
        try:
            with nothing_to_collect():
                yield
        finally:
            self._over.set()
            self._gestures.put(None)
            worker.join(PATIENCE)

    def _work(self) -> None:
        try:
            try:
                self._play()
            finally:
                self.performer.finish()
        except Exception as fault:
            self.fault = fault

    def _play(self) -> None:
        tidy = False
        while not self._over.is_set():
            coming = [each() for each in (self.performer.next_wanted, self.performer.next_added)]
            wanted = min((each for each in coming if each is not None), default=None)
            at_rest = wanted is None and not tidy
            wait = REST if at_rest else None if wanted is None else max(0.0, wanted - self._now())
            try:
                gesture = self._gestures.get(timeout=wait)
            except queue.Empty:
                if at_rest:
                    give_memory_back()
                    tidy = True
                    continue
                self.performer.keep_up(self._now(), wanted_elsewhere=lambda: not self._gestures.empty())
                continue
            if gesture is None:
                return
            tidy = False
            for event in self._meant(gesture):
                if self._over.is_set():
                    return
                if isinstance(event, Unplayable):
                    self.unplayable += 1
                else:
                    as_kept = as_written(event) if isinstance(event, Stroke) else event
                    self.performer.play(as_kept, self._now(), silences=gesture.silences)
            self.performer.keep_up(self._now(), busy=True)

    def _meant(self, gesture: _Gesture) -> list[Any]:
        """Strokes and holds; none for a silence, which was heard already and leaves nothing for a palm to take."""
        played: list[Stroke | Hold | Unplayable] = []
        if isinstance(gesture.made, str):
            played += self.row.receive(gesture.made, gesture.second)
        else:
            played += self.keys.receive(gesture.made, gesture.second)
        return [] if all_sound_off(gesture.made) else played

    def _now(self) -> float:
        return self.sound.second(time.perf_counter())

    def words(self) -> str:
        """What is to be known before the first stroke."""
        block = self.setting.block
        return (
            f"block {block} samples ({1e3 * block / RATE:.1f} ms); a stroke begins "
            f"{1e3 * self.performer.latency:.0f} ms after its key; "
            + limiter_words(self.setting.ceiling_db, FULL_SCALE_SPL)
        )

    def _late(self) -> int:
        return self.sound.report().late_count + self.performer.put_off

    def status(self) -> str:
        """How it goes, in a line."""
        report = self.sound.report()
        return (
            f"load {100.0 * report.recent:.0f} % of a core, missed blocks {report.missed}, "
            f"late {self._late()}, strokes {self.performer.strokes}, limiter -{report.deepest:.1f} dB"
        )

    def summary(self) -> str:
        """How it went, in a line."""
        report = self.sound.report()
        return (
            f"{report.blocks} blocks, {report.missed} missed; load {100.0 * report.share:.1f} % of a core, "
            f"at worst {100.0 * report.worst:.0f} % of a block; {many(self.performer.strokes, 'stroke')}, "
            f"{self.performer.dropped} left out as too late, {self._late()} states and sounds late, "
            f"{many(self.unplayable, 'note')} without a group; limiter at most {-report.deepest:z.1f} dB"
        )
