"""Every way to set the nut that a tine wishes for, each with what puts it into the file. As `trim`, for one tine.

In: a model and a tine with a wish. Out: plain data for JSON, the best first; places in mm.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Final

from synth.errors import InputError
from synth.served.model import SolvedDesign
from synth.vibration.trimming.answers import reach_words, shown_nuts, trim_edits
from synth.workshop.length_text import CALLIPER
from synth.workshop.trim_roughness import every_way, row_without_wishes

LISTED: Final = 10  # ways


def trims(model: SolvedDesign, index: int) -> dict[str, Any]:
    """Raises `InputError` for a tine without a wish."""
    instrument = model.instrument
    tine = instrument.tines[index] if 0 <= index < len(instrument.tines) else None
    if tine is None or tine.wish is None:
        raise InputError("this tine has no wish", remedy="write trim_to at it, or set a nut by hand")
    step_name, step = CALLIPER[instrument.bench.units]
    best = every_way(instrument, row_without_wishes(instrument), index).found
    return {
        "reach": reach_words(tine.wish, best.reach, met=bool(best.solutions)),
        "ways": [
            {
                "words": f"{shown_nuts(each.nuts, instrument.bench.units)}{' (locked)' if each.locked else ''}: "
                f"{each.unforgiving * step:.2f} cents a {step_name}",
                "edits": [dataclasses.asdict(edit) for edit in trim_edits(instrument, {index: each.nuts})],
            }
            for each in best.solutions[:LISTED]
        ],
    }
