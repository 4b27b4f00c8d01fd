"""What the model says of one tine on its bar while all the others are held still, as when it is measured.

In: an instrument, the lengths and nuts of its tines. Out: frequencies and decay rates of each tine's partials, bar
included: every tine's whole mass rides on the bar, but only this one's own motions are left free. Of the modes of
that structure the two in which a partial moves most are its two planes, told by the way they swing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.vibration.assembly import solve_structure
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar
from synth.vibration.section import Array
from synth.vibration.structure import Structure, couple, nut_inertia, stand
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import Trim

HIGHEST: Final = 12_000.0  # Hz; recordings tell little of a tine above


@dataclass(frozen=True)
class Heard:
    """Partials of the asked-for tines, one row each, along the row and across it; absent ones are zero."""

    tine: NDArray[np.int_]  # (R,) index into the instrument's tines
    frequency: Array  # (R, 2, N) Hz
    decay_rate: Array  # (R, 2, N) 1/s

    def row(self, tine: int) -> int:
        """The row of an instrument's tine."""
        return int(np.flatnonzero(self.tine == tine)[0])


def bar_of(instrument: Instrument) -> BarModes:
    """The bar's modes with a node at every tine."""
    return solve_bar(instrument.bar, [tine.place for tine in instrument.tines], highest_hz=COUPLED_HZ)


def heard(instrument: Instrument, bar: BarModes, length: Array, trim: Trim, which: Sequence[int]) -> Heard:
    """The partials of these tines (indices), each with all others muted, as long as the row says (R,)."""
    modes = solve_tines(instrument.tines, length, trim, HIGHEST)
    bases = stand(instrument.tines, instrument.bar, bar)
    axial = solve_axial(instrument.tines, length, trim)
    whole = couple(modes, axial, bar, bases, nuts=nut_inertia(instrument.tines, instrument.bar, bases))
    shape = (len(which), *modes.frequency.shape[1:])
    frequency, decay_rate = np.zeros(shape), np.zeros(shape)
    for row, tine in enumerate(which):
        model = solve_structure(_others_locked(whole, tine), modes, bar, bases)
        for n in np.flatnonzero(modes.exists[tine]):
            planes = _planes(model.vectors[model.tine_dof[0, :, n]], float(modes.axis[tine]))
            frequency[row, :, n] = model.frequency[planes]
            decay_rate[row, :, n] = model.decay_rate[planes]
    return Heard(np.array(which, dtype=int), frequency, decay_rate)


def _planes(moves: NDArray[np.complex64], axis: float) -> NDArray[np.int_]:
    """The two modes that a partial's own planes (2, M) move most in: first the one along the row."""
    along = np.cos(axis) * moves[0] - np.sin(axis) * moves[1]
    most = np.argsort(np.sum(np.abs(moves) ** 2, axis=0))[-2:]
    return most[np.argsort(-np.abs(along[most]))]


def _others_locked(whole: Structure, tine: int) -> Structure:
    """The structure in which only this tine's own freedoms are left; the others' mass stays on the bar."""
    bending, straight = whole.tine_dof[tine], whole.axial_dof[tine]
    kept = np.concatenate((bending[bending >= 0], straight[straight >= 0]))
    place = np.full(len(whole.tine_stiffness) + 1, -1)  # the last entry serves absent freedoms, -1
    place[kept] = np.arange(len(kept))
    return replace(
        whole,
        tine_dof=place[bending][None],
        axial_dof=place[straight][None],
        tine_stiffness=whole.tine_stiffness[np.ix_(kept, kept)],
        tine_loss=whole.tine_loss[kept],
        coupling=whole.coupling[:, kept],
    )
