"""How states of single tines enter the coupled modes: what a palm takes of them.

In: a model. Out: modal amplitudes of displacements and velocities of tines' own clamped modes, the rest of the
structure at rest. With u = (M v) on the tine's freedoms, the momentum of the state in a mode,

    a = u q - j (u v + sigma u q) / omega.

The momenta are worked out once for each tine and kept in single precision, 8 bytes for every partial and mode.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synth.vibration.assembly import ModalModel, tine_momentum

Array = NDArray[np.float64]


class Projection:
    """States of tines in one model's modes; single precision, 1e-6 of the largest amplitude."""

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
        """Modal amplitudes (S, M) of S states: `displacement` (S, 2, N) kg^(1/2) m, `velocity` kg^(1/2) m/s."""
        omega, sigma = self.model.pole.imag, -self.model.pole.real
        amplitude = np.zeros((len(tine), len(omega)), dtype=np.complex64)
        for r in np.unique(tine):
            here = np.flatnonzero(tine == r)
            own = self.model.tine_dof[r] >= 0
            moved, moving = (
                each[here][:, own].astype(np.float32) @ self._of(int(r)) for each in (displacement, velocity)
            )
            amplitude[here] = np.asarray(moved) - 1j * (moving + sigma * moved) / omega
        return amplitude

    def _of(self, tine: int) -> NDArray[np.complex64]:
        """(M v) on the tine's partials (2 N', M), plane 0 before plane 1."""
        if tine not in self._momentum:
            self._momentum[tine] = tine_momentum(self.model, tine).astype(np.complex64)
        return self._momentum[tine]
