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
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.air import SOUND_SPEED
from synth.arrays import Array, Complex
from synth.cores import spread
from synth.design.instrument import Instrument, PlacedNut
from synth.frozen import frozen
from synth.sound.convolution import Convolver
from synth.sound.fast_length import fast_length
from synth.sound.radiator import EARS, Direct, Radiator, Stream, arrivals, ears
from synth.sound.radiator.bar import nearest_distance, rod_pressures
from synth.vibration.board import FEW, SolvedBoard
from synth.vibration.eigen import complex_modes
from synth.vibration.modal_model import ModalModel, board_shape

FORCES: Final = (
    2,
    3,
    4,
)  # of a foot's six: upright, and the two that tilt the board; the others do not sound
RING_DB: Final = 60.0  # the filter is as long as the board's slowest heard mode takes to fall so far
HEARD: Final = 30.0  # Hz, below which a board's motion is not heard
LONGEST: Final = 20.0  # s, of a filter
STILL: Final = 1e-3  # Hz, for 0 Hz, where a board that nothing holds would never stop
LEAD: Final = 1e-3  # s, for what the band limit spreads before the start
COARSE: Final = 20.0  # Hz between the frequencies at which the air is looked up for the filter
TAPER: Final = (16e3, 20e3)  # Hz, over which the filter ends: the board's modes end at 18 kHz


def board_radiator(
    model: ModalModel, instrument: Instrument, trim: Sequence[Sequence[PlacedNut]], board: SolvedBoard
) -> Direct:
    """What the listener hears of board, bar and tines. `model` is that of the bar standing on this board."""
    points = ears(instrument)
    first = min(nearest_distance(model, points[:EARS]), board.distance(points[:EARS]))
    nearest = arrivals(instrument, points, first)
    rods = rod_pressures(model, instrument, trim, points, nearest=nearest)
    return Direct(rods + board_pressures(model, board, points, nearest=nearest))


def board_pressures(
    model: ModalModel, board: SolvedBoard, points: Array, *, nearest: float | Array
) -> Complex:
    """The pressure (C, M) in Pa at `points` (C, 3) that the board alone makes of each mode."""
    acceleration = board_shape(model) * model.pole**2
    return board.pressure(acceleration, model.frequency, points, nearest=nearest)


@frozen
class BoardFilter(Radiator):
    """The board by itself: contact signals are the upright force (N) and two moments (N m) of each foot.

    Three a foot in the order of the feet: force upwards, moments about global x and y. By the board's own damped
    modes, complex where its losses couple them.
    """

    board: SolvedBoard
    points: Array  # (C, 3)

    @property
    def nearest(self) -> float:
        """The way (m) after which sound is timed: the filter starts `LEAD` after its force."""
        return self.board.distance(self.points) - LEAD * SOUND_SPEED

    @property
    def weights(self) -> Complex:
        """The contact signals are given, not summed from modes."""
        raise TypeError("a board by itself has no coupled modes to listen to")

    @property
    def immediate(self) -> NDArray[np.bool_]:
        """Forces at the feet are given whole."""
        raise TypeError("a board by itself has no coupled modes to listen to")

    @property
    def channels(self) -> int:
        return len(self.points)

    @property
    def ring(self) -> float:
        """Seconds until the board's slowest heard mode has fallen by `RING_DB`."""
        pole = 1j * np.sqrt(self._damped[0])
        sigma = -pole.real[pole.imag > 2.0 * math.pi * HEARD]
        return min(LONGEST, RING_DB / 20.0 * math.log(10.0) / float(sigma.min()))

    def mobility(self, frequency: Array) -> Complex:
        """The feet's speeds per force, (3 J, 3 J, F) in m/(N s) and so on."""
        shape = self._shape()
        w = 2.0 * math.pi * np.maximum(frequency, STILL)
        return np.asarray(
            np.einsum("pb,bf,qb->pqf", shape, 1j * w * self._receptance(w), shape, optimize=True)
        )

    def response(self, frequency: Array) -> Complex:
        """Pressure per force (C, 3 J, F) in Pa/N and Pa/(N m)."""
        shape, w = self._shape(), 2.0 * math.pi * np.maximum(frequency, STILL)
        accelerance = -(w**2) * self._receptance(w)
        return np.asarray(
            np.einsum("cbf,bf,pb->cpf", self._air(frequency), accelerance, shape, optimize=True)
        )

    def impulse_response(self, rate: float) -> Array:
        """The filter (C, 3 J, N): the pressure after one newton-second (or newton-metre-second) at a foot.

        The response brought back to time, the air of each mode read linearly between frequencies `COARSE` apart.
        """
        count = fast_length(math.ceil(1.25 * self.ring * rate))  # a quarter more, against wrapping
        frequency = np.arange(count // 2 + 1) * rate / count
        shape = self._shape()
        table = np.arange(0.0, TAPER[1] + COARSE, COARSE)
        air = self._air(table)  # (C, B, G)
        out = np.zeros((self.channels, len(shape), len(frequency)), dtype=np.complex128)
        last = int(np.searchsorted(frequency, TAPER[1]))
        row = np.minimum((frequency[:last] / COARSE).astype(np.intp), len(table) - 2)
        for g in np.unique(row):
            here = np.flatnonzero(row == g)
            share = frequency[here] / COARSE - g
            w = 2.0 * math.pi * np.maximum(frequency[here], STILL)
            turned = -(w**2) * self._receptance(w)
            low, high = air[:, None, :, g] * shape, air[:, None, :, g + 1] * shape  # (C, P, B)
            out[:, :, here] = (low @ turned) * (1.0 - share) + (high @ turned) * share
        out[:, :, :last] *= _fade(frequency[:last])
        return np.asarray(np.fft.irfft(out, count)[..., : math.ceil(self.ring * rate)] * rate)

    def stream(self, rate: float) -> Stream:
        """Partitioned convolution with the whole ring."""
        return Convolver(self.impulse_response(rate) / rate)

    def _air(self, frequency: Array) -> Complex:
        """The pressure of each mode alone per unit of its acceleration, (C, B, F)."""
        mix = self._damped[1].T

        def heard(point: Array) -> Complex:
            return np.asarray(mix @ self.board.transfer(frequency, point, nearest=self.nearest))

        return np.stack(spread(heard, self.points, large=len(frequency) > FEW))

    @cached_property
    def _damped(self) -> tuple[Complex, Complex]:
        """w^2 (B,) of the damped modes and their mixtures (B, B) of the undamped ones."""
        modes = self.board.standing.modes
        return complex_modes((2.0 * math.pi * modes.frequency) ** 2, modes.loss)

    def _shape(self) -> Complex:
        shape = self.board.standing.modes.foot_shape[:, FORCES, :]
        return np.asarray(shape.reshape(-1, shape.shape[-1]) @ self._damped[1])

    def _receptance(self, w: Array) -> Complex:
        """Each mode's displacement per force (B, F) at angular frequencies (F,)."""
        return np.asarray(1.0 / (self._damped[0][:, None] - w**2))


def _fade(frequency: Array) -> Array:
    """1 up to the filter's end, then a raised cosine."""
    share = np.clip((frequency - TAPER[0]) / (TAPER[1] - TAPER[0]), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(math.pi * share))
