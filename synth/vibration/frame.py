"""A frame of beams in space: nodes, elements, point masses, springs; its matrices and its modes.

In: a `Frame`. Out: dense stiffness and mass (6 B, 6 B), and the modes of the pair. Freedom 6 b + i is the
displacement (i < 3) or rotation (i >= 3) of node b in global axes.

An element end, a mass or a spring may sit on a rigid arm r from its node; it then moves as the rigid body does,

    u_end = u_node + theta_node x r,    theta_end = theta_node

which is how a tine stands on the bar's face and how rigid links are made, without extra freedoms.
"""

from __future__ import annotations

import math
from dataclasses import field
from typing import Final

import numpy as np
import numpy.typing as npt

from synth.arrays import Array, Indices
from synth.frozen import frozen
from synth.vibration.beam import FREEDOMS, frame_element
from synth.vibration.section import Properties

MANY: Final = 400  # freedoms, from which on the narrowness of a mass matrix's factor pays
STRIP: Final = 24  # rows at once


def _no_arm() -> Array:
    return np.zeros(3)


@frozen
class PointMass:
    """A rigid body on a node: kg, inertia (3, 3) about its own centre in global axes, kg m², arm (3,) in m."""

    node: int
    mass: float
    inertia: Array = field(default_factory=lambda: np.zeros((3, 3)))
    arm: Array = field(default_factory=_no_arm)


@frozen
class Spring:
    """A spring from a node to the ground, or to an `other` node; both arms lead to where it is.

    `stiffness` (6, 6) in global axes, N/m, N, N m/rad; symmetric.
    """

    node: int
    stiffness: Array
    arm: Array = field(default_factory=_no_arm)
    other: int | None = None
    other_arm: Array = field(default_factory=_no_arm)


@frozen
class Frame:
    """Beams in space. Each field of `beam` is one number for all elements or (E,)."""

    node: Array  # (B, 3) m
    element: Indices  # (E, 2) the nodes at its ends
    up: Array  # (E, 3) any direction not along the element; local z lies in its plane with the element
    beam: Properties
    arm: Array | None = None  # (E, 2, 3) rigid arms from the nodes to the element's ends; None: none
    masses: tuple[PointMass, ...] = ()
    springs: tuple[Spring, ...] = ()


@frozen
class FrameModes:
    """Undamped modes: `frequency` (M,) in Hz, rising; `shape` (D, M), mass-normalised, kg^-1/2."""

    frequency: Array
    shape: Array


def rigid_arm(arm: Array) -> Array:
    """The matrix (..., 6, 6) that takes a node's motion to that of a point at `arm` (..., 3) fixed to it."""
    r = np.asarray(arm, dtype=float)
    move = np.zeros((*r.shape[:-1], 6, 6))
    move[..., range(6), range(6)] = 1.0
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):  # (theta x r)_i = theta_j r_k - theta_k r_j
        move[..., i, 3 + j] = r[..., k]
        move[..., i, 3 + k] = -r[..., j]
    return move


def local_axes(tangent: Array, up: Array) -> Array:
    """The right-handed axes (..., 3, 3), rows: along the beam, to the side, up."""
    x = _unit(tangent)
    y = _unit(np.cross(up, x))
    return np.stack([x, y, np.cross(x, y)], axis=-2)


@frozen
class Entries:
    """What a frame's matrices are summed from: N entries, of which several may be at one place."""

    size: int  # D, freedoms
    row: Indices  # (N,)
    column: Indices  # (N,)
    stiffness: Array  # (N,)
    mass: Array  # (N,)

    def within(self, freedoms: Indices) -> tuple[Array, Array]:
        """Stiffness and mass, dense (d, d), of these freedoms (d,) with all others left out."""
        place = np.full(self.size, -1)
        place[freedoms] = np.arange(len(freedoms))
        row, column = place[self.row], place[self.column]
        inside = np.flatnonzero((row >= 0) & (column >= 0))
        position, shape = len(freedoms) * row[inside] + column[inside], (len(freedoms), len(freedoms))
        K, M = (
            np.asarray(np.bincount(position, each[inside], shape[0] ** 2).reshape(shape), dtype=float)
            for each in (self.stiffness, self.mass)
        )
        return K, M


def entries(frame: Frame) -> Entries:
    """Those of its elements, masses and springs, nothing held."""
    parts = [(_freedoms(frame.element).reshape(len(frame.element), -1), *_elements(frame))]
    for body in frame.masses:
        own = _body(body)[None]
        parts.append((_freedoms(np.array([body.node])), np.zeros_like(own), own))
    for spring in frame.springs:
        at, own = _spring(spring)
        parts.append((at[None], own[None], np.zeros_like(own)[None]))
    row = [np.broadcast_to(at[:, :, None], own.shape).ravel() for at, own, _ in parts]
    column = [np.broadcast_to(at[:, None, :], own.shape).ravel() for at, own, _ in parts]
    return Entries(
        size=FREEDOMS * len(frame.node),
        row=np.concatenate(row),
        column=np.concatenate(column),
        stiffness=np.concatenate([own.ravel() for _, own, _ in parts]),
        mass=np.concatenate([own.ravel() for _, _, own in parts]),
    )


def matrices(frame: Frame) -> tuple[Array, Array]:
    """The frame's stiffness and mass, dense, symmetric, (6 B, 6 B), nothing held."""
    found = entries(frame)
    return found.within(np.arange(found.size))


def solve(
    K: Array, M: Array, *, held: npt.ArrayLike = (), count: int | None = None, highest_hz: float = math.inf
) -> FrameModes:
    """The modes of a symmetric pair, M positive definite on the freedoms not `held` (indices into D).

    Rigid modes come out as frequencies at or near 0; `count` and `highest_hz` cut the list at its upper end.
    Rounding is a share of the largest omega²: a spring far stiffer than the beams takes digits from low modes.
    """
    size = len(K)
    free = np.delete(np.arange(size), np.asarray(held, dtype=np.int64))
    if len(free) < size:
        K, M = (each[np.ix_(free, free)] for each in (K, M))
    # numpy alone: `check` waits for no other library here
    factor = np.asarray(np.linalg.cholesky(M), dtype=float)
    narrow = _Narrow(factor) if len(free) > MANY else None
    if narrow is None:
        inverse = np.linalg.inv(factor)
        standard = inverse @ K @ inverse.T
    else:
        standard = narrow.solved(narrow.solved(K).T)
    value, vector = np.linalg.eigh((standard + standard.T) / 2.0)
    frequency = np.sqrt(np.maximum(value, 0.0)) / (2.0 * math.pi)
    wanted = slice(0, min(int(np.searchsorted(frequency, highest_hz, side="right")), count or len(value)))
    shape = np.zeros((size, len(frequency[wanted])))
    shape[free] = inverse.T @ vector[:, wanted] if narrow is None else narrow.solved_back(vector[:, wanted])
    return FrameModes(frequency[wanted], shape)


class _Narrow:
    """A lower triangle L (D, D) with little left of its diagonal, as chains of elements have it, in strips.

    What is solved with it takes D² steps for each row's width instead of D³: of 2,400 freedoms half the time of
    their modes.
    """

    def __init__(self, factor: Array) -> None:
        starts = range(0, len(factor), STRIP)
        own = [slice(start, min(start + STRIP, len(factor))) for start in starts]
        begins = [int(np.argmax(np.any(factor[rows] != 0.0, axis=0))) for rows in own]
        self._strips = [
            (
                rows,
                slice(begin, rows.start),
                factor[rows, begin : rows.start],
                np.linalg.inv(factor[rows, rows]),
            )
            for rows, begin in zip(own, begins, strict=True)
        ]

    def solved(self, right: Array) -> Array:
        """X (D, N) of L X = right."""
        found = np.empty(right.shape)
        for rows, before, left, inverse in self._strips:
            found[rows] = inverse @ (right[rows] - left @ found[before])
        return found

    def solved_back(self, right: Array) -> Array:
        """X (D, N) of L' X = right."""
        found = right.copy()
        for rows, before, left, inverse in reversed(self._strips):
            found[rows] = inverse.T @ found[rows]
            found[before] -= left.T @ found[rows]
        return found


def _elements(frame: Frame) -> tuple[Array, Array]:
    """Element matrices (E, 12, 12) on the freedoms of the nodes, global axes."""
    arm = np.zeros((len(frame.element), 2, 3)) if frame.arm is None else frame.arm
    ends = frame.node[frame.element] + arm
    along = ends[:, 1] - ends[:, 0]
    axes = local_axes(along, frame.up)
    move = np.zeros((len(along), 12, 12))  # from the nodes' global freedoms to the ends' local ones
    for end in (0, 1):
        at = slice(6 * end, 6 * end + 6)
        turn = np.zeros((len(along), 6, 6))
        turn[:, :3, :3] = turn[:, 3:, 3:] = axes
        move[:, at, at] = turn @ rigid_arm(arm[:, end])
    K, M = frame_element(frame.beam, np.linalg.norm(along, axis=-1))
    back = move.swapaxes(-1, -2)
    return back @ K @ move, back @ M @ move


def _body(body: PointMass) -> Array:
    own = np.zeros((6, 6))
    own[range(3), range(3)] = body.mass
    own[3:, 3:] = body.inertia
    move = rigid_arm(body.arm)
    return np.asarray(move.T @ own @ move)


def _spring(spring: Spring) -> tuple[Indices, Array]:
    """The freedoms (n,) that it joins and its stiffness there (n, n)."""
    nodes, arms = [spring.node], [rigid_arm(spring.arm)]
    if spring.other is not None:
        nodes.append(spring.other)
        arms.append(-rigid_arm(spring.other_arm))
    move = np.concatenate(arms, axis=1)
    return _freedoms(np.array(nodes)).ravel(), np.asarray(move.T @ spring.stiffness @ move)


def _freedoms(node: Indices) -> Indices:
    return FREEDOMS * node[..., None] + np.arange(FREEDOMS)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))
