"""Which second of the performance it is, for gestures that come between two blocks of audio.

In: the frame at which each block begins, and when it was asked for. Out: the second that a moment of the computer's
clock means. A block may be asked for late, never early: the earliest of the last ones tells the time, and where a
sound card's clock runs otherwise, or sound was missed, time is right again after so many blocks.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

LAST: Final = 128  # blocks that are looked at; a third to two thirds of a second


class Clock:
    """Seconds of audio against `time.perf_counter`. `tick` from the audio thread, `second` from any."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self._starts: deque[float] = deque(maxlen=LAST)
        self.start = math.inf  # the computer's time at which frame 0 was, or would have been, asked for

    def tick(self, frame: int, now: float) -> None:
        """A block that begins at `frame` was asked for at `now`."""
        self._starts.append(now - frame / self.rate)
        self.start = min(self._starts)

    def second(self, now: float) -> float:
        """The second that is about to be asked for at `now`; 0 before the first block."""
        return second(self.start, now)


def second(start: float, now: float) -> float:
    """The second that is about to be asked for at `now`, where frame 0 was asked for at `start`."""
    return 0.0 if math.isinf(start) else max(0.0, now - start)
