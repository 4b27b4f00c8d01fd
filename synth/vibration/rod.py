"""Stacked upright rods with nuts: many of them solved at once, as arrays; it knows no instrument.

In: `Rods`, one row a rod, SI. Out: `RodModes`, or just the lowest few frequencies. The one idea: rods with the
same number of elements form one stack of matrices, and the flexibility form is what is diagonalised,

    x = X y,   (X' M X) y = y / omega²,

whose largest eigenvalues are the lowest modes. X needs no stiffness matrix: nothing holds a rod but its root, so
its static flexibility X X' is the sum of what its pieces yield to a force and a moment from above, and what is
above rides on them (the unit-load method). Of energy y²/2 each, a piece of length h, bending stiffness B and shear
stiffness S yields by

    w = (h/S + h³/12B)^(1/2) y_1 + h/2 (h/B)^(1/2) y_2,    theta = (h/B)^(1/2) y_2

and the root by its springs, a clamped one not at all. All digits are kept where a short element lies beside long
ones.

    z = -added_length    0 (base nut's upper face)     nut: mass, inertia, rigid piece    z = length
    clamp or springs ////|-------+--------+--------+--------[ o ]--------+--------+--------| free tip
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from synth.arrays import Array, Bools, Indices
from synth.cores import halved
from synth.frozen import frozen
from synth.vibration.beam import elements_for, plane_element, wave_number

FREQUENCY_ERROR: Final = (
    1.4e-4  # a quarter of a cent, for partials at the upper limit; the lower ones have less
)
# Elements at least, and enough for the lowest partial alone: 12 leave 0.026 cent on stubby rods, 16 leave 0.011.
_COARSE: Final = 16
_CLOSEST: Final = (
    1e-3  # of a rod's length: nodes closer than this are one, or rounding would spoil the stiffness
)
_SOFTEST: Final = (
    0.01  # of the rod's compliance left in a perfectly gripped piece: 0.3 cent from rigid at most
)
_BUCKET: Final = 4  # element counts are rounded up to a multiple of this, so that few stacks are needed


@frozen
class Rods:
    """U round rods. Per rod (U,); per nut (U, J), where a missing nut has no mass and no stiffness."""

    bend: Array  # E I, N m²
    shear: Array  # k G A, N
    mass: Array  # per length, kg/m
    rotary: Array  # rho I, kg m
    length: Array  # from the base nut's upper face
    added: Array  # below it
    translation: Array  # N/m, infinite when clamped
    rotation: Array  # N m/rad
    nut_height: Array  # of the nut's middle above the base nut's upper face
    nut_mass: Array
    nut_inertia: Array
    nut_piece: Array  # length of the piece it stiffens
    nut_compliance: Array  # bending compliance left there, 1 for none of the nut's stiffness

    def take(self, rows: Indices) -> Rods:
        """These rods, in this order, repeated where a row is named twice."""
        return Rods(**{each.name: getattr(self, each.name)[rows] for each in fields(self)})

    def table(self) -> Array:
        """All numbers (U, columns): equal rows are identical rods."""
        return np.column_stack([getattr(self, each.name) for each in fields(self)])

    def keys(self, *more: Array) -> list[bytes]:
        """All numbers of each rod and `more` (U,) besides: equal keys are identical rods.

        Nuts beyond the tip that weigh nothing are none.
        """
        own = [getattr(self, each.name) for each in fields(self)]
        line = np.column_stack([each for each in (*own, *more) if each.ndim == 1])
        nuts = np.stack([each for each in own if each.ndim == 2], axis=2)  # (U, J, 5)
        there = (self.nut_mass > 0.0) | (self.nut_inertia > 0.0) | (self.nut_compliance < 1.0)
        there |= self.nut_height < self.length[:, None]
        return [row.tobytes() + own[held].tobytes() for row, own, held in zip(line, nuts, there, strict=True)]


@frozen
class RodModes:
    """Modes (U, N, ...) at nodes (U, K), mass-normalised and positive at the tip. What is absent is zero;
    nodes a rod does not have repeat its tip. Moments are about z = -added."""

    exists: Bools
    frequency: Array
    height: Array
    shape: Array
    slope: Array
    momentum: Array  # int phi dm
    moment_participation: Array  # int (z + added) phi dm + the turning of sections and nuts
    mass: Array
    first_moment: Array
    second_moment: Array

    def one(self, rod: int) -> RodModes:
        """A rod by itself: (N, ...), as many modes (1 or more) and nodes as it has."""
        modes = max(int(self.exists[rod].sum()), 1)
        nodes = int(np.argmax(self.height[rod] == self.height[rod, -1])) + 1
        return RodModes(
            exists=self.exists[rod, :modes].copy(),
            frequency=self.frequency[rod, :modes].copy(),
            height=self.height[rod, :nodes].copy(),
            shape=self.shape[rod, :modes, :nodes].copy(),
            slope=self.slope[rod, :modes, :nodes].copy(),
            momentum=self.momentum[rod, :modes].copy(),
            moment_participation=self.moment_participation[rod, :modes].copy(),
            mass=self.mass[rod].copy(),
            first_moment=self.first_moment[rod].copy(),
            second_moment=self.second_moment[rod].copy(),
        )


@frozen
class _Mesh:
    rows: Indices
    nodes: Array  # (u, E + 1)
    compliance: Array  # (u, E)


def solve_rods(rods: Rods, highest: ArrayLike) -> RodModes:
    """All modes up to `highest` Hz, one limit for all rods or one each (U,)."""
    return rods_together(solve_each(rods, highest))


def solve_each(rods: Rods, highest: ArrayLike) -> list[RodModes]:
    """The same, each rod by itself (`RodModes.one`)."""
    limit = np.broadcast_to(np.asarray(highest, dtype=float), rods.length.shape)
    parts = [part for mesh in _meshes(rods, limit) for part in _modes(rods.take(mesh.rows), mesh, limit)]
    ones = {row: modes.one(place) for rows, modes in parts for place, row in enumerate(rows.tolist())}
    return [ones[row] for row in range(len(limit))]


def rods_together(ones: Sequence[RodModes]) -> RodModes:
    """Rods by themselves (`RodModes.one`) as one set of arrays."""
    rods, modes = len(ones), max(len(each.exists) for each in ones)
    nodes = max(len(each.height) for each in ones)
    height, (shape, slope) = np.empty((rods, nodes)), np.zeros((2, rods, modes, nodes))
    exists, (frequency, momentum, twist) = np.zeros((rods, modes), dtype=bool), np.zeros((3, rods, modes))
    for r, each in enumerate(ones):
        own, ends = slice(0, len(each.exists)), len(each.height)
        exists[r, own], frequency[r, own] = each.exists, each.frequency
        momentum[r, own], twist[r, own] = each.momentum, each.moment_participation
        height[r, :ends], height[r, ends:] = each.height, each.height[-1]
        for whole, part in ((shape, each.shape), (slope, each.slope)):
            whole[r, own, :ends], whole[r, own, ends:] = part, part[:, -1:]
    mass, first, second = np.array([(e.mass, e.first_moment, e.second_moment) for e in ones]).T
    return RodModes(exists, frequency, height, shape, slope, momentum, twist, mass, first, second)


def lowest_frequencies(rods: Rods, count: int = 1) -> Array:
    """The lowest `count` frequencies (U, count) in Hz, from a mesh just fine enough for them."""
    result = np.empty((len(rods.length), count))
    whole = rods.length + rods.added
    for mesh in _meshes_of_size(rods, whole / max(_COARSE, 8 * count - 4)):
        flexibility, _, _ = _flexibility(rods.take(mesh.rows), mesh)
        squares = np.linalg.eigvalsh(flexibility)[:, : -count - 1 : -1]
        result[mesh.rows] = 1.0 / (2.0 * math.pi * np.sqrt(squares))
    return result


def cubic(height: Array, shape: Array, slope: Array, z: Array) -> tuple[Array, Array, Array]:
    """Value, first and second derivative (U, N, G) of shapes (U, N, K) at heights z (U, G), held to the ends."""
    z = np.clip(z, height[:, :1], height[:, -1:])
    low = np.sum(height[:, None, 1:-1] <= z[:, :, None], axis=2)
    row = np.arange(len(height))[:, None]
    h = height[row, low + 1] - height[row, low]
    # Spare nodes at the tip make pieces without length.
    t = np.where(h > 0.0, (z - height[row, low]) / np.where(h > 0.0, h, 1.0), 0.0)[:, None, :]
    h = np.where(h > 0.0, h, 1.0)[:, None, :]
    a, b, c, d = (
        np.take_along_axis(each, node[:, None, :], axis=2)
        for each, node in ((shape, low), (shape, low + 1), (slope, low), (slope, low + 1))
    )
    e = (b - a) / h
    value = a + h * t * (c + t * (3.0 * e - 2.0 * c - d + t * (c + d - 2.0 * e)))
    first = c + t * (2.0 * (3.0 * e - 2.0 * c - d) + 3.0 * t * (c + d - 2.0 * e))
    second = (2.0 * (3.0 * e - 2.0 * c - d) + 6.0 * t * (c + d - 2.0 * e)) / h
    return value, first, second


def _meshes(rods: Rods, highest: Array) -> Iterator[_Mesh]:
    k = wave_number(rods.bend, rods.mass, highest)
    whole = rods.length + rods.added
    gyration = np.sqrt(rods.rotary / rods.mass)
    count = elements_for(k, whole, gyration=gyration, relative_error=FREQUENCY_ERROR)
    yield from _meshes_of_size(rods, whole / np.maximum(count, _COARSE))


def _meshes_of_size(rods: Rods, size: Array) -> Iterator[_Mesh]:
    """Nodes at the tip, at every nut's middle and at the ends of what it stiffens, and between them as `size`
    asks; one mesh for all rods that need equally many elements."""
    marks = _marks(rods)
    gaps = np.diff(marks, axis=1)
    # A rounding beyond a whole number of elements is not one more element.
    count = np.where(gaps > 0.0, np.maximum(np.ceil(gaps / size[:, None] - 1e-9), 1.0), 0.0).astype(np.int64)
    total = -(-count.sum(axis=1) // _BUCKET) * _BUCKET
    widest = np.argmax(gaps, axis=1)
    count[np.arange(len(count)), widest] += total - count.sum(axis=1)
    for elements in sorted(set(total.tolist())):  # np.unique waits for numpy.ma
        rows = np.flatnonzero(total == elements)
        times = count[rows].ravel()
        steps = np.repeat(gaps[rows].ravel() / np.maximum(times, 1), times).reshape(len(rows), elements)
        nodes = marks[rows, :1] + np.concatenate([np.zeros((len(rows), 1)), np.cumsum(steps, axis=1)], axis=1)
        yield _Mesh(rows, nodes, _compliance(rods.take(rows), nodes))


def _marks(rods: Rods) -> Array:
    """Sorted heights (U, 2 + 3 J) where a node must be; those too close together made one."""
    half = np.where(rods.nut_compliance < 1.0, rods.nut_piece / 2.0, 0.0)
    bottom, top = -rods.added[:, None], rods.length[:, None]
    marks = np.concatenate(
        [bottom, rods.nut_height - half, rods.nut_height, rods.nut_height + half, top], axis=1
    )
    marks = np.sort(np.clip(marks, bottom, top), axis=1)
    closest = _CLOSEST * (top - bottom)[:, 0]
    for column in range(1, marks.shape[1]):
        before = marks[:, column - 1]
        marks[:, column] = np.where(marks[:, column] - before < closest, before, marks[:, column])
    return np.where(top - marks < closest[:, None], top, marks)


def _compliance(rods: Rods, nodes: Array) -> Array:
    middle = (nodes[:, 1:, None] + nodes[:, :-1, None]) / 2.0
    held = np.abs(middle - rods.nut_height[:, None, :]) < rods.nut_piece[:, None, :] / 2.0
    left = np.where(held, rods.nut_compliance[:, None, :], 1.0)
    return np.asarray(np.maximum(np.min(left, axis=2, initial=1.0), _SOFTEST))


def _modes(rods: Rods, mesh: _Mesh, limit: Array) -> Iterator[tuple[Indices, RodModes]]:
    """The modes, by how many a rod has, so that none hangs in its last digits on what others have."""
    flexibility, yields, mass = _flexibility(rods, mesh)
    values: Any = np.empty(flexibility.shape[:-1])
    vectors: Any = np.empty(flexibility.shape)

    def solve(some: Indices) -> None:
        values[some], vectors[some] = np.linalg.eigh(flexibility[some])

    halved(solve, len(flexibility))
    # Squared frequencies beyond the limit need not be positive here: massless freedoms have none.
    there = values >= (2.0 * math.pi * limit[mesh.rows, None]) ** -2.0
    count = np.maximum(there.sum(axis=1), 1)
    for partials in sorted(set(count.tolist())):
        own = np.flatnonzero(count == partials)
        lowest = [
            np.ascontiguousarray(each[..., ::-1][..., :partials])
            for each in (values[own], vectors[own], there[own])
        ]
        held = (yields[own], mass[own], mesh.nodes[own], rods.added[own, None])
        yield mesh.rows[own], _shaped((lowest[0], lowest[1], lowest[2]), *held)


def _shaped(
    lowest: tuple[Array, Array, Bools], yields: Array, mass: Array, nodes: Array, added: Array
) -> RodModes:
    """What `lowest` values (u, N), vectors (u, D, N) and which of them are there tell of rods."""
    values, vectors, exists = lowest
    safe = np.where(exists, values, 1.0)
    y = vectors / np.sqrt(safe)[:, None, :]
    x = np.where(exists[:, None, :], yields @ y, 0.0)
    x *= np.where(x[:, -2:-1, :] < 0.0, -1.0, 1.0)
    shift, turn = _rigid_motions(nodes + added)
    pull, twist = mass @ shift[..., None], mass @ turn[..., None]
    return RodModes(
        exists=exists,
        frequency=np.where(exists, 1.0 / (2.0 * math.pi * np.sqrt(safe)), 0.0),
        height=nodes,
        shape=x[:, 0::2, :].transpose(0, 2, 1),
        slope=x[:, 1::2, :].transpose(0, 2, 1),
        momentum=np.sum(x * pull, axis=1),
        moment_participation=np.sum(x * twist, axis=1),
        mass=np.sum(shift * pull[..., 0], axis=1),
        first_moment=np.sum(shift * twist[..., 0], axis=1),
        second_moment=np.sum(turn * twist[..., 0], axis=1),
    )


def _flexibility(rods: Rods, mesh: _Mesh) -> tuple[Array, Array, Array]:
    """X' M X, X and M (u, D, D) of the module's equation, M with nothing held."""
    bend, size = rods.bend[:, None] / mesh.compliance, np.diff(mesh.nodes, axis=1)
    line = (rods.shear[:, None], rods.mass[:, None], rods.rotary[:, None])
    M = _assembled(plane_element(bend, *line, size)[1])
    _add_nuts(M, rods, mesh.nodes)
    X = _yields(rods, mesh.nodes, bend, size)
    return X.transpose(0, 2, 1) @ (M @ X), X, M


def _yields(rods: Rods, nodes: Array, bend: Array, size: Array) -> Array:
    """X (u, D, D): how the nodes move with what the root and the elements below yield."""
    turn = np.concatenate([rods.rotation[:, None] ** -0.5, np.sqrt(size / bend)], axis=1)
    shear = np.sqrt(size / rods.shear[:, None] + size**3 / (12.0 * bend))
    shift = np.concatenate([rods.translation[:, None] ** -0.5, shear], axis=1)
    # an element turns about its middle, the root about itself
    about = np.concatenate([nodes[:, :1], (nodes[:, 1:] + nodes[:, :-1]) / 2.0], axis=1)
    X = np.zeros((len(nodes), 2 * nodes.shape[1], 2 * nodes.shape[1]))
    below = np.tri(nodes.shape[1])
    X[:, 0::2, 0::2] = below * shift[:, None]
    X[:, 0::2, 1::2] = below * (nodes[:, :, None] - about[:, None]) * turn[:, None]
    X[:, 1::2, 1::2] = below * turn[:, None]
    return X


def _assembled(element: Array) -> Array:
    """(u, E, 4, 4) to (u, D, D); every second element shares no node, so each half is written at once."""
    rods, elements = element.shape[:2]
    whole = np.zeros((rods, 2 * elements + 2, 2 * elements + 2))
    for start in (0, 1):
        freedoms = 2 * np.arange(start, elements, 2)[:, None] + np.arange(4)
        whole[:, freedoms[:, :, None], freedoms[:, None, :]] += element[:, start::2]
    return whole


def _add_nuts(M: Array, rods: Rods, nodes: Array) -> None:
    """Mass and rotary inertia at the nearest node, carried on a rigid arm where the nut's own node was merged."""
    every = np.arange(len(nodes))
    for nut in range(rods.nut_mass.shape[1]):
        z, mass = rods.nut_height[:, nut], rods.nut_mass[:, nut]
        node = np.argmin(np.abs(nodes - z[:, None]), axis=1)
        arm = z - nodes[every, node]
        w, theta = 2 * node, 2 * node + 1
        M[every, w, w] += mass
        M[every, w, theta] += mass * arm
        M[every, theta, w] += mass * arm
        M[every, theta, theta] += rods.nut_inertia[:, nut] + mass * arm**2


def _rigid_motions(arm: Array) -> tuple[Array, Array]:
    """A unit shift, and a unit turn about the clamp point, in freedoms (u, D)."""
    shift, turn = np.zeros((2, arm.shape[0], 2 * arm.shape[1]))
    shift[:, 0::2] = 1.0
    turn[:, 0::2] = arm
    turn[:, 1::2] = 1.0
    return shift, turn
