"""Which way a base nut must be turned, and how far, for a tine that was recorded to sound its pitch.

In: an instrument, its row, a tine, taps of it, the pitch that is wanted. Out: a `Retune`. The model is not asked
what the tine sounds, only what a millimetre does: the recording says how far the pitch is off, whatever the reason.
The tip stays where it is; a base nut that goes up by x leaves x less free, below the trim nuts too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.recording.heard import bar_of, heard
from synth.recording.match import Line, lines, name_tines
from synth.recording.measurement import Struck
from synth.units import MM, cents
from synth.vibration.tuning import LONGEST, SHORTEST, Row, Trim

ROUNDS: Final = 8
SETTLED: Final = 1e-6  # of the pitch, relative
SLOPE: Final = -2.0  # d ln f / d ln L of a slender rod: the first guess


@dataclass(frozen=True)
class Retune:
    """What to do: frequencies in Hz; `shorten` in m of free length, negative to lengthen."""

    sounds: float
    deviation: float  # Hz, standard
    target: float
    partial: int  # from 0, the one that the pitch was told by
    shorten: float
    pitch: float  # m of the thread, 0 for plain rod

    @property
    def cents(self) -> float:
        """How far the tine is above its pitch."""
        return cents(self.sounds / self.target)

    @property
    def turns(self) -> float:
        """Of the base nut, up towards the tip; nan for plain rod."""
        return self.shorten / self.pitch if self.pitch > 0.0 else float("nan")

    @property
    def deviation_cents(self) -> float:
        return cents(1.0 + self.deviation / self.sounds)


def retune(instrument: Instrument, row: Row, tine: int, taps: Sequence[Struck], target: float) -> Retune:
    """How far this tine (index) is off its pitch in Hz and what brings it there. Raises `InputError`."""
    bar = bar_of(instrument)

    def pitch(shorten: float) -> float:
        length = row.length.copy()
        length[tine] -= shorten
        model = heard(instrument, bar, length, _lowered(row.trim, tine, shorten), [tine])
        return float(model.frequency[0, 0, 0])

    off, deviation, partial = _offset(instrument, row, tine, taps)
    shorten = _solve(pitch, float(row.length[tine]), wanted=float(np.log(target / pitch(0.0))) - off)
    _check(row, tine, shorten, target)
    sounds = pitch(0.0) * float(np.exp(off))
    return Retune(sounds, deviation * sounds, target, partial, shorten, instrument.tines[tine].rod.pitch)


def _offset(instrument: Instrument, row: Row, tine: int, taps: Sequence[Struck]) -> tuple[float, float, int]:
    """ln of what the tine sounds over what the model says, its deviation, and the partial that told it."""
    model = heard(instrument, bar_of(instrument), row.length, row.trim, [tine])
    claims = name_tines(taps, model, [tine] * len(taps))
    found = [line for claim in claims for line in lines(claim, model)]
    if not found:
        raise InputError(
            "no partial of this tine is in the recording",
            remedy="is it the right tine? hold the others still",
        )
    lowest = min((line.partial, _preferred(line)) for line in found)
    told = [line for line in found if (line.partial, _preferred(line)) == lowest]
    offsets = [float(np.log(line.frequency / line.of(model.frequency[0]))) for line in told]
    scatter = float(np.std(offsets)) if len(offsets) > 1 else 0.0
    own = float(np.sqrt(np.mean([line.deviation**2 for line in told])))
    return float(np.mean(offsets)), float(np.hypot(scatter, own) / np.sqrt(len(told))), lowest[0]


def _preferred(line: Line) -> int:
    """A tine's pitch is that of its swing along the row; the mean of both planes next, the other plane last."""
    return {0: 0, None: 1, 1: 2}[line.plane]


def _lowered(trim: Trim, tine: int, shorten: float) -> Trim:
    """The nuts' places above the base nut's face, which has come up by `shorten`."""
    moved = tuple(replace(nut, position=nut.position - shorten) for nut in trim[tine])
    return tuple(moved if index == tine else nuts for index, nuts in enumerate(trim))


def _solve(pitch: Callable[[float], float], length: float, *, wanted: float) -> float:
    """The shortening at which the model's pitch has risen by `wanted` (in its logarithm): a secant."""
    start = np.log(pitch(0.0))
    before, miss_before = 0.0, -wanted
    now = float(np.clip(-wanted / SLOPE, -0.3, 0.3)) * length
    for _ in range(ROUNDS):
        miss = float(np.log(pitch(now)) - start) - wanted
        if abs(miss) < SETTLED or miss == miss_before:
            break
        step = miss * (now - before) / (miss - miss_before)
        before, miss_before = now, miss
        now = float(np.clip(now - step, -0.4 * length, 0.4 * length))
    return now


def _check(row: Row, tine: int, shorten: float, target: float) -> None:
    left = float(row.length[tine]) - shorten
    lowest = min((nut.position - 0.5 * nut.nut.height for nut in row.trim[tine]), default=np.inf)
    if not SHORTEST <= left <= LONGEST or abs(shorten) >= 0.39 * row.length[tine]:
        raise InputError(
            f"{target:.2f} Hz is out of this tine's reach by turning its nut",
            remedy=f"it would be {left / MM:.0f} mm long; is it the right tine?",
        )
    if shorten > lowest:
        raise InputError(
            f"the base nut would have to go up by {shorten / MM:.2f} mm, into a trim nut",
            remedy="move the trim nut first",
        )
