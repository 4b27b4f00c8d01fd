"""Roughness of what rings: how partials close to each other grate.

In: partials, frequency in Hz and amplitude. Out: sensory dissonance, the sum over all pairs of Plomp and Levelt's
curve (J. Acoust. Soc. Am. 38 (1965) 548) as W. A. Sethares gives it (J. Acoust. Soc. Am. 94 (1993) 1218; constants
from memory): equal frequencies do not grate, a quarter of the critical band apart they do most, far apart hardly. A
pair counts by the product of its amplitudes, as in that paper (his later book takes the smaller one).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.units import FALL

RISE: Final = 3.5  # a of the curve exp(-a s d) - exp(-b s d) over a difference d in Hz
DECLINE: Final = 5.75  # b
WORST: Final = 0.24  # d*, where the curve is highest
WIDTH: Final = 0.021  # s1: s = d* / (s1 f + s2), f the lower frequency
LEAST_WIDTH: Final = 19.0  # s2, Hz
SINCE: Final = 0.3  # s after the last touch: what is quickly over is over
UNTIL: Final = 1.0  # s: what is heard of a stroke before the next; common practice, no published source
FAINT: Final = (
    1e-4  # of all amplitude: partials left out, whose pairs together change the sum by less than that
)
LOSSLESS: Final = 1e-12  # a mode that loses nothing keeps its amplitude
AT_ONCE: Final = 256  # partials whose pairs are summed together: memory


def roughness(frequency_hz: Array, amplitude: Array) -> float:
    """The sensory dissonance of partials: frequencies (M,) in Hz, amplitudes (M,), in its unit squared."""
    order = np.argsort(frequency_hz)
    frequency = np.asarray(frequency_hz, dtype=np.float64)[order]
    level = np.abs(np.asarray(amplitude, dtype=np.float64)[order])
    scale = WORST / (WIDTH * frequency + LEAST_WIDTH)
    total = 0.0
    for first in range(0, len(frequency), AT_ONCE):
        low = slice(first, first + AT_ONCE)
        apart = np.maximum(
            frequency[None, first:] - frequency[low, None], 0.0
        )  # 0: counted from the other side
        x = scale[low, None] * apart
        total += float(level[low] @ (np.exp(-RISE * x) - np.exp(-DECLINE * x)) @ level[first:])
    return total


def ring_roughness(
    frequency_hz: Array, decay_s: Array, amplitude: Array, *, since: float = SINCE, until: float = UNTIL
) -> float:
    """The roughness of ringing modes between two times in s, whatever their level: 0 for a single tone.

    `amplitude` (M,) is that of each mode at time 0, in Pa or any unit; `decay_s` (M,) the time to fall by 60 dB.
    Each counts by its root-mean-square amplitude over the window, relative to that of all together; silence: 0.
    """
    rate = FALL / np.asarray(decay_s, dtype=np.float64)
    lost = np.maximum(2.0 * rate * (until - since), LOSSLESS)
    mean_square = np.exp(-2.0 * rate * since) * -np.expm1(-lost) / lost
    level = np.abs(amplitude) * np.sqrt(mean_square)
    whole = float(np.sqrt(np.sum(level**2)))
    if whole <= 0.0:
        return 0.0
    heard = level > FAINT * whole / max(1, len(level))
    return roughness(np.asarray(frequency_hz)[heard], level[heard] / whole)
