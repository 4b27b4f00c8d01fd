"""What a board does to every note, foretold without solving the whole instrument.

In: an instrument, its row, a board or none. Out: `Foretold`, pitch, ring and level of every tine's fundamental; and
sentences where a board does to one what it does not do to all: it spends it (louder and short), kills, boosts or
drowns it.

Each tine is taken as if the others kept still: they ride on the host structure (bar, or bar and board) as locked
masses. Of the modes of that structure (`synth.vibration.single_tine`) the one that holds most of the fundamental's
swing along the row gives pitch, ring and, by the host structure's answer, sound: that of `bar_radiator` and
`board_radiator`. Unison tines share their energy, which only the whole model tells.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array, Complex
from synth.cache import cached
from synth.design.instrument import Instrument
from synth.design.schema import Swing
from synth.frozen import frozen
from synth.sound.radiator import ears
from synth.sound.radiator.bar import nearest_distance, rod_pressures
from synth.sound.radiator.board import board_pressures
from synth.units import decibels
from synth.vibration.bar import solve_bar, standing_on
from synth.vibration.board import SolvedBoard
from synth.vibration.coupling import added_mass, base_frames, beside_board, host_structure, nut_inertia
from synth.vibration.host import Host, damped_host, free_tines, own_residual
from synth.vibration.modal_model import ModalModel
from synth.vibration.mounted_pitch import FREE_PARTIALS
from synth.vibration.single_tine import PartialModes, along_row, partial_modes
from synth.vibration.solve import solve_board_of
from synth.vibration.tuning import Row

TIP: Final = 1e-3  # m, by which every tine is bent along the row and let go
CARRIER_HZ: Final = 8000.0  # twice the highest fundamental of a 20 mm tine
ALONE: Final = (
    "Levels and gains are of fundamentals alone, unweighted, as they start: not the dB(A) of a stroke, which is "
    "mostly its attack and its upper partials."
)
VERDICTS: Final = ("spends", "kills", "boosts", "drowns")  # spends: louder than others and soon over
KILLED: Final = 0.5  # a ring so much shorter is heard as a dead note; common practice, no published source
BOOSTED: Final = (
    10.0  # dB above the board's usual gain: twice as loud as its neighbours (a sone doubles in 10 phon)
)
DROWNED: Final = -6.0  # dB: half the pressure of the bar alone, which board and bar take from each other
REFERENCE: Final = 20e-6  # Pa


@frozen
class Foretold:
    """Every tine's fundamental, let go from a tip bent by `TIP` along the row."""

    frequency: Array  # (R,) Hz
    decay: Array  # (R,) s to fall by 60 dB
    level: Array  # (R,) dB SPL at the listener, the partial at its start, both ears' mean power


@frozen
class BoardEffect:
    """What a board changes for the fundamentals of one group: means over its tines."""

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
    return cached("foretold", depends_on, solve, fresh=fresh)


def effect_warnings(instrument: Instrument, row: Row, *, fresh: bool = False) -> list[str]:
    """Where the boards of the design would kill, drown or boost notes."""
    if not instrument.boards:
        return []
    bar = solve_foretold(instrument, row, None, fresh=fresh)
    return [
        each
        for name in instrument.boards
        for each in sentences(instrument, name, bar, solve_foretold(instrument, row, name, fresh=fresh))
    ]


def changes(instrument: Instrument, bar: Foretold, board: Foretold) -> list[BoardEffect]:
    """Group by group, what the board does."""
    found = []
    for group in instrument.groups:
        own = group.tines
        found.append(
            BoardEffect(
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
    """What a board does to fundamentals out of the common run: a sentence a group and verdict, a tine only once."""
    gain, shorter = board.level - bar.level, bar.decay / board.decay
    worst = {"spends": shorter, "kills": shorter, "boosts": gain, "drowns": -gain}
    verdicts, said = _verdicts(bar, board), []
    for group in instrument.groups:
        for verdict, much in worst.items():
            own = [r for r in range(group.first, group.first + group.count) if verdicts[r] == verdict]
            if own:
                what = _told(verdict, bar, board, max(own, key=lambda r: float(much[r])))
                tines = _tines(instrument, own)
                said.append(
                    f"board '{name}', group '{group.name}' {verdict} the fundamental of {tines}: {what}"
                )
    return said


def _verdicts(bar: Foretold, board: Foretold) -> list[str]:
    """One for each tine; empty where the board does what it does to all."""
    gain = board.level - bar.level
    dead, loud = board.decay / bar.decay < KILLED, gain > float(np.median(gain)) + BOOSTED
    chosen = np.select([dead & loud, dead, loud, gain < DROWNED], VERDICTS, default="")
    return [str(each) for each in chosen]


def _told(verdict: str, bar: Foretold, board: Foretold, r: int) -> str:
    gain = board.level[r] - bar.level[r]
    rings = f"rings {board.decay[r]:.1f} s instead of {bar.decay[r]:.1f} s"
    gains = f"gains {gain:.0f} dB where the others gain {np.median(board.level - bar.level):.0f}"
    words = {
        "spends": f"{gains} and {rings}",
        "kills": rings,
        "boosts": gains,
        "drowns": f"loses {-gain:.0f} dB",
    }
    return f"{board.frequency[r]:.0f} Hz {words[verdict]}"


def _tines(instrument: Instrument, which: list[int]) -> str:
    numbers = [str(instrument.tines[r].number) for r in which]
    return f"tine {numbers[0]}" if len(numbers) == 1 else f"tines {', '.join(numbers)}"


def _each_alone(instrument: Instrument, row: Row, board: SolvedBoard | None, swing: Swing) -> ModalModel:
    """A model of R modes: the r-th is tine r's fundamental, plucked by `TIP`, with the host structure's answer to
    it."""
    standing = None if board is None else board.standing
    bar = instrument.bar if standing is None else standing_on(instrument.bar, standing.feet.position)
    feet = [] if standing is None else standing.feet.position.tolist()
    places = [tine.position for tine in instrument.tines]
    modes, bar_modes = row.modes, solve_bar(bar, places, more=feet, highest_hz=CARRIER_HZ)
    bases = base_frames(instrument.tines, bar, bar_modes)
    motion = beside_board(bar_modes.at(bases.position), standing)
    K, loss = host_structure(bar_modes, standing)
    kappa, shape = damped_host(
        K, loss, added_mass(motion, bases, modes, nut_inertia(instrument.tines, bar, bases))
    )
    host = Host(kappa, bases.rows() @ motion @ shape)
    free = free_tines(modes, own_residual(bar_modes, bases), partials=FREE_PARTIALS, lossy=True)
    along = along_row(modes.axis)
    bent = along if swing == "along" else np.stack([-along[:, 1], along[:, 0]], axis=1)
    value, planes, force = _plucked(partial_modes(host, free, 0), bent, TIP / modes.at(0.0)[:, 0])
    answer = np.einsum("rik,ri->rk", host.motion, force) / (kappa - value[:, None])
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


def _plucked(found: PartialModes, bent: Array, size: Array) -> tuple[Complex, Complex, Complex]:
    """omega² (R,), planes (R, 2) and force on the base (R, 6) of the mode that holds most of a tine bent by `bent`.

    As large as if it held all of that bend, `size` (R,): what near modes share is the whole model's to tell.
    """
    own = np.arange(len(bent)), found.fullest(bent)
    value, planes, force = found.squared[own], found.planes[own], found.force[own]
    scale = (size * np.sum(planes * bent, axis=1) / np.sum(planes**2, axis=1))[:, None]
    return value, planes * scale, force * scale
