"""Levels in octave bands, in windows of time and over time.

In: pressure (C, N) in Pa. Out: dB SPL (re 20 uPa, channels averaged in power) in the eight octaves from 63 Hz to
8 kHz. Mid frequencies and edges are those of IEC 61260-1:2014, base ten; within its edges a band counts fully,
beyond them not at all, so that a quiet octave is seen beside a loud one. A window of T seconds parts them to about
1/T Hz: 125 ms see a tone 40 Hz beyond an edge about 30 dB down, half a second one 20 Hz beyond it 55 dB down.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen
from synth.sound.audio import REFERENCE_PRESSURE
from synth.sound.fast_length import fast_length
from synth.sound.loudness import a_weighting

OCTAVE_RATIO: Final = 10.0**0.3  # IEC 61260-1, G by powers of ten
REFERENCE_FREQUENCY: Final = 1000.0  # Hz
NOMINAL_HZ: Final = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
EDGE: Final = 8.0  # of a window's length is added at either end, to fade in and out
FRAME: Final = (
    0.17  # s, of a level over time: as slow as time weighting F, and 6 Hz fine for the lowest octave
)
HOPS: Final = 4  # levels a frame
AT_ONCE: Final = (
    12  # frames, whose spectra the processor's cache holds: new memory takes as long as the transforms
)


@frozen(eq=False)
class WindowLevels:
    """Mean levels over a window: of the octaves (8,) in dB SPL, and of the whole in dB(A)."""

    octaves_db: Array
    total_dba: float


@frozen(eq=False)
class BandHistory:
    """Levels (8, T) in dB SPL of the octaves about times (T,) s."""

    time: Array
    level_db: Array


def mid_frequencies(first: int, last: int, *, fraction: int = 1) -> Array:
    """Exact mid frequencies in Hz of bands number `first` to `last` from 1 kHz, `fraction` to the octave: odd."""
    return np.asarray(REFERENCE_FREQUENCY * OCTAVE_RATIO ** (np.arange(first, last + 1) / fraction))


def band_edges(mid: Array, *, fraction: int = 1) -> Array:
    """Lower and upper edges (B, 2) in Hz of bands with mid frequencies (B,)."""
    half = OCTAVE_RATIO ** (0.5 / fraction)
    return np.stack([mid / half, mid * half], axis=-1)


OCTAVES: Final = mid_frequencies(-4, 3)  # Hz, (8,)


def window_levels(pressure: Array, rate: float, *, since: float, until: float) -> WindowLevels:
    """Levels of pressure (C, N) or (N,) between two times in s; nan where the sound does not reach so far.

    The window is flat between them and fades over an eighth of its length outside, by the square of a cosine.
    """
    sound = np.atleast_2d(pressure)
    if round(until * rate) > sound.shape[1]:
        return WindowLevels(np.full(len(OCTAVES), np.nan), float("nan"))
    fade = (until - since) / EDGE
    first, last = round((since - fade) * rate), round((until + fade) * rate)
    time = np.arange(first, last) / rate
    outside = np.maximum(np.maximum(since - time, time - until), 0.0) / fade
    window = np.cos(0.5 * np.pi * np.minimum(outside, 1.0)) ** 2
    power, finer = _powers(_cut(sound, first, last) * window, rate, window)
    return WindowLevels(_db(power @ _shares(finer)), float(_db(np.sum(power * a_weighting(finer) ** 2))))


def band_history(pressure: Array, rate: float) -> BandHistory:
    """Levels of pressure (C, N) or (N,) over time, each the mean over `FRAME` with Hann's weight."""
    sound = np.atleast_2d(pressure)
    frame = fast_length(round(FRAME * rate))
    hop = frame // HOPS
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frame) + 0.5) / frame)
    middle = np.arange(0, sound.shape[1], hop)
    padded = np.pad(sound, [(0, 0), (frame // 2, frame)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, frame, axis=1)[:, middle]
    levels = []
    for some in np.array_split(np.arange(len(middle)), 1 + len(middle) // AT_ONCE):
        power, finer = _powers(frames[:, some] * window, rate, window)
        levels.append(_db(power @ _shares(finer)))
    return BandHistory(middle / rate, np.concatenate(levels).T if levels else np.zeros((len(OCTAVES), 0)))


def a_weighted_db(octaves_db: Array) -> float:
    """The level in dB(A) of a noise with octave levels (8,) in dB SPL, weighted at the mid frequencies."""
    intensity = 10.0 ** (0.1 * octaves_db) * a_weighting(OCTAVES) ** 2
    return float(_db(np.sum(intensity) * REFERENCE_PRESSURE**2))


def _cut(sound: Array, first: int, last: int) -> Array:
    """Samples first to last of (C, N), with silence where there are none."""
    before, after = max(0, -first), max(0, last - sound.shape[1])
    return np.pad(sound[:, max(0, first) : max(0, last)], [(0, 0), (before, after)])


def _powers(windowed: Array, rate: float, window: Array) -> tuple[Array, Array]:
    """Mean-square pressure (..., F) in Pa2 of windowed sound (C, ..., n) at frequencies (F,), channels averaged."""
    size = fast_length(2 * windowed.shape[-1])  # finer, so that edges cut well
    spectrum = np.fft.rfft(windowed, size)
    power = np.mean(spectrum.real**2 + spectrum.imag**2, axis=0)
    power[..., 1 : (size + 1) // 2] *= 2.0
    return power / (size * np.sum(window**2)), np.arange(power.shape[-1]) * rate / size


def _shares(frequency: Array) -> Array:
    """How much of each line (F,) lies in each octave (F, 8): lines are as wide as they are apart."""
    half = 0.5 * (frequency[1] - frequency[0])
    low, high = band_edges(OCTAVES).T
    inside = np.minimum(frequency[:, None] + half, high) - np.maximum(frequency[:, None] - half, low)
    return np.asarray(np.maximum(inside, 0.0) / (2.0 * half))


def _db(square: Array | float) -> Array:
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(square / REFERENCE_PRESSURE**2))
