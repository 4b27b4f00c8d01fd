"""What a stroke did to each tine, in numbers that a maker can check with scale and loupe; its force, for anyone.

In: nothing; these are the types that `synth.playing.contact.stroke_contact` fills. Out: `document` and
`trace_arrays`, the same with units in the names, for a file.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.playing.contact.closed_form import Regime
from synth.playing.stroke import ForceTrace, Stroke
from synth.units import MM, MPA

REPORTED_PARTIALS: Final = 6


@frozen
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


def touched_span(report: dict[str, Any], *, seconds: float) -> tuple[float, float]:
    """From a document's first touch to its last release, s; all of `seconds` where nothing was."""
    touched = [each for each in report["tines"] if each["first_touch_s"] is not None]
    return (
        min((each["first_touch_s"] for each in touched), default=0.0),
        max((each["last_release_s"] for each in touched), default=seconds),
    )


def trace_arrays(trace: ForceTrace, instrument: Instrument) -> dict[str, NDArray[Any]]:
    """The force as it stands in a file, S bins by time: what drove the sound, and what the stick felt itself.

    `time_s` (S,) the bins' middles; `tine` (S,) counted from 1 in its group; `impulse_n_s` (S, 2) on the tine along
    and across the row, the turn of its tip as a force with it; `stick_impulse_n_s` (S, 3) on the stick, along,
    across and up; `bin_s` ().
    """
    order = np.lexsort((trace.tine, trace.time))
    number = np.array([tine.number for tine in instrument.tines])
    return {
        "time_s": trace.time[order],
        "tine": number[trace.tine[order]],
        "impulse_n_s": trace.impulse[order],
        "stick_impulse_n_s": -trace.push[order],
        "bin_s": np.array(trace.bin_s),
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
