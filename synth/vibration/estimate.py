"""The same quarrels for much less work, for searches: the bar is solved once, then places are tried by the hundred.

In: the modes of the bare, free bar on a coarse mesh; an instrument of that bar with its groups and supports
wherever they are tried; a row whose tines keep the lengths they have. Out: `Meetings`. In the free bar's modes
(omega_i, phi_i) the supports' springs k_s and the locked tines' inertias R_t are small dense sums,

    (diag(omega²) + sum phi_s^T k_s phi_s) v = kappa (1 + sum phi_t^T R_t phi_t) v,

one symmetric problem of a hundred unknowns or two. What it leaves out: the free modes above the last one, and that
tines are tuned anew where they are moved to. It is to rank, not to tell: what is told is solved whole.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from synth.design.instrument import Bar, Instrument
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar, support_springs
from synth.vibration.quarrels import Meetings, meet
from synth.vibration.section import Array
from synth.vibration.structure import nut_inertia, riding, stand
from synth.vibration.tuning import Row


def free_bar(bar: Bar) -> BarModes:
    """The modes of the bare bar with nothing to hold it, the same for all places of tines and supports."""
    return solve_bar(dataclasses.replace(bar, supports=()), highest_hz=COUPLED_HZ)


def estimate(instrument: Instrument, row: Row, free: BarModes) -> Meetings:
    """What the row's partials meet where the instrument's groups and supports stand; `free` is of its bar."""
    bases = stand(instrument.tines, instrument.bar, free)
    motion = free.at(bases.place)
    stiffness, loss = _held(instrument.bar, free)
    mass = riding(motion, bases, row.modes, nut_inertia(instrument.tines, instrument.bar, bases))
    mass[np.diag_indices_from(mass)] += 1.0
    inverse = np.linalg.inv(np.linalg.cholesky(mass))
    kappa, u = np.linalg.eigh(inverse @ stiffness @ inverse.T)
    sounding = kappa > 1.0
    kappa, v = kappa[sounding], inverse.T @ u[:, sounding]
    lossy = np.einsum("ik,ik->k", v, loss @ v) / kappa
    moved = (bases.rows()[:, :4] @ motion) @ v
    return meet(row, np.sqrt(kappa) / (2.0 * math.pi), lossy, moved)


def _held(bar: Bar, free: BarModes) -> tuple[Array, Array]:
    """Stiffness and loss (Mb, Mb) of the bar on its supports, in the free bar's modes."""
    stiffness, material = np.diag(free.stiffness), bar.material.loss_factor
    loss = material * stiffness
    places = [support.place for support in bar.supports]
    _, axes = free.frame_at(places)
    for support, phi, own in zip(bar.supports, free.at(places), axes, strict=True):
        spring = phi.T @ support_springs(support, own) @ phi
        stiffness = stiffness + spring
        loss = loss + support.loss_factor * spring
    return stiffness, loss
