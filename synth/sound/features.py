"""What can be measured of a stroke's sound besides its level: attack, brightness, decay.

In: pressure (C, N) in Pa. Out: seconds and hertz.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SMOOTH: Final = 2e-3  # s, of the envelope: shorter than any attack the ear tells apart
BAND: Final = 2.0 ** (1.0 / 24.0)  # half a band about a partial: a quarter tone to either side
EVALUATED_DB: Final = (-5.0, -25.0)  # of the decay curve, ISO 3382-1's T20
BEYOND: Final = (
    10.0  # dB that the sound must go on to fall: what is cut off then bends the curve by 0.5 dB at most
)


def envelope(pressure: Array, rate: float) -> Array:
    """The running r.m.s. (N,) of both channels in Pa."""
    square = np.mean(np.atleast_2d(pressure) ** 2, axis=0)
    width = max(1, round(SMOOTH * rate))
    return np.sqrt(np.convolve(square, np.full(width, 1.0 / width), "same"))


def attack_time(pressure: Array, rate: float) -> float:
    """Seconds from a tenth to nine tenths of the envelope's peak; nan for silence."""
    level = envelope(pressure, rate)
    top = int(np.argmax(level))
    if level[top] <= 0.0:
        return math.nan
    rising = level[: top + 1]
    early = int(np.argmax(rising >= 0.1 * level[top]))
    late = int(np.argmax(rising >= 0.9 * level[top]))
    return (late - early) / rate


def centroid(pressure: Array, rate: float) -> float:
    """The power-weighted mean frequency in Hz of the whole sound; nan for silence."""
    power = np.sum(np.abs(np.fft.rfft(np.atleast_2d(pressure), axis=1)) ** 2, axis=0)
    frequency = np.fft.rfftfreq(np.shape(pressure)[-1], 1.0 / rate)
    total = float(power.sum())
    return float((frequency * power).sum() / total) if total > 0.0 else math.nan


def partial_decay(pressure: Array, rate: float, frequency: float) -> float:
    """Seconds to fall by 60 dB of what sounds within a quarter tone of `frequency`; nan where that cannot be told.

    By backward integration (M. R. Schroeder, J. Acoust. Soc. Am. 37 (1965) 409) from -5 to -25 dB, as ISO 3382-1
    evaluates T20; beats of close pairs are averaged over.
    """
    count = np.shape(pressure)[-1]
    size = 2 * count  # what the band's filter says before the onset falls beyond the end, not onto it
    spectrum = np.fft.rfft(np.atleast_2d(pressure), size, axis=1)
    bins = np.fft.rfftfreq(size, 1.0 / rate)
    spectrum[:, (bins < frequency / BAND) | (bins > frequency * BAND)] = 0.0
    energy = np.sum(np.fft.irfft(spectrum, size, axis=1)[:, :count] ** 2, axis=0)
    left = np.cumsum(energy[::-1])[::-1]
    if left[0] <= 0.0:
        return math.nan
    curve = 10.0 * np.log10(np.maximum(left / left[0], 1e-12))
    first, last = (int(np.argmax(curve <= level)) for level in EVALUATED_DB)
    if last - first < 2 or curve[last] > EVALUATED_DB[1] or not _falls_on(energy, first):
        return math.nan
    time = np.arange(first, last) / rate
    slope = float(np.polyfit(time, curve[first:last], 1)[0])
    return -60.0 / slope if slope < 0.0 else math.nan


def _falls_on(energy: Array, first: int) -> bool:
    """Whether the sound ends well below the evaluated range; else the end of the file would pass for a decay."""
    part = max(1, len(energy) // 20)
    begin, end = float(np.mean(energy[first : first + part])), float(np.mean(energy[-part:]))
    return end < begin * float(10.0 ** ((EVALUATED_DB[1] - EVALUATED_DB[0] - BEYOND) / 10.0))
