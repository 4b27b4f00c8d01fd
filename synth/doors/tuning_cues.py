"""What the tuner says in tones while eyes are on the spanner: low is flat, high is sharp, a chord is in tune.

In: a word. Out: a soft, short sound, quiet and limited, for a sound device to ask for in blocks. It begins so
gently that nothing takes it for a tap, and the tuner's ear is deaf meanwhile.
"""

from __future__ import annotations

import queue
from typing import Any, Final, Literal

import numpy as np

from synth.arrays import Array
from synth.sound.limiter import Limiter

Cue = Literal["flat", "sharp", "in tune"]

PITCHES: Final[dict[Cue, tuple[float, ...]]] = {  # Hz; an octave and a half apart, a major chord between
    "flat": (220.0,),
    "sharp": (880.0,),
    "in tune": (330.0, 415.0, 495.0),
}
LEVEL: Final = 0.05  # of full scale, -26 dB: to be heard beside the bench, not across the shop
CEILING_DB: Final = -20.0  # dBFS
LASTS: Final = 0.4  # s
RISES: Final = 0.06  # s, and falls: four times what a tap takes


def cue_sound(cue: Cue, rate: int) -> Array:
    """(T,) the cue, full scale 1."""
    time = np.arange(round(LASTS * rate)) / rate
    wave = np.sum([np.sin(2.0 * np.pi * hz * time) for hz in PITCHES[cue]], axis=0)
    edge = np.clip(np.minimum(time, LASTS - time) / RISES, 0.0, 1.0)
    return np.asarray(LEVEL * wave / np.max(np.abs(wave)) * 0.5 * (1.0 - np.cos(np.pi * edge)))


class CuePlayer:
    """Cues one after the other, as a device asks for blocks."""

    def __init__(self, rate: int) -> None:
        self.rate, self._limiter = rate, Limiter(rate, CEILING_DB)
        self._waiting: queue.SimpleQueue[Array] = queue.SimpleQueue()
        self._playing = np.zeros(0)

    def play(self, cue: Cue) -> float:
        """The cue is next; how many seconds it lasts."""
        self._waiting.put(cue_sound(cue, self.rate))
        return LASTS

    def fill(self, out: Any, status: Any) -> None:
        """What the device asks for, (n, C) float32."""
        if not len(self._playing) and not self._waiting.empty():
            self._playing = self._waiting.get()
        now, self._playing = self._playing[: len(out)], self._playing[len(out) :]
        out[:] = 0.0
        out[: len(now)] = self._limiter(now[None]).T


def cue_of(cents: float, *, in_tune: bool) -> Cue:
    """What a figure sounds like."""
    return "in tune" if in_tune else "flat" if cents < 0.0 else "sharp"
