"""What a stroke becomes: sound while the stick touches, and the states of all modes that ring on.

In: an instrument's modes, what hears them, and the contacts of strokes. Out: a `StrokeSound` for a file or
a player. How each tine drives the modes is made once, at the first stroke that touches it there.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Indices
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.contact.stick import StickLine
from synth.playing.contact.stroke_contact import Contact, FollowedStroke
from synth.playing.contact.traced import joined
from synth.playing.stroke import ForceTrace
from synth.sound.drive import Drive, Driven, Force, Inputs, Left, joined_inputs, reciprocal, taken_apart
from synth.sound.drive_parts import DrivePart
from synth.sound.radiator import Radiator
from synth.sound.radiator.stick import (
    HeardStick,
    StickPressure,
    heard_stick,
    stick_pressure,
    weights_depend_on,
)
from synth.vibration.modal_model import ModalModel, tip_shape

StruckPlace = tuple[int, float]  # a tine, and the stick's height on it in m below the tip
Driving = NDArray[np.complex64]  # (2, M) what forces along and across the row do to the modes
Kept = TypeVar("Kept")

KEPT: Final = 1024  # tines, each at one height of the stick: 20 to 60 KiB
READY: Final = 16  # tines made ready at once
KEPT_STICKS: Final = 64  # on a group each: some 100 KiB


@frozen
class StrokeSound:
    """A stroke, heard: contact signals and modal states, and the pressure of the stick itself."""

    driven: Driven
    stick: StickPressure
    known: float = math.inf  # s, up to which it is told by this part and those before

    @property
    def frame(self) -> int:
        """The first at which it is heard."""
        frames = [first for first, sound in self._sounds() if sound.shape[1]]
        return int(min([*frames, *self.driven.ends[:1].tolist()]))

    def later(self, frames: int, rate: float) -> StrokeSound:
        """The same, so many frames later."""
        if not frames:
            return self
        driven, stick = self.driven, self.stick
        return StrokeSound(
            replace(driven, frame=driven.frame + frames, ends=driven.ends + frames),
            replace(stick, frame=stick.frame + frames),
            self.known + frames / rate,
        )

    def _sounds(self) -> Iterator[tuple[int, Array]]:
        yield self.driven.frame, self.driven.signals
        yield self.stick.frame, self.stick.pressure


@frozen
class StruckModes:
    """The force of a stroke, or of a part of it, and what it left in the modes."""

    stick: StickLine
    passed: Indices  # the tines that the stick passes
    trace: ForceTrace
    drive: Mapping[StruckPlace, Driving]  # of the places that it touched
    left: Left


class Striker:
    """Turns the force of contacts into sound through one radiator."""

    def __init__(
        self,
        model: ModalModel,
        radiator: Radiator,
        instrument: Instrument,
        *,
        rate: float,
        stick: bool = True,
    ) -> None:
        """`stick`: whether the stick's own sound is part of the stroke."""
        self.model, self.instrument, self.rate, self.stick = model, instrument, rate, stick
        self.channels = radiator.channels
        self.drive = Drive(model.pole, radiator.weights, immediate=radiator.immediate, rate=rate)
        self._sticks: OrderedDict[bytes, HeardStick] = OrderedDict()
        self._driven: OrderedDict[StruckPlace, Driving] = OrderedDict()
        self._heard: OrderedDict[StruckPlace, Inputs] = OrderedDict()

    def __call__(self, contact: Contact, *, height: float) -> StrokeSound:
        """What the trace of a contact, `height` m below the tips, becomes."""
        return self.heard(self.left(contact, height=height))

    def in_parts(self, following: FollowedStroke) -> Iterator[StrokeSound]:
        """The same of a stroke that is being followed: parts that add up, each as soon as it is known.

        Their states are those of the whole, to the last digit. Raises `InputError` where the stroke cannot be
        followed: at once if nothing was given yet, or else when all is given that was known before.
        """
        return (part for part in self.in_pieces(following) if part is not None)

    def in_pieces(self, following: FollowedStroke) -> Iterator[StrokeSound | None]:
        """The same parts, and None wherever something more urgent may come between: every few milliseconds."""
        parts: Iterator[DrivePart] | None = None
        stages, given, known = following.stages(), False, -math.inf
        waiting: list[ForceTrace] = []
        failed: InputError | None = None
        while known < math.inf:
            try:
                stage = next(stages)
            except StopIteration:
                return
            except InputError as error:
                if not given:
                    raise
                known, failed = math.inf, error
            else:
                waiting, known = [joined([*waiting, stage.trace])], stage.known
            yield None
            if parts is None and len(waiting[0].time):
                parts = self.drive.parts(float(waiting[0].time.min()))
                part = next(parts)
            while parts is not None and part.until_s <= known and len(waiting[0].time):
                sound = yield from self._part(following, part, waiting[0])
                part = next(parts)
                if len(sound.driven.ends):  # what comes near a part may touch none of its chunks
                    given = True
                    yield sound
                waiting = [_between(waiting[0], part.since_s, math.inf)]
        if failed is not None:
            raise failed

    def left(self, contact: Contact, *, height: float) -> StruckModes:
        """The states that it leaves: all that the next stroke waits for."""
        drive, force = self._driving(contact.trace, height)
        left = self.drive.left(_rows([*drive.values()]), force)
        return StruckModes(contact.stick, contact.passed, contact.trace, drive, left)

    def heard(self, struck: StruckModes) -> StrokeSound:
        """How it sounds while the stick touches. From one thread, which may be another than that of `left`."""
        return StrokeSound(self._of_modes(struck), self._of_stick(struck))

    def _part(
        self, following: FollowedStroke, part: DrivePart, trace: ForceTrace
    ) -> Generator[None, None, StrokeSound]:
        """Of a trace that holds all that reaches this part; where it yields, something else may come between."""
        drive, force = self._driving(_between(trace, part.since_s, part.until_s), following.stroke.height)
        left = self.drive.left(_rows([*drive.values()]), force, part)
        own = _between(trace, part.begin_s, part.end_s)
        struck = StruckModes(following.stick, following.passed, own, drive, left)
        yield
        driven = self._of_modes(struck)
        yield
        return StrokeSound(driven, self._of_stick(struck), known=part.end_s)

    def _of_modes(self, struck: StruckModes) -> Driven:
        left, inputs = struck.left, joined_inputs(self._inputs(struck.drive))
        return Driven(*self.drive.heard(inputs, left), left.ends, left.states)

    def _driving(self, trace: ForceTrace, height: float) -> tuple[dict[StruckPlace, Driving], Force]:
        """The places that a trace touches, and the force on them."""
        met = np.flatnonzero(np.bincount(trace.tine))
        first = np.zeros(len(self.model.tine_dof), np.int64)  # input of each tine, that along the row
        first[met] = 2 * np.arange(len(met))
        force = Force(trace.time, first[trace.tine], trace.impulse)
        places = [(tine, height) for tine in met.tolist()]
        return dict(zip(places, self._drives(places), strict=True)), force

    def prepare(self, *, height: float = 0.0) -> None:
        """Make every tine ready now: a player must not wait for it."""
        places = [(tine, height) for tine in range(len(self.model.tine_dof))]
        for first in range(0, len(places), READY):
            some = places[first : first + READY]
            self._inputs(dict(zip(some, self._drives(some), strict=True)))

    def _of_stick(self, struck: StruckModes) -> StickPressure:
        if not (self.stick and len(struck.trace.time)):
            return StickPressure(0, np.zeros((self.channels, 0)))
        key = weights_depend_on(struck.stick, struck.passed)
        if key not in self._sticks:
            self._sticks[key] = heard_stick(
                struck.stick, struck.passed, self.model, self.instrument, rate=self.rate
            )
            if len(self._sticks) > KEPT_STICKS:
                self._sticks.popitem(last=False)
        return stick_pressure(struck.stick, struck.trace, self._sticks[key])

    def _drives(self, places: Sequence[StruckPlace]) -> list[Driving]:
        """How forces at these places drive the modes."""

        def made(missing: Sequence[StruckPlace]) -> Iterator[Driving]:
            shape = tip_shape(self.model, missing[0][1], tine=[tine for tine, _ in missing])
            yield from reciprocal(self.model.pole, shape).astype(np.complex64)

        return _kept(self._driven, places, made)

    def _inputs(self, drive: Mapping[StruckPlace, Driving]) -> list[Inputs]:
        """The same as they are heard."""

        def made(missing: Sequence[StruckPlace]) -> Iterator[Inputs]:
            some = taken_apart(self.drive.inputs(_rows([drive[place] for place in missing])), 2)
            for place, inputs in zip(missing, some, strict=True):
                yield replace(inputs, drive=drive[place])  # kept once

        return _kept(self._heard, list(drive), made)


def _between(trace: ForceTrace, start: float, end: float) -> ForceTrace:
    """The bins from `start` up to `end` s."""
    here = (trace.time >= start) & (trace.time < end)
    if here.all():
        return trace
    some = np.flatnonzero(
        here
    )  # taken by their numbers: five times as fast as by a mask, or by an index of rows
    parts = ("time", "tine", "impulse", "push", "turn")
    return replace(trace, **{each: getattr(trace, each).take(some, axis=0) for each in parts})


def _rows(drive: Sequence[Driving]) -> Driving:
    """Those of several places (Q, M)."""
    return np.concatenate(drive) if drive else np.zeros((0, 0), np.complex64)


def _kept(
    kept: OrderedDict[StruckPlace, Kept],
    places: Sequence[StruckPlace],
    made: Callable[[Sequence[StruckPlace]], Iterable[Kept]],
) -> list[Kept]:
    """What is kept of places of one height, the latest last; what is missing is made in one go."""
    missing = [place for place in places if place not in kept]
    if missing:
        kept.update(zip(missing, made(missing), strict=True))
    for place in places:
        kept.move_to_end(place)
    found = [kept[place] for place in places]
    while len(kept) > KEPT:
        kept.popitem(last=False)
    return found
