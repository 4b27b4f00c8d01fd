"""A limiter that guards ears: no sample leaves it above the ceiling, whatever comes in.

In: blocks (C, n), full scale 1. Out: the same blocks, every channel by one gain. The gain in dB falls by ATTACK
within the block towards a peak it can see coming, at once where the peak is the block's first sample, and comes
back by RELEASE. So it adds no delay, and it is exactly 1 as long as nothing exceeds the ceiling.

    gain[n] = min over k >= n of (need[k] + ATTACK (k - n)),  then  min over k <= n of (gain[k] + RELEASE (n - k))
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyReal
from synth.units import amplitude, decibels

CEILING_DB: Final = -6.0  # dBFS; 94 dB SPL where the monitor is set so that full scale is 100
ATTACK: Final = (
    20_000.0  # dB/s: half a millisecond for a peak 10 dB too high, short against a stroke's attack
)
RELEASE: Final = 40.0  # dB/s, about as fast as loud tines fall by themselves


class Limiter:
    """Limits block after block. `deepest` is the most that it has taken so far, dB."""

    def __init__(self, rate: float, ceiling_db: float = CEILING_DB) -> None:
        self.ceiling, self.attack, self.release = amplitude(ceiling_db), ATTACK / rate, RELEASE / rate
        self.gain = 0.0  # dB, after the last sample
        self.deepest = 0.0

    def __call__(self, sound: AnyReal) -> AnyReal:
        """The limited block (C, n). What is not finite becomes silence."""
        height = np.abs(sound).max(axis=0, initial=0.0)
        peak = float(height.max(initial=0.0))
        if not math.isfinite(peak):
            return np.zeros_like(sound)
        if peak <= self.ceiling and self.gain >= 0.0:
            return sound
        gain = self._gain(height.astype(np.float64))
        self.gain = float(gain[-1])
        self.deepest = max(self.deepest, -float(gain.min()))
        limited = sound * 10.0 ** (gain / 20.0)
        return np.clip(limited, -self.ceiling, self.ceiling).astype(
            sound.dtype
        )  # rounding may be above by a hair

    def _gain(self, height: NDArray[np.float64]) -> NDArray[np.float64]:
        """dB for each sample (n,), from the heights (n,) of the samples."""
        position = np.arange(len(height))
        need = -20.0 * np.log10(np.maximum(height / self.ceiling, 1.0))
        coming = need + self.attack * position
        falling = np.minimum.accumulate(coming[::-1])[::-1] - self.attack * position
        falling[0] = min(falling[0], self.gain + self.release)
        return np.asarray(np.minimum.accumulate(falling - self.release * position) + self.release * position)


def limiter_words(ceiling_db: float, full_scale_spl: float) -> str:
    """The ceiling in words."""
    level = decibels(amplitude(ceiling_db)) + full_scale_spl
    return (
        f"limiter: nothing above {ceiling_db:g} dBFS, {level:g} dB SPL where full scale is {full_scale_spl:g}"
    )
