"""How states of single tines enter the coupled modes, made ready for a player who is waiting.

In: a model. Out: the amplitudes that `synth.vibration.assembly.project` gives, from momenta that are worked out
once, when a tine is first touched: for tines on a large board they are most of the work. They are kept in single
precision, 8 bytes for every partial of every tine and every mode: about 150 MB for 168 tines on a board.
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
        self._momenta: dict[int, NDArray[np.complex64]] = {}

    def prepare(self) -> None:
        """Work out every tine's momenta now: a player must not wait for them."""
        for r in range(len(self.model.tine_dof)):
            self._momentum(r)

    def _momentum(self, r: int) -> NDArray[np.complex64]:
        if r not in self._momenta:
            self._momenta[r] = tine_momentum(self.model, r).astype(np.complex64)
        return self._momenta[r]

    def __call__(
        self, tine: NDArray[np.int64], displacement: Array, velocity: Array
    ) -> NDArray[np.complex128]:
        """Modal amplitudes (S, M) of S states as `project` takes them."""
        amplitude = np.zeros((len(tine), len(self.model.pole)), dtype=np.complex128)
        for r in np.unique(tine):
            here = np.flatnonzero(tine == r)
            amplitude[here] = self._of_one(int(r), displacement[here], velocity[here])
        return amplitude

    def _of_one(self, r: int, displacement: Array, velocity: Array) -> NDArray[np.complex128]:
        omega, sigma = self.model.pole.imag, -self.model.pole.real
        own = self.model.tine_dof[r].ravel() >= 0
        free = comes_free(2.0 * math.pi * self.model.tines.frequency[r].ravel()[own], omega)
        q, v = (each.reshape(len(each), -1)[:, own].astype(np.float32) for each in (displacement, velocity))
        u = self._momentum(r)
        moved = q @ (u * free.astype(np.float32))
        return np.asarray(moved - 1j * (v @ u + sigma * moved) / omega)
