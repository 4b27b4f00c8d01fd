"""A board of the design by itself: how it yields at its feet and what it radiates.

In: an instrument and a board of it. Out: a `HeardBoard`; the force at its J feet is upright.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.interface.sound import Sound
from synth.many import many
from synth.sound.audio import RATE
from synth.sound.boardsheet import BoardSheet, knock, solve_sheet
from synth.sound.radiator import ears
from synth.sound.radiator.board import BoardFilter
from synth.vibration.solve import solve_board_of

UPRIGHT = slice(0, None, 3)  # the first of each foot's three signals


class HeardBoard:
    """A board or box of a design, by itself with its J feet; made by `OpenDesign.board`."""

    def __init__(self, instrument: Instrument, name: str) -> None:
        """Raises `InputError` for a board that the design has not."""
        self.name = instrument.board(name).name
        self._instrument = instrument
        self._solved = solve_board_of(instrument, self.name)
        self._filter = BoardFilter(self._solved, ears(instrument))

    @cached_property
    def sheet(self) -> BoardSheet:
        """What is worth knowing of it, as `tinewright board` tells: first modes, critical frequency, the box."""
        return solve_sheet(self._instrument, self.name)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """The pressure at the listener's C points per upright force at each foot, (C, J, F) in Pa/N.

        `frequency_hz` (F,) or one number, Hz. Phases are those of a filter that starts a millisecond after its
        force; modes are damped by material and radiation (`synth.vibration.board`). Raises `InputError` for what is
        no frequency.
        """
        return self._filter.response(_frequencies(frequency_hz))[:, UPRIGHT]

    def mobility(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """The admittance: each foot's upright speed per upright force at each foot, (J, J, F) in m/(N s).

        Feet follow the design's order; the diagonal is what a foot itself meets. `frequency_hz` (F,) or one number,
        Hz. Raises `InputError` for what is no frequency.
        """
        return self._filter.mobility(_frequencies(frequency_hz))[UPRIGHT, UPRIGHT]

    def knock(self, foot: int = 1) -> Sound:
        """A knuckle's knock on a foot, counted from 1: 20 mN s as a half sine of 2 ms, a common tap.

        Raises `InputError` for a foot that is not there.
        """
        feet = len(self._solved.standing.feet.position)
        if not 1 <= foot <= feet:
            raise InputError(
                f"there is no foot {foot}", remedy=f"1 to {feet} are there", location=f"board.{self.name}"
            )
        pressure = knock(self._instrument, self._solved, foot=foot - 1, rate=RATE)
        return Sound(title=f"knock on foot {foot}", through=self.name, pressure_pa=pressure)

    def __repr__(self) -> str:
        board = self._instrument.boards[self.name]
        feet = many(len(board.feet), "foot", "feet")
        return f"<HeardBoard {self.name!r}: {board.kind} of {board.material.name}, {feet}>"


def _frequencies(given: ArrayLike) -> NDArray[np.float64]:
    try:
        hz = np.atleast_1d(np.asarray(given, dtype=np.float64))
    except (TypeError, ValueError):
        hz = np.full(1, np.nan)
    if hz.ndim != 1 or not np.all(np.isfinite(hz)) or np.any(hz < 0.0):
        raise InputError("these are no frequencies", remedy="give numbers in Hz, one or a row of them")
    return hz
