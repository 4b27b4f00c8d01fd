"""The coupled instrument: every tine, the bar and, where there is one, the board, as one set of modes.

In: tines with their lengths and nuts, a bar, perhaps a board that the bar stands on. Out: one frozen `ModalModel`.
The real symmetric eigenproblem K v = omega² M v is one for all tines (`eigen`; a large one is solved band by band,
`bands`), so tines tuned alike come out as the collective modes they form. Then the losses. In the real modes they
are K' projected, V^T K' V = D, and

    (Omega² + jD) y = lambda y,     pole s = j sqrt(lambda),     shape = V y,    y^T y = 1.

Where D couples two modes by little of the distance between their omega², y is the mode itself and D's diagonal
gives its loss: the share of each part's energy (first-order perturbation; the error in the decay is of second
order). Modes that D couples by more, unison tines above all, are gathered in clusters and each cluster's complex
symmetric block is solved whole. D has no negative eigenvalue, so no pole grows.

A force enters a mode by how its point moves in it (`tip_shape`), reciprocally; a state of single tines by its
momentum in the mode, u = (M v) on the tine's freedoms (`tine_momentum`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.arrays import Array, Complex, Indices
from synth.design.instrument import Bar, PlacedNut, Tine
from synth.frozen import frozen
from synth.units import FALL
from synth.vibration.axial import solve_axial
from synth.vibration.bands import coupled_modes
from synth.vibration.bar import COUPLED_HZ, BarModes, solve_bar, standing_on
from synth.vibration.board_interface import StandingBoard
from synth.vibration.coupling import Bases, Structure, base_frames, couple, nut_inertia
from synth.vibration.eigen import damped_modes
from synth.vibration.frame import rigid_arm
from synth.vibration.tine import TineModes, solve_tines

HIGHEST_HZ: Final = 20_000.0  # above the tines' 18 kHz, so that a partial the bar pulls up is not lost
LOWEST_HZ: Final = 0.1  # a bar that nothing holds drifts: six motions at 0 Hz that make no sound


@frozen
class ModalModel:
    """The structure's free vibrations: M modes on D freedoms, the host structure's (bar, then board) before the
    tines'.

    Any displacement is Re(sum over m of vectors[:, m] a_m exp(pole_m t)) with modal amplitudes a (M,), complex.
    """

    pole: Complex  # (M,) s^-1, -sigma + j omega, by rising frequency
    vectors: NDArray[np.complex64]  # (D, M) kg^-1/2, v^T M v = 1 without conjugation
    tine_dof: Indices  # (R, 2, N) rows of `vectors`, -1 where there is no partial
    axial_dof: Indices  # (R, 2, Na) stretching and twisting
    bar_count: int
    board_count: int
    coupling: Array  # (bar and board, tines) the mass that couples them, kg^(1/2) kg^(1/2)
    tines: TineModes
    bar: BarModes
    bases: Bases
    board: StandingBoard | None

    @property
    def frequency(self) -> Array:
        """(M,) Hz."""
        return np.asarray(self.pole.imag / (2.0 * math.pi))

    @property
    def decay_rate(self) -> Array:
        """(M,) s^-1, sigma."""
        return -self.pole.real

    @property
    def decay(self) -> Array:
        """(M,) seconds to fall by 60 dB; infinite for what loses nothing."""
        sigma = self.decay_rate
        return np.divide(FALL, sigma, out=np.full_like(sigma, math.inf), where=sigma > 0.0)

    @property
    def bar_dof(self) -> slice:
        return slice(0, self.bar_count)

    @property
    def board_dof(self) -> slice:
        return slice(self.bar_count, self.bar_count + self.board_count)

    @property
    def host_dof(self) -> slice:
        return slice(0, self.bar_count + self.board_count)


def assemble(
    tines: Sequence[Tine],
    length: ArrayLike,
    trim: Sequence[Sequence[PlacedNut]],
    *,
    bar: Bar,
    board: StandingBoard | None = None,
    places: Sequence[float] = (),
    modes: TineModes | None = None,
) -> ModalModel:
    """The coupled modes of tines with free lengths (R,) and nuts on a bar, or on a bar that stands on a board.

    `modes` are these tines' clamped ones where somebody has them (`Row.modes`). `places` along the bar get a node
    of the mesh of their own, besides the tines', supports' and feet's.
    """
    if board is not None:
        bar = standing_on(bar, board.feet.position)
    feet = [] if board is None else board.feet.position.tolist()
    modes = solve_tines(tines, length, trim) if modes is None else modes
    bar_modes = solve_bar(
        bar, [tine.position for tine in tines], more=[*feet, *places], highest_hz=COUPLED_HZ
    )
    bases = base_frames(tines, bar, bar_modes)
    axial, nuts = solve_axial(tines, length, trim), nut_inertia(tines, bar, bases)
    return solve_structure(  # who solves the structure is the last to hold it
        couple(modes, axial, bar_modes, bases, nuts=nuts, board=board), modes, bar_modes, bases, board
    )


def solve_structure(
    structure: Structure, modes: TineModes, bar: BarModes, bases: Bases, board: StandingBoard | None = None
) -> ModalModel:
    """The modal model of coupled matrices."""
    squared, vectors = coupled_modes(structure, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ)
    host_count = len(structure.host_mass)
    structure = replace(structure, tine_stiffness=np.empty((0, 0)))  # as large as all that follows
    damped = damped_modes(squared, vectors, tine_loss=structure.tine_loss, host_loss=structure.host_loss)
    del vectors
    return ModalModel(
        pole=damped.pole,
        vectors=np.ascontiguousarray(damped.vectors),  # row by row, as tines are asked for
        tine_dof=np.where(structure.tine_dof >= 0, structure.tine_dof + host_count, -1),
        axial_dof=np.where(structure.axial_dof >= 0, structure.axial_dof + host_count, -1),
        bar_count=structure.bar_count,
        board_count=host_count - structure.bar_count,
        coupling=structure.coupling,
        tines=modes,
        bar=bar,
        bases=bases,
        board=board,
    )


def generalized_momentum(model: ModalModel, tine: int) -> Complex:
    """(M v) on a tine's existing bending partials (2N', M), plane 0 before plane 1."""
    rows, host_count = _rows(model, tine), model.host_dof
    own = slice(rows.start - host_count.stop, rows.stop - host_count.stop)
    # real times complex as real times real: half the work
    base = model.coupling[:, own].T @ model.vectors[host_count].view(np.float32)
    return np.asarray(model.vectors[rows] + base.view(np.complex128))


def tine_state(model: ModalModel, amplitude: ArrayLike, tine: ArrayLike) -> tuple[Array, Array]:
    """Displacement and velocity (S, 2, N) of tines (S,) in their own clamped modes.

    `amplitude` as of now (M,), or each tine's at a moment of its own (S, M). The sums are double: the last digits
    of single ones hang on how many threads add, and a contact that nearly missed would make that heard.
    """
    which = np.asarray(tine, dtype=np.int64)
    a = np.asarray(amplitude, dtype=np.complex128)
    if not a.any():  # before the first stroke; nothing has to be compiled for that
        return (*np.zeros((2, *model.tine_dof[which].shape)),)
    from synth.vibration.ring_sums import ring_parts, ring_sums

    a = np.ascontiguousarray(np.broadcast_to(a, (len(which), len(model.pole))))
    a.flags.writeable = False  # copied or not: what may be written to would be compiled once more
    both = np.empty((len(which), 2, 2 * len(model.pole)))
    ring_parts(a, model.pole, both)
    there = model.tine_dof[which] >= 0  # (S, 2, N)
    rows = [_rows(model, r) for r in which.tolist()]
    first, last = np.array([(each.start, each.stop) for each in rows], np.int64).reshape(-1, 2).T
    sums = np.zeros((len(which), 2, int((last - first).max(initial=0))))
    ring_sums(model.vectors.view(np.float32), first, last, both, sums)
    state = np.zeros((2, *there.shape))
    known = np.arange(sums.shape[2]) < (last - first)[:, None]
    state[0][there], state[1][there] = sums[:, 0][known], sums[:, 1][known]
    return state[0], state[1]


def _rows(model: ModalModel, tine: int) -> slice:
    """A tine's bending partials stand together, plane 0 before plane 1."""
    own = model.tine_dof[tine]
    own = own[own >= 0]
    first = int(own[0]) if len(own) else model.host_dof.stop  # of a stub too stiff to sound there are none
    return slice(first, first + len(own))


def tip_shape(
    model: ModalModel, depth: ArrayLike = 0.0, *, tine: ArrayLike | None = None
) -> NDArray[np.complex128]:
    """How tines (S,), all where none are named, move `depth` below their tips in every mode: (S, 2, M).

    Along and across the row, the whole motion, base and all, kg^-1/2; `depth` (R,) or one for all, m.
    """
    tines, bases = model.tines, model.bases
    which = np.arange(len(tines.tip)) if tine is None else np.asarray(tine, dtype=np.int64)
    below = np.broadcast_to(np.asarray(depth, dtype=float), tines.tip.shape)
    reach = (tines.tip - tines.height[:, 0] - below)[which, None]
    arm = bases.arm[which] + reach * bases.pointing[which]
    base = rigid_arm(arm)[:, :3] @ model.bar.at(bases.position[which])  # (S, 3, Mb)
    directions = np.stack([bases.along, bases.across], axis=1)[which]
    vectors = model.vectors.view(np.float32)  # real times complex as real times real: half the work
    flat = (directions @ base).astype(np.float32).reshape(-1, base.shape[-1])  # one product takes a quarter
    moved = (flat @ vectors[model.bar_dof]).reshape(*directions.shape[:2], -1)
    plane = np.zeros_like(moved)  # (S, 2, 2 M)
    for s, shape in enumerate(tines.at(below)[which].astype(np.float32)):
        for p, own in enumerate(model.tine_dof[which[s]]):
            rows = own[own >= 0]  # one after the other
            if len(rows):
                plane[s, p] = shape[: len(rows)] @ vectors[rows[0] : rows[-1] + 1]
    turned = np.einsum("rxp,rpm->rxm", _turn(bases.axis[which]), plane.view(np.complex64))
    return np.asarray(moved.view(np.complex64) + turned, dtype=np.complex128)


def bar_shape(model: ModalModel, position: float) -> NDArray[np.complex128]:
    """How the bar's axis moves at a place in every mode: (6, M), displacement and rotation in global axes."""
    return np.asarray(model.bar.at(position) @ model.vectors[model.bar_dof], dtype=np.complex128)


def board_shape(model: ModalModel) -> NDArray[np.complex64]:
    """The modes in the board's own coordinates (Mp, M): multiply a row of its mode shapes by it."""
    return model.vectors[model.board_dof]


def energy_share(model: ModalModel) -> tuple[Array, Array]:
    """What part of each mode's swing is each tine's, by plane (M, R, 2), and what part the bar's and board's (M,).

    By strain energy, in which the parts' own modes have no cross terms; together they make 1.
    """
    carried = [model.bar.frequency, *([] if model.board is None else [model.board.modes.frequency])]
    weight = (2.0 * math.pi * np.concatenate(carried)) ** 2
    bar = weight @ np.abs(model.vectors[model.host_dof]) ** 2
    rows = np.abs(model.vectors[np.maximum(model.tine_dof, 0)]) ** 2 * (model.tine_dof >= 0)[..., None]
    tines = np.einsum("rpnm,rpn->mrp", rows, (2.0 * math.pi * model.tines.frequency) ** 2, optimize=True)
    total = bar + tines.sum(axis=(1, 2))
    return tines / total[:, None, None], bar / total


def _turn(axis: Array) -> Array:
    """(R, 2, 2) from the principal planes to along and across."""
    c, s = np.cos(axis), np.sin(axis)
    return np.stack([np.stack([c, -s], axis=-1), np.stack([s, c], axis=-1)], axis=-2)
