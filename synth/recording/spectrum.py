"""The spectrum of a stretch of samples, what a damped sinusoid looks like in it, and where it has peaks.

In: samples (T,) and a rate. Out: a `Spectrum`; the closed form of a line, sum_t exp(s t) w^(-k t) =
(1 - z^T) / (1 - z w^-k) with z = exp(s dt), w = exp(2 pi j / T); and peaks that stand clear of the noise.
Without a window white noise stays white from bin to bin, which is what a least-squares fit wants.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.frozen import frozen

Bins = NDArray[np.int_]

CLEAR: Final = 20.0  # power of a peak over the noise (13 dB): chance reaches it once in 5e8 bins
APART: Final = 12.0  # power of a peak over the median of the bins beside it (11 dB): not the skirt of another
BESIDE: Final = 16  # bins looked at on either side
DYNAMIC: Final = 1e-7  # power below the strongest peak (70 dB) that is still looked at
LOWEST: Final = 20.0  # Hz; below is rumble
HIGHEST: Final = 20_000.0  # Hz; above nothing is heard
MOST_PEAKS: Final = 60


@frozen
class Spectrum:
    """The discrete Fourier transform of T samples, no window: values (T // 2 + 1,)."""

    values: Complex
    length: int
    rate: float

    @property
    def seconds(self) -> float:
        return self.length / self.rate

    @property
    def step(self) -> float:
        """rad/s from bin to bin."""
        return 2.0 * np.pi / self.seconds

    def at(self, bins: Bins) -> Complex:
        """The values at bins of either sign, wrapped where they leave the range."""
        wrapped = bins % self.length
        mirrored = wrapped > self.length // 2
        inside = self.values[np.where(mirrored, self.length - wrapped, wrapped)]
        return np.where(mirrored, np.conj(inside), inside)


@frozen
class Peak:
    """A maximum of the spectrum: its angular frequency, its power over the noise, the noise power of a bin."""

    omega: float
    clear: float
    noise: float


def spectrum(samples: Array, rate: float) -> Spectrum:
    """The spectrum of the samples, cut to an even length."""
    length = len(samples) - len(samples) % 2
    return Spectrum(np.fft.rfft(samples[:length]), length, rate)


def line(at: Spectrum, bins: Bins, pole: Complex) -> Complex:
    """(N, B): the spectrum of exp(s t), without cancellation near the peak."""
    from synth.recording.line_fit import each_line

    return each_line(bins, at.length, float(at.rate), pole)


def lines(at: Spectrum, bins: Bins, amplitude: Complex, pole: Complex) -> Complex:
    """(B,): the spectrum of Re sum_n a_n exp(s_n t)."""
    from synth.recording.line_fit import all_lines

    return all_lines(bins, at.length, float(at.rate), amplitude, pole)


def peaks(spectra: list[Spectrum]) -> list[tuple[Peak, int]]:
    """What stands out, each in the spectrum in which it does so most: (peak, index into `spectra`).

    The spectra are of the first whole, half, quarter ... of one sound. A decaying partial is clearest in the span
    of about 1.3 times its time constant (the maximum of (1 - exp(-x))^2 / x): the index tells its decay.
    """
    seen = [(peak, level) for level, each in enumerate(spectra) for peak in clear_peaks(each)]
    seen.sort(key=lambda pair: -pair[0].clear)
    kept: list[tuple[Peak, int]] = []
    for peak, level in seen:
        coarse = [max(spectra[level].step, spectra[other].step) for _, other in kept]
        if all(
            abs(peak.omega - known.omega) > 2.0 * step for (known, _), step in zip(kept, coarse, strict=True)
        ):
            kept.append((peak, level))
        if len(kept) == MOST_PEAKS:
            break
    return kept


def clear_peaks(at: Spectrum) -> list[Peak]:
    """The maxima of one spectrum that noise does not make, seen through a Hann window."""
    smooth = at.values.copy()
    smooth[1:-1] -= 0.5 * (at.values[:-2] + at.values[2:])  # a Hann window, times two
    power = np.abs(smooth) ** 2
    noise = floor(power)
    inner = power[1:-1]
    top = (inner >= power[:-2]) & (inner > power[2:]) & (inner > CLEAR * noise[1:-1])
    position = np.flatnonzero(top & (inner > DYNAMIC * np.max(power))) + 1
    heard = (position * at.step > 2.0 * np.pi * LOWEST) & (position * at.step < 2.0 * np.pi * HIGHEST)
    position = position[heard & (position > 2)]
    position = position[np.argsort(noise[position] / power[position], kind="stable")][: 4 * MOST_PEAKS]
    hann = 1.5  # what this window does to the power of white noise
    return [
        Peak(float(k * at.step), float(power[k] / noise[k]), float(noise[k] / hann))
        for k in position[power[position] > APART * _usual_beside(power, position)]
    ]


def _usual_beside(power: Array, position: Bins) -> Array:
    """(K,) the median of each of these bins and those beside it, as far as there are any from the first on."""
    bins = position[:, None] + np.arange(-BESIDE, BESIDE + 1)
    there = (bins >= 1) & (bins < len(power))
    rising = np.sort(np.where(there, power[np.clip(bins, 1, len(power) - 1)], np.inf), axis=1)
    count, row = np.sum(there, axis=1), np.arange(len(position))
    return np.asarray(0.5 * (rising[row, (count - 1) // 2] + rising[row, count // 2]))


def floor(power: Array) -> Array:
    """The noise around each bin: medians of blocks, joined by straight lines in the logarithm."""
    block = int(np.clip(len(power) // 64, 2 * BESIDE, 512))
    count = max(1, len(power) // block)
    used = power[: count * block] if len(power) >= block else power
    levels = np.median(used.reshape(count, -1), axis=1) / np.log(2.0) + 1e-30
    middles = (np.arange(count) + 0.5) * len(used) / count
    return np.asarray(np.exp(np.interp(np.arange(len(power)), middles, np.log(levels))))
