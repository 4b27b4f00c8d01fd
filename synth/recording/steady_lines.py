"""A glance at a sound: the lines that keep their pitch and do not grow, as a struck rod's do and a voice's do not.

In: samples (T,) from where a tap is free, some tenths of a second. Out: a `Glance`. Spectra of both halves are
compared, each peak's place told between the bins by a parabola through the logarithms of a Hann window's (to
0.02 bins: M. Gasior & J. Gonzalez, AIP Conf. Proc. 732 (2004) 276, from memory). A hundredth of a fit's cost.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array, Bools
from synth.frozen import frozen
from synth.recording.spectrum import floor
from synth.units import CENT

CLEAR: Final = 8.0  # power of a peak over the noise around it
FAINT: Final = 1e-7  # of the loudest
STEADY: Final = (1.2, 12.0)  # Hz, and cents, that a line may seem to move: planes beat, rooms stir
ROUGH: Final = 12.0  # Hz
GROWS: Final = 6.0  # times the power in the second half: planes beat, rooms fill
MOST: Final = 60
HALF: Final = 0.5
LEAST: Final = 0.05  # s in either half
STRONG: Final = 0.01  # of the loudest line's level: a dull vowel's upper partials
LOWEST, HIGHEST = 60.0, 600.0  # Hz: voices
NEAR: Final = 0.01  # of a multiple, by which it is off: a pitch that glides
IN_A_ROW: Final = 4


@frozen
class Glance:
    """Hz and levels (K,), those of the samples, of what stands out in the second half, and which lines are `steady`
    since the first.

    `rough` ones have hardly moved: the fundamental of two planes that beat, in a room, wavers by so much.
    """

    hertz: Array
    level: Array
    steady: Bools
    rough: Bools

    def since(self, before: Glance) -> Bools:
        """(K,) which lines were there before, half as loud or louder: hum stands on multiples as voices do."""
        apart = np.abs(self.hertz[:, None] - before.hertz)
        same = apart < STEADY[0] + STEADY[1] * CENT * self.hertz[:, None]
        return np.asarray(np.any(same & (before.level > HALF * self.level[:, None]), axis=1))


def glance(samples: Array, rate: float) -> Glance:
    """The lines that stay where they are from one half to the other, and do not grow."""
    half = len(samples) // 2
    if half < LEAST * rate or not np.any(samples):
        return Glance(np.zeros(0), np.zeros(0), np.zeros(0, bool), np.zeros(0, bool))
    first, loud = _peaks(samples[:half], rate)
    second, later = _peaks(samples[half : 2 * half], rate)
    if not len(first):
        return Glance(second, later, np.zeros(len(second), bool), np.zeros(len(second), bool))
    apart = np.abs(second[:, None] - first)
    nearest = np.argmin(apart, axis=1)
    moved = apart[np.arange(len(second)), nearest]
    falls = later < GROWS * loud[nearest]
    steady = falls & (moved < STEADY[0] + STEADY[1] * CENT * second)
    return Glance(second, np.sqrt(later), steady, falls & (moved < ROUGH))


def voiced(hertz: Array, level: Array) -> bool:
    """Whether the louder of these lines (K,) stand on multiples of one pitch: a voice has them, a struck rod not.

    Octaves and fifths that ring together are on some multiples; four in a row are of a voice, a pipe or a string.
    """
    strong = hertz[level > STRONG * np.max(level, initial=0.0)]
    pitch = (strong[:, None] / np.arange(1, 5)).ravel()
    times = strong / pitch[(pitch > LOWEST) & (pitch < HIGHEST), None]  # (pitches, K)
    on = np.abs(times - np.round(times)) < NEAR * times
    has = np.any(on[:, :, None] & (np.round(times)[:, :, None] == np.arange(1, 17)), axis=1)
    in_a_row = np.lib.stride_tricks.sliding_window_view(has, IN_A_ROW, axis=1)
    return bool(np.any(np.all(in_a_row, axis=2)))


def _peaks(samples: Array, rate: float) -> tuple[Array, Array]:
    """Hz and power of what stands out."""
    padded = 2 * len(samples)
    window = np.hanning(len(samples))
    power = np.abs(np.fft.rfft(samples * window * 2.0 / np.sum(window), padded)) ** 2 + 1e-30
    noise, inner = floor(power), power[1:-1]
    top = (inner >= power[:-2]) & (inner > power[2:]) & (inner > CLEAR * noise[1:-1])
    at = np.flatnonzero(top & (inner > FAINT * np.max(power))) + 1
    at = at[np.argsort(-power[at] / noise[at], kind="stable")][:MOST]
    low, middle, high = (np.log(power[at + each]) for each in (-1, 0, 1))
    between = 0.5 * (low - high) / (low - 2.0 * middle + high - 1e-12)
    return (at + between) * rate / padded, power[at]
