"""A picture of what nuts do to an overtone: its ratio to the fundamental against where the nut sits.

In: `Trimming`s. Out: a file, its kind by the name's ending. A panel a tine, at most `MOST`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.files import atomic_write, check_picture
from synth.vibration.trimming.answers import Trimming
from synth.vibration.trimming.search import Curve
from synth.workshop.length_text import METRES, UNIT

MOST: Final = 12  # panels on one picture
CROWDED: Final = 2e-3  # m: numbers nearer than this would cover each other


def draw_trimmings(instrument: Instrument, trimmings: Sequence[Trimming], path: Path) -> None:
    """The picture. Raises `InputError` for a file of another kind."""
    check_picture(path)
    from matplotlib.figure import Figure

    shown = trimmings[:MOST]
    columns = min(len(shown), 3)
    rows = math.ceil(len(shown) / columns)
    figure = Figure(figsize=(max(5.6 * columns, 8.0), 4.4 * rows + 0.4), dpi=120, layout="constrained")
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel, trimming in zip(panels, shown, strict=False):
        _panel(panel, instrument, trimming)
    for panel in panels[len(shown) :]:
        panel.set_axis_off()
    if len(trimmings) > MOST:
        figure.suptitle(f"the first {MOST} of {len(trimmings)} tines")
    with atomic_write(path) as beside:
        figure.savefig(beside)


def _panel(panel: Any, instrument: Instrument, trimming: Trimming) -> None:
    tine, wish = instrument.tines[trimming.tine], trimming.wish
    units = instrument.bench.units
    unit = METRES[units]
    for curve in trimming.curves:
        panel.plot(curve.height / unit, curve.ratio, _stroke(curve), label=_name(curve), linewidth=1.4)
    panel.axhline(wish.ratio, color="black", linewidth=0.8, linestyle=":")
    numbered: list[float] = []
    for number, way in enumerate(trimming.solutions, start=1):
        if len(way.nuts) == 1 or way.locked:
            at = way.nuts[0].position / unit
            panel.plot(at, wish.ratio, "o", color="black", markersize=4)
            if all(abs(at - other) * unit > CROWDED for other in numbered):
                numbered.append(at)
                where = {"xytext": (3, 5), "textcoords": "offset points"}
                panel.annotate(str(number), (at, wish.ratio), fontsize=8, **where)
    panel.axhline(trimming.without, color="grey", linewidth=0.8, linestyle="--")
    panel.set_title(f"{instrument.groups[tine.group].name}, tine {tine.number}", fontsize=10)
    panel.set_xlabel("middle of the (lower) nut above the base nut's face, " + UNIT[units])
    panel.set_ylabel(f"partial {wish.partial} over the fundamental")
    panel.grid(alpha=0.3)
    panel.legend(fontsize=7, title="dashed grey: without; dotted: wished", title_fontsize=7)


def _stroke(curve: Curve) -> str:
    return "-" if len(curve.nuts) == 1 else "-."


def _name(curve: Curve) -> str:
    names = [nut.name for nut in curve.nuts]
    return names[0] if len(names) == 1 else f"{names[0]} below {names[1]}, locked"
