"""The moments at which modes are set going, taken a limited number at a time.

In: times (S,) in seconds with amplitudes (S, M), at once or made when needed. Out: the first frame that hears each
event, how long before that frame it began, and its amplitudes.

Shapes: M modes, S events.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Final

import numpy as np

from synth.arrays import AnyComplex, Array, Indices
from synth.frozen import frozen
from synth.sound.pole_steps import first_frame

MOST_EVENTS: Final = 128  # held at once
AMPLITUDES: Final = 1 << 20  # amplitudes (events x modes) held at once: 16 MiB


@frozen
class EventBatch:
    """Events whose amplitudes are made when they are needed: 20,000 events x 3,000 modes need not be held at once.

    time: (S,) seconds, rising. rows: gives the amplitudes (n, M) complex of a slice of the events.
    """

    time: Array
    rows: Callable[[slice], AnyComplex]


Events = EventBatch | Iterable[tuple[float, AnyComplex]]


@frozen
class Onsets:
    """Events about to sound: first frames (S,), how much earlier each began (S,) in frames, amplitudes (S, M)."""

    frame: Indices
    frames_late: Array
    rows: AnyComplex


class Coming:
    """The events that do not sound yet, checked, a limited number in memory."""

    def __init__(self, events: Events, modes: int, rate: float) -> None:
        self.modes, self.rate = modes, rate
        self.portions = _portions(events, max(1, min(MOST_EVENTS, AMPLITUDES // max(modes, 1))))
        self.time, self.rows = np.empty(0), np.empty((0, modes), complex)
        self.frame = np.empty(0, np.int64)
        self._refill(-np.inf)

    def before(self, stop: int) -> Onsets:
        """Those in memory that sound before frame `stop`; there may be more, from `next_frame` on."""
        count = int(np.searchsorted(self.frame, stop))
        frame, time, rows = self.frame[:count], self.time[:count], self.rows[:count]
        self.frame, self.time, self.rows = self.frame[count:], self.time[count:], self.rows[count:]
        if count and not self.time.size:
            self._refill(time[-1])
        return Onsets(frame, frame - time * self.rate, rows)

    def next_frame(self, stop: int) -> int:
        """The frame of the next event, or `stop` if that is sooner."""
        return min(stop, int(self.frame[0])) if self.frame.size else stop

    def _refill(self, latest: float) -> None:
        self.time, self.rows = next(self.portions, (np.empty(0), self.rows[:0]))
        if self.rows.shape != (self.time.size, self.modes):
            raise ValueError(
                f"amplitudes {self.rows.shape} of {self.time.size} events do not fit {self.modes} modes"
            )
        if not (np.isfinite(self.time).all() and (np.diff(self.time, prepend=latest) >= 0).all()):
            raise ValueError("event times must be finite and must not go back")
        self.frame = first_frame(self.time, self.rate)


def _portions(events: Events, size: int) -> Iterator[tuple[Array, AnyComplex]]:
    if isinstance(events, EventBatch):
        time = np.asarray(events.time, float)
        for at in range(0, time.size, size):
            part = slice(at, min(at + size, time.size))
            yield time[part], np.asarray(events.rows(part))
        return
    each = iter(events)
    while pairs := list(islice(each, size)):
        rows = np.array([row for _, row in pairs])  # single precision is kept as it is
        yield np.array([time for time, _ in pairs], float), rows + 0j if not np.iscomplexobj(rows) else rows
