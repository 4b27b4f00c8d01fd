"""What the bar makes of a tine's pitch: the fundamental of each tine with the bar free and the other tines locked.

In: an instrument, then lengths, nuts and clamped modes as the lengths are sought. Out: mounted over clamped pitch
(R,). A locked tine still weighs on the bar, so all tines share one bar, loaded with their rigid masses. With its
modes kappa_k and motions w_k at a base, g the tine's pull on its base per acceleration, lambda = omega²:

    (Lambda - lambda) q = lambda g^T x,   x = T f,   f = lambda g q,   T = sum w_k w_k^T / (kappa_k - lambda)

The few bar modes nearest to the pitch are kept as unknowns beside the fundamental's two planes; all others, and the
tine's higher partials, change so little with lambda that they are taken at the last lambda. A small symmetric
eigenproblem a tine, all at once, ends in three rounds. Of its modes the fundamental "along the row" is the one in
which the tine swings most that way.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from synth.design.instrument import Instrument
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar
from synth.vibration.section import Array
from synth.vibration.structure import Bases, Indices, carried, nut_inertia, riding, rigid_inertia, stand
from synth.vibration.tine import TineModes

NEAREST: Final = (
    8  # bar modes kept as unknowns: two directions of bending, twist, suspension round about the pitch
)
ROUNDS: Final = 8
SETTLED: Final = 1e-10  # relative, of omega²

# the clamped modes of some tines (r,), which they are, all tines as rigid bodies (R, 6, 6) as `rigid_inertia` has
# them -> mounted over clamped pitch (r,)
Mounting = Callable[[TineModes, Indices, Array], Array]


def mounting(instrument: Instrument) -> Mounting:
    """How this instrument's bar moves its tines' pitches."""
    tines = instrument.tines
    bar = solve_bar(instrument.bar, [tine.place for tine in tines], highest_hz=COUPLED_HZ)
    bases = stand(tines, instrument.bar, bar)
    seats = _seats(bar, bases, nut_inertia(tines, instrument.bar, bases))

    def ratio(modes: TineModes, which: Indices, rigid: Array) -> Array:
        return np.asarray(_mounted_hz(seats, modes, which, rigid) / modes.frequency[:, 0, 0])

    return ratio


def mounted_hz(modes: TineModes, bar: BarModes, bases: Bases, *, nuts: Array) -> Array:
    """The mounted fundamentals (R,) along the row; `nuts` as for `couple`."""
    every = np.arange(len(modes.mass))
    return _mounted_hz(_seats(bar, bases, nuts), modes, every, rigid_inertia(modes))


@dataclass(frozen=True)
class _Seats:
    """What of the bar under R tines does not change with their lengths."""

    stiffness: Array  # (Mb,) the bare bar's omega²
    motion: Array  # (R, 6, Mb) of the bar's axis at the bases
    rows: Array  # (R, 6, 6) as `Bases.rows`
    nuts: Array  # (R, 6, 6)
    residual: Array  # (R, 4, 4) what the bar's modes above the last yield at each base


def _seats(bar: BarModes, bases: Bases, nuts: Array) -> _Seats:
    rows, here = bases.rows(), np.arange(len(bases.place))
    residual = rows[:, :4] @ bar.compliance[here, :, here] @ rows[:, :4].swapaxes(-1, -2)
    return _Seats(bar.stiffness, bar.at(bases.place), rows, nuts, residual)


def _mounted_hz(seats: _Seats, modes: TineModes, which: Indices, rigid: Array) -> Array:
    """The mounted fundamentals (r,) of the tines `which`, of these modes."""
    on_axis = seats.rows.swapaxes(-1, -2) @ rigid @ seats.rows + seats.nuts
    kappa, v = _loaded(seats.stiffness, carried(seats.motion, on_axis))
    w = seats.rows[which, :4] @ seats.motion[which] @ v
    g = pull(modes)  # (r, 4, 2, N)
    squared = (2.0 * math.pi * modes.frequency) ** 2
    stiffness = _softened(squared[:, :, 0], g[..., 0], seats.residual[which])
    lam = squared[:, 0, 0].copy()
    for _ in range(ROUNDS):
        before = lam
        value, share = _small_problem(lam, kappa, w, g, squared, stiffness)
        along = np.cos(modes.axis)[:, None] * share[:, 0] - np.sin(modes.axis)[:, None] * share[:, 1]
        lam = np.take_along_axis(value, np.argmax(along**2, axis=1)[:, None], axis=1)[:, 0]
        if np.all(np.abs(lam - before) <= SETTLED * lam):
            break
    return np.asarray(np.sqrt(lam) / (2.0 * math.pi))


def loaded_bar(modes: TineModes, bar: BarModes, bases: Bases, *, nuts: Array) -> tuple[Array, Array]:
    """omega² (Mb,) of the bar with all tines locked, and its modes (Mb, Mb) in those of the bare bar."""
    return _loaded(bar.stiffness, riding(bar.at(bases.place), bases, modes, nuts))


def pull(modes: TineModes) -> Array:
    """Force and moment on the base (R, 4, 2, N) per acceleration of each plane's partials."""
    g = np.zeros((len(modes.mass), 4, 2, modes.momentum.shape[1]))
    for p in (0, 1):
        g[:, 2 * p, p], g[:, 2 * p + 1, p] = modes.momentum, modes.moment
    return g


def _loaded(stiffness: Array, load: Array) -> tuple[Array, Array]:
    inverse = np.linalg.inv(np.linalg.cholesky(np.eye(len(stiffness)) + load))
    kappa, v = np.linalg.eigh((inverse * stiffness) @ inverse.T)
    return kappa, inverse.T @ v


def _softened(squared: Array, first: Array, residual: Array) -> Array:
    """The fundamental's stiffness (R, 2, 2) with that in series: flexibilities add."""
    flexibility = first.swapaxes(-1, -2) @ residual @ first
    flexibility[:, [0, 1], [0, 1]] += 1.0 / squared
    return np.asarray(np.linalg.inv(flexibility))


def _small_problem(
    lam: Array, kappa: Array, w: Array, g: Array, squared: Array, stiffness: Array
) -> tuple[Array, Array]:
    """Values (R, 2 + n) and vectors (R, 2 + n, 2 + n), first the fundamental's planes, with the rest at `lam`."""
    rows = np.arange(len(lam))[:, None]
    count = min(NEAREST, len(kappa))
    near = np.argpartition(np.abs(kappa - lam[:, None]), count - 1, axis=1)[:, :count]
    far = 1.0 / (kappa - lam[:, None])
    far[rows, near] = 0.0
    w_near = w[rows, :, near].swapaxes(-1, -2)  # (R, 4, n)
    T = (w * far[:, None, :]) @ w.swapaxes(-1, -2)
    first = g[..., 0]  # (R, 4, 2)
    higher = np.where(squared[..., 1:] > 0.0, 1.0 / (squared[..., 1:] - lam[:, None, None]), 0.0)
    Z = lam[:, None, None] ** 2 * np.einsum("ripn,rpn,rjpn->rij", g[..., 1:], higher, g[..., 1:])
    P = np.linalg.inv(np.eye(4) - T @ Z)
    matrix = np.zeros((len(lam), 2 + count, 2 + count))
    matrix[:, :2, :2] = stiffness - lam[:, None, None] ** 2 * (first.swapaxes(-1, -2) @ P @ T @ first)
    matrix[:, :2, 2:] = -lam[:, None, None] * (first.swapaxes(-1, -2) @ P @ w_near)
    matrix[:, 2:, :2] = matrix[:, :2, 2:].swapaxes(-1, -2)
    matrix[:, 2:, 2:] = -w_near.swapaxes(-1, -2) @ Z @ P @ w_near
    unknown = np.arange(2, 2 + count)
    matrix[:, unknown, unknown] += kappa[near]
    value, vector = np.linalg.eigh(matrix)
    return value, vector
