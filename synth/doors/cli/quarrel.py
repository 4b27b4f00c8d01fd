"""Quarrels as `check` and `modes` show them: data with units in their names, and lines of words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from synth.units import MM, cents

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.quarrels import Quarrel

SHOWN = 10  # lines of `check`; `modes --json` has them all


def quarrel_data(
    instrument: Instrument, quarrels: Sequence[Quarrel], chosen: int | None
) -> list[dict[str, Any]]:
    """All quarrels, or one group's, the worst first."""
    return [
        _data(instrument, each) for each in quarrels if chosen in (None, instrument.tines[each.tine].group)
    ]


def quarrel_lines(instrument: Instrument, quarrels: Sequence[Quarrel]) -> str:
    """The worst quarrels in words; nothing where there are none."""
    from synth.vibration.quarrels import sentence

    if not quarrels:
        return ""
    lines = [f"  {sentence(instrument, each)}" for each in quarrels[:SHOWN]]
    if len(quarrels) > SHOWN:
        lines.append(f"  and {len(quarrels) - SHOWN} more, milder: see modes --json, or map")
    return "\n".join(["Quarrels between tines and bar, the worst first:", *lines])


def _data(instrument: Instrument, quarrel: Quarrel) -> dict[str, Any]:
    from synth.vibration.quarrels import sentence
    from synth.vibration.tine import PLANES

    tine = instrument.tines[quarrel.tine]
    supports = instrument.bar.supports
    return {
        "group": instrument.groups[tine.group].name,
        "tine": tine.number,
        "plane": PLANES[quarrel.plane],
        "partial": quarrel.partial,
        "frequency_hz": quarrel.partial_hz,
        "bar_hz": quarrel.bar_hz,
        "shift_cents": cents(quarrel.shift),
        "decay_times_shorter": quarrel.decay_loss,
        "severity": quarrel.severity,
        "move_group_mm": _known(quarrel.move / MM),
        "room_to_move": quarrel.room,
        "bar_frequency_factor": _known(quarrel.bar_factor),
        "support_from_mm": supports[quarrel.support].place / MM if quarrel.support >= 0 else None,
        "support_to_mm": _known(quarrel.support_place / MM),
        "words": sentence(instrument, quarrel),
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
