"""One picture of a measurement: the spectrogram with what was found in it, and the decays with their fits.

In: a `Take` and its `Measurement`. Out: a matplotlib `Figure`, which the caller saves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from synth.arrays import Array, Complex
from synth.recording.audio_input import Recording
from synth.recording.measurement import Measurement, Partial, TapPartials
from synth.recording.spectrum import Bins, Spectrum, lines, spectrum
from synth.units import decibels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS: Final = 900  # of the spectrogram
FRAME: Final = 0.06  # s: tells partials 40 Hz apart, and taps
DECAYS: Final = 6  # shown
RANGE: Final = 80.0  # dB
LEAST_WIDTH: Final = 12.0  # Hz of the band in which a decay is shown


def picture(take: Recording, measurement: Measurement) -> Figure:
    """The figure: above the whole take, below the strongest decays of its loudest tap."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 9.0), layout="constrained")
    grid = figure.add_gridspec(3, 3, height_ratios=(1.6, 1.0, 1.0))
    _spectrogram(figure.add_subplot(grid[0, :]), take, measurement)
    tap = max(measurement.taps, key=lambda each: max(one.level for one in each.partials))
    strongest = sorted(_leaders(tap), key=lambda each: -_energy(each))[:DECAYS]
    for index, partial in enumerate(sorted(strongest, key=lambda each: each.frequency)):
        _decay(figure.add_subplot(grid[1 + index // 3, index % 3]), take, tap, partial)
    return figure


def _energy(partial: Partial) -> float:
    return partial.level**2 * (partial.decay if np.isfinite(partial.decay) else 10.0)


def _leaders(tap: TapPartials) -> list[Partial]:
    """The partials without those that stand in the band of a stronger one, where they are drawn with it."""
    kept: list[Partial] = []
    for each in sorted(tap.partials, key=lambda one: -_energy(one)):
        if all(abs(each.frequency - other.frequency) > 0.5 * _width(other) for other in kept):
            kept.append(each)
    return kept


def _width(partial: Partial) -> float:
    """The width in Hz of the band in which this partial's decay is shown: many times its line."""
    return max(LEAST_WIDTH, 8.0 * partial.decay_rate / np.pi)


def _spectrogram(axes: Axes, take: Recording, measurement: Measurement) -> None:
    size = max(64, round(FRAME * take.rate))
    hop = max(size // 4, len(take.samples) // COLUMNS, 1)
    padded = np.concatenate((np.zeros(size // 2), take.samples, np.zeros(size)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][: COLUMNS + 1]
    power = np.abs(np.fft.rfft(frames * np.hanning(size), axis=1)).T ** 2
    level = 10.0 * np.log10(power / np.max(power) + 1e-12)
    time = take.start + np.arange(level.shape[1]) * hop / take.rate
    frequency = np.fft.rfftfreq(size, 1.0 / take.rate)
    axes.pcolormesh(time, frequency[1:], level[1:], vmin=-RANGE, vmax=0.0, cmap="Greys", rasterized=True)
    for tap in measurement.taps:
        axes.axvline(tap.time, color="tab:green", linewidth=0.8)
        for partial in tap.partials:
            _mark(axes, take.start + tap.free_from, take.start + tap.free_to, partial)
    axes.set(yscale="log", ylim=(40.0, take.rate / 2.0), xlabel="time, s", ylabel="frequency, Hz")
    axes.set_title("found partials: full line a partial, dotted what is none; drawn for half their decay")


def _mark(axes: Axes, first: float, last: float, partial: Partial) -> None:
    end = min(last, first + 0.5 * partial.decay) if np.isfinite(partial.decay) else last
    style = "-" if partial.kind == "partial" else ":"
    axes.plot([first, end], [partial.frequency] * 2, style, color="tab:red", linewidth=1.1)


def _decay(axes: Axes, take: Recording, tap: TapPartials, partial: Partial) -> None:
    """The level in the partial's band as recorded and as fitted by all partials found there."""
    first, last = round(tap.free_from * take.rate), round(tap.free_to * take.rate)
    at = spectrum(take.samples[first:last], take.rate)
    width = _width(partial)
    bins = np.arange(
        max(1, round((partial.frequency - width) * at.seconds)),
        min(at.length // 2, round((partial.frequency + width) * at.seconds) + 4),
    )
    amplitude = np.array([each.amplitude for each in tap.partials])
    pole = np.array([-each.decay_rate + 2j * np.pi * each.frequency for each in tap.partials])
    time = take.start + tap.free_from + np.linspace(0.0, at.seconds, len(bins), endpoint=False)
    recorded = _envelope(at, bins, at.values[bins], partial.frequency, width)
    fitted = _envelope(at, bins, lines(at, bins, amplitude, pole), partial.frequency, width)
    axes.plot(time, recorded, color="0.6", linewidth=2.2, label="recorded")
    axes.plot(time, fitted, color="tab:red", linewidth=0.9, label="fitted")
    shown = partial.decay if np.isfinite(partial.decay) else at.seconds
    top = float(np.max(fitted))
    axes.set(ylim=(top - 70.0, top + 6.0), xlim=(time[0], min(time[-1], time[0] + 1.2 * shown)))
    decay = f"{partial.decay:.3g} s" if np.isfinite(partial.decay) else "decay unknown"
    axes.set_title(f"{partial.frequency:.2f} Hz, {decay}", fontsize="medium")
    axes.set(xlabel="time, s", ylabel="dB of full scale")
    axes.legend(fontsize="small", loc="upper right")


def _envelope(at: Spectrum, bins: Bins, values: Complex, frequency: float, width: float) -> Array:
    """The level in dB, in time, of what a Gaussian band around a frequency lets through."""
    off = (bins / at.seconds - frequency) / (0.5 * width)
    wave = np.fft.ifft(values * np.exp(-(off**2))) * len(bins) * 2.0 / at.length
    floor = 10.0 ** (-RANGE / 10.0) * float(np.max(np.abs(wave)))
    return np.array([decibels(each) for each in np.maximum(np.abs(wave), floor).tolist()])
