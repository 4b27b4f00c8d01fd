"""What was played becomes what is to be heard, in the order of time, while the rest is still being played.

In: strokes and holds one by one, as they are made. Out: events for the bank, and the sound of touches on top of
it. Nothing is kept longer than it is needed: an hour of strokes takes no more memory than a minute.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator
from itertools import count

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.sound.overlay import Overlay
from synth.sound.pole_steps import advanced
from synth.sound.stroke_sound import StrokeSound, StruckModes


@frozen
class Sounded:
    """States (E, M) that a stroke or a hold adds at times (E,) s; what comes after it begins at `known` s."""

    time: Array
    states: NDArray[np.complex64]
    struck: StruckModes | None = None
    known: float = math.inf


class Sounding:
    """What is to be heard: modal states from their times on, and sound on top of what they ring."""

    def __init__(
        self, pole: Complex, heard: Callable[[StruckModes], StrokeSound], *, channels: int, points: int
    ) -> None:
        """`heard` makes the sound of a touch."""
        self.signals, self.pressure = Overlay(points), Overlay(channels)
        self._pole, self._heard = pole, heard
        self._waiting: list[tuple[float, int, NDArray[np.complex64]]] = []
        self._order = count()
        self._given = -math.inf  # s, of the last event

    def events(self, made: Iterable[Sounded]) -> Iterator[tuple[float, NDArray[np.complex64]]]:
        """Times and states by time. When one is given, all sound is laid that begins before it."""
        for each in made:
            if each.struck is not None:
                self._lay(self._heard(each.struck))
            for time, row in zip(each.time.tolist(), each.states, strict=True):
                heapq.heappush(self._waiting, (time, next(self._order), row))
            yield from self._due(each.known)
        yield from self._due(math.inf)

    def _lay(self, sound: StrokeSound) -> None:
        # kept in single precision: a file holds no more
        self.signals.add(sound.driven.frame, sound.driven.signals.astype(np.float32))
        self.pressure.add(sound.stick.frame, sound.stick.pressure.astype(np.float32))

    def _due(self, known: float) -> Iterator[tuple[float, NDArray[np.complex64]]]:
        while self._waiting and self._waiting[0][0] < known:
            time, _, row = heapq.heappop(self._waiting)
            if time < self._given:  # it began earlier than anyone could know
                late = np.array([self._given - time])
                time, row = self._given, advanced(row[None], self._pole, late)[0].astype(np.complex64)
            self._given = time
            yield time, row
