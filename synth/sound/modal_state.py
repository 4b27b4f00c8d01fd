"""How the whole structure rings at a moment: what the stick meets when it comes to a row that still sounds.

In: what is added to the modes' states, and when. Out: the modal amplitudes (M,) at any later moment, and from them
the state of single tines. In between every mode turns by exp(s t), so nothing is stepped. A stroke is added at the
ends of its chunks (`synth.sound.drive`): in the middle of one, its force is not yet in the state.
"""

from __future__ import annotations

import bisect

import numpy as np
from numpy.typing import NDArray

from synth.playing.contact.stroke_contact import Ringing
from synth.sound.pole_steps import carried
from synth.vibration.modal_model import ModalModel, tine_state

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
BATCH = 128  # states turned at once


class Ring:
    """A ringing structure. States may be given ahead of time; moments may only be asked for in order."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self.moment = 0.0
        self.amplitude: Complex = np.zeros(len(model.pole), dtype=np.complex128)
        self.waiting: list[tuple[float, NDArray[np.complexfloating]]] = []

    def take(self, time: Array, states: NDArray[np.complexfloating]) -> None:
        """Take states (S, M) into account that are added at times (S,), from then on."""
        self.waiting += zip(time.tolist(), states, strict=True)
        self.waiting.sort(key=lambda each: each[0])

    def at(self, moment: float) -> Complex:
        """The modal amplitudes (M,) at a moment not before the last one asked for."""
        pole = self.model.pole
        self.amplitude = self.amplitude * np.exp(pole * (moment - self.moment))
        due = bisect.bisect_right(self.waiting, moment, key=lambda each: each[0])
        for first in range(0, due, BATCH):
            part = self.waiting[first : min(first + BATCH, due)]
            since = moment - np.array([time for time, _ in part])
            self.amplitude += carried(np.array([row for _, row in part]), pole, since).sum(axis=0)
        self.waiting = self.waiting[due:]
        self.moment = moment
        return self.amplitude

    def state(self, moment: float, tine: NDArray[np.int64]) -> tuple[Array, Array]:
        """Displacement and velocity (S, 2, N) of tines (S,) at a moment, in their own clamped modes."""
        return tine_state(self.model, self.at(moment), tine)

    def ahead(self, moment: float) -> Ringing:
        """How tines will ring from a moment on if nothing more touches them: what a stroke finds on its way."""
        now = self.at(moment)

        def later(tine: NDArray[np.int64], times: Array) -> tuple[Array, Array]:
            return tine_state(self.model, carried(now, self.model.pole, times - moment), tine)

        return later
