"""Sounds that lie on top of others from their own frames on: given as a whole, taken block by block.

Shapes: P points or channels, T frames.
"""

from __future__ import annotations

import heapq
from itertools import count

from synth.arrays import AnyReal


class Overlay:
    """Sounds of P points that wait for their frames. What lies before the first block is not heard."""

    def __init__(self, points: int) -> None:
        self.points = points
        self._waiting: list[tuple[int, int, AnyReal]] = []
        self._order = count()

    def add(self, frame: int, sound: AnyReal) -> None:
        """A sound (P, T) from `frame` on."""
        if sound.shape[0] != self.points:
            raise ValueError(f"a sound of {sound.shape[0]} points does not fit {self.points}")
        if sound.shape[1]:
            heapq.heappush(self._waiting, (frame, next(self._order), sound))

    def clear(self) -> None:
        """Nothing waits any more."""
        self._waiting.clear()

    def onto(self, block: AnyReal, frame: int) -> None:
        """Adds what falls on block (P, n), which begins at `frame`; what lies before it is gone from then on."""
        end = frame + block.shape[1]
        later = []
        while self._waiting and self._waiting[0][0] < end:
            begin, number, sound = heapq.heappop(self._waiting)
            first = max(begin, frame)
            last = min(end, begin + sound.shape[1])
            if last > first:
                block[:, first - frame : last - frame] += sound[:, first - begin : last - begin]
            if begin + sound.shape[1] > end:
                later.append((end, number, sound[:, end - begin :]))
        for each in later:
            heapq.heappush(self._waiting, each)
