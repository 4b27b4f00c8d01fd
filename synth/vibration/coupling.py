"""The coupled matrices: tines in coordinates relative to their bases, bases riding on the host structure's modes.

In: the parts' own modes. Out: a `Structure`. The host structure is the bar, with a board where it stands on one.

    A point at height z on a tine moves by     a + theta z + sum phi_n(z) q_n
    where a, theta are the base's motion in the tine's plane: linear in the host structure's coordinates b by rows
    W.

    kinetic energy:   1/2 q'² + q' (g a' + l theta') + 1/2 [a' theta'] R [a' theta']^T,
                      g = int phi dm,  l = int (z phi dm + phi' dJ),  R = [[m, s], [s, J]]

R is the whole tine's rigid inertia. It must stay whole: q is relative, so taking a partial's own mass out of R
because "it vibrates" counts it twice. With W for all tines

    M = [[1 + W^T R W, B], [B^T, 1]],   B = W^T [g l],   K = [[K_bar, 0], [0, K_tine]]

are real, symmetric and M is positive: by Bessel's inequality g g^T + ... <= R. What the bar's modes above the cut
would still yield is not lost: bending and twist of the bar right at a root add to the root's own softness. It is
put in series with the root (the flexibility C against a root moment k q, k = l Lambda), which keeps M:

    K_tine = Lambda - k^T (C^-1 + k Lambda^-1 k^T)^-1 k
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence

import numpy as np

from synth.arrays import Array, Indices
from synth.cores import LARGE, all_cores, spread
from synth.design.instrument import Bar, Tine
from synth.frozen import frozen
from synth.vibration.axial import AxialModes
from synth.vibration.bar import BarModes, surface_distance
from synth.vibration.board_interface import StandingBoard
from synth.vibration.frame import rigid_arm
from synth.vibration.tine import TineModes


@frozen
class Bases:
    """Where R tines stand: places on the bar (R,); vectors (R, 3) in global axes."""

    position: Array
    arm: Array  # from the bar's axis to the clamp point
    along: Array  # unit vectors: along the row,
    across: Array  # across it,
    pointing: Array  # and the way the tine points; a right-handed set
    axis: Array  # (R,) rad from along to plane 0

    def rows(self) -> Array:
        """(R, 6, 6): the base's a and theta in plane 0, in plane 1, its motion and turn the way the tine points."""
        turn, lean = np.cos(self.axis)[:, None], np.sin(self.axis)[:, None]
        first, second = turn * self.along + lean * self.across, turn * self.across - lean * self.along
        rows = np.zeros((len(self.position), 6, 6))
        # (theta x z n).e = theta.(z n x e), and n, the way the tine points, x first = second, x second = -first
        rows[:, 0, :3], rows[:, 1, 3:] = first, second
        rows[:, 2, :3], rows[:, 3, 3:] = second, -first
        rows[:, 4, :3] = rows[:, 5, 3:] = self.pointing
        return np.asarray(rows @ rigid_arm(self.arm))


@frozen
class Structure:
    """The coupled matrices by blocks: Q tine freedoms, Mc host freedoms (the bar's modes, then the board's)."""

    tine_dof: Indices  # (R, 2, N) among the Q, -1 where there is no partial
    axial_dof: Indices  # (R, 2, Na)
    bar_count: int
    tine_stiffness: Array  # (Q, Q) s^-2
    tine_loss: Array  # (Q,) s^-2, K' is diagonal there
    host_mass: Array  # (Mc, Mc)
    host_stiffness: Array  # (Mc, Mc)
    host_loss: Array  # (Mc, Mc)
    coupling: Array  # (Mc, Q), B


def base_frames(tines: Sequence[Tine], bar: Bar, bar_modes: BarModes) -> Bases:
    """Where the tines stand on the bar: at its face, their clamp points within the base nuts."""
    position, face, axis = np.array([(t.position, t.face, t.split_axis) for t in tines]).T
    clamp = np.array([t.root.base_nut_height - t.root.added_length for t in tines])
    _, axes = bar_modes.frame_at(position)
    along, side, up = axes[:, 0], axes[:, 1], axes[:, 2]
    pointing = np.cos(face)[:, None] * up + np.sin(face)[:, None] * side
    arm = (surface_distance(bar.section, face) + clamp)[:, None] * pointing
    return Bases(position, arm, along, np.cross(pointing, along), pointing, axis)


def couple(
    modes: TineModes,
    axial: AxialModes,
    bar: BarModes,
    bases: Bases,
    *,
    nuts: Array,
    board: StandingBoard | None = None,
) -> Structure:
    """The structure's matrices; `nuts` (R, 6, 6) is what the base nuts weigh about the bar's axis."""
    motion = beside_board(bar.at(bases.position), board)  # (R, 6, Mc)
    rows = bases.rows()
    tine_dof, axial_dof = _number(modes, axial)
    squared, tine_loss, tine, force = _tine_blocks(modes, axial, tine_dof, axial_dof, rows)
    B = np.einsum("qi,qim->mq", force, motion[tine], optimize=True)
    K = _residual_flexibility(squared, force, tine, bar.compliance)
    Kc, loss = host_structure(bar, board)
    A = np.eye(len(Kc)) + added_mass(motion, bases, modes, nuts + spinning(axial, bases))
    return Structure(tine_dof, axial_dof, len(bar.frequency), K, tine_loss, A, Kc, loss, B)


def added_mass(motion: Array, bases: Bases, modes: TineModes, nuts: Array) -> Array:
    """The mass (Mc, Mc) that locked tines and base nuts add to a host structure that moves by `motion` (R, 6,
    Mc)."""
    rows = bases.rows()
    return added_rigid_mass(motion, rows.swapaxes(-1, -2) @ rigid_inertia(modes) @ rows + nuts)


def added_rigid_mass(motion: Array, rigid: Array) -> Array:
    """The mass (Mc, Mc) that rigid bodies (R, 6, 6) add to a host structure that moves them by `motion` (R, 6,
    Mc)."""
    flat = motion.reshape(-1, motion.shape[-1])
    return np.asarray(flat.T @ (rigid @ motion).reshape(flat.shape))


def rigid_inertia(modes: TineModes) -> Array:
    """The whole tine as a rigid body (R, 6, 6) in the base's motions (see `Bases.rows`), its own spin left out."""
    R = np.zeros((len(modes.mass), 6, 6))
    for p in (0, 2):
        R[:, p, p] = modes.mass
        R[:, p, p + 1] = R[:, p + 1, p] = modes.first_moment
        R[:, p + 1, p + 1] = modes.second_moment
    R[:, 4, 4] = modes.mass
    return R


def spinning(axial: AxialModes, bases: Bases) -> Array:
    """The tines' inertia about their own axes (R, 6, 6), global axes."""
    about = bases.rows()[:, 5]
    return np.asarray(about[:, :, None] * about[:, None, :] * axial.inertia[:, 1, None, None])


def nut_inertia(tines: Sequence[Tine], bar: Bar, bases: Bases) -> Array:
    """The base nuts' inertia (R, 6, 6) about the bar's axis, global axes; zero where a tine has none."""
    nuts = [tine.root.base_nut for tine in tines]
    mass, turning, half = np.array(
        [(0.0, 0.0, 0.0) if nut is None else (nut.mass, nut.rotary_inertia, nut.height / 2.0) for nut in nuts]
    ).T
    own = np.zeros((len(tines), 6, 6))
    own[:, range(3), range(3)], own[:, range(3, 6), range(3, 6)] = mass[:, None], turning[:, None]
    face = np.array([tine.face for tine in tines])
    height = surface_distance(bar.section, face) + half
    move = rigid_arm(height[:, None] * bases.pointing)
    return np.asarray(move.swapaxes(-1, -2) @ own @ move)


def root_forces(modes: TineModes, axial: AxialModes, rows: Array) -> tuple[Array, Array]:
    """Force and moment on the bar's axis per unit of a mode's acceleration: (R, 2, N, 6) and (R, 2, Na, 6)."""
    bending = np.stack(
        [
            modes.momentum[..., None] * rows[:, None, p]
            + modes.moment_participation[..., None] * rows[:, None, p + 1]
            for p in (0, 2)
        ],
        axis=1,
    )
    return bending, axial.momentum[..., None] * rows[:, 4:, None]


def _number(modes: TineModes, axial: AxialModes) -> tuple[Indices, Indices]:
    exists = np.broadcast_to(modes.exists[:, None, :], modes.frequency.shape)
    tine_dof = np.where(exists, np.cumsum(exists).reshape(exists.shape) - 1, -1)
    counted = np.cumsum(axial.exists).reshape(axial.exists.shape) - 1
    return tine_dof, np.where(axial.exists, counted + int(exists.sum()), -1)


def _tine_blocks(
    modes: TineModes, axial: AxialModes, tine_dof: Indices, axial_dof: Indices, rows: Array
) -> tuple[Array, Array, Indices, Array]:
    """Per tine freedom: its omega² (Q,), its loss (Q,), its tine (Q,), its force on the bar's axis (Q, 6)."""
    bends, straight = tine_dof >= 0, axial_dof >= 0
    bending, lengthwise = root_forces(modes, axial, rows)
    squared = (2.0 * math.pi * np.concatenate([modes.frequency[bends], axial.frequency[straight]])) ** 2
    loss = squared * np.concatenate([modes.loss_factor[bends], axial.loss_factor[straight]])
    tine = np.concatenate([np.nonzero(bends)[0], np.nonzero(straight)[0]])
    return squared, loss, tine, np.concatenate([bending[bends], lengthwise[straight]])


def _residual_flexibility(squared: Array, force: Array, tine: Indices, compliance: Array) -> Array:
    """K_tine with the roots softened by what the bar's higher modes yield; `force` (Q, 6) per acceleration."""
    count = len(compliance)
    C = compliance.reshape(6 * count, 6 * count)
    own = force * squared[:, None]
    members = [np.flatnonzero(tine == r) for r in range(count)]
    # a freedom pulls at its own root alone: k^T k / omega^2 has a block of six for each tine
    softened = np.eye(6 * count)
    for r, here in enumerate(members):
        root = slice(6 * r, 6 * r + 6)
        softened[:, root] += C[:, root] @ ((own[here] / squared[here, None]).T @ own[here])
    large = len(squared) > LARGE
    with all_cores() if large else contextlib.nullcontext():
        series = np.linalg.solve(softened, C)
    series = (series + series.T) / 2.0
    yielding, K = np.empty((6 * count, len(squared))), np.empty((len(squared), len(squared)))

    def yields(r: int) -> None:
        yielding[:, members[r]] = series[:, 6 * r : 6 * r + 6] @ own[members[r]].T

    def pulls(r: int) -> None:
        K[members[r]] = -own[members[r]] @ yielding[6 * r : 6 * r + 6]

    spread(yields, range(count), large=large)
    spread(pulls, range(count), large=large)
    K[np.diag_indices_from(K)] += squared
    return K


def host_structure(bar: BarModes, board: StandingBoard | None) -> tuple[Array, Array]:
    """Stiffness and loss of the host structure; its modes' own mass is 1."""
    if board is None:
        return np.diag(bar.stiffness), bar.loss
    squared = (2.0 * math.pi * board.modes.frequency) ** 2
    K = np.diag(np.concatenate([bar.stiffness, squared]))
    loss = np.zeros_like(K)
    first = len(bar.frequency)
    loss[:first, :first], loss[first:, first:] = bar.loss, board.modes.loss
    feet = board.feet
    spread = np.concatenate(
        [rigid_arm(feet.arm) @ bar.at(feet.position), -board.modes.foot_shape], axis=-1
    )  # (J, 6, Mc): how far each foot is pressed
    pressed = np.einsum("jim,ji,jin->jmn", spread, feet.stiffness, spread, optimize=True)
    return K + pressed.sum(axis=0), loss + np.einsum("j,jmn->mn", feet.loss_factor, pressed)


def beside_board(rows: Array, board: StandingBoard | None) -> Array:
    """Rows on the bar's modes as rows on the host structure's: the board's part is zero."""
    if board is None:
        return rows
    none = np.zeros((*rows.shape[:-1], len(board.modes.frequency)))
    return np.concatenate([rows, none], axis=-1)
