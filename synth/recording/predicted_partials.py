"""What the model says of one tine on its bar while all the others are held still, as when it is measured.

In: an instrument, the lengths and nuts of its tines. Out: frequencies and decay rates of each tine's partials, bar
included: every tine's whole mass rides on the bar, but only this one's own motions are left free. Of the modes of
that structure the two in which a partial moves most are its two planes, told by the way they swing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar
from synth.vibration.coupling import added_mass, base_frames, nut_inertia, spinning
from synth.vibration.host import Host, damped_host, free_tines, own_residual
from synth.vibration.single_tine import along_row, partial_modes
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import Trim

HIGHEST_PREDICTED: Final = 12_000.0  # Hz; recordings tell little of a tine above


@frozen
class PredictedPartials:
    """Partials of the asked-for tines, one row each, along the row and across it; absent ones are zero."""

    tine: NDArray[np.int_]  # (R,) index into the instrument's tines
    frequency: Array  # (R, 2, N) Hz
    decay_rate: Array  # (R, 2, N) 1/s

    def row(self, tine: int) -> int:
        """The row of an instrument's tine."""
        return int(np.flatnonzero(self.tine == tine)[0])


def bar_of(instrument: Instrument) -> BarModes:
    """The bar's modes with a node at every tine."""
    return solve_bar(instrument.bar, [tine.position for tine in instrument.tines], highest_hz=COUPLED_HZ)


def heard(
    instrument: Instrument,
    bar: BarModes,
    length: Array,
    trim: Trim,
    which: Sequence[int],
    *,
    partials: int | None = None,
) -> PredictedPartials:
    """The first so many partials (None: all) of these tines (indices), each with all others muted.

    Tines are as long as `length` (R,) says.
    """
    modes = solve_tines(instrument.tines, length, trim, HIGHEST_PREDICTED)
    bases = base_frames(instrument.tines, instrument.bar, bar)
    axial = solve_axial(instrument.tines, length, trim)
    nuts = nut_inertia(instrument.tines, instrument.bar, bases) + spinning(axial, bases)
    motion = bar.at(bases.position)
    kappa, v = damped_host(np.diag(bar.stiffness), bar.loss, added_mass(motion, bases, modes, nuts))
    rows = np.array(which, dtype=int)
    free = free_tines(modes, own_residual(bar, bases), axial=axial, lossy=True).take(rows)
    host = Host(kappa, bases.rows()[rows] @ motion[rows] @ v)
    frequency, decay_rate = np.zeros((2, len(rows), *modes.frequency.shape[1:]))
    for n in range(modes.frequency.shape[2])[:partials]:
        there = np.flatnonzero(modes.exists[rows, n])
        found = partial_modes(host.take(there), free.take(there), n)
        planes = found.both_planes(along_row(modes.axis[rows[there]]))
        pole = found.pole[np.arange(len(there))[:, None], planes]
        frequency[there, :, n], decay_rate[there, :, n] = pole.imag / (2.0 * np.pi), -pole.real
    return PredictedPartials(rows, frequency, decay_rate)
