"""What a stroke becomes: sound while the stick touches, and the states of all modes that ring on.

In: an instrument's modes, what hears them, and the contacts of strokes. Out: a `Struck`, ready for the bank, for a
file or for a player. How each tine drives the modes is made once, at the first stroke that touches it there.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

import numpy as np

from synth.arrays import Complex
from synth.design.instrument import Instrument
from synth.playing.contact.stroke_contact import Contact
from synth.playing.stroke import ForceTrace
from synth.sound.drive import Drive, Driven, Force, Inputs, joined, reciprocal
from synth.sound.radiator import Radiator
from synth.sound.radiator.stick import (
    StickPressure,
    stick_pressure,
    stick_weights,
    weights_depend_on,
)
from synth.vibration.modal_model import ModalModel, tip_shape

KEPT: Final = 1024  # tines, each at one height of the stick: 20 to 60 KiB
KEPT_STICKS: Final = 64  # on a group each: some 100 KiB


@dataclass(frozen=True)
class StrokeSound:
    """A stroke, heard: contact signals and modal states, and the pressure of the stick itself."""

    driven: Driven
    stick: StickPressure


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
        self._sticks: OrderedDict[bytes, Complex] = OrderedDict()
        self._kept: OrderedDict[tuple[int, float], Inputs] = OrderedDict()

    def __call__(self, contact: Contact, *, height: float) -> StrokeSound:
        """What the trace of a contact, `height` m below the tips, becomes."""
        trace = contact.trace
        met = np.flatnonzero(np.bincount(trace.tine))
        which = np.searchsorted(met, trace.tine)
        force = Force(
            time=np.tile(trace.time, 2),
            source=np.concatenate([2 * which, 2 * which + 1]),
            impulse=trace.impulse.T.ravel(),
        )
        driven = self.drive(joined([self._inputs(int(tine), height) for tine in met]), force)
        return StrokeSound(driven, self._of_stick(contact, trace))

    def prepare(self, *, height: float = 0.0) -> None:
        """Make every tine ready now: a player must not wait for it."""
        for tine in range(len(self.model.tine_dof)):
            self._inputs(tine, height)

    def _of_stick(self, contact: Contact, trace: ForceTrace) -> StickPressure:
        if not (self.stick and len(trace.time)):
            return StickPressure(0, np.zeros((self.channels, 0)))
        key = weights_depend_on(contact.stick, trace)
        if key not in self._sticks:
            self._sticks[key] = stick_weights(contact.stick, trace, self.model, self.instrument)
            if len(self._sticks) > KEPT_STICKS:
                self._sticks.popitem(last=False)
        return stick_pressure(contact.stick, trace, self._sticks[key], rate=self.rate)

    def _inputs(self, tine: int, height: float) -> Inputs:
        """A tine's two directions, along and across the row."""
        if (tine, height) not in self._kept:
            shape = tip_shape(self.model, height, tine=[tine])[0]
            self._kept[tine, height] = self.drive.inputs(reciprocal(self.model.pole, shape))
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end((tine, height))
        return self._kept[tine, height]
