"""How the whole structure rings at a moment: what the stick meets when it comes to a row that still sounds.

In: what is added to the modes' states, and when. Out: the modal amplitudes (M,) at any later time, and from them
the state of single tines. In between every mode turns by exp(s t), so nothing is stepped. A stroke is added at the
ends of its chunks (`synth.sound.drive`): in the middle of one, its force is not yet in the state.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.angles import complex_exp
from synth.arrays import Array, Complex
from synth.compiled import njit
from synth.playing.contact.stroke_contact import Ringing
from synth.sound.pole_steps import advanced
from synth.vibration.modal_model import ModalModel, tine_state

KEPT_TURNS: Final = 4
PLACES: Final = 13  # decimals of a second: the quickest mode turns by 1e-8 in the last one

Added = tuple[float, int, NDArray[np.complexfloating]]  # s, the place among those of that time, states (M,)


class ModalState:
    """A ringing structure. States may be given ahead of time; moments may only be asked for in order."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self.time = 0.0
        self.amplitude: Complex = np.zeros(len(model.pole), dtype=np.complex128)
        self.waiting: list[Added] = []
        self._turns: dict[float, Complex] = {}

    def take(self, time: Array, states: NDArray[np.complexfloating], *, order: int = 0) -> None:
        """Take states (S, M) into account that are added at times (S,), from then on.

        Those of one time are added in their `order`, and else as they were given: sums end in the same digits.
        """
        self.waiting = self.waiting + [
            (each, order, row) for each, row in zip(time.tolist(), states, strict=True)
        ]
        self.waiting.sort(key=lambda each: each[:2])

    @property
    def all_added(self) -> float | None:
        """s, by when all that was given so far is added, where some of it waits."""
        return self.waiting[-1][0] if self.waiting else None

    def add_until(self, time: float) -> None:
        """Adds what is added until then: beforehand, for it takes a while. Nothing earlier may be given later."""
        due = bisect.bisect_right(self.waiting, time, key=lambda each: each[0])
        if due:
            self._add(self.waiting[:due])
            self.waiting = self.waiting[due:]

    def at(self, time: float) -> Complex:
        """The modal amplitudes (M,) at a moment not before the last one asked for."""
        self.add_until(time)
        if time != self.time:
            self.amplitude = self.amplitude * self._turn(round(time - self.time, PLACES))
            self.time = time
        return self.amplitude

    def _add(self, due: Sequence[Added]) -> None:
        """Lets everything ring from one to the next. Chunks end at even distances: one turn does for many."""
        amplitude, since = self.amplitude.copy(), self.time  # what was told before stays as it was
        for time, _, row in due:
            if time < self.time:  # given after its moment
                row = (row * np.exp(self.model.pole * (self.time - time))).astype(row.dtype)
                time = since
            _ring_and_add(amplitude, self._turn(round(time - since, PLACES)), row)
            since = time
        self.amplitude, self.time = amplitude, since

    def _turn(self, distance: float) -> Complex:
        """(M,) what carries the state over so many seconds. A few are kept: of chunks' ends most are alike."""
        if distance not in self._turns:
            while len(self._turns) >= KEPT_TURNS:
                del self._turns[next(iter(self._turns))]
            self._turns[distance] = complex_exp(self.model.pole * distance)
        self._turns[distance] = self._turns.pop(distance)  # the last to be let go
        return self._turns[distance]

    def state(self, time: float, tine: NDArray[np.int64]) -> tuple[Array, Array]:
        """Displacement and velocity (S, 2, N) of tines (S,) at a time, in their own clamped modes."""
        return tine_state(self.model, self.at(time), tine)

    def ahead(self, time: float) -> Ringing:
        """How tines will ring from a moment on if nothing more touches them: what a stroke finds on its way."""
        now = self.at(time)

        def later(tine: NDArray[np.int64], times: Array) -> tuple[Array, Array]:
            return tine_state(self.model, advanced(now, self.model.pole, times - time), tine)

        return later


@njit(cache=True, nogil=True, fastmath={"contract"})
def _ring_and_add(amplitude: Any, turn: Any, row: Any) -> None:
    """Carries the state (M,) by turns (M,), and adds the row (M,) to it."""
    for m in range(amplitude.shape[0]):
        amplitude[m] = amplitude[m] * turn[m] + row[m]
