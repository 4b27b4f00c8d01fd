"""The map: where the tines stand along the bar, what they sound, and which bar modes they meet.

In: an instrument, its tuned row, its quarrels, the loaded bar's modes. Out: a matplotlib `Figure`, which the caller
saves. Above: place against pitch, bar modes as level lines. Below, on the same places: how the bar moves in the
modes that quarrel, so that one sees where they are still.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.units import MM, cents, note_hz
from synth.vibration.quarrels import PARTIALS, BarShapes, Quarrel
from synth.vibration.tuning import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHAPES: Final = 6  # bar modes drawn, those that quarrel worst
NAMED: Final = 8  # quarrels named on the map
MARKS: Final = ("o", "s", "^")  # of the first, second, third partial
QUARREL: Final = "crimson"
BAR: Final = "0.75"
C0: Final = 12  # MIDI note number, for the lines of the octaves
BESIDE: Final[dict[str, Any]] = {"loc": "center left", "bbox_to_anchor": (1.0, 0.5), "fontsize": 8}
PLATE: Final = {"facecolor": "white", "edgecolor": "none", "alpha": 0.5, "pad": 0.5}  # behind a name
MOTIONS: Final = ("along", "sideways", "up and down", "twisting")


def draw_map(instrument: Instrument, row: Row, quarrels: Sequence[Quarrel], shapes: BarShapes) -> Figure:
    """The figure."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 9.5), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1.0))
    _pitches(above, instrument, row, shapes)
    _marks(above, instrument, quarrels)
    _bar_modes(below, instrument, quarrels, shapes)
    figure.suptitle(f"{instrument.name or instrument.file}: tines and bar")
    return figure


def _pitches(axes: Axes, instrument: Instrument, row: Row, shapes: BarShapes) -> None:
    position = np.array([tine.position for tine in instrument.tines]) / MM
    frequency = row.modes.frequency[:, 0, :PARTIALS].copy()
    frequency[:, 0] = row.mounted_hz
    for partial, mark in enumerate(MARKS[: frequency.shape[1]]):
        there = row.modes.exists[:, partial]
        axes.plot(
            position[there], frequency[there, partial], mark, ms=4, color=f"C{partial}", ls="none",
            label=f"partial {partial + 1}",
        )  # fmt: skip
    low, high = 0.8 * float(frequency[:, 0].min()), 1.2 * float(frequency.max())
    near = shapes.frequency[(shapes.frequency > low) & (shapes.frequency < high)]
    axes.hlines(near, 0.0, instrument.bar.length / MM, color=BAR, lw=0.7, zorder=0, label="bar modes")
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    axes.set_ylabel("Hz")
    octaves = [note_hz(C0 + 12 * each, instrument.a4) for each in range(11)]
    inside = [(hz, f"{hz:.0f}  C{each}") for each, hz in enumerate(octaves) if low < hz < high]
    axes.set_yticks([hz for hz, _ in inside], [words for _, words in inside])
    axes.minorticks_off()
    for group in instrument.groups:
        first = position[group.tines]
        axes.text(first.mean(), low * 1.04, group.name, ha="center", fontsize=7, rotation=90, va="bottom")


def _marks(axes: Axes, instrument: Instrument, quarrels: Sequence[Quarrel]) -> None:
    if not quarrels:
        axes.set_title("no quarrels", fontsize=9)
        axes.legend(**BESIDE)
        return
    position = np.array([instrument.tines[each.tine].position for each in quarrels]) / MM
    pitch = np.array([each.partial_hz for each in quarrels])
    size = 40.0 * np.sqrt([each.severity for each in quarrels])
    axes.scatter(position, pitch, s=size, facecolors="none", edgecolors=QUARREL, lw=1.2, label="quarrels")
    for number, at in enumerate(_apart(position, pitch), start=1):
        each = quarrels[at]
        words = f"{number}: {cents(each.shift):+.0f} cents"
        if each.decay_loss > 1.1:
            words += f", {each.decay_loss:.1f} times shorter"
        axes.annotate(
            words,
            (position[at], pitch[at]),
            xytext=(7, 7),
            textcoords="offset points",
            fontsize=7,
            color=QUARREL,
            bbox=PLATE,
        )
    axes.legend(**BESIDE)


def _apart(position: Array, pitch: Array) -> list[int]:
    """The worst quarrels whose names would not lie over one another."""
    kept: list[int] = []
    wide, high = max(0.25 * np.ptp(position), 1.0), 0.09
    for at in range(len(position)):
        clear = (
            abs(position[at] - position[k]) > wide or abs(np.log(pitch[at] / pitch[k])) > high for k in kept
        )
        if all(clear):
            kept.append(at)
        if len(kept) == NAMED:
            break
    return kept


def _bar_modes(axes: Axes, instrument: Instrument, quarrels: Sequence[Quarrel], shapes: BarShapes) -> None:
    worst: dict[int, float] = {}
    for each in quarrels:
        worst[each.bar_mode] = worst.get(each.bar_mode, 0.0) + each.severity
    chosen = sorted(worst, key=lambda mode: -worst[mode])[:SHAPES] or list(
        range(min(SHAPES, len(shapes.frequency)))
    )
    for mode in sorted(chosen):
        motion, shape = _strongest(instrument, shapes, mode)
        axes.plot(
            shapes.position / MM, shape, lw=1.2, label=f"{shapes.frequency[mode]:.1f} Hz, {MOTIONS[motion]}"
        )
    axes.axhline(0.0, color="0.5", lw=0.6)
    for number, support in enumerate(instrument.bar.supports):
        axes.plot(
            support.position / MM, -1.15, "k^", ms=7, label="supports" if number == 0 else None, clip_on=False
        )
    tines = np.array([tine.position for tine in instrument.tines]) / MM
    axes.plot(tines, np.full(len(tines), -1.15), "|", color="0.3", ms=5)
    axes.set_ylim(-1.2, 1.2)
    axes.set_yticks([])
    axes.set_xlabel("mm along the bar")
    axes.set_ylabel("how the bar moves")
    axes.legend(**BESIDE)


def _strongest(instrument: Instrument, shapes: BarShapes, mode: int) -> tuple[int, Array]:
    """Which of its `MOTIONS` a mode makes most, and that motion along the bar, 1 at its greatest."""
    own = np.einsum("bxi,bi->bx", shapes.axes, shapes.motion[:, :3, mode])
    twist = np.einsum("bi,bi->b", shapes.axes[:, 0], shapes.motion[:, 3:, mode])
    section = instrument.bar.section
    all_four = np.column_stack([own, twist * max(section.width, section.height) / 2.0])
    motion = int(np.argmax(np.abs(all_four).max(axis=0)))
    shape = all_four[:, motion]
    return motion, shape / shape[np.argmax(np.abs(shape))]
