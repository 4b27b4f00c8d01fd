"""What can be measured of a stroke's sound besides its level: attack and brightness.

In: pressure (C, N) in Pa. Out: seconds and hertz. How long it rings is not measured here: partials of neighbours
and beats stand in every band, and 5 s cannot show 12; the model knows (`synth.workshop.comparison`).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from synth.arrays import Array

SMOOTH: Final = 20e-3  # s, of the running energy: two periods of 100 Hz, the lowest pitch of most designs
RISE: Final = 20.0  # dB below its maximum, from where the attack is followed: what is heard to swell


def energy(pressure: Array, rate: float) -> Array:
    """The running energy (N,) in Pa2 of both channels: the mean over `SMOOTH` about each moment, Hann-weighted."""
    from scipy.signal import fftconvolve
    from scipy.signal.windows import hann

    square = np.mean(np.atleast_2d(pressure) ** 2, axis=0)
    window = hann(2 * max(1, round(SMOOTH * rate / 2.0)) + 1)
    return np.asarray(np.maximum(fftconvolve(square, window / window.sum(), mode="same"), 0.0))


def attack_time(pressure: Array, rate: float, *, since: float, until: float) -> float:
    """Seconds from the first touch at `since` to the mean moment at which a level is first reached.

    The mean is over all levels from `RISE` below the maximum up to it, of the running energy until `until`, the
    stroke's end. A single level, nine tenths of the maximum, is reached at one tine or the next by chance; beats
    later on would be taken for a slow attack. nan for silence.
    """
    first, last = max(0, round(since * rate)), round(until * rate)
    reached = np.maximum.accumulate(energy(pressure, rate)[first : max(last, first + 1)])
    if reached.size == 0 or reached[-1] <= 0.0:
        return math.nan
    missing = -10.0 * np.log10(np.maximum(reached / reached[-1], 1e-30)) / RISE
    # the mean of t over the levels is the integral of what is missing: integration by parts
    return float(np.minimum(missing, 1.0).sum()) / rate


def centroid(pressure: Array, rate: float) -> float:
    """The power-weighted mean frequency in Hz of the whole sound; nan for silence."""
    power = np.sum(np.abs(np.fft.rfft(np.atleast_2d(pressure), axis=1)) ** 2, axis=0)
    frequency = np.fft.rfftfreq(np.shape(pressure)[-1], 1.0 / rate)
    total = float(power.sum())
    return float((frequency * power).sum() / total) if total > 0.0 else math.nan
