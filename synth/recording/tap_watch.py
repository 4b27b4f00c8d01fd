"""The watch for taps: the last samples, their levels and the blows in them; cheap in a quiet shop.

In: samples block by block. Out: `Strike`s in seconds since the beginning. The levels that `onsets` reads are kept
as they come, so that each is worked out once; the search for blows runs for a while after a level has risen.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.recording.onsets import READING, RISE, SUDDEN, Strike, frame_levels, frame_size, taps_in

CHECK: Final = 0.05  # s between searches for taps
ALERT: Final = 0.2  # s that are looked at before a search
SEARCHED: Final = 1.0  # s that are searched
SETTLING: Final = 0.3  # s at the beginning of the search in which a tap has nothing to rise from
KEPT: Final = 7.0  # s of sound


class TapWatch:
    """Keeps the last `KEPT` seconds of samples at `rate`."""

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._kept = _Kept(round(KEPT * rate))
        self._levels = _Levels(rate)
        self._search_until = SEARCHED

    @property
    def seconds(self) -> float:
        """How much has been heard."""
        return self._kept.count / self.rate

    def span(self, start: float, stop: float) -> Array:
        """The samples (T,) between two moments, as far as they are kept."""
        return self._kept.part(round(start * self.rate), round(stop * self.rate))

    def add(self, samples: Array) -> list[Strike]:
        """The taps of the last second once these samples have come, those found before among them."""
        self._kept.add(samples)
        self._levels.add(samples)
        if self._levels.risen():
            self._search_until = self.seconds + SEARCHED
        if self.seconds > self._search_until:
            return []
        start, levels = self._levels.last(SEARCHED)
        found = taps_in(levels, self.span(start, self.seconds), self.rate)
        moved = (replace(each, time=start + each.time, free_from=start + each.free_from) for each in found)
        return [each for each in moved if start == 0.0 or each.time >= start + SETTLING]


class _Kept:
    """The last samples, at least `most` of them once so many have come."""

    def __init__(self, most: int) -> None:
        self._samples = np.zeros(2 * most)
        self._filled = 0
        self.count = 0

    def add(self, block: Array) -> None:
        if self._filled + len(block) > len(self._samples):
            half = len(self._samples) // 2
            self._samples[:half] = self._samples[self._filled - half : self._filled]
            self._filled = half
        self._samples[self._filled : self._filled + len(block)] = block
        self._filled, self.count = self._filled + len(block), self.count + len(block)

    def part(self, first: int, last: int) -> Array:
        """Samples `first` to `last` by their count from the beginning, as far as they are kept."""
        gone = self.count - self._filled
        return self._samples[max(0, first - gone) : max(0, last - gone)]


class _Levels:
    """Readings of the levels: (bands, readings), of the last second or more."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._hop, self._size = frame_size(rate)
        self._rest = np.zeros(self._size // 2)  # the first reading is at the first sample
        self._level = np.zeros((0, 0))
        self._gone = 0  # readings that are no longer kept

    def add(self, samples: Array) -> None:
        self._rest = np.concatenate((self._rest, samples))
        if len(self._rest) < self._size:
            return
        new = frame_levels(self._rest, self._rate)
        self._rest = self._rest[new.shape[1] * self._hop :]
        self._level = new if not self._level.size else np.concatenate((self._level, new), axis=1)
        too_many = self._level.shape[1] - 2 * round(SEARCHED / READING)
        if too_many > 0:
            self._level, self._gone = self._level[:, too_many:], self._gone + too_many

    def last(self, seconds: float) -> tuple[float, Array]:
        """The moment of the first of the last so many seconds' readings, and these."""
        first = max(0, self._level.shape[1] - round(seconds / READING))
        return (self._gone + first) * self._hop / self._rate, self._level[:, first:]

    def risen(self) -> bool:
        """Whether the level has risen of late as a tap makes it: never missed, cheap while nothing happens.

        A tap rises over all of the quarter second before, by RISE in a band; here over half of that, by less.
        """
        _, level = self.last(ALERT)
        if level.shape[1] < 0.9 * ALERT / READING:
            return True
        late = round((CHECK + 2.0 * SUDDEN) / READING)
        before = np.max(level[:, :-late], axis=1)
        return bool(np.any(np.max(level[:, -late:], axis=1) > 0.6 * RISE * before))
