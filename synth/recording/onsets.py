"""Where the taps are: the moments at which something was struck, in seconds.

In: samples (T,) and a rate. Out: times (S,), and for each the time from which the sound may be taken as free.
The idea: the beats of ringing partials raise the level slowly or up to where it has just been; a tap raises it
within a few milliseconds, above everything of the last quarter second. That is asked in four bands, because
a second tap on a ringing tine is heard in the high partials that have already died.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen

READING: Final = 0.0025  # s between level readings
RISE: Final = 4.0  # in energy (6 dB): what noise in a band of 300 Hz or more never does by itself
MEMORY: Final = 0.25  # s that a tap must exceed
SUDDEN: Final = 0.015  # s within which the rise must happen
CHAIN: Final = 0.10  # s: closer blows are one stroke, or one bouncing tap
LONGEST_STROKE: Final = 2.0  # s
SHORT_SUDDEN: Final = 0.01  # s, a frame
LEAVES: Final = 0.15  # of the rise
CONTACT: Final = 0.006  # s: hammer and finger have left the tine
FAINTEST: Final = 1e-5  # energy below the band's loudest (50 dB) that is still called a tap
_EDGES: Final = (60.0, 400.0, 1500.0, 5000.0)  # Hz, each band reaching up to the next


@frozen
class Strike:
    """One blow, or several in a row: when it began, and the span (in seconds) in which all rings freely."""

    time: float
    free_from: float
    free_to: float


def taps(samples: NDArray[np.float64], rate: int) -> tuple[Strike, ...]:
    """The taps of a recording, in order; one that begins with the file counts."""
    return taps_in(band_levels(samples, rate), samples, rate)


def taps_in(bands: NDArray[np.float64], samples: NDArray[np.float64], rate: int) -> tuple[Strike, ...]:
    """The taps of samples whose levels (bands, readings) are known, the first reading at the first sample."""
    marks = np.flatnonzero(_jumps(bands, MEMORY, SUDDEN)) * READING
    # a stroke's later plucks are no louder than its first, but high up each starts anew
    again = np.flatnonzero(_jumps(bands[2:], READING, SHORT_SUDDEN)) * READING
    found = _spans(marks.astype(float), again.astype(float), len(samples) / rate)
    return tuple(replace(tap, time=_sharpened(samples, rate, tap.time)) for tap in found)


def _sharpened(samples: NDArray[np.float64], rate: int, time: float) -> float:
    """The moment near a mark at which the wave first leaves what was there before."""
    first, middle = max(0, round((time - 4.0 * READING) * rate)), max(0, round((time - READING) * rate))
    last = round((time + 4.0 * READING) * rate)
    before = float(np.max(np.abs(samples[first:middle]), initial=0.0))
    after = np.abs(samples[middle:last])
    beyond = after > before + LEAVES * (float(np.max(after)) - before)
    return (middle + int(np.argmax(beyond))) / rate if float(np.max(after)) > 1.5 * before else time


def _spans(marks: NDArray[np.float64], again: NDArray[np.float64], end: float) -> tuple[Strike, ...]:
    """Chains of marks joined into taps, each free from its last pluck until the next tap begins."""
    if len(marks) == 0:
        return ()
    breaks = np.flatnonzero(np.diff(marks) > CHAIN) + 1
    chains = np.split(marks, breaks)
    stops = [float(chain[0]) - 2.0 * READING for chain in chains[1:]] + [end]
    lasts = [_last(float(chain[-1]), again, stop) for chain, stop in zip(chains, stops, strict=True)]
    return tuple(
        Strike(float(chain[0]), last + CONTACT, stop)
        for chain, last, stop in zip(chains, lasts, stops, strict=True)
    )


def _last(last: float, again: NDArray[np.float64], stop: float) -> float:
    """The last pluck of a stroke: as long as the next one follows within `CHAIN`."""
    end = min(stop, last + LONGEST_STROKE)
    for mark in again[(again > last) & (again < end)]:
        if mark - last <= CHAIN:
            last = float(mark)
    return last


def band_levels(samples: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Energy (bands, readings) in Hann frames of four hops, each reading in the middle of its frame."""
    _, size = frame_size(rate)
    return frame_levels(
        np.concatenate((np.zeros(size // 2), samples)), rate
    )  # no zeros after: a cut is no blow


def frame_size(rate: int) -> tuple[int, int]:
    """Samples from reading to reading, and of a frame."""
    hop = max(1, round(READING * rate))
    return hop, 4 * hop


def frame_levels(samples: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Energy (bands, frames) of the whole frames from the first sample on."""
    hop, size = frame_size(rate)
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop]
    window, bands = _as_bands(rate)
    blocks = []
    for first in range(0, len(frames), 4096):  # bounded memory on long files
        power = np.abs(np.fft.rfft(frames[first : first + 4096] * window, axis=1)) ** 2
        blocks.append([power[:, band].sum(axis=1) for band in bands])
    return np.concatenate(blocks, axis=1)


@functools.lru_cache(maxsize=4)
def _as_bands(rate: int) -> tuple[NDArray[np.float64], tuple[slice, ...]]:
    """A frame's window (size,), and each band's place in its spectrum."""
    _, size = frame_size(rate)
    places = np.searchsorted(np.fft.rfftfreq(size, 1.0 / rate), [*_EDGES, np.inf])
    return np.hanning(size), tuple(slice(*each) for each in itertools.pairwise(places))


def _jumps(bands: NDArray[np.float64], long: float, short: float) -> NDArray[np.bool_]:
    """(readings,) true where a band's level rises, in `short` seconds, over all of the `long` seconds before."""
    memory, sudden = round(long / READING), round(short / READING)
    count, readings = bands.shape
    past = np.concatenate((np.zeros((count, memory + sudden)), bands), axis=1)
    before = np.max(np.lib.stride_tricks.sliding_window_view(past, memory, axis=1), axis=2)[:, :readings]
    # what came before the file was as quiet as its quietest part
    settled = before[:, min(memory + sudden, readings - 1) :]
    before = np.maximum(before, np.percentile(settled, 10.0, axis=1, keepdims=True))
    floor = np.maximum(FAINTEST * np.max(bands, axis=1, keepdims=True), 1e-12)
    risen = (bands > RISE * before) & (bands > floor)
    starts = risen.copy()
    starts[:, 1:] &= ~risen[:, :-1]
    marks = np.zeros(readings, bool)
    for band, start in np.argwhere(starts):  # back to the foot of the rise
        early = max(0, start - sudden)
        foot = bands[band, early : start + 1] > np.sqrt(RISE) * before[band, start]
        marks[early + np.argmax(foot)] = True
    return marks
