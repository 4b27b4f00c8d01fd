"""The solved instrument, kept in the cache: its row of tuned tines, and its modes with or without a board.

In: an instrument. Out: a `Row`, `Quarrel`s and `Advice`, a `SolvedBoard`, a `ModalModel`. Rooms below take them
from here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

import msgspec

from synth.arrays import Array
from synth.cache import cached
from synth.cores import one_core
from synth.design.instrument import Instrument
from synth.design.schema import Design
from synth.errors import InputError
from synth.vibration.advice import Advice, advise
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import Quarrel, find_quarrels
from synth.vibration.tine import loss_shares
from synth.vibration.tuning import Row, tune

if TYPE_CHECKING:
    from synth.vibration.board import SolvedBoard
    from synth.vibration.modal_model import ModalModel

Solved = TypeVar("Solved")


def _solved(
    name: str, depends_on: object, solve: Callable[[], Solved], *, fresh: bool = False, scipy: bool = False
) -> Solved:
    """Kept, or solved on one core but for what is large."""

    def alone() -> Solved:
        with one_core(with_scipy=scipy):
            return solve()

    return cached(name, depends_on, alone, fresh=fresh)


def solve_row(instrument: Instrument, *, fresh: bool = False) -> Row:
    """Every tine's length, nuts and partials. Raises `InputError` for what cannot be built."""
    depends_on = (instrument.bar, instrument.groups, instrument.tines)
    try:
        return _solved("row", depends_on, lambda: tune(instrument, mounting(instrument)), fresh=fresh)
    except InputError as error:
        raise error.within(instrument.file) from None


def solve_quarrels(instrument: Instrument, row: Row, *, fresh: bool = False) -> tuple[Quarrel, ...]:
    """Where tines and bar disagree, the worst first."""
    depends_on = (instrument.bar, instrument.tines, row.length, row.trim)
    return _solved("quarrels", depends_on, lambda: find_quarrels(instrument, row), fresh=fresh)


def solve_advice(
    design: Design, instrument: Instrument, row: Row, quarrels: Sequence[Quarrel], *, fresh: bool = False
) -> Advice:
    """What would settle the worst of these quarrels; `design` is what the instrument was resolved from."""
    depends_on = (msgspec.to_builtins(design, enc_hook=float), tuple(quarrels))
    return _solved("advice", depends_on, lambda: advise(design, instrument, row, quarrels), fresh=fresh)


def solve_loss_shares(instrument: Instrument, row: Row, *, fresh: bool = False) -> dict[str, Array]:
    """What part of the first partials' loss (R, 2, 1) is due to which mechanism."""
    depends_on = (instrument.tines, row.length, row.trim)
    return _solved("losses", depends_on, lambda: loss_shares(instrument.tines, row.modes, 1), fresh=fresh)


def solve_board_of(instrument: Instrument, name: str, *, fresh: bool = False) -> SolvedBoard:
    """A board of the instrument with its feet under the bar."""
    from synth.vibration.board import solve_board

    board = instrument.boards[name]
    depends_on = (board, instrument.bar)
    return _solved("board", depends_on, lambda: solve_board(board, instrument.bar), fresh=fresh, scipy=True)


def solve_model(
    instrument: Instrument, row: Row, *, board: SolvedBoard | None = None, fresh: bool = False
) -> ModalModel:
    """The modes of tines and bar, on a board where one is given."""
    from synth.vibration.modal_model import assemble

    standing = None if board is None else board.standing
    places = [instrument.pickup.position]

    def solve() -> ModalModel:
        return assemble(
            instrument.tines,
            row.length,
            row.trim,
            bar=instrument.bar,
            board=standing,
            places=places,
            modes=row.modes,
        )

    depends_on = (instrument.bar, instrument.tines, row.length, row.trim, places, standing)
    return _solved("modes", depends_on, solve, fresh=fresh, scipy=True)
