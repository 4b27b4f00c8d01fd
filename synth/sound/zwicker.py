"""Loudness in sone by ISO 532-1:2017 (Zwicker), for steady and for changing sounds, in a free field.

In: pressure (C, N) in Pa at the listener, or third-octave levels. Out: loudness in sone; a sound of twice as many
sone is twice as loud, 1 kHz at 40 dB SPL has one. Third octaves make critical bands, whose loudness is the fourth
root of intensity above the threshold, spreads towards higher ones and decays more slowly the longer it lasted.

Of two ears the loudness is the mean of what either would have if both heard it: each gives its half. So a sound
at one ear alone counts half, and equal ones count as the standard has it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen
from synth.sound import zwicker_tables as table

STEP: Final = 2e-3  # s between two values, ISO 532-1 clause 6.6
EXCEEDED: Final = 5.0  # percent of the time in which N5 is exceeded
SHARPNESS: Final = 0.11  # of DIN 45692: a critical band of noise at 1 kHz and 60 dB has one acum
SETTLED: Final = 0.2  # s after which the lowest filters have settled, left out for steady sounds


@frozen(eq=False)
class LoudnessOverTime:
    """Loudness (T,) in sone every `STEP` from the start of the sound, and sharpness (T,) in acum."""

    sone: Array
    acum: Array

    @property
    def loudest_sone(self) -> float:
        """N max."""
        return float(np.max(self.sone, initial=0.0))

    @property
    def n5_sone(self) -> float:
        """N5, exceeded in 5 % of the time: what ISO 532-1 gives for the loudness of a changing sound."""
        return float(np.percentile(self.sone, 100.0 - EXCEEDED)) if self.sone.size else 0.0

    def at_sone(self, time: float) -> float:
        """The loudness `time` seconds from the start; nan after the end."""
        index = round(time / STEP)
        return float(self.sone[index]) if 0 <= index < len(self.sone) else float("nan")

    @property
    def sharpness_acum(self) -> float:
        """The sharpness where the sound is loudest; nan for silence."""
        return float(self.acum[np.argmax(self.sone)]) if np.any(self.sone > 0.0) else float("nan")


def loudness_over_time(pressure: Array, rate: float) -> LoudnessOverTime:
    """The time-varying loudness of pressure (C, N) or (N,) in Pa: the mean of the channels'.

    Sharpness is that of DIN 45692:2009 (from memory), S = 0.11 int N' g(z) z dz / N, of all channels together.
    """
    from synth.sound import zwicker_kernel as kernel

    total: Array | None = None
    moments = np.zeros(0)
    for intensity in _intensities(pressure, rate):
        core = np.empty((len(intensity), table.CRITICAL_BANDS))
        kernel.core_loudness(intensity, kernel.CORE_TABLES, core)
        kernel.decay(core, kernel.decay_constants())
        sone, moment = np.empty(len(core)), np.empty(len(core))
        kernel.spread(core, kernel.SLOPE_TABLES, sone, moment)
        total = sone if total is None else total + sone
        moments = moment if not moments.size else moments + moment
    if total is None:
        return LoudnessOverTime(np.zeros(0), np.zeros(0))
    every = round(STEP / kernel.STEP)
    ears = len(np.atleast_2d(pressure))
    weighed = np.zeros((2, len(total)))
    for each, out in zip((total, moments), weighed, strict=True):
        kernel.weigh(each / ears, out)
    heard, weighted = weighed[:, ::every]
    return LoudnessOverTime(
        heard, SHARPNESS * np.divide(weighted, heard, out=np.zeros_like(heard), where=heard > 0.0)
    )


def stationary_sone(levels_db: Array) -> float:
    """The loudness of a steady sound with third-octave levels (28,) in dB SPL, 25 Hz to 12.5 kHz."""
    from synth.sound import zwicker_kernel as kernel

    intensity = 10.0 ** (0.1 * np.asarray(levels_db, dtype=np.float64))
    if intensity.shape != (table.BANDS,):
        raise ValueError(f"{table.BANDS} third-octave levels make a loudness, not {intensity.shape}")
    core, sone, moment = np.empty((1, table.CRITICAL_BANDS)), np.empty(1), np.empty(1)
    kernel.core_loudness(intensity[None], kernel.CORE_TABLES, core)
    kernel.spread(core, kernel.SLOPE_TABLES, sone, moment)
    return float(sone[0])


def third_octave_levels_db(pressure: Array, rate: float) -> Array:
    """Levels (28,) in dB SPL of a steady sound (C, N) in Pa by the standard's filters, channels averaged in power.

    The first `SETTLED` seconds are left out.
    """
    from synth.sound import zwicker_kernel as kernel

    skip = round(SETTLED / kernel.STEP)
    parts = [each[skip:].mean(axis=0) for each in _intensities(pressure, rate)]
    return np.asarray(10.0 * np.log10(np.mean(parts, axis=0)))


def _intensities(pressure: Array, rate: float) -> list[Array]:
    """Of each channel, third-octave intensities (T, 28) re (20 uPa)2, every 0.5 ms."""
    from synth.sound import zwicker_kernel as kernel

    found = []
    for channel in np.atleast_2d(np.asarray(pressure, dtype=np.float64)):
        samples = np.ascontiguousarray(_at_filter_rate(channel, rate))
        out = np.empty((-(-len(samples) // kernel.DECIMATION), table.BANDS))
        kernel.intensities(samples, kernel.filters(), out)
        found.append(out + kernel.TINY / kernel.REFERENCE)
    return found


def _at_filter_rate(samples: Array, rate: float) -> Array:
    if rate == table.FILTER_RATE:
        return samples
    from fractions import Fraction

    from scipy.signal import resample_poly

    ratio = Fraction(table.FILTER_RATE / rate).limit_denominator(1000)
    return np.asarray(resample_poly(samples, ratio.numerator, ratio.denominator))
