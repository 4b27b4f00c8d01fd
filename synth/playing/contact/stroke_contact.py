"""A stroke with real contact: the default (`EVENT`) and the truth (`FULL`), the same laws at two finenesses.

In: a stroke, the instrument, its tines' modes, and how they ring when the stick comes. Out: a `Contact`: the trace
of its force, what happened to each tine, warnings, and the books. The idea: the stick needs the tines' whole state
to know where they are, but what it hands on is the force alone, so the ring that was there before goes on by itself
and is damped, caught or driven by what is added. Base and bar hold still for the while of a contact.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.design.instrument import Instrument, Tine
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.contact import hand, layout, refusals
from synth.playing.contact.arrays import InitialState, rotation
from synth.playing.contact.closed_form import pluck, regime
from synth.playing.contact.modes import ContactModes, tips_of
from synth.playing.contact.resolution import EVENT, REFERENCE, ContactResolution
from synth.playing.contact.run import EnergyBalance, Pass
from synth.playing.contact.stick import StickLine, stick_line, stick_modes
from synth.playing.contact.stick_path import StickPath, passage
from synth.playing.contact.traced import traced, untouched
from synth.playing.report import REPORTED_PARTIALS, TineTouch
from synth.playing.stroke import ForceTrace, Stroke
from synth.vibration.tine import TineModes

__all__ = [
    "EVENT",
    "REFERENCE",
    "Contact",
    "ContactResolution",
    "FollowedStroke",
    "Ringing",
    "StrokeStage",
    "ringing_since",
    "stroke_row",
]

LOST: Final = 650.0  # nepers: a ring that has fallen by more is below the least number of double precision
CLOSED: Final = 0.02  # of the energy: books that are off by less are taken
NEARLY: Final = 1.0 - 1e-9  # of what a root bears: from there on it is looked at tine by tine
STAGE: Final = 11e-3  # s, the first; each is twice as long as the one before it
DOUBLED: Final = 4  # times, and as long from then on


# How tines (S,) ring at times (S,): modal displacement, kg^(1/2) m, and velocity, kg^(1/2) m/s, in their principal
# planes, (S, 2, N) each.
Ringing = Callable[[Indices, Array], tuple[Array, Array]]


@frozen
class Contact:
    """What came of a stroke."""

    trace: ForceTrace
    stick: StickLine  # which pushed back
    touches: tuple[TineTouch, ...]  # of every tine of the group, in the order in which the stick passes
    warnings: tuple[str, ...]
    books: EnergyBalance
    passed: Indices  # the tines that the stick passes low enough to touch, whether or not it did


@frozen
class StrokeStage:
    """What a stroke did since the stage before."""

    trace: ForceTrace
    known: float  # s, up to which it is told; inf once the stick has passed


def stroke_row(
    stroke: Stroke,
    instrument: Instrument,
    tines: TineModes,
    *,
    seed: int = 0,
    ringing: Ringing | None = None,
    resolution: ContactResolution = EVENT,
    allow_yield: bool = False,
    pad_damping: float = 1.0,
) -> Contact:
    """One stroke over its group, as in `FollowedStroke`. Raises `InputError` as it does."""
    following = FollowedStroke(
        stroke,
        instrument,
        tines,
        seed=seed,
        ringing=ringing,
        resolution=resolution,
        allow_yield=allow_yield,
        pad_damping=pad_damping,
    )
    return following.whole()


class FollowedStroke:
    """A stroke over its group, followed stage by stage: where it is known, it may be heard.

    Stages are the same whoever asks for them, and so is what comes of them. One whose energy comes from nowhere, in
    4 % of slow strokes, more as a stick digs in, is gone back on and followed more finely, as are those after it:
    several steps at once gave up to 16 % too much, and tines 2 dB.
    """

    def __init__(
        self,
        stroke: Stroke,
        instrument: Instrument,
        tines: TineModes,
        *,
        seed: int = 0,
        ringing: Ringing | None = None,
        resolution: ContactResolution = EVENT,
        allow_yield: bool = False,
        pad_damping: float = 1.0,
    ) -> None:
        """Raises `InputError` if a stroke cannot be made, as far as that is known before.

        `pad_damping` is a factor on what the player's fingers swallow: how much hangs on it is worth knowing, for
        nobody has measured it in a stroke.
        """
        self.stroke = stroke = hand.played(stroke, seed)
        self.way = way = passage(stroke, instrument, tines.frequency[:, 0, 0], seed)
        self.passed = np.sort(way.tine[way.touched])
        self.stick = stick_line(
            stroke.stick,
            tilt=stroke.tilt,
            skew=stroke.skew,
            sign=way.sign,
            beam_modes=resolution.beam_modes,
            grip=stroke.grip,
            pad_damping=pad_damping,
        )
        self._instrument, self._allow_yield, self._bin = instrument, allow_yield, resolution.bin
        self._pass: Pass | None = None
        if not way.touched.any():
            return
        refusals.refuse_too_low(stroke, way, tines, instrument)
        self._tip = tips_of(tines, way.tine.tobytes(), stroke.height, resolution.tine_modes)
        self._closed = pluck(stroke, way, self._tip)
        refusals.refuse_impossible(stroke, way, self._closed, instrument)
        refusals.refuse_too_deep(stroke, way, instrument)
        self._borne = NEARLY * np.array([bearable(instrument.tines[each]) for each in way.tine])
        stick = stick_modes(
            stroke.stick,
            tilt=stroke.tilt,
            skew=stroke.skew,
            beam_modes=resolution.beam_modes,
            grip=stroke.grip,
            pad_damping=pad_damping,
            whole=resolution.whole,
        )
        ring, leaves = _ring(way, self._tip, ringing), float(self._closed.leave[way.touched].max())
        self._pass = Pass(stroke, way, self._tip, stick, ring, resolution, leaves=leaves)

    def stages(self) -> Iterator[StrokeStage]:
        """One after the other, once. Raises `InputError` where the stick stays or energy comes from nowhere.

        And, unless that is allowed, where a tine would bend for good, by what is known of it there.
        """
        following = self._known()
        while True:
            with _compiled():
                pass_, known = next(following, (None, math.inf))
            if pass_ is None:
                return
            yield StrokeStage(traced(pass_.taken(), self.way, self._tip), known)

    def whole(self) -> Contact:
        """What comes of it, all stages at once. Raises `InputError` as they do."""
        with _compiled():
            deque(self._known(), maxlen=0)
        if self._pass is None:
            nothing = EnergyBalance(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
            return Contact(untouched(self.way.start, self._bin), self.stick, (), (), nothing, self.passed)
        touches = self._touches(self._pass)
        return Contact(
            trace=traced(self._pass.taken(), self.way, self._tip),
            stick=self.stick,
            touches=touches,
            warnings=self._warnings(touches),
            books=self._pass.books,
            passed=self.passed,
        )

    def warnings(self) -> tuple[str, ...]:
        """What was unwise, once it has passed."""
        return () if self._pass is None else self._warnings(self._touches(self._pass))

    def _warnings(self, touches: Sequence[TineTouch]) -> tuple[str, ...]:
        return refusals.warnings(self.stroke, self.way, touches, self._tip.length, self._instrument)

    def _known(self) -> Iterator[tuple[Pass, float]]:
        """Stage by stage, up to what second it is known, as in `StrokeStage`."""
        if self._pass is None:
            return
        for until in _edges(self.way.start):
            passed = self._stage(self._pass, until)
            yield self._pass, math.inf if passed else self._pass.now
            if passed:
                return

    def _stage(self, pass_: Pass, until: float) -> bool:
        """Follow it to that second, or its end; whether that has come."""
        try:
            passed, books = _followed(pass_, until)
        except InputError as error:
            raise error.within(self._instrument.file) from None
        refusals.refuse_unbooked(books, self._instrument)
        if not self._allow_yield and (pass_.moments(self._borne) > self._borne).any():
            refusals.refuse_yield(self._touches(pass_), self.stroke, self._instrument)
        return passed

    def _touches(self, pass_: Pass) -> tuple[TineTouch, ...]:
        known = (pass_.tally(), pass_.ring)
        return tuple(_touches(*known, self.way, self._tip, self._closed.strike_number, self._instrument))


def _edges(start: float) -> Iterator[float]:
    """s, at which stages end."""
    length = STAGE
    for n in count():
        start += length
        yield start
        length *= 2.0 if n < DOUBLED else 1.0


def _followed(pass_: Pass, until: float) -> tuple[bool, EnergyBalance]:
    """To that second or the end of the pass, more finely while its books do not close; whether it is the end.

    And its books.
    """
    before = pass_.kept()
    while True:
        steps = math.ceil((until - pass_.now) / pass_.course.step)
        passed = pass_.go_on(steps) == layout.PASSED
        pass_.shut()
        books = pass_.books
        if books.off <= CLOSED or (finer := pass_.resolution.finer) is None:
            return passed, books
        pass_.back(before)
        pass_.refine(finer)
        before = pass_.kept()


@contextmanager
def _compiled() -> Iterator[None]:
    """What is compiled inside is told of, and not disturbed."""
    from synth.compiled import told_when_compiling, undisturbed

    with told_when_compiling(), undisturbed():
        yield


def ringing_since(tines: TineModes, displacement: Array, velocity: Array, time: float) -> Ringing:
    """How tines ring on still bases after `time`, from their modal state (R, 2, N) then."""

    def later(index: Indices, times: Array) -> tuple[Array, Array]:
        omega, decay = _modes(tines, index)
        turn = np.moveaxis(rotation(omega, decay, (times - time)[:, None, None]), -2, 0)
        q, p = displacement[index], velocity[index]
        return turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p

    return later


def _ring(way: StickPath, tip: ContactModes, ringing: Ringing | None) -> InitialState:
    """The row's ring as the stick comes to each tine."""
    arrival = way.start + way.position / way.speed
    q, p = np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape)
    if ringing is not None:
        displacement, velocity = ringing(way.tine, arrival)
        known = min(displacement.shape[2], tip.frequency.shape[2])
        q[:, :, :known], p[:, :, :known] = displacement[:, :, :known], velocity[:, :, :known]
    return InitialState(q, p, arrival)


def _modes(tines: TineModes, index: Indices) -> tuple[Array, Array]:
    """omega and amplitude decay (S, 2, N); 1 and 0 for absent partials."""
    exists = tines.exists[index][:, None, :]
    omega = np.where(exists, 2.0 * math.pi * tines.frequency[index], 1.0)
    return omega, np.where(exists, 0.5 * omega * tines.loss_factor[index], 0.0)


def _touches(
    tally: Array,
    left: InitialState,
    way: StickPath,
    tip: ContactModes,
    strike_number: Array,
    instrument: Instrument,
) -> Iterator[TineTouch]:
    omega = 2.0 * math.pi * tip.frequency
    since = np.nan_to_num(left.time - tally[:, layout.T_LAST])[:, None, None]
    swings = tip.decay_rate < omega  # what creeps does not ring, and dies more slowly than by its decay rate
    back = np.where(swings, np.exp(np.minimum(tip.decay_rate * since, LOST)), 0.0)  # as the stick left it
    ring = (left.displacement - 1j * left.velocity / omega) * back
    at_tip = ring * tip.tip_shape[:, None, :]
    cos, sin = np.cos(tip.axis)[:, None], np.sin(tip.axis)[:, None]
    along = np.abs(cos * at_tip[:, 0] - sin * at_tip[:, 1])[:, :REPORTED_PARTIALS]
    across = np.abs(sin * at_tip[:, 0] + cos * at_tip[:, 1])[:, :REPORTED_PARTIALS]
    plain = (each.tolist() for each in (way.tine, tally, along, across, strike_number))
    for tine, row, along_tip, across_tip, number in zip(*plain, strict=True):
        yield TineTouch(
            tine=tine,
            first_touch=row[layout.T_FIRST],
            last_release=row[layout.T_LAST],
            touches=int(row[layout.T_TOUCHES]),
            greatest_force=row[layout.T_FORCE],
            energy=row[layout.T_WORK],
            along=tuple(along_tip),
            across=tuple(across_tip),
            bend=row[layout.T_BEND],
            root_stress=stress(row[layout.T_MOMENT], instrument.tines[tine]),
            strike_number=number,
            regime=regime(number),
        )


def stress(moment: float, tine: Tine) -> float:
    """The bending stress 32 M/(pi d^3) at the core of a rod, Pa, without the notch of a thread."""
    return 32.0 * moment / (math.pi * tine.rod.root_diameter**3)


def bearable(tine: Tine) -> float:
    """The bending moment, N m, at which the root reaches the yield stress."""
    return tine.rod.material.yield_stress / stress(1.0, tine)
