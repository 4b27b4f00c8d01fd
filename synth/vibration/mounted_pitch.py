"""What the bar makes of a tine's pitch: the fundamental of each tine with the bar free and the other tines locked.

In: an instrument, then lengths, nuts and clamped modes as the lengths are sought. Out: mounted over clamped pitch
(R,). A locked tine still weighs on the bar, so all tines share one bar, loaded with their rigid masses; the pitch
is that of the mode in which the tine's fundamental swings most along the row (`synth.vibration.single_tine`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar
from synth.vibration.coupling import Bases, added_rigid_mass, base_frames, nut_inertia, rigid_inertia
from synth.vibration.host import Host, free_tines, loaded, loaded_bar, own_residual
from synth.vibration.single_tine import along_row, fullest_squared
from synth.vibration.tine import TineModes

FREE_PARTIALS: Final = 3  # of the tine, free to move: with more the pitch moves by less than 0.01 cent

# the clamped modes of some tines (r,), which they are, all tines as rigid bodies (R, 6, 6) as `rigid_inertia` has
# them -> mounted over clamped pitch (r,)
Mounting = Callable[[TineModes, Indices, Array], Array]


def mounting(instrument: Instrument) -> Mounting:
    """How this instrument's bar moves its tines' pitches."""
    tines = instrument.tines
    bar = solve_bar(instrument.bar, [tine.position for tine in tines], highest_hz=COUPLED_HZ)
    bases = base_frames(tines, instrument.bar, bar)
    seats = _seats(bar, bases, nut_inertia(tines, instrument.bar, bases))

    def ratio(modes: TineModes, which: Indices, rigid: Array) -> Array:
        return np.asarray(_mounted_hz(seats, modes, which, rigid) / modes.frequency[:, 0, 0])

    return ratio


def mounted_hz(modes: TineModes, bar: BarModes, bases: Bases, *, nuts: Array) -> Array:
    """The mounted fundamentals (R,) along the row; `nuts` as for `couple`."""
    every = np.arange(len(modes.mass))
    return _mounted_hz(_seats(bar, bases, nuts), modes, every, rigid_inertia(modes))


def loaded_bar_hz(instrument: Instrument, modes: TineModes) -> Array:
    """The bar's modes in Hz, rising, with every tine locked on it: those that `mode_name` counts."""
    tines = instrument.tines
    bar = solve_bar(instrument.bar, [tine.position for tine in tines], highest_hz=COUPLED_HZ)
    bases = base_frames(tines, instrument.bar, bar)
    kappa, _ = loaded_bar(modes, bar, bases, nuts=nut_inertia(tines, instrument.bar, bases))
    return np.asarray(np.sqrt(kappa[kappa > 1.0]) / (2.0 * math.pi))


@frozen
class _Seats:
    """What of the bar under R tines does not change with their lengths."""

    stiffness: Array  # (Mb,) the bare bar's omega²
    motion: Array  # (R, 6, Mb) of the bar's axis at the bases
    rows: Array  # (R, 6, 6) as `Bases.rows`
    nuts: Array  # (R, 6, 6)
    residual: Array  # (R, 6, 6) what the bar's modes above the last yield at each base


def _seats(bar: BarModes, bases: Bases, nuts: Array) -> _Seats:
    return _Seats(bar.stiffness, bar.at(bases.position), bases.rows(), nuts, own_residual(bar, bases))


def _mounted_hz(seats: _Seats, modes: TineModes, which: Indices, rigid: Array) -> Array:
    """The mounted fundamentals (r,) of the tines `which`, of these modes."""
    on_axis = seats.rows.swapaxes(-1, -2) @ rigid @ seats.rows + seats.nuts
    kappa, v = loaded(np.diag(seats.stiffness), added_rigid_mass(seats.motion, on_axis))
    host = Host(kappa, seats.rows[which] @ seats.motion[which] @ v)
    tines = free_tines(modes, seats.residual[which], partials=FREE_PARTIALS)
    return np.asarray(np.sqrt(fullest_squared(host, tines, 0, along_row(modes.axis))) / (2.0 * math.pi))
