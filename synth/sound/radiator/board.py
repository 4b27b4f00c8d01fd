"""Heard through a board or a box: the coupled modes as the board radiates them, and the board alone as a filter.

In: a model whose bar stands on the board, and the `SolvedBoard`. Out: a radiator with the board's and the rods'
pressure of every mode; and a `BoardFilter`, force at the feet to pressure at the ears, for plots, tests, the knock.

The two are the same physics. Let H(s) be the pressure per force in the feet of the board alone, F(s) that force in
the coupled structure. The sound is p = H F, a convolution of the feet's forces with all of the board's ring. F has
its zeros where the board alone would ring (there it needs no force), so the poles of H cancel and only the
coupled structure's poles s_m are left, with the residues h(s_m) q_m: h what the air makes of the board's modes, q_m
how mode m moves them. Those residues are the weights here. They need no filter in the player's way, live or not,
cannot leave a ring of the board alone behind where two approximations of one pole fail to cancel, and hold the
board's ring in the modes' own decay: nothing is counted twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument, PlacedNut
from synth.sound.radiator import Complex, Direct, Radiator, Signals, Stream, ears
from synth.sound.radiator.bar import nearest_distance, rod_pressures
from synth.vibration.assembly import ModalModel, board_shape
from synth.vibration.board import SolvedBoard

Array = NDArray[np.float64]

FORCES: Final = (
    2,
    3,
    4,
)  # of a foot's six: upright, and the two that tilt the board; the others do not sound
RING_DB: Final = 80.0  # the filter is as long as the board's slowest mode takes to fall so far
LONGEST: Final = 20.0  # s, of a filter


def board_radiator(
    model: ModalModel, instrument: Instrument, trim: Sequence[Sequence[PlacedNut]], board: SolvedBoard
) -> Direct:
    """What the listener hears of board, bar and tines. `model` is that of the bar standing on this board."""
    points = ears(instrument)
    rods = rod_pressures(model, instrument, trim, points)
    return Direct(rods + board_pressures(model, board, points))


def board_pressures(model: ModalModel, board: SolvedBoard, points: Array) -> Complex:
    """The pressure (C, M) in Pa at `points` (C, 3) that the board alone makes of each mode."""
    acceleration = board_shape(model) * model.pole**2
    nearest = nearest_distance(model, points)
    return board.pressure(acceleration, model.frequency, points, nearest=nearest)


@dataclass(frozen=True)
class BoardFilter(Radiator):
    """The board by itself: contact signals are the upright force (N) and two moments (N m) of each foot.

    Three a foot in the order of the feet: force upwards, moments about global x and y. By the board's own modes,
    each with its own loss.
    """

    board: SolvedBoard
    points: Array  # (C, 3)
    nearest: float  # m, the way after which sound is timed

    @property
    def weights(self) -> Complex:
        """The contact signals are given, not summed from modes."""
        raise TypeError("a board by itself has no coupled modes to listen to")

    @property
    def channels(self) -> int:
        return len(self.points)

    @property
    def ring(self) -> float:
        """Seconds until the board's slowest sounding mode has fallen by `RING_DB`."""
        modes = self.board.standing.modes
        w = 2.0 * math.pi * modes.frequency
        sounding = w > 0.0
        sigma = modes.loss.diagonal()[sounding] / (2.0 * w[sounding])
        return min(LONGEST, RING_DB / 20.0 * math.log(10.0) / float(sigma.min()))

    def mobility(self, frequency: Array) -> Complex:
        """The feet's speeds per force, (3 J, 3 J, F) in m/(N s) and so on."""
        shape = self._shape()
        receptance = self._receptance(frequency)
        w = 2.0 * math.pi * frequency
        return np.asarray(np.einsum("pb,bf,qb->pqf", shape, 1j * w * receptance, shape, optimize=True))

    def response(self, frequency: Array) -> Complex:
        """Pressure per force (C, 3 J, F) in Pa/N and Pa/(N m)."""
        shape, w = self._shape(), 2.0 * math.pi * frequency
        accelerance = -(w**2) * self._receptance(frequency)
        per_signal = [
            self.board.pressure(row[:, None] * accelerance, frequency, self.points, nearest=self.nearest)
            for row in shape
        ]
        return np.stack(per_signal, axis=1)

    def impulse_response(self, rate: float) -> Signals:
        """The filter (C, 3 J, N): what one newton-second (or newton-metre-second) at a foot sounds like."""
        modes = self.board.standing.modes
        w = 2.0 * math.pi * modes.frequency
        sounding = np.flatnonzero(w > 0.0)
        loss = modes.loss.diagonal()[sounding]
        pole = 1j * np.sqrt(w[sounding] ** 2 + 1j * loss)
        unit = np.zeros((len(w), len(sounding)), dtype=np.complex128)
        unit[sounding, np.arange(len(sounding))] = pole**2
        air = self.board.pressure(unit, pole.imag / (2.0 * math.pi), self.points, nearest=self.nearest)
        start = self._shape()[:, sounding] / (1j * pole.imag)
        return self._decays(pole, air[:, None] * start, rate)

    def stream(self, rate: float) -> Stream:
        from scipy.signal import oaconvolve

        kernel = self.impulse_response(rate) / rate
        tail = np.zeros((self.channels, kernel.shape[2] - 1))

        def step(signals: Signals) -> Signals:
            nonlocal tail
            count = signals.shape[1]
            whole = np.sum(oaconvolve(signals[None], kernel, axes=-1), axis=1)
            whole[:, : tail.shape[1]] += tail
            tail = whole[:, count:]
            return np.ascontiguousarray(whole[:, :count])

        return step

    def _shape(self) -> Array:
        shape = self.board.standing.modes.foot_shape[:, FORCES, :]
        return np.asarray(shape.reshape(-1, shape.shape[-1]))

    def _receptance(self, frequency: Array) -> Complex:
        modes, w = self.board.standing.modes, 2.0 * math.pi * frequency
        stiffness = (2.0 * math.pi * modes.frequency) ** 2 + 1j * modes.loss.diagonal()
        return np.asarray(1.0 / (stiffness[:, None] - w**2))

    def _decays(self, pole: Complex, residue: Complex, rate: float) -> Signals:
        """Re sum residue exp(pole t), block by block: (C, P, N)."""
        block = 4096
        t = np.arange(block) / rate
        blocks = math.ceil(self.ring * rate / block)
        grow = np.exp(np.outer(pole, t))
        states = residue[..., None] * np.exp(pole[:, None] * (np.arange(blocks) * block / rate))
        out = np.moveaxis(states, 2, 3) @ grow  # (C, P, blocks, block)
        return np.ascontiguousarray(out.real.reshape(*residue.shape[:2], blocks * block))
