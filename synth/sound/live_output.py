"""What a sound card plays, block by block: bank, touch, the radiator's filter, gain, limiter; and how it went.

In: frames asked for. Out: frames (n, C) float32, full scale 1. Everything that an audio thread does is done here,
with no sound card: the sound is there in the block in which it is asked for.

All-sound-off is the audio thread's own: bank and touch fade together within FADES and are then cleared. What is
posted carries the number of silences that its player knew of: what was meant before the last one is thrown away,
what was meant after it waits for the end of the fade.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Singles
from synth.frozen import frozen
from synth.sound.audio import FULL_SCALE
from synth.sound.clock import Clock
from synth.sound.limiter import CEILING_DB, Limiter
from synth.sound.livebank import LiveBank
from synth.sound.overlay import Overlay
from synth.sound.radiator import Radiator
from synth.sound.stroke_sound import StrokeSound
from synth.units import amplitude

# Frames at once. numpy gives the interpreter's lock away in every step on more than 500 numbers, and the audio
# thread may wait long to get it back: two channels stay below.
PIECE: Final = 128
REHEARSED: Final = 32  # blocks: caches, and the first use of every function
LAID: Final = 16_384  # frames of a touch at once
RECENT: Final = 64  # blocks, for the share of time shown while playing
FADES: Final = 0.04  # s that all-sound-off takes
STATES: Final = "states"  # of the bank; the other layers lie on top of it


class Meter:
    """How long blocks took, against how long they last."""

    def __init__(self) -> None:
        self.blocks = 0
        self.missed = 0  # asked for too late or not ready in time
        self.busy = self.played = 0.0  # s
        self.worst = 0.0  # of the block's length
        self._recent: deque[float] = deque(maxlen=RECENT)

    def note(self, took: float, lasts: float) -> None:
        """One block."""
        self.blocks += 1
        self.busy += took
        self.played += lasts
        self.worst = max(self.worst, took / lasts)
        self.missed += took > lasts
        self._recent.append(took / lasts)

    @property
    def share(self) -> float:
        """Of one core, since the start."""
        return self.busy / self.played if self.played else 0.0

    @property
    def recent_share(self) -> float:
        recent = list(self._recent)
        return sum(recent) / len(recent) if recent else 0.0


@frozen
class Report:
    """How it went so far."""

    blocks: int
    missed: int
    share: float  # of one core, since the start
    recent: float  # the same, lately
    worst: float  # of a block's length
    late_count: int  # states and sounds that came after their moment
    deepest: float  # dB that the limiter took at most


class SoundSink(Protocol):
    """Where the sound of gestures goes, and what second it is there."""

    def add(self, time: NDArray[np.float64], rows: NDArray[np.complexfloating]) -> None:
        """Modal states (S, M), added at times (S,)."""
        ...

    def lay(self, struck: StrokeSound) -> None:
        """What is heard of a stroke while the stick touches; its states are added besides."""
        ...

    def silence(self) -> None:
        """All sound fades, all that was given before is let go, what is given from now on is heard after it."""
        ...

    def second(self, now: float) -> float:
        """The second that is about to be asked for at `now` of `time.perf_counter`."""
        ...

    def report(self) -> Report: ...


class LiveOutput(SoundSink):
    """The live sound of one instrument. `fill` is the audio thread's."""

    def __init__(
        self, bank: LiveBank, radiator: Radiator, *, gain_db: float = 0.0, ceiling_db: float = CEILING_DB
    ) -> None:
        self.bank = bank
        self.channels = radiator.channels
        self.clock, self.meter = Clock(bank.rate), Meter()
        self.late_count = 0  # sounds that came after their moment
        self.limiter = Limiter(bank.rate, ceiling_db)
        self._tape: deque[Singles] | None = None
        self.silences = 0  # asked for so far
        self._touch = {"signals": Overlay(bank.points), "pressure": Overlay(self.channels)}
        self._inbox: deque[_Posted] = deque()
        self._filter = radiator.stream(bank.rate)
        self._scale = amplitude(gain_db) / FULL_SCALE
        self._signals = np.zeros((bank.points, PIECE), np.float32)
        self._fade = _Fade(bank.rate)
        self._faded = 0  # silences that were heard

    def rehearse(self, frames: int) -> None:
        """Go through silent blocks of so many frames, so that the first that is heard is not the first ever."""
        for _ in range(REHEARSED):
            self.fill(np.zeros((frames, self.channels), np.float32))
        self.bank.frame = 0
        self.clock, self.meter = Clock(self.bank.rate), Meter()

    def keep(self) -> deque[Singles]:
        """Where every block (n, C) is put from now on, just as it was played, for who takes them out."""
        self._tape = deque()
        return self._tape

    def add(self, time: NDArray[np.float64], rows: NDArray[np.complexfloating]) -> None:
        self.post(STATES, *self.bank.arrivals(time, rows), silences=self.silences)

    def lay(self, struck: StrokeSound) -> None:
        for layer, frame, sound in layers(struck):
            self.post(layer, frame, sound, silences=self.silences)

    def post(self, layer: str, frame: Any, sound: NDArray[np.floating[Any]], *, silences: int) -> None:
        """STATES as `LiveBank.arrivals` makes them, or one of `layers`; given after so many silences."""
        self._inbox.append(_Posted(silences, layer, frame, sound))

    def silence(self) -> None:
        self.silences += 1

    def second(self, now: float) -> float:
        return self.clock.second(now)

    def report(self) -> Report:
        meter = self.meter
        return Report(
            blocks=meter.blocks,
            missed=meter.missed,
            share=meter.share,
            recent=meter.recent_share,
            worst=meter.worst,
            late_count=self.bank.late_count + self.late_count,
            deepest=self.limiter.deepest,
        )

    def fill(self, out: Singles) -> None:
        """Writes the next frames into `out` (n, C)."""
        began = time.perf_counter()
        self.clock.tick(self.bank.frame, began)
        for first in range(0, len(out), PIECE):
            part = out[first : first + PIECE]
            part[:] = self._next(len(part)).T
            if self._tape is not None:
                self._tape.append(part.copy())
        self.meter.note(time.perf_counter() - began, len(out) / self.bank.rate)

    def _next(self, frames: int) -> NDArray[np.floating[Any]]:
        frame = self.bank.frame
        if self.silences != self._faded:
            self._faded = self.silences
            self._fade.begin()
        if not self._fade.running:
            self._take_in(frame)
        self.bank.fill(self._signals[:, :frames])
        signals = self._signals[:, :frames].astype(np.float64)
        self._touch["signals"].onto(signals, frame)
        if not self._fade.running:
            pressure = self._filter(signals)
            self._touch["pressure"].onto(pressure, frame)
            return self.limiter(pressure * self._scale)
        of_stick = np.zeros((self.channels, frames))
        self._touch["pressure"].onto(of_stick, frame)
        gain = self._fade.next(frames)
        pressure = self._filter(signals * gain) + of_stick * gain
        if not self._fade.running:
            self._clear()
        return self.limiter(pressure * self._scale)

    def _take_in(self, frame: int) -> None:
        """What was posted; what is of a silence that was not heard of yet has to wait."""
        while self._inbox and self._inbox[0].silences <= self._faded:
            posted = self._inbox.popleft()
            if posted.silences < self._faded:
                continue
            if posted.layer == STATES:
                self.bank.post(posted.frame, posted.sound)
            else:
                self._touch[posted.layer].add(posted.frame, posted.sound)
                self.late_count += posted.frame < frame

    def _clear(self) -> None:
        self.bank.clear()
        for each in self._touch.values():
            each.clear()


@frozen
class _Posted:
    """For the bank or a layer on top of it."""

    silences: int  # that its player knew of
    layer: str
    frame: Any  # (S,) of states; of a layer its first
    sound: NDArray[Any]


class _Fade:
    """The gain of what has to end: a raised cosine, worked out before anyone asks for it."""

    def __init__(self, rate: float) -> None:
        length = round(FADES * rate)
        self._gain = np.zeros(length + PIECE)
        self._gain[:length] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(length) + 1.0) / length)
        self._length = self._at = length

    @property
    def running(self) -> bool:
        return self._at < self._length

    def begin(self) -> None:
        """From now on, unless it runs."""
        if not self.running:
            self._at = 0

    def next(self, frames: int) -> NDArray[np.float64]:
        """Of the next frames (n,), at most PIECE."""
        gain = self._gain[self._at : self._at + frames]
        self._at += frames
        return gain


def layers(struck: StrokeSound) -> Iterator[tuple[str, int, NDArray[np.floating[Any]]]]:
    """What lies on top of the bank's sound, by its name, from a frame on, some frames at a time."""
    for layer, first, sound in (
        ("signals", struck.driven.frame, struck.driven.signals),
        ("pressure", struck.stick.frame, struck.stick.pressure),
    ):
        for at in range(0, sound.shape[1], LAID):
            yield layer, first + at, sound[:, at : at + LAID]
