"""Quarrels and what would settle them, as `check` and `modes` show them: data with units in names, and words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from synth.design.change import words
from synth.design.instrument import Instrument
from synth.units import cents
from synth.vibration.advice import Advice, Remedy
from synth.vibration.quarrels import Quarrel, sentence
from synth.vibration.tine import PLANES


def quarrel_data(
    instrument: Instrument, quarrels: Sequence[Quarrel], advice: Advice, chosen: int | None
) -> list[dict[str, Any]]:
    """All quarrels, or one group's, the worst first."""
    return [
        _data(instrument, each, advice.of(index))
        for index, each in enumerate(quarrels)
        if chosen in (None, instrument.tines[each.tine].group)
    ]


def told(instrument: Instrument, quarrel: Quarrel, remedies: Sequence[Remedy]) -> list[str]:
    """A quarrel and its remedies, a line each."""
    changes = [f"  settled by {', '.join(words(instrument, each.change))}" for each in remedies]
    return [sentence(instrument, quarrel), *changes]


def _data(instrument: Instrument, quarrel: Quarrel, remedies: Sequence[Remedy]) -> dict[str, Any]:
    tine = instrument.tines[quarrel.tine]
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
        "words": sentence(instrument, quarrel),
        "remedies": [_remedy(instrument, each) for each in remedies],
    }


def _remedy(instrument: Instrument, remedy: Remedy) -> dict[str, Any]:
    change = remedy.change
    return {
        "groups": [{"group": instrument.groups[g].name, "start_mm": mm} for g, mm in change.starts],
        "supports": [{"support": s + 1, "at_mm": mm} for s, mm in change.supports],
        "severity_left": remedy.left,
        "severity_of_all": remedy.total,
        "words": words(instrument, change),
    }
