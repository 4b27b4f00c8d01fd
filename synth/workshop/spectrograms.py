"""Spectrograms of several sounds for musicians: note names upwards, one scale of level, the tines' partials marked.

In: pressures (C, N) in Pa, a title each, and the partials of the stroked tines in Hz. Out: levels, and a figure. A
level is that of a steady tone in dB re 20 uPa, of both ears' mean power: a sine of 1 Pa rms reads 94 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.instrument import Group
from synth.frozen import frozen
from synth.sound.audio import RATE, REFERENCE_PRESSURE
from synth.vibration.tuning import Row

LOWEST_HZ: Final = 55.0
HIGHEST_HZ: Final = 14_080.0
STEPS: Final = 24  # rows an octave: half a semitone
SHOWN_DB: Final = 70.0  # below the loudest of all panels
WINDOW: Final = 8192  # samples, 6 Hz apart: a semitone at 100 Hz
HOP: Final = 1024
PARTIALS: Final = 3  # of a tine, that are marked


@frozen
class Panel:
    """A sound in levels, with its title in words, and the partials to mark."""

    title: str
    seconds: float
    levels: NDArray[Any]  # (F, T) dB SPL, see `tone_levels`
    partials_hz: Sequence[float]


def rows_hz() -> Array:
    """The frequencies (F,) in Hz of the rows, evenly apart to the ear."""
    count = round(STEPS * math.log2(HIGHEST_HZ / LOWEST_HZ)) + 1
    return np.asarray(LOWEST_HZ * 2.0 ** (np.arange(count) / STEPS))


def tone_levels(pressure: NDArray[Any], rate: float = RATE) -> Array:
    """The levels (F, T) in dB SPL of tones at `rows_hz`, every `HOP` samples: the loudest line of each."""
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    transform = ShortTimeFFT(hann(WINDOW), hop=HOP, fs=rate, scale_to="magnitude")
    frames = pressure.shape[1]
    padded = np.pad(np.asarray(pressure, dtype=np.float64), [(0, 0), (0, max(0, WINDOW - frames))])
    lines = transform.stft(padded, p0=0, p1=math.ceil(frames / HOP))
    power = 2.0 * np.mean(np.abs(lines) ** 2, axis=0)  # one side of the spectrum has half a sine's amplitude
    level = 10.0 * np.log10(np.maximum(power / REFERENCE_PRESSURE**2, 1e-12))
    spacing, half = rate / WINDOW, 2.0 ** (0.5 / STEPS)
    rows = []
    for hertz in rows_hz():
        first, last = math.ceil(hertz / half / spacing), math.floor(hertz * half / spacing)
        near = round(hertz / spacing)
        rows.append(level[first : last + 1].max(axis=0) if last > first else level[near])
    return np.array(rows)


def top_of(levels: Sequence[NDArray[Any]]) -> float:
    """Where the scale that several share ends, dB SPL."""
    return 5.0 * math.ceil(max(float(each.max(initial=0.0)) for each in levels) / 5.0)


def group_partials_hz(row: Row, group: Group) -> tuple[float, ...]:
    """The partials of a group's tines that are marked, rising."""
    modes = row.modes
    there = modes.exists[group.tines, :PARTIALS]
    return tuple(np.sort(modes.frequency[group.tines, 0, :PARTIALS][there]).tolist())


def draw_panels(axes: Sequence[Any], panels: Sequence[Panel], *, a4_hz: float) -> Any:
    """The panels on axes that share what goes upwards; the image, for the scale of level that they share."""
    top = top_of([each.levels for each in panels])
    images = [_draw(axis, panel, top) for axis, panel in zip(axes, panels, strict=True)]
    notes = [math.log2(a4_hz) + octave - 4 - 9 / 12 for octave in range(2, 10)]
    axes[0].set_yticks(notes, [f"C{octave}" for octave in range(2, 10)])
    axes[0].set_ylim(math.log2(LOWEST_HZ), math.log2(HIGHEST_HZ))
    return images[0]


def spectrogram_picture(panels: Sequence[Panel], *, title: str, a4_hz: float) -> Any:
    """A figure of all panels, at most four in a row; upwards go octaves, the logarithm to 2 of hertz."""
    from matplotlib.figure import Figure

    columns = min(4, len(panels))
    rows = math.ceil(len(panels) / columns)
    width, height = 4.0 * columns + 1.6, 3.0 * rows + 1.2
    figure = Figure(figsize=(width, height))
    edges = {
        "left": 0.8 / width,
        "right": 1.0 - 1.1 / width,
        "bottom": 0.7 / height,
        "top": 1.0 - 0.8 / height,
    }
    figure.subplots_adjust(**edges, wspace=0.08, hspace=0.16)
    axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
    image = draw_panels(list(axes[: len(panels)]), panels, a4_hz=a4_hz)
    for axis in axes[len(panels) :]:
        axis.set_axis_off()
    figure.suptitle(title)
    figure.supxlabel("seconds (ticks at the left: partials of the tines that are stroked)", y=0.15 / height)
    figure.supylabel("note", x=0.15 / width)
    scale = figure.add_axes(
        (1.0 - 0.9 / width, edges["bottom"], 0.15 / width, edges["top"] - edges["bottom"])
    )
    figure.colorbar(image, cax=scale, label="level of a tone, dB SPL")
    return figure


def _draw(axis: Any, panel: Panel, top: float) -> Any:
    half = 0.5 / STEPS
    lowest, highest = math.log2(LOWEST_HZ) - half, math.log2(HIGHEST_HZ) + half
    image = axis.imshow(
        panel.levels,
        origin="lower",
        aspect="auto",
        vmin=top - SHOWN_DB,
        vmax=top,
        cmap="magma",
        extent=(0.0, panel.seconds, lowest, highest),
    )
    axis.hlines(np.log2(panel.partials_hz), 0.0, 0.03 * panel.seconds, colors="#7fe0d0", linewidth=1.2)
    axis.set_title(panel.title, fontsize=9)
    return image
