"""Modes as `modes` shows them: every tine's partials, the bar's modes, the modes of the whole.

In: an instrument, its row and its model. Out: data with units in the keys, and the same as tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from synth.design.instrument import Instrument
from synth.table import Column, Table
from synth.units import MM, Units
from synth.vibration.damping import decay_time
from synth.vibration.modal_model import ModalModel, energy_share
from synth.vibration.tine import PLANES
from synth.vibration.tuning import Row
from synth.workshop.length_text import length_column

BAR_SHOWN_HZ: Final = 10_000.0

HZ: Final = Column("frequency_hz", "Hz", "{:.2f}")
DECAY: Final = Column("decay_s", "decay s", "{:.3g}")


def tine_data(instrument: Instrument, row: Row, chosen: int | None) -> list[dict[str, Any]]:
    """Every tine's clamped partials in both planes and its mounted pitch."""
    modes = row.modes
    decay = modes.decay
    return [
        {
            "group": instrument.groups[tine.group].name,
            "tine": tine.number,
            "free_length_mm": float(row.length[index]) / MM,
            "target_hz": float(row.target_hz[index]),
            "clamped": [
                {
                    "plane": plane,
                    "partial": partial + 1,
                    "frequency_hz": float(modes.frequency[index, p, partial]),
                    "decay_s": float(decay[index, p, partial]),
                }
                for p, plane in enumerate(PLANES)
                for partial in np.flatnonzero(modes.exists[index]).tolist()
            ],
            "mounted_hz": float(row.mounted_hz[index]),
        }
        for index, tine in enumerate(instrument.tines)
        if chosen in (None, tine.group)
    ]


def bar_data(model: ModalModel) -> list[dict[str, Any]]:
    """The bare bar's modes on its supports, with sound in them."""
    bar = model.bar
    sounding = (bar.frequency > 0.0) & (bar.frequency <= BAR_SHOWN_HZ)
    with np.errstate(divide="ignore"):
        decay = decay_time(bar.frequency[sounding], bar.loss_factor[sounding])
    return [
        {"frequency_hz": float(hz), "decay_s": float(seconds)}
        for hz, seconds in zip(bar.frequency[sounding], decay, strict=True)
    ]


def assembly_data(instrument: Instrument, model: ModalModel, chosen: int | None) -> list[dict[str, Any]]:
    """The modes of the whole, each with what moves most in it."""
    tines, bar = energy_share(model)
    data = []
    for m, hz in enumerate(model.frequency):
        strongest: str | dict[str, Any] = "bar"
        index, plane = np.unravel_index(int(np.argmax(tines[m])), tines[m].shape)
        if tines[m, index, plane] > bar[m]:
            tine = instrument.tines[int(index)]
            if chosen not in (None, tine.group):
                continue
            name = instrument.groups[tine.group].name
            strongest = {"group": name, "tine": tine.number, "plane": PLANES[int(plane)]}
        data.append({"frequency_hz": float(hz), "decay_s": float(model.decay[m]), "strongest": strongest})
    return data


def mode_words(data: Mapping[str, Any], units: Units, width: int | None) -> str:
    """The data of tines, bar, assembly and quarrels as text, in a width."""
    partials = Table(
        [
            Column("group", "group"),
            Column("tine", "tine"),
            length_column("free_length_mm", "free", lambda row: row["free_length_mm"] * MM, units, digits=2),
            Column("mounted_hz", "mounted Hz", "{:.2f}"),
            Column("plane", "plane"),
            Column("partial", "partial"),
            HZ,
            DECAY,
        ],
        [{**tine, **part} for tine in data["tines"] for part in tine["clamped"]],
    )
    bar = Table([Column("frequency_hz", "Hz", "{:.1f}"), DECAY], data["bar"])
    whole = Table([HZ, DECAY, Column("strongest", "moves most", _who)], data["assembly"])
    return "\n\n".join(
        [
            "Tines on an immovable bar, partial by partial (the clamp's loss is the largest and least certain; "
            "no decay is claimed above 5 kHz):\n" + partials.text(width),
            "The bar alone on its supports:\n" + bar.text(width),
            "All together:\n" + whole.text(width),
            *_quarrels(data["quarrels"]),
        ]
    )


def _quarrels(found: list[dict[str, Any]]) -> list[str]:
    lines = "\n".join(
        line
        for each in found
        for line in (each["words"], *(f"  settled by {', '.join(r['words'])}" for r in each["remedies"]))
    )
    return [f"Quarrels between tines and bar, the worst first:\n{lines}"] if found else []


def _who(strongest: str | dict[str, Any]) -> str:
    if isinstance(strongest, str):
        return strongest
    return f"{strongest['group']} {strongest['tine']}, {strongest['plane']}"
