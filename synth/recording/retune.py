"""Which way a base nut must be turned, and how far, for a tine that was recorded to sound its pitch.

In: an instrument, its row, a tine, taps of it, the pitch that is wanted. Out: a `Retune`. The model is not asked
what the tine sounds, only what a millimetre does: the recording says how far the pitch is off, whatever the reason.
The tip stays where it is; a base nut that goes up by x leaves x less free, below the trim nuts too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from synth.design.fixings import slides, thread_turned
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.recording.identity import LEAST, Found, identify, over_nuts, retrimmed, tine_name, under_nuts
from synth.recording.match import MatchedPartial, TineAssignment, matched_partials
from synth.recording.measurement import TapPartials
from synth.recording.predicted_partials import PredictedPartials, bar_of, heard
from synth.units import CENT, Units, cents, length_to
from synth.vibration.tuning import LONGEST, SHORTEST, Row

ROUNDS: Final = 8
SETTLED: Final = 1e-6  # of the pitch, relative
UNSURE_PLANE: Final = 24.0  # cents between planes below which a line of one is not known from the other's
RELATED: Final = 10.0 * CENT  # of ln f, by which a tine's partials are off one another
ALONE: Final = 1.1  # score that the first partial alone does not reach
UNLIKELY: Final = 0.2  # cost of a pitch some 70 cents off
CENTS_PER_LENGTH: Final = 2.0 / CENT  # a slender rod, lower by as many when longer
BLUNDER: Final = 0.03  # of the length, 100 cents: no saw is so far off, and no thread
SLOPE: Final = -2.0  # d ln f / d ln L of a slender rod: the first guess


@frozen
class Retune:
    """What to do: frequencies in Hz; `shorten` in m of free length, negative to lengthen."""

    sounds: float
    standard_uncertainty: float  # Hz, standard
    target: float
    partial: int  # from 0, the one that the pitch was told by
    shorten: float
    pitch: float  # m of the thread, 0 where no nut is turned
    other: int | None  # the tine (index) whose pattern fits better than that of the one that was named
    doubts: tuple[str, ...]  # why the figures may not be of this tine

    @property
    def cents(self) -> float:
        """How far the tine is above its pitch."""
        return cents(self.sounds / self.target)

    @property
    def turns(self) -> float:
        """Of the base nut, up towards the tip; nan where none is turned."""
        return self.shorten / self.pitch if self.pitch > 0.0 else float("nan")

    @property
    def deviation_cents(self) -> float:
        return cents(1.0 + self.standard_uncertainty / self.sounds)


def retune(instrument: Instrument, row: Row, tine: int, taps: Sequence[TapPartials], target: float) -> Retune:
    """How far this tine (index) is off its pitch in Hz and what brings it there.

    Raises `InputError` where none of its partials is there, naming the tine that the taps may be of.
    """
    bar = bar_of(instrument)

    def model(longer: float, partials: int | None = None) -> PredictedPartials:
        length = row.length.copy()
        length[tine] += longer
        moved = retrimmed(instrument, row.trim, tine, -longer)
        return heard(instrument, bar, length, moved, [tine], partials=partials)

    found = identify(instrument, row, tine, taps, model(0.0).frequency[0])
    if found.likeness.score < LEAST:
        raise _stranger(instrument, found.other)
    there = model(found.longer)
    told = _told(there, tine, taps, found)
    modelled = float(there.frequency[0, 0, 0])
    sounds = modelled * float(np.exp(told.offset))
    length = float(row.length[tine]) + found.longer
    shorten = _solve(
        lambda less: float(model(found.longer - less, 1).frequency[0, 0, 0]),
        length,
        wanted=float(np.log(target / sounds)),
    )
    units = instrument.bench.units
    if slides(instrument.tines[tine]):
        _check(length, under_nuts(row, tine) + found.longer, shorten, target, units)
    else:
        _check(length, length - over_nuts(row, tine), shorten, target, units)
    return Retune(
        sounds=sounds,
        standard_uncertainty=told.standard_uncertainty * sounds,
        target=target,
        partial=told.partial,
        shorten=shorten,
        pitch=thread_turned(instrument.tines[tine]),
        other=found.other,
        doubts=_doubts(found, told.partial, length, units),
    )


def _stranger(instrument: Instrument, other: int | None) -> InputError:
    remedy = "hold the others still, and tap nearer to the microphone"
    if other is not None:
        remedy = f"the partials are those of {tine_name(instrument, other)}: name that tine, or tap this one"
    return InputError("no partial of this tine is in the recording", remedy=remedy)


@frozen
class _Told:
    """ln of what the tine sounds over what the model says, its deviation, and the partial that told it."""

    offset: float
    standard_uncertainty: float
    partial: int


def _told(model: PredictedPartials, tine: int, taps: Sequence[TapPartials], found: Found) -> _Told:
    offset = cents(float(found.frequency[0, 0] / model.frequency[0, 0, 0])) + found.likeness.offset
    heard_lines = [
        line
        for tap in taps
        for line in matched_partials(TineAssignment(tap, tine, offset, found=False), model)
    ]
    if not heard_lines:
        raise InputError("no partial of this tine is in the recording", remedy="is it the right tine?")
    lowest = min((line.partial, _preferred(line)) for line in heard_lines)
    told = [line for line in heard_lines if (line.partial, _preferred(line)) == lowest]
    offsets = [_pitch_offset(line, model) for line in told]
    scatter = float(np.std(offsets)) if len(offsets) > 1 else 0.0
    own = float(np.sqrt(np.mean([line.standard_uncertainty**2 for line in told])))
    either = float(np.mean([_either(line, model) for line in told]))
    deviation = float(np.hypot(scatter, own) / np.sqrt(len(told)))
    related = RELATED if lowest[0] > 0 else 0.0  # clamps and nuts move partials by one another
    return _Told(float(np.mean(offsets)), float(np.linalg.norm([deviation, related, either])), lowest[0])


def _split(model: PredictedPartials) -> float:
    return float(abs(np.log(model.frequency[0, 0, 0] / model.frequency[0, 1, 0])))


def _either(line: MatchedPartial, model: PredictedPartials) -> float:
    """Of ln f, what is open as long as nobody knows which plane a fundamental's line is of."""
    if line.partial > 0:
        return 0.0
    if line.plane is None:
        return 0.5 * line.apart  # of a line alone the deviation has it already
    return 0.5 * _split(model) if _split(model) < UNSURE_PLANE * CENT else 0.0


def _pitch_offset(line: MatchedPartial, model: PredictedPartials) -> float:
    """ln of the tine's pitch by this line over the model's; a fundamental of both planes is heard as it is."""
    if line.partial == 0 and (line.plane is None or _split(model) < UNSURE_PLANE * CENT):
        return float(np.log(line.frequency / model.frequency[0, 0, 0]))
    return float(np.log(line.frequency / line.of(model.frequency[0])))


def _doubts(found: Found, partial: int, length: float, units: Units) -> tuple[str, ...]:
    out = []
    if partial > 0:
        out.append(f"its fundamental is not in the recording: partial {partial + 1} tells the pitch")
    if found.likeness.score < ALONE and found.likeness.cost > UNLIKELY:
        out.append("one partial alone was found, far from where it should be")
    longer = found.longer - found.likeness.offset / CENTS_PER_LENGTH * length
    if abs(longer) > BLUNDER * length:
        way = "longer" if longer > 0.0 else "shorter"
        out.append(
            f"it sounds as if it stood {length_to(abs(longer), units, 0)} {way} than the design has it"
        )
    return tuple(out)


def _preferred(line: MatchedPartial) -> int:
    """A tine's pitch is that of its swing along the row; the mean of both planes next, the other plane last."""
    return {0: 0, None: 1, 1: 2}[line.plane]


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


def _check(length: float, room: float, shorten: float, target: float, units: Units) -> None:
    left = length - shorten
    if not SHORTEST <= left <= LONGEST or abs(shorten) >= 0.39 * length:
        raise InputError(
            f"{target:.2f} Hz is out of this tine's reach",
            remedy=f"it would be {length_to(left, units, 0)} long; is it the right tine?",
        )
    if shorten > room:
        raise InputError(
            f"it would have to lose {length_to(shorten, units, 2)}, which meets a trim nut",
            remedy="move the trim nut first",
        )
