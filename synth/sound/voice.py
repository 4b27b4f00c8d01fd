"""What a sound card plays, block by block: bank, touch, the radiator's filter, gain, limiter; and how it went.

In: frames asked for. Out: frames (n, C) float32, full scale 1. Everything that an audio thread does is done here,
with no sound card: the sound is there in the block in which it is asked for.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from synth.sound.audio import FULL_SCALE
from synth.sound.clock import Clock
from synth.sound.limiter import CAP_DB, Limiter
from synth.sound.livebank import LiveBank
from synth.sound.overlay import Overlay
from synth.sound.radiator import Radiator
from synth.sound.struck import Struck
from synth.units import amplitude

Frames = NDArray[np.float32]
# Frames at once. numpy gives the interpreter's lock away in every step on more than 500 numbers, and the audio
# thread may wait long to get it back: two channels stay below.
PIECE: Final = 128
REHEARSED: Final = 32  # blocks: caches, and the first use of every function
LAID: Final = 16_384  # frames of a touch at once
RECENT: Final = 64  # blocks, for the share of time shown while playing


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


@dataclass(frozen=True)
class Report:
    """How it went so far."""

    blocks: int
    missed: int
    share: float  # of one core, since the start
    recent: float  # the same, lately
    worst: float  # of a block's length
    late: int  # states and sounds that came after their moment
    deepest: float  # dB that the limiter took at most


class Sound(Protocol):
    """Where the sound of gestures goes, and what second it is there."""

    def add(self, time: NDArray[np.float64], rows: NDArray[np.complexfloating]) -> None:
        """Modal states (S, M), added at times (S,)."""
        ...

    def lay(self, struck: Struck) -> None:
        """What is heard of a stroke while the stick touches; its states are added besides."""
        ...

    def second(self, now: float) -> float:
        """The second that is about to be asked for at `now` of `time.perf_counter`."""
        ...

    def report(self) -> Report: ...


class Voice(Sound):
    """The live sound of one instrument. `fill` is the audio thread's."""

    def __init__(
        self, bank: LiveBank, radiator: Radiator, *, gain_db: float = 0.0, cap_db: float = CAP_DB
    ) -> None:
        self.bank = bank
        self.channels = radiator.channels
        self.clock, self.meter = Clock(bank.rate), Meter()
        self.late = 0  # sounds that came after their moment
        self.limiter = Limiter(bank.rate, cap_db)
        self._tape: deque[Frames] | None = None
        self._touch = {"signals": Overlay(bank.points), "pressure": Overlay(self.channels)}
        self._inbox: deque[tuple[str, int, NDArray[np.floating[Any]]]] = deque()
        self._filter = radiator.stream(bank.rate)
        self._scale = amplitude(gain_db) / FULL_SCALE
        self._signals = np.zeros((bank.points, PIECE), np.float32)

    def rehearse(self, frames: int) -> None:
        """Go through silent blocks of so many frames, so that the first that is heard is not the first ever."""
        for _ in range(REHEARSED):
            self.fill(np.zeros((frames, self.channels), np.float32))
        self.bank.frame = 0
        self.clock, self.meter = Clock(self.bank.rate), Meter()

    def keep(self) -> deque[Frames]:
        """Where every block (n, C) is put from now on, just as it was played, for who takes them out."""
        self._tape = deque()
        return self._tape

    def add(self, time: NDArray[np.float64], rows: NDArray[np.complexfloating]) -> None:
        self.bank.add(time, rows)

    def lay(self, struck: Struck) -> None:
        for layer, frame, sound in layers(struck):
            self.post(layer, frame, sound)

    def post(self, layer: str, frame: int, sound: NDArray[np.floating[Any]]) -> None:
        """One of `layers`, from any one thread."""
        self._inbox.append((layer, frame, sound))

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
            late=self.bank.late + self.late,
            deepest=self.limiter.deepest,
        )

    def fill(self, out: Frames) -> None:
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
        while self._inbox:
            layer, first, sound = self._inbox.popleft()
            self._touch[layer].add(first, sound)
            self.late += first < frame
        self.bank.fill(self._signals[:, :frames])
        signals = self._signals[:, :frames].astype(np.float64)
        self._touch["signals"].onto(signals, frame)
        pressure = self._filter(signals)
        self._touch["pressure"].onto(pressure, frame)
        return self.limiter(pressure * self._scale)


def layers(struck: Struck) -> Iterator[tuple[str, int, NDArray[np.floating[Any]]]]:
    """What lies on top of the bank's sound, by its name, from a frame on, some frames at a time."""
    for layer, first, sound in (
        ("signals", struck.driven.frame, struck.driven.signals),
        ("pressure", struck.stick.frame, struck.stick.pressure),
    ):
        for at in range(0, sound.shape[1], LAID):
            yield layer, first + at, sound[:, at : at + LAID]
