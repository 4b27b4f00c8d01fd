"""What an opened design answers when it is asked: what will be built, and how it rings.

In: an instrument, its tuned tines, its modes. Out: `Check` and `Modes`, arrays of R tines and M modes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.many import many
from synth.units import MM
from synth.vibration.modal_model import energy_share
from synth.vibration.quarrels import sentence
from synth.vibration.solve import solve_quarrels, solve_row
from synth.workshop.overview import TineLine, Totals, tine_lines, totals

if TYPE_CHECKING:
    from synth.sound.render import Scene


@frozen(repr=False)
class Check:
    """What will be built, as `tinewright check` tells it.

    `name` of the design; `tines` one a tine in the order they stand (`synth.workshop.overview.TineLine`), lengths
    in mm, pitches in Hz and cents; `warnings` what is possible but unwise; `quarrels` a sentence for each partial
    and bar mode too near each other, the worst first; `totals` rod in m by stock, nuts, masses in g and kg.
    """

    name: str
    tines: tuple[TineLine, ...]
    warnings: tuple[str, ...]
    quarrels: tuple[str, ...]
    totals: Totals

    @property
    def mounted_hz(self) -> Array:
        """Every tine's pitch (R,) in Hz as it sounds on the bar."""
        return np.array([each.mounted_hz for each in self.tines])

    @property
    def free_length_mm(self) -> Array:
        """Every tine's length (R,) in mm above its base nut."""
        return np.array([each.free_length_mm for each in self.tines])

    def __repr__(self) -> str:
        return (
            f"<Check of {self.name!r}: {many(len(self.tines), 'tine')}, {many(len(self.warnings), 'warning')}, "
            f"{many(len(self.quarrels), 'quarrel')}>"
        )


def check(instrument: Instrument) -> Check:
    """The check of an instrument. Raises `InputError` for what cannot be built."""
    row = solve_row(instrument)
    return Check(
        name=instrument.name,
        tines=tuple(tine_lines(instrument, row)),
        warnings=(*instrument.warnings, *row.warnings),
        quarrels=tuple(sentence(instrument, each) for each in solve_quarrels(instrument, row)),
        totals=totals(instrument, row),
    )


@frozen(repr=False, eq=False)
class Modes:
    """How the whole rings: M modes of R tines with the bar and, heard through a board, with the board.

    Planes have length 2: along the row, across it. nan stands where a tine has no partial or no target.
    `tines` names them in the order they stand, group and number: "D3.1"; `through` is what they are heard through.
    `frequency_hz` (M,) Hz rising, `decay_s` (M,) s to fall by 60 dB, infinite for what loses nothing.
    `tine_share` (M, R, 2) is what part of a mode's strain energy is each tine's by plane, 0 to 1; the rest is the
    bar's and board's. `clamped_hz` (R, 2, N) Hz and `clamped_decay_s` (R, 2, N) s are the partials on an immovable
    bar. `mounted_hz` (R,) Hz is the pitch as it sounds on the bar, `target_hz` (R,) Hz the one wanted,
    `free_length_mm` (R,) mm the length above the base nut.
    """

    through: str
    tines: tuple[str, ...]
    frequency_hz: Array
    decay_s: Array
    tine_share: Array
    clamped_hz: Array
    clamped_decay_s: Array
    mounted_hz: Array
    target_hz: Array
    free_length_mm: Array

    def __repr__(self) -> str:
        low, high = self.frequency_hz[[0, -1]]
        return (
            f"<Modes through {self.through}: {len(self.frequency_hz)} from {low:.1f} to {high:.0f} Hz, "
            f"{many(len(self.tines), 'tine')}>"
        )


def modes(scene: Scene) -> Modes:
    """The modes of an instrument as it is heard."""
    row, model, instrument = scene.row, scene.model, scene.instrument
    there = row.modes.exists[:, None, :]
    return Modes(
        through=scene.through,
        tines=tuple(f"{instrument.groups[each.group].name}.{each.number}" for each in instrument.tines),
        frequency_hz=model.frequency,
        decay_s=model.decay,
        tine_share=energy_share(model)[0],
        clamped_hz=np.where(there, row.modes.frequency, np.nan),
        clamped_decay_s=np.where(there, row.modes.decay, np.nan),
        mounted_hz=np.array(row.mounted_hz),
        target_hz=np.array(row.target_hz),
        free_length_mm=row.length / MM,
    )
