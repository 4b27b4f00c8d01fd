"""How the whole structure rings at a moment: what the stick meets when it comes to a row that still sounds.

In: increments of tines' states, as they happen. Out: the modal amplitudes (M,) at any later moment, and from them
the state of single tines. Between increments every mode turns by exp(s t), so nothing is stepped.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from synth.playing.contact import Ringing
from synth.playing.stroke import Excitation
from synth.vibration.assembly import ModalModel, project, tine_state

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
BATCH = 128  # increments projected at once


class Ring:
    """A ringing structure. Increments may be given ahead of time; moments may only be asked for in order."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self.moment = 0.0
        self.amplitude: Complex = np.zeros(len(model.pole), dtype=np.complex128)
        self.waiting: list[tuple[float, Callable[[], Complex]]] = []

    def add(self, excitation: Excitation) -> None:
        """Take increments into account, from their times on."""
        for first in range(0, len(excitation.time), BATCH):
            part = slice(first, first + BATCH)
            rows = project(
                self.model,
                excitation.tine[part],
                excitation.displacement[part],
                excitation.velocity[part],
            )
            self.waiting += [
                (float(time), row) for time, row in zip(excitation.time[part], rows, strict=True)
            ]
        self.waiting.sort(key=lambda each: each[0])

    def at(self, moment: float) -> Complex:
        """The modal amplitudes (M,) at a moment not before the last one asked for."""
        pole = self.model.pole
        self.amplitude = self.amplitude * np.exp(pole * (moment - self.moment))
        while self.waiting and self.waiting[0][0] <= moment:
            time, row = self.waiting.pop(0)
            self.amplitude = self.amplitude + row * np.exp(pole * (moment - time))
        self.moment = moment
        return self.amplitude

    def state(self, moment: float, tine: NDArray[np.int64]) -> tuple[Array, Array]:
        """Displacement and velocity (S, 2, N) of tines (S,) at a moment, in their own clamped modes."""
        return tine_state(self.model, self.at(moment), tine)

    def ahead(self, moment: float) -> Ringing:
        """How tines will ring from a moment on if nothing more touches them: what a stroke finds on its way."""
        now = self.at(moment)

        def later(tine: NDArray[np.int64], times: Array) -> tuple[Array, Array]:
            states = [
                tine_state(self.model, now * np.exp(self.model.pole * (time - moment)), tine[each : each + 1])
                for each, time in enumerate(times)
            ]
            return np.concatenate([q for q, _ in states]), np.concatenate([v for _, v in states])

        return later
