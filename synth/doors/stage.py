"""An instrument on stage: what its player chose, and the threads that turn gestures into sound.

In: MIDI messages and keys from any thread. Out: frames for the audio thread.

    MIDI thread -- message, second --> gestures --> contact thread -- increments --> bank --> audio thread
    main thread -- key, second -----'                                              tape --> main thread <--'

The audio thread does little and waits for nobody. Contacts are worked out in a thread of their own, with the
compiled parts outside the interpreter's lock; what the audio thread asks for is one compiled call.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from synth.playing.homerow import HomeRow
from synth.playing.keys import Keys, Message, Unplayable
from synth.playing.stroke import Hold, Stroke
from synth.playing.transcript import as_written
from synth.sound.audio import FULL_SCALE_SPL, RATE
from synth.sound.limiter import CAP_DB, told
from synth.sound.livebank import LiveBank
from synth.sound.performer import Performer
from synth.sound.render import Manner, Scene
from synth.sound.voice import Voice

BLOCK: Final = 256  # samples; 5.3 ms
SWITCH: Final = (
    0.0005  # s, after which a thread gives the interpreter away: the audio thread must not wait longer
)


@dataclass(frozen=True)
class Setting:
    """What the player chose."""

    midi_port: str | None = None
    midi_socket: str | None = None
    device: str | None = None
    block: int = BLOCK
    gain_db: float = 0.0
    cap_db: float = CAP_DB
    record: Path | None = None
    seconds: float | None = None
    allow_yield: bool = False


class Stage:
    """Bank, voice and performer of one instrument, and the thread in which contacts are worked out."""

    def __init__(self, scene: Scene, setting: Setting) -> None:
        self.scene, self.setting = scene, setting
        self.bank = LiveBank(scene.model.pole, scene.radiator.weights, rate=RATE)
        self.voice = Voice(self.bank, scene.radiator, gain_db=setting.gain_db, cap_db=setting.cap_db)
        manner = Manner(allow_yield=setting.allow_yield)
        self.performer = Performer(scene, self.bank, block=setting.block / RATE, manner=manner)
        self.keys, self.row = Keys(scene.instrument), HomeRow(scene.instrument)
        self.unplayable = 0
        self._gestures: queue.SimpleQueue[tuple[Message | str, float] | None] = queue.SimpleQueue()
        self._heard_at = time.perf_counter()

    def make_ready(self) -> None:
        """Compile and measure before anyone plays."""
        self.performer.rehearse()
        self.voice.rehearse(self.setting.block)

    def hear(self, gesture: Message | str) -> None:
        """A MIDI message, or a key of the computer's keyboard, now. From any thread."""
        self._gestures.put((gesture, self.voice.clock.second(time.perf_counter())))

    def fill(self, out: Any, flags: Any) -> None:
        """The audio thread's call."""
        self.voice.fill(out)
        self.voice.meter.missed += bool(flags.output_underflow)
        self._heard_at = time.perf_counter()

    @property
    def silent_for(self) -> float:
        """Seconds since the device last asked for sound."""
        return time.perf_counter() - self._heard_at

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """With the contact thread running."""
        worker = threading.Thread(target=self._work, name="contacts", daemon=True)
        self._heard_at = time.perf_counter()
        worker.start()
        try:
            yield
        finally:
            self._gestures.put(None)
            worker.join()

    def _work(self) -> None:
        while True:
            wanted = self.performer.next_wanted()
            wait = None if wanted is None else max(0.0, wanted - self._now())
            try:
                gesture = self._gestures.get(timeout=wait)
            except queue.Empty:
                self.performer.keep_up(self._now())
                continue
            if gesture is None:
                return
            for event in self._meant(*gesture):
                if isinstance(event, Unplayable):
                    self.unplayable += 1
                else:
                    as_kept = as_written(event) if isinstance(event, Stroke) else event
                    self.performer.play(as_kept, self._now())
            self.performer.keep_up(self._now())

    def _meant(self, gesture: Message | str, second: float) -> list[Any]:
        played: list[Stroke | Hold | Unplayable] = []
        if isinstance(gesture, str):
            played += self.row.receive(gesture, second)
        else:
            played += self.keys.receive(gesture, second)
        return played

    def _now(self) -> float:
        return self.voice.clock.second(time.perf_counter())

    def words(self) -> str:
        """What is to be known before the first stroke."""
        pace, block = self.performer.pace, self.setting.block
        return (
            f"block {block} samples ({1e3 * block / RATE:.1f} ms); a stroke begins {1e3 * pace.base:.0f} ms after "
            f"its key and {100.0 * pace.share:.0f} % of the time that its pass lasts; "
            + told(self.setting.cap_db, FULL_SCALE_SPL)
        )

    def status(self) -> str:
        """How it goes, in a line."""
        meter = self.voice.meter
        return (
            f"load {100.0 * meter.recent_share:.0f} % of a core, missed blocks {meter.missed}, "
            f"late {self.bank.late}, strokes {self.performer.strokes}, limiter -{self.voice.limiter.deepest:.1f} dB"
        )

    def summary(self) -> str:
        """How it went, in a line."""
        meter = self.voice.meter
        return (
            f"{meter.blocks} blocks, {meter.missed} missed; load {100.0 * meter.share:.1f} % of a core, at worst "
            f"{100.0 * meter.worst:.0f} % of a block; {self.performer.strokes} strokes, {self.bank.late} "
            f"increments late, {self.unplayable} notes without a group; "
            f"limiter at most -{self.voice.limiter.deepest:.1f} dB"
        )


@contextmanager
def calm_threads() -> Iterator[None]:
    """One thread for linear algebra, and threads that give way soon: for the audio thread's sake."""
    import scipy.linalg  # noqa: F401 its library must be there to be held back
    from threadpoolctl import threadpool_limits

    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH)
    try:
        with threadpool_limits(1):
            yield
    finally:
        sys.setswitchinterval(before)
