"""What a stroke did to each tine, in numbers that a maker can check with a scale and a loupe.

In: nothing; these are the types that `synth.playing.contact` fills. Out: `document`, the same with units in the
names, for a file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.playing.pluck import Regime
from synth.playing.stroke import Stroke
from synth.units import MM, MPA

PARTIALS: Final = 6


@dataclass(frozen=True)
class TineTouch:
    """One tine in one stroke. SI; seconds from the start of the performance."""

    tine: int  # index into Instrument.tines
    first_touch: float
    last_release: float
    touches: int  # separate ones
    greatest_force: float
    energy: float  # given to the tine by the stick; negative where a ring was damped
    along: tuple[float, ...]  # tip amplitude of the first partials after the last release
    across: tuple[float, ...]
    bend: float  # greatest, at the contact
    root_stress: float  # greatest, at the root
    strike_number: float
    regime: Regime


def document(touches: tuple[TineTouch, ...], stroke: Stroke, instrument: Instrument) -> dict[str, Any]:
    """The report as it stands in a file: tines in the order in which they stand in the group."""
    return {
        "group": instrument.groups[stroke.group].name,
        "stick": stroke.stick.name,
        "direction": stroke.direction,
        "tines": [_row(each, instrument) for each in sorted(touches, key=lambda each: each.tine)],
    }


def _row(touch: TineTouch, instrument: Instrument) -> dict[str, Any]:
    return {
        "tine": instrument.tines[touch.tine].number,
        "first_touch_s": touch.first_touch,
        "last_release_s": touch.last_release,
        "touches": touch.touches,
        "greatest_force_n": touch.greatest_force,
        "energy_j": touch.energy,
        "along_mm": [each / MM for each in touch.along],
        "across_mm": [each / MM for each in touch.across],
        "greatest_bend_mm": touch.bend / MM,
        "root_stress_mpa": touch.root_stress / MPA,
        "strike_number": touch.strike_number,
        "regime": touch.regime,
    }
