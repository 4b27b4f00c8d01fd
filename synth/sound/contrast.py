"""What a board does to every note, foretold without solving the whole instrument.

In: an instrument, its row, a board or none. Out: `Foretold`, pitch, ring and level of every tine's fundamental; and
sentences where a board kills or boosts a note.

Each tine is taken as if the others kept still: they ride on the carrier (bar, or bar and board) as locked masses.
With the carrier's damped modes kappa_k (complex), their motions w_k at the base, g the tine's pull an acceleration,

    (Lambda (1 + j eta) - lambda) q = lambda^2 g^T T(lambda) g q,     T = sum_k w_k w_k^T / (kappa_k - lambda)

is solved for the fundamental's two planes by iteration; pole and carrier's answer come out together, and so do
decay and sound (the self-consistent formula w^2 = w_n^2 + j w^3 g^T Y g / m, kept complex). The sound itself is
that of `bar_radiator` and `board_radiator`. Unison tines share their energy, which only the whole model tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.sound.radiator import Complex, ears
from synth.sound.radiator.bar import nearest_distance, rod_pressures
from synth.sound.radiator.board import board_pressures
from synth.units import decibels
from synth.vibration.assembly import ModalModel
from synth.vibration.bar import solve_bar, standing_on
from synth.vibration.board import SolvedBoard
from synth.vibration.cache import kept
from synth.vibration.eigen import complex_modes
from synth.vibration.mounting import pull
from synth.vibration.solution import solve_board_of
from synth.vibration.structure import beside_board, carrier, nut_inertia, riding, stand
from synth.vibration.tuning import Row

TIP: Final = 1e-3  # m, by which every tine is bent along the row and let go
CARRIER_HZ: Final = 8000.0  # twice the highest fundamental of a 20 mm tine
ROUNDS: Final = 12
KILLED: Final = 0.5  # a ring so much shorter is heard as a dead note; common practice, no published source
BOOSTED: Final = (
    10.0  # dB above the board's usual gain: twice as loud as its neighbours (a sone doubles in 10 phon)
)
DROWNED: Final = -6.0  # dB: half the pressure of the bar alone, which board and bar take from each other
REFERENCE: Final = 20e-6  # Pa

Array = NDArray[np.float64]
Swing = Literal["along", "across"]


@dataclass(frozen=True)
class Foretold:
    """Every tine's fundamental, let go from a tip bent by `TIP` along the row."""

    frequency: Array  # (R,) Hz
    decay: Array  # (R,) s to fall by 60 dB
    level: Array  # (R,) dB SPL at the listener, the partial at its start, both ears' mean power


@dataclass(frozen=True)
class Change:
    """What a board changes for one group: means over its tines."""

    group: str
    hz: float  # the lowest tine's fundamental on the board
    level_db: float  # heard through the board
    gain_db: float  # over the bar alone
    decay_s: float
    ring_ratio: float  # of the decays, board over bar alone


def foretell(
    instrument: Instrument, row: Row, board: SolvedBoard | None, *, swing: Swing = "along"
) -> Foretold:
    """The fundamentals of all tines on the bar alone, or on the bar that stands on a board.

    The tips are bent along the row, as strokes do, or across it.
    """
    model = _each_alone(instrument, row, board, swing)
    points = ears(instrument)
    nearest = nearest_distance(model, points)
    if board is not None:
        nearest = min(nearest, board.distance(points))
    pressure = rod_pressures(model, instrument, row.trim, points, nearest=nearest)
    if board is not None:
        pressure = pressure + board_pressures(model, board, points, nearest=nearest)
    rms = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0) / 2.0)
    return Foretold(model.frequency, model.decay, np.array([decibels(each / REFERENCE) for each in rms]))


def solve_foretold(instrument: Instrument, row: Row, name: str | None, *, fresh: bool = False) -> Foretold:
    """The same for a board of the instrument by its name, or for the bar alone, from the cache where it is kept."""

    def solve() -> Foretold:
        board = None if name is None else solve_board_of(instrument, name, fresh=fresh)
        return foretell(instrument, row, board)

    board = None if name is None else instrument.boards[name]
    depends_on = (instrument.bar, instrument.tines, row.length, row.trim, instrument.listener, board)
    return kept("foretold", depends_on, solve, fresh=fresh)


def board_warnings(instrument: Instrument, row: Row, *, fresh: bool = False) -> list[str]:
    """Where the boards of the design would kill, drown or boost notes."""
    if not instrument.boards:
        return []
    bar = solve_foretold(instrument, row, None, fresh=fresh)
    return [
        each
        for name in instrument.boards
        for each in sentences(instrument, name, bar, solve_foretold(instrument, row, name, fresh=fresh))
    ]


def changes(instrument: Instrument, bar: Foretold, board: Foretold) -> list[Change]:
    """Group by group, what the board does."""
    found = []
    for group in instrument.groups:
        own = group.tines
        found.append(
            Change(
                group=group.name,
                hz=float(board.frequency[own].min()),
                level_db=float(np.mean(board.level[own])),
                gain_db=float(np.mean(board.level[own] - bar.level[own])),
                decay_s=float(np.exp(np.mean(np.log(board.decay[own])))),
                ring_ratio=float(np.exp(np.mean(np.log(board.decay[own] / bar.decay[own])))),
            )
        )
    return found


def sentences(instrument: Instrument, name: str, bar: Foretold, board: Foretold) -> list[str]:
    """Where a board would kill or boost a note, a group a sentence."""
    gain, ratio = board.level - bar.level, board.decay / bar.decay
    usual = float(np.median(gain))
    said = []
    for group in instrument.groups:
        own = range(group.first, group.first + group.count)
        dead = [r for r in own if ratio[r] < KILLED]
        loud = [r for r in own if gain[r] > usual + BOOSTED]
        weak = [r for r in own if gain[r] < DROWNED]
        where = f"board '{name}', group '{group.name}'"
        if dead:
            worst = min(dead, key=lambda r: ratio[r])
            said.append(
                f"{where} kills {_tines(instrument, dead)}: {board.frequency[worst]:.0f} Hz rings "
                f"{board.decay[worst]:.1f} s instead of {bar.decay[worst]:.1f} s"
            )
        if loud:
            most = max(loud, key=lambda r: gain[r])
            said.append(
                f"{where} boosts {_tines(instrument, loud)}: {board.frequency[most]:.0f} Hz gains "
                f"{gain[most]:.0f} dB where the others gain {usual:.0f}"
            )
        if weak:
            least = min(weak, key=lambda r: gain[r])
            said.append(
                f"{where} drowns {_tines(instrument, weak)}: {board.frequency[least]:.0f} Hz loses "
                f"{-gain[least]:.0f} dB"
            )
    return said


def _tines(instrument: Instrument, which: list[int]) -> str:
    numbers = [str(instrument.tines[r].number) for r in which]
    return f"tine {numbers[0]}" if len(numbers) == 1 else f"tines {', '.join(numbers)}"


def _each_alone(instrument: Instrument, row: Row, board: SolvedBoard | None, swing: Swing) -> ModalModel:
    """A model of R modes: the r-th is tine r's fundamental, plucked by `TIP`, with the carrier's answer to it."""
    standing = None if board is None else board.standing
    bar = instrument.bar if standing is None else standing_on(instrument.bar, standing.feet.place)
    feet = [] if standing is None else standing.feet.place.tolist()
    places = [tine.place for tine in instrument.tines]
    modes, bar_modes = row.modes, solve_bar(bar, places, more=feet, highest_hz=CARRIER_HZ)
    bases = stand(instrument.tines, bar, bar_modes)
    motion = beside_board(bar_modes.at(bases.place), standing)
    K, loss = carrier(bar_modes, standing)
    riders = riding(motion, bases, modes, nut_inertia(instrument.tines, bar, bases))
    kappa, shape = _damped(K, loss, np.eye(len(K)) + riders)
    w = bases.rows()[:, :4] @ motion @ shape  # (R, 4, Mc)
    first = pull(modes)[..., 0]  # (R, 4, 2)
    own = (2.0 * math.pi * modes.frequency[:, :, 0]) ** 2 * (1.0 + 1j * modes.loss_factor[:, :, 0])
    turn, lean = np.cos(modes.axis), np.sin(modes.axis)
    bent = np.stack([turn, -lean] if swing == "along" else [lean, turn], axis=1)
    value, planes = _settled(own, first, kappa, w, bent)
    tip = TIP * bent / modes.at(0.0)[:, :1]
    planes = planes * (np.sum(planes * tip, axis=1) / np.sum(planes**2, axis=1))[:, None]
    force = value[:, None] * np.einsum("rip,rp->ri", first, planes)
    answer = np.einsum("rik,ri->rk", w, force) / (kappa - value[:, None])
    count, tines = len(K), len(planes)
    vectors = np.zeros((count + 2 * tines, tines), dtype=np.complex128)
    vectors[:count] = shape @ answer.T
    dof = np.full(modes.frequency.shape, -1, dtype=np.int64)
    dof[:, :, 0] = count + np.arange(2 * tines).reshape(tines, 2)
    vectors[dof[:, :, 0], np.arange(tines)[:, None]] = planes
    return ModalModel(
        pole=1j * np.sqrt(value),
        vectors=vectors.astype(np.complex64),
        tine_dof=dof,
        axial_dof=np.full((tines, 1), -1, dtype=np.int64),
        bar_count=len(bar_modes.frequency),
        board_count=count - len(bar_modes.frequency),
        coupling=np.zeros((count, 0)),
        tines=modes,
        bar=bar_modes,
        bases=bases,
        board=standing,
    )


def _damped(K: Array, loss: Array, M: Array) -> tuple[Complex, Complex]:
    """The carrier's complex kappa (Mc,) and shapes (Mc, Mc)."""
    inverse = np.linalg.inv(np.linalg.cholesky(M))
    squared, v = np.linalg.eigh(inverse @ K @ inverse.T)
    real = inverse.T @ v
    kappa, y = complex_modes(np.maximum(squared, 0.0), real.T @ loss @ real)
    return kappa, real @ y


def _settled(own: Complex, first: Array, kappa: Complex, w: Complex, bent: Array) -> tuple[Complex, Complex]:
    """lambda (R,) and the two planes' shares (R, 2) of the fundamental that swings most the way it is `bent`."""
    value = own[:, 0].copy()
    g = np.swapaxes(first, 1, 2) @ w  # (R, 2, Mc)
    for step in range(ROUNDS):
        answer = (g / (kappa - value[:, None])[:, None]) @ np.swapaxes(g, 1, 2)
        matrix = -(value[:, None, None] ** 2) * answer
        matrix[:, [0, 1], [0, 1]] += own
        values, vectors = np.linalg.eig(matrix)
        best = np.argmax(np.abs(np.einsum("rpn,rp->rn", vectors, bent)), axis=1)
        found = np.take_along_axis(values, best[:, None], axis=1)[:, 0]
        value = (
            found if step < ROUNDS // 2 else (value + found) / 2.0
        )  # near a mode of the carrier it may swing
    return value, np.take_along_axis(vectors, best[:, None, None], axis=2)[:, :, 0]
