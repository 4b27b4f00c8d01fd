"""How the whole structure rings at a moment: what the stick meets when it comes to a row that still sounds.

In: what is added to the modes' states, and when. Out: the modal amplitudes (M,) at any later time, and from them
the state of single tines. In between every mode turns by exp(s t), so nothing is stepped. A stroke is added at the
ends of its chunks (`synth.sound.drive`): in the middle of one, its force is not yet in the state.
"""

from __future__ import annotations

import bisect

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.playing.contact.stroke_contact import Ringing
from synth.sound.pole_steps import advanced
from synth.vibration.modal_model import ModalModel, tine_state

PLACES = 13  # decimals of a second: the quickest mode turns by 1e-8 in the last one


class ModalState:
    """A ringing structure. States may be given ahead of time; moments may only be asked for in order."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self.time = 0.0
        self.amplitude: Complex = np.zeros(len(model.pole), dtype=np.complex128)
        self.waiting: list[tuple[float, int, NDArray[np.complexfloating]]] = []
        self._distance, self._factor = 0.0, np.ones(len(model.pole), complex)

    def take(self, time: Array, states: NDArray[np.complexfloating], *, order: int = 0) -> None:
        """Take states (S, M) into account that are added at times (S,), from then on.

        Those of one time are added in their `order`, and else as they were given: sums end in the same digits.
        """
        self.waiting = self.waiting + [
            (each, order, row) for each, row in zip(time.tolist(), states, strict=True)
        ]
        self.waiting.sort(key=lambda each: each[:2])

    def at(self, time: float) -> Complex:
        """The modal amplitudes (M,) at a moment not before the last one asked for."""
        due = bisect.bisect_right(self.waiting, time, key=lambda each: each[0])
        for since, _, row in self.waiting[:due]:
            if since < self.time:  # given after its moment
                row = row * np.exp(self.model.pole * (self.time - since))
            else:
                self._turn_to(since)
            self.amplitude = self.amplitude + row  # what was told before stays as it was
        self.waiting = self.waiting[due:]
        self._turn_to(time)
        return self.amplitude

    def _turn_to(self, time: float) -> None:
        """Lets everything ring up to then. Strokes end their chunks at even distances: one factor does for many."""
        if time == self.time:
            return
        distance = round(time - self.time, PLACES)
        if distance != self._distance:
            self._distance, self._factor = distance, np.exp(self.model.pole * distance)
        self.amplitude = self.amplitude * self._factor
        self.time = time

    def state(self, time: float, tine: NDArray[np.int64]) -> tuple[Array, Array]:
        """Displacement and velocity (S, 2, N) of tines (S,) at a time, in their own clamped modes."""
        return tine_state(self.model, self.at(time), tine)

    def ahead(self, time: float) -> Ringing:
        """How tines will ring from a moment on if nothing more touches them: what a stroke finds on its way."""
        now = self.at(time)

        def later(tine: NDArray[np.int64], times: Array) -> tuple[Array, Array]:
            return tine_state(self.model, advanced(now, self.model.pole, times - time), tine)

        return later
