"""The map: where the tines stand along the bar, what they sound, and which bar modes they meet.

In: an instrument, its tuned row, its quarrels, the loaded bar's modes. Out: a matplotlib `Figure`, which the caller
saves. Above: place against pitch, bar modes as level lines with their names at the edge. Below, on the same places:
how the bar moves in the modes that quarrel, so that one sees where they are still. Words are placed last, by their
size on the page (`synth.workshop.labels`), so that they cover no point and no other word.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.units import cents, note_hz
from synth.vibration.bar import mode_name
from synth.vibration.quarrels import PARTIALS, BarShapes, Quarrel
from synth.vibration.tuning import Row
from synth.workshop.labels import Box, levels, spread_out
from synth.workshop.length_text import METRES, UNIT
from synth.workshop.typeface import over_picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHAPES: Final = 6  # bar modes drawn, those that quarrel worst
NAMED: Final = 8  # quarrels named on the map
DOT: Final = 2.5  # points, half a mark
MARKS: Final = ("o", "s", "^")  # of the first, second, third partial
QUARREL: Final = "crimson"
BAR: Final = "0.75"
C0: Final = 12  # MIDI note number
SCALES: Final = (
    range(12),
    (0, 2, 4, 5, 7, 9, 11),
    (0, 4, 7),
    (0,),
)  # notes of an octave with ticks, the densest first
CROWD: Final = 0.7  # of the edge that may be taken by names of bar modes
LINE: Final = 10.0  # points from a line of words to the next at the least
SIZE: Final = 7  # points, of words
BESIDE: Final[dict[str, Any]] = {
    "loc": "center left",
    "bbox_to_anchor": (1.0, 0.5),
    "fontsize": 8,
    "handlelength": 1.0,
}
OVER: Final[dict[str, Any]] = {"loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "fontsize": 8, "ncols": 6}
LEADER: Final = {"arrowstyle": "-", "lw": 0.5, "color": QUARREL, "shrinkA": 0, "shrinkB": 3}
MOTIONS: Final = ("along", "sideways", "up and down", "twisting")


def draw_map(instrument: Instrument, row: Row, quarrels: Sequence[Quarrel], shapes: BarShapes) -> Figure:
    """The figure."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 9.5))
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1.0))
    lined = _pitches(above, instrument, row, shapes)
    _marks(above, instrument, quarrels)
    _bar_modes(below, instrument, quarrels, shapes)
    figure.suptitle(over_picture(f"{instrument.name or instrument.file}: tines and bar"))
    figure.subplots_adjust(left=0.09, right=0.82, bottom=0.06, top=0.9, hspace=0.08)
    _group_names(above, instrument)
    _note_ticks(above, instrument)
    _mode_names(above, lined, quarrels, shapes)
    _quarrel_names(above, instrument, quarrels)
    return figure


def _unit(instrument: Instrument) -> float:
    """What of a length places along the bar are told in."""
    return METRES[instrument.bench.units]


def _pitches(axes: Axes, instrument: Instrument, row: Row, shapes: BarShapes) -> list[int]:
    """The tines' partials and the bar modes among them as lines: the numbers of those."""
    position = np.array([tine.position for tine in instrument.tines]) / _unit(instrument)
    frequency = row.modes.frequency[:, 0, :PARTIALS].copy()
    frequency[:, 0] = row.mounted_hz
    for partial, mark in enumerate(MARKS[: frequency.shape[1]]):
        there = row.modes.exists[:, partial]
        axes.plot(
            position[there], frequency[there, partial], mark, ms=4, color=f"C{partial}", ls="none",
            label=f"partial {partial + 1}",
        )  # fmt: skip
    low, high = 0.8 * float(frequency[:, 0].min()), 1.2 * float(frequency.max())
    lined = np.flatnonzero((shapes.frequency > low) & (shapes.frequency < high))
    axes.hlines(
        shapes.frequency[lined],
        0.0,
        instrument.bar.length / _unit(instrument),
        color=BAR,
        lw=0.7,
        zorder=0,
        label="bar modes",
    )
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    axes.set_xlim(
        -0.01 * instrument.bar.length / _unit(instrument),
        1.01 * instrument.bar.length / _unit(instrument),
    )
    return [int(n) for n in lined]


def _marks(axes: Axes, instrument: Instrument, quarrels: Sequence[Quarrel]) -> None:
    if not quarrels:
        axes.set_title("no quarrels", fontsize=9, loc="right")
        axes.legend(**OVER)
        return
    position = np.array([instrument.tines[each.tine].position for each in quarrels]) / _unit(instrument)
    pitch = np.array([each.partial_hz for each in quarrels])
    size = 40.0 * np.sqrt([each.severity for each in quarrels])
    axes.scatter(position, pitch, s=size, facecolors="none", edgecolors=QUARREL, lw=1.2, label="quarrels")
    axes.legend(**OVER)


def _note_ticks(axes: Axes, instrument: Instrument) -> None:
    """Notes on the pitch axis, as many of the octave as have room."""
    low, high = axes.get_ylim()
    octave = axes.bbox.height / math.log2(high / low) * 72.0 / axes.figure.dpi  # points
    room = [notes for notes in SCALES if octave / len(notes) > LINE * (1.4 if len(notes) > 1 else 0.0)]
    notes = [C0 + 12 * each + note for each in range(11) for note in room[0]]
    inside = [(hz, note) for note in notes if low < (hz := note_hz(note, instrument.a4)) < high]
    words = [f"{instrument.note(hz)[0]}  {hz:.0f}" for hz, _ in inside]
    axes.set_yticks([hz for hz, _ in inside], words, fontsize=SIZE + 1)
    axes.minorticks_off()
    axes.set_ylabel("note, Hz")


def _group_names(axes: Axes, instrument: Instrument) -> None:
    """Under the lowest point, upright, in as many lanes as keep them apart."""
    position = np.array([tine.position for tine in instrument.tines]) / _unit(instrument)
    middle = [float(position[group.tines].mean()) for group in instrument.groups]
    names = [group.name for group in instrument.groups]
    scale = 72.0 / axes.figure.dpi
    at = [axes.transData.transform((x, 1.0))[0] * scale for x in middle]
    lane = levels([(x - LINE / 2.0, x + LINE / 2.0) for x in at], 0.0)
    tall = max(_width(name) for name in names) + 4.0  # points of a lane
    low, high = axes.get_ylim()
    taken = min((max(lane) + 1) * tall / (axes.bbox.height * scale), 0.6)
    axes.set_ylim(low * (low / high) ** (taken / (1.0 - taken)), high)
    for x, name, level in zip(middle, names, lane, strict=True):
        axes.annotate(
            name, (x, 0.0), xycoords=("data", "axes fraction"), xytext=(0.0, 2.0 + level * tall), rotation=90,
            textcoords="offset points", ha="center", va="bottom", fontsize=SIZE, gid="group",
        )  # fmt: skip


def _mode_names(axes: Axes, lined: Sequence[int], quarrels: Sequence[Quarrel], shapes: BarShapes) -> None:
    """At the right edge, each at its line or joined to it; where there is no room, the modes that quarrel worst."""
    worst: dict[int, float] = {}
    for each in quarrels:
        worst[each.bar_mode] = worst.get(each.bar_mode, 0.0) + each.severity
    scale = 72.0 / axes.figure.dpi
    bottom, top = axes.bbox.y0 * scale, axes.bbox.y1 * scale
    most = int(CROWD * (top - bottom) / LINE)
    kept = sorted(sorted(lined, key=lambda n: -worst.get(n, 0.0))[:most])
    wanted = [axes.transData.transform((0.0, shapes.frequency[n]))[1] * scale for n in kept]
    for n, at, stands in zip(kept, wanted, spread_out(wanted, LINE, (bottom, top)), strict=True):
        colour = QUARREL if n in worst else "0.35"
        axes.annotate(
            mode_name(n, shapes.frequency[n]), (1.0, shapes.frequency[n]),
            xycoords=("axes fraction", "data"), xytext=(16.0, stands - at), textcoords="offset points",
            va="center", fontsize=SIZE, color=colour, gid="bar mode", annotation_clip=False,
            arrowprops={"arrowstyle": "-", "lw": 0.5, "color": "0.6", "shrinkA": 0, "shrinkB": 0,
                        "relpos": (0.0, 0.5)},
        )  # fmt: skip


def _quarrel_names(axes: Axes, instrument: Instrument, quarrels: Sequence[Quarrel]) -> None:
    """The worst quarrels named, where there is room beside them that covers no point and no word."""
    scale = 72.0 / axes.figure.dpi
    taken = [_box(each.get_window_extent(), scale) for each in axes.texts if each.get_gid() == "group"]
    for line in axes.lines:
        points = axes.transData.transform(np.column_stack(line.get_data())) * scale
        taken += [Box(x - DOT, y - DOT, x + DOT, y + DOT) for x, y in points]
    rings = []
    for each in quarrels:
        x, y = (
            axes.transData.transform(
                (instrument.tines[each.tine].position / _unit(instrument), each.partial_hz)
            )
            * scale
        )
        reach = math.sqrt(40.0 * math.sqrt(each.severity)) / 2.0 + 1.0
        rings.append((x, y, reach))
        taken.append(Box(x - reach, y - reach, x + reach, y + reach))
    inside = _box(axes.bbox, scale)
    for number, (each, (x, y, reach)) in enumerate(zip(quarrels[:NAMED], rings, strict=False), start=1):
        words = f"{number}: {cents(each.shift):+z.0f} cents"
        if each.decay_loss > 1.1:
            words += f", {each.decay_loss:.1f} times shorter"
        move = _free(words, (x, y, reach), taken, inside)
        if move is None:
            continue
        own = Box(x + move[0], y + move[1], x + move[0] + _width(words), y + move[1] + SIZE * 1.4)
        taken.append(own)
        axes.annotate(
            words, (instrument.tines[each.tine].position / _unit(instrument), each.partial_hz), xytext=move,
            fontsize=SIZE, textcoords="offset points", va="bottom", color=QUARREL, gid="quarrel", arrowprops=LEADER,
        )  # fmt: skip


def _free(
    words: str, ring: tuple[float, float, float], taken: Sequence[Box], inside: Box
) -> tuple[float, float] | None:
    """The nearest offset in points at which the words lie inside and meet nothing; None where there is none."""
    x, y, reach = ring
    wide, high = _width(words), SIZE * 1.4
    for far in np.arange(reach, 160.0, 4.0):
        for angle in np.radians(np.arange(45, 405, 30)):
            dx, dy = far * math.cos(angle), far * math.sin(angle)
            move = (dx if dx >= 0.0 else dx - wide, dy - (0.0 if dy >= 0.0 else high))
            own = Box(x + move[0], y + move[1], x + move[0] + wide, y + move[1] + high)
            held = inside.left < own.left and own.right < inside.right and inside.low < own.low
            if held and own.high < inside.high and not any(own.meets(other) for other in taken):
                return move
    return None


def _box(extent: Any, scale: float) -> Box:
    return Box(*(float(each) * scale for each in extent.extents))


def _width(words: str) -> float:
    """Of words of the picture's letters, in points."""
    from matplotlib.textpath import TextPath

    return float(TextPath((0.0, 0.0), words, size=SIZE).get_extents().width) + 3.0 if words.strip() else 3.0


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
            shapes.position / _unit(instrument),
            shape,
            lw=1.2,
            label=f"{mode_name(mode, shapes.frequency[mode])}, {MOTIONS[motion]}",
        )
    axes.axhline(0.0, color="0.5", lw=0.6)
    for number, support in enumerate(instrument.bar.supports):
        axes.plot(
            support.position / _unit(instrument),
            -1.15,
            "k^",
            ms=7,
            label="supports" if number == 0 else None,
            clip_on=False,
        )
    tines = np.array([tine.position for tine in instrument.tines]) / _unit(instrument)
    axes.plot(tines, np.full(len(tines), -1.15), "|", color="0.3", ms=5)
    axes.set_ylim(-1.2, 1.2)
    axes.set_yticks([])
    axes.set_xlabel(f"{UNIT[instrument.bench.units]} along the bar")
    axes.set_ylabel("how the bar moves")
    for words in axes.legend(**BESIDE).get_texts():
        words.set_text(words.get_text().replace(", ", ",\n"))  # in one line they run off the paper


def _strongest(instrument: Instrument, shapes: BarShapes, mode: int) -> tuple[int, Array]:
    """Which of its `MOTIONS` a mode makes most, and that motion along the bar, 1 at its greatest."""
    own = np.einsum("bxi,bi->bx", shapes.axes, shapes.motion[:, :3, mode])
    twist = np.einsum("bi,bi->b", shapes.axes[:, 0], shapes.motion[:, 3:, mode])
    section = instrument.bar.section
    all_four = np.column_stack([own, twist * max(section.width, section.height) / 2.0])
    motion = int(np.argmax(np.abs(all_four).max(axis=0)))
    shape = all_four[:, motion]
    return motion, shape / shape[np.argmax(np.abs(shape))]
