"""How states of single tines enter the coupled modes, made ready for a player who is waiting.

In: a model. Out: the amplitudes that `synth.vibration.assembly.project` gives, from momenta that are worked out
once, when a tine is first touched: for tines on a large board they are most of the work. They are kept in single
precision, 16 bytes for every partial of every tine and every mode: about 100 MB for 168 tines on a board.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from synth.vibration.assembly import ModalModel, comes_free, tine_momentum

Array = NDArray[np.float64]


class Projection:
    """`project` for one model; single precision, 1e-6 of the largest amplitude."""

    def __init__(self, model: ModalModel) -> None:
        self.model = model
        self._ready: dict[int, NDArray[np.float32]] = {}

    def prepare(self) -> None:
        """Make every tine ready now: a player must not wait for it."""
        for r in range(len(self.model.tine_dof)):
            self._weights(r)

    def __call__(
        self, tine: NDArray[np.int64], displacement: Array, velocity: Array
    ) -> NDArray[np.complex64]:
        """Modal amplitudes (S, M) of S states as `project` takes them."""
        amplitude = np.zeros((len(tine), len(self.model.pole)), dtype=np.complex64)
        state = np.concatenate([displacement, velocity], axis=1).astype(np.float32)  # (S, 4, N)
        for r in np.unique(tine):
            here = np.flatnonzero(tine == r)
            own = np.tile(self.model.tine_dof[r] >= 0, (2, 1))
            amplitude[here] = (state[here][:, own] @ self._weights(int(r))).view(np.complex64)
        return amplitude

    def _weights(self, r: int) -> NDArray[np.float32]:
        """(4 N', 2 M): what each displacement and velocity gives to each mode, real and imaginary by turns.

        a = q u f - j (v u + sigma q u f) / omega, with u the momenta and f what comes free.
        """
        if r not in self._ready:
            omega, sigma = self.model.pole.imag, -self.model.pole.real
            own = self.model.tine_dof[r].ravel() >= 0
            u = tine_momentum(self.model, r)
            free = comes_free(2.0 * math.pi * self.model.tines.frequency[r].ravel()[own], omega)
            both = np.concatenate([u * free * (1.0 - 1j * sigma / omega), -1j * u / omega])
            self._ready[r] = both.astype(np.complex64).view(np.float32)
        return self._ready[r]
