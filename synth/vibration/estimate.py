"""The same quarrels for much less work, for searches: the bar is solved once, then places are tried by the hundred.

In: the modes of the bare, free bar on a coarse mesh; an instrument of that bar with its groups and supports
wherever they are tried; a row whose tines keep the lengths they have. Out: `Meetings`. In the free bar's modes
(omega_i, phi_i) the supports' springs k_s and the locked tines' inertias R_t are small dense sums,

    (diag(omega²) + sum phi_s^T k_s phi_s) v = kappa (1 + sum phi_t^T R_t phi_t) v,

one symmetric problem of a hundred unknowns or two. What the free modes above the last one would yield under a
support is put in series with its springs, (k_s^-1 + C)^-1: without that clamps are too stiff. Left out is
that tines are tuned anew where they are moved to. It is to rank, not to tell: what is told is solved whole.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Bar, Instrument
from synth.frozen import frozen
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar
from synth.vibration.coupling import added_mass, base_frames, nut_inertia
from synth.vibration.quarrels import Meetings, meet
from synth.vibration.tuning import Row

LOOKED_AT: Final = 33  # places along the bar at which it is asked what the left-out modes yield


@frozen(eq=False)
class FreeBar:
    """The bare bar with nothing to hold it, the same wherever tines and supports are tried."""

    modes: BarModes
    position: Array  # (S,) m
    compliance: Array  # (S, 6, 6) of the modes left out, in the bar's own axes there


def free_bar(bar: Bar) -> FreeBar:
    """The free bar of this path, section and steel."""
    position = np.linspace(0.0, bar.length, LOOKED_AT)
    modes = solve_bar(dataclasses.replace(bar, supports=()), position.tolist(), highest_hz=COUPLED_HZ)
    turn = _both(modes.frame_at(position)[1])
    compliance = turn @ modes.own_compliance @ turn.swapaxes(-1, -2)
    return FreeBar(modes, position, compliance)


def estimate(instrument: Instrument, row: Row, bar: FreeBar) -> Meetings:
    """What the row's partials meet where the instrument's groups and supports stand; `bar` is its own, set free."""
    free = bar.modes
    bases = base_frames(instrument.tines, instrument.bar, free)
    motion = free.at(bases.position)
    stiffness, loss = _held(instrument.bar, bar)
    mass = added_mass(motion, bases, row.modes, nut_inertia(instrument.tines, instrument.bar, bases))
    mass[np.diag_indices_from(mass)] += 1.0
    inverse = np.linalg.inv(np.linalg.cholesky(mass))
    kappa, u = np.linalg.eigh(inverse @ stiffness @ inverse.T)
    sounding = kappa > 1.0
    kappa, v = kappa[sounding], inverse.T @ u[:, sounding]
    lossy = np.einsum("ik,ik->k", v, loss @ v) / kappa
    moved = (bases.rows()[:, :4] @ motion) @ v
    return meet(row, np.sqrt(kappa) / (2.0 * math.pi), lossy, moved)


@functools.lru_cache(maxsize=4)
def _held(bar: Bar, free: FreeBar) -> tuple[Array, Array]:
    """Stiffness and loss (Mb, Mb) of the bar on its supports, in the free bar's modes; the same wherever groups
    stand."""
    stiffness, material = np.diag(free.modes.stiffness), bar.material.loss_factor
    loss = material * stiffness
    places = [support.position for support in bar.supports]
    turns = _both(free.modes.frame_at(places)[1])
    for support, phi, turn in zip(bar.supports, free.modes.at(places), turns, strict=True):
        own = turn @ phi
        C = free.compliance[np.argmin(np.abs(free.position - support.position))]
        series = np.linalg.inv(np.eye(6) + np.diag(support.springs) @ C)  # (k^-1 + C)^-1 = (1 + k C)^-1 k
        spring = own.T @ series @ np.diag(support.springs) @ own
        stiffness = stiffness + (spring + spring.T) / 2.0
        # of the energy of spring and bar in series, only the spring's is lost at its own rate
        lossy = own.T @ series @ np.diag(support.springs) @ series.T @ own
        loss = loss + material * (spring - lossy) + support.loss_factor * lossy
    return stiffness, loss


def _both(axes: Array) -> Array:
    """Axes (S, 3, 3) as the matrix (S, 6, 6) that turns displacement and rotation."""
    turn = np.zeros((len(axes), 6, 6))
    turn[:, :3, :3] = turn[:, 3:, 3:] = axes
    return turn
