"""The picture of a board: how its feet yield, what it radiates, and what it does to every group.

In: a `BoardSheet` and the changes by group. Out: a matplotlib `Figure`, which the caller saves.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from synth.design.instrument import Instrument
from synth.sound.board_forecast import BoardEffect
from synth.sound.boardsheet import BoardSheet
from synth.workshop.typeface import over_picture, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TICKS: Final = (50, 100, 200, 500, 1000, 2000, 5000, 10_000)  # Hz
LETTER: Final = 5.0  # points of width that a letter of a group's name takes at the most, about
AXIS: Final = 600.0  # points of width that all groups share
LONGEST: Final = 30  # letters of a name that stands upright


def draw_board(instrument: Instrument, name: str, sheet: BoardSheet, table: Sequence[BoardEffect]) -> Figure:
    """The figure."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, 10.0), layout="constrained")
    yields, radiates, groups = figure.subplots(3, 1, height_ratios=(1.2, 1.2, 1.0))
    _yields(yields, sheet)
    _radiates(radiates, sheet)
    _groups(groups, table)
    figure.suptitle(over_picture(f"{instrument.name or instrument.file}: board '{name}'"))
    return figure


def _yields(axes: Axes, sheet: BoardSheet) -> None:
    for number, mobility in enumerate(sheet.mobility, start=1):
        axes.loglog(sheet.frequency, 1e3 * np.abs(mobility), lw=0.9, label=f"foot {number}")
    axes.axhline(1e3 / sheet.impedance, color="0.4", ls="--", lw=0.9, label="endless sheet")
    axes.set_ylabel("admittance at the feet\nmm/s per N")
    _frequencies(axes, sheet)


def _radiates(axes: Axes, sheet: BoardSheet) -> None:
    for number, level in enumerate(sheet.level, start=1):
        axes.semilogx(sheet.frequency, level, lw=0.9, label=f"foot {number}")
    axes.set_ylabel("level at the listener\ndB SPL per N")
    axes.set_xlabel("Hz")
    _frequencies(axes, sheet)


def _frequencies(axes: Axes, sheet: BoardSheet) -> None:
    axes.set_xlim(sheet.frequency[0], sheet.frequency[-1])
    axes.set_xticks(TICKS, [str(each) for each in TICKS])
    axes.minorticks_off()
    axes.axvline(sheet.reach_hz, color="0.7", lw=0.8)
    axes.text(
        sheet.reach_hz, 0.02, " statistical", transform=axes.get_xaxis_transform(), fontsize=7, color="0.4"
    )
    axes.grid(alpha=0.3)
    axes.legend(fontsize=8)


def _groups(axes: Axes, table: Sequence[BoardEffect]) -> None:
    position = np.arange(len(table))
    axes.bar(
        position - 0.2,
        [each.gain_db for each in table],
        0.4,
        color="C0",
        label="fundamental: gain over the bar alone, dB",
    )
    axes.set_ylabel("dB")
    _name_groups(axes, table)
    axes.axhline(0.0, color="0.4", lw=0.8)
    ring = axes.twinx()
    ring.bar(
        position + 0.2, [each.ring_ratio for each in table], 0.4, color="C1", label="ring, of the bar's own"
    )
    ring.set_ylim(0.0, max(1.1, *(each.ring_ratio for each in table)))
    ring.set_ylabel("ratio")
    handles, labels = axes.get_legend_handles_labels()
    more, words = ring.get_legend_handles_labels()
    axes.legend(
        [*handles, *more],
        [*labels, *words],
        fontsize=8,
        loc="upper center",
        bbox_to_anchor=(0.5, 1.18),
        ncols=2,
    )


def _name_groups(axes: Axes, table: Sequence[BoardEffect]) -> None:
    """Each group's name and pitch under its bars: level where they have room there, else upright in one line."""
    level = max(len(each.group) for each in table) * LETTER < AXIS / len(table)
    names = [
        f"{each.group}\n{each.hz:.0f} Hz"
        if level
        else f"{shortened(each.group, LONGEST, len)}, {each.hz:.0f} Hz"
        for each in table
    ]
    axes.set_xticks(range(len(table)), names, fontsize=7, rotation=0 if level else 90)
