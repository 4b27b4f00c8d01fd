"""What a nut at another place would do to one tine, at once: while it is dragged, before it is written.

In: a model, a tine, nuts by name and place. Out: pitch, length and overtones of that tine alone, clamped as the
model has it; the bar's part in the pitch is taken to stay. What is written is solved anew with everything else.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from synth.design.instrument import PlacedNut
from synth.design.rods_nuts_sticks import find_nut
from synth.errors import InputError
from synth.served.model import SolvedDesign
from synth.units import MM, cents, length_said
from synth.vibration.tine import lossless_tines
from synth.vibration.tuning import free_lengths

TOLD: Final = 3  # overtones


def foreseen(model: SolvedDesign, index: int, nuts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Raises `InputError` for a nut that is not known or a place that cannot be."""
    if not 0 <= index < len(model.instrument.tines):
        raise InputError("there is no such tine")
    placed = tuple(_placed(model, each) for each in nuts)
    tine = dataclasses.replace(model.instrument.tines[index], trim=placed, wish=None)
    length = model.row.length[index : index + 1]
    if not np.isnan(model.row.target_hz[index]):
        length = free_lengths([tine], [placed], model.row.clamped_hz[index : index + 1])
    if any(not 0.0 < each.position < float(length[0]) for each in placed):
        longest = length_said(float(length[0]), model.instrument.bench.units)
        raise InputError("a nut stands on its tine", remedy=f"up to {longest} is there")
    modes = lossless_tines([tine], length, [placed])
    hertz = modes.frequency[0, 0][modes.exists[0]]
    ratios = (hertz[1 : TOLD + 1] / hertz[0]).tolist()
    bar = float(model.row.mounted_hz[index] / model.row.clamped_hz[index])
    return {
        "hz": float(hertz[0]) * bar,
        "length_mm": float(length[0]) / MM,
        "ratios": ratios,
        "nearest": [max(1, round(each)) for each in ratios],
        "cents": [cents(each / max(1, round(each))) for each in ratios],
    }


def _placed(model: SolvedDesign, given: Mapping[str, Any]) -> PlacedNut:
    name, at = given.get("nut"), given.get("at_mm")
    if not isinstance(name, str) or not isinstance(at, int | float):
        raise InputError("a nut has a name and a place", remedy="give nut and at_mm")
    return PlacedNut(find_nut(model.design, name, "trim"), float(at) * MM)
