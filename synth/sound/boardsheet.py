"""What is worth knowing of a board before it is made: how it yields at its feet, what it radiates, modes, box.

In: an instrument, a board of it, solved. Out: `BoardSheet`, numbers for a table, a picture or a file.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.air import SOUND_SPEED
from synth.arrays import Array
from synth.cache import cached
from synth.design.instrument import Board, Instrument
from synth.frozen import frozen
from synth.sound.audio import REFERENCE_PRESSURE
from synth.sound.radiator import ears
from synth.sound.radiator.board import BoardFilter
from synth.units import FALL
from synth.vibration.board import SolvedBoard, bending_modes, plate_of
from synth.vibration.plate_air import PLUG_END
from synth.vibration.solve import solve_board_of

FROM: Final = 30.0  # Hz
TO: Final = 12_000.0  # Hz
POINTS: Final = 1500  # of the curves, equally spaced in pitch
MODES: Final = 12  # told one by one
FEW: Final = 10  # modes of a lid in vacuo, of which the first is asked
KNOCK: Final = 20e-3  # N s, a light knuckle; common practice, no published source
CONTACT: Final = 2e-3  # s, a knuckle's touch; common practice, no published source


@frozen
class BoxSheet:
    """What the box does to its lid. Frequencies in Hz; nan for a hole that is not there."""

    open_hz: float  # the lid's lowest mode that moves air, without a box behind it
    boxed_hz: float  # that mode, or the one that has taken its place, on this box
    hole_hz: float  # of the hole with a rigid lid: c/2pi sqrt(A/V L)
    standing_hz: float  # the first standing wave in the box, above which its pressure is not uniform


@frozen
class BoardSheet:
    """Curves over `frequency` (F,) Hz for J feet."""

    frequency: Array
    mobility: NDArray[np.complex128]  # (J, F) m/(N s), upright at each foot
    level: Array  # (J, F) dB SPL at the listener per newton (rms) at each foot, both ears' mean power
    impedance: float  # N s/m of the endless sheet
    critical_hz: float
    reach_hz: float  # above it the modes are statistical
    modes_hz: Array  # (n,) the first that bend
    modes_decay: Array  # (n,) s
    box: BoxSheet | None


def solve_sheet(instrument: Instrument, name: str, *, fresh: bool = False) -> BoardSheet:
    """The sheet of a board of the instrument by its name, from the cache where it is kept."""
    board = instrument.boards[name]

    def solve() -> BoardSheet:
        return board_sheet(instrument, board, solve_board_of(instrument, name, fresh=fresh))

    return cached("sheet", (board, instrument.bar, instrument.listener), solve, fresh=fresh)


def board_sheet(instrument: Instrument, board: Board, solved: SolvedBoard) -> BoardSheet:
    """The sheet of a solved board."""
    filtered = BoardFilter(solved, ears(instrument))
    frequency = np.geomspace(FROM, TO, POINTS)
    upright = slice(0, None, 3)  # the first of each foot's three signals
    mobility = filtered.mobility(frequency)[upright, upright]
    power = np.mean(np.abs(filtered.response(frequency)[:, upright]) ** 2, axis=0)
    bends = np.flatnonzero(solved.standing.modes.frequency[: solved.solved] > 0.0)[:MODES]
    hz = solved.standing.modes.frequency[bends]
    loss = solved.standing.modes.loss.diagonal()[bends]
    return BoardSheet(
        frequency=frequency,
        mobility=np.moveaxis(np.diagonal(mobility), 1, 0),
        level=10.0 * np.log10(power / REFERENCE_PRESSURE**2),
        impedance=solved.plate.impedance,
        critical_hz=solved.plate.critical_frequency(SOUND_SPEED),
        reach_hz=solved.reach,
        modes_hz=hz,
        modes_decay=FALL * 2.0 * (2.0 * math.pi * hz) / loss,
        box=_box(board, solved) if board.kind == "box" else None,
    )


def knock(instrument: Instrument, solved: SolvedBoard, *, foot: int, rate: int) -> Array:
    """The pressure (C, N) in Pa of a knuckle's knock on a foot: `KNOCK`, a half sine of `CONTACT`."""
    filtered = BoardFilter(solved, ears(instrument))
    t = np.arange(round(CONTACT * rate)) / rate
    signals = np.zeros((3 * len(solved.standing.feet.position), round(filtered.ring * rate)))
    signals[3 * foot, : len(t)] = -KNOCK * math.pi / (2.0 * CONTACT) * np.sin(math.pi * t / CONTACT)
    return filtered.radiate(signals, rate)


def _box(board: Board, solved: SolvedBoard) -> BoxSheet:
    plate = plate_of(board)
    lid = bending_modes(plate, highest=solved.reach, most=FEW)
    coupled = solved.standing.modes.frequency[: solved.solved]
    # the mode that moves the most air for its mass is the lid's first as it lives on the box
    moved = np.abs(solved.radiation.sources[0].sum(axis=0)) * np.all(solved.radiation.parity == 1, axis=1)
    low = moved * (coupled < 4.0 * max(float(lid.frequency[0]), 100.0))
    area = math.pi * board.hole_diameter**2 / 4.0
    length = board.thickness + PLUG_END * board.hole_diameter / 2.0
    volume = board.length * board.width * board.depth
    return BoxSheet(
        open_hz=float(lid.frequency[0]),
        boxed_hz=float(coupled[np.argmax(low if np.any(low) else moved)]),  # very shallow: far up
        hole_hz=SOUND_SPEED / (2.0 * math.pi) * math.sqrt(area / (volume * length))
        if area > 0.0
        else math.nan,
        standing_hz=SOUND_SPEED / (2.0 * max(board.length, board.width, board.depth)),
    )
