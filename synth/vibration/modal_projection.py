"""What a palm takes of single tines, as the coupled modes lose it.

In: a model. Out: modal amplitudes of displacements and velocities of tines' own clamped modes, the rest of the
structure at rest. With u = (M v) on the tine's freedoms, the momentum of a state in a mode,

    a = u q - j (u v + sigma u q) / omega.

A palm is soft: it takes a partial's swing over about a period, not at once, and modes much faster than the partial
hardly feel that. With x = omega² / partial² above 1, u is scaled by x / (x² - x + 1): 1 near the partial, 1 / x far
above (an assumed law, as soft as the palm's own is rough). Momenta are worked out once for each tine and kept in
single precision, 8 bytes for every partial and mode.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.vibration.modal_model import ModalModel, generalized_momentum


class Projection:
    """Slow changes of tines' states in one model's modes."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self._momentum: dict[int, NDArray[np.complex64]] = {}

    def prepare(self) -> None:
        """Make every tine ready now: a player must not wait for it."""
        for r in range(len(self.model.tine_dof)):
            self._of(r)

    def __call__(
        self, tine: NDArray[np.int64], displacement: Array, velocity: Array
    ) -> NDArray[np.complex64]:
        """Modal amplitudes (S, M) of S changes: `displacement` (S, 2, N) kg^(1/2) m, `velocity` kg^(1/2) m/s."""
        omega, sigma = self.model.pole.imag, -self.model.pole.real
        amplitude = np.zeros((len(tine), len(omega)), dtype=np.complex64)
        for r in np.unique(tine):
            here = np.flatnonzero(tine == r)
            own = self.model.tine_dof[r] >= 0
            moved, moving = (
                np.asarray(each[here][:, own].astype(np.float32) @ self._of(int(r)))
                for each in (displacement, velocity)
            )
            amplitude[here] = moved - 1j * (moving + sigma * moved) / omega
        return amplitude

    def _of(self, tine: int) -> NDArray[np.complex64]:
        """What changes of the tine's partials give to the modes (2 N', M), plane 0 before plane 1."""
        if tine not in self._momentum:
            own = self.model.tine_dof[tine] >= 0
            partial = 2.0 * math.pi * self.model.tines.frequency[tine][own]
            x = np.maximum((self.model.pole.imag / partial[:, None]) ** 2, 1.0)
            slow = x / (x**2 - x + 1.0)
            self._momentum[tine] = (generalized_momentum(self.model, tine) * slow).astype(np.complex64)
        return self._momentum[tine]
