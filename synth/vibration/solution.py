"""The solved instrument, kept in the cache: its row of tuned tines, and its modes with or without a board.

In: an instrument. Out: a `Row`, a `ModalModel`. This is where rooms below take them from.
"""

from __future__ import annotations

from synth.design.instrument import Instrument
from synth.vibration.assembly import ModalModel, assemble
from synth.vibration.mounting import mounting
from synth.vibration.tuning import Row, tune


def solve_row(instrument: Instrument, *, fresh: bool = False) -> Row:
    """Every tine's length, nuts and partials. Raises `InputError` for what cannot be built."""
    return tune(instrument, mounting(instrument))


def solve_model(instrument: Instrument, row: Row, *, fresh: bool = False) -> ModalModel:
    return assemble(instrument.tines, row.length, row.trim, bar=instrument.bar)
