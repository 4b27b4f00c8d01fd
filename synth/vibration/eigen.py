"""The coupled modes of a structure: first without losses, then with them.

In: a `Structure`'s blocks. Out: real modes (omega², V), and damped ones (poles, complex vectors).

Without losses. The tines' block of M is the identity, so M has the factor L = [[1, 0], [B, L_s]] (tines first),
L_s L_s^T = A - B B^T, and only the host structure's few freedoms need a triangular solve. The rest is one dense
symmetric eigenproblem of L^-1 K L^-T; a few thousand freedoms take seconds.

With losses. K + jK' between real modes is Omega² + jD, D = V^T K' V. See `synth.vibration.modal_model` for the
method; modes i and j belong to one cluster where |D_ij| > LINK |omega_i² - omega_j²|: then y_i holds more than LINK
of mode j. Because D has no negative eigenvalue |D_ij| <= sqrt(D_ii D_jj), which tells where to look.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyReal, Array, Complex, Indices
from synth.cores import LARGE, all_cores, spread
from synth.frozen import frozen
from synth.vibration.coupling import Structure
from synth.vibration.symmetric import symmetric_modes

LINK: Final = (
    0.02  # leaves 4e-4 of a decay rate, and of a shape what a pole's width over their distance gives
)
FAINT: Final = 1e-3  # of a mode's mass in the host structure: with less it lends the host structure no motion
STRIP: Final = 128  # columns of D at a time: the whole of it is never held
ROWS: Final = 512  # of vectors at a time
_CONVERGES: Final = 0.5  # of Y^T Y from 1: from 1 on Newton-Schulz runs away
FULLEST: Final = 1e3  # condition of a cluster's vectors; beyond it two poles all but coincide, see `_apart`


@frozen
class DampedModes:
    """Poles (M,) -sigma + j omega by rising frequency, and vectors (D, M) with v^T M v = 1."""

    pole: Complex
    vectors: NDArray[np.complex64]


@frozen
class Blocks:
    """M and K of tine freedoms (Q) and host freedoms (Mc): M = [[host_mass, coupling], [., 1]], K by blocks.

    Host freedoms beyond the rows of `coupling` are not coupled.
    """

    tine_stiffness: Array  # (Q, Q)
    host_mass: Array  # (Mc, Mc)
    host_stiffness: Array  # (Mc, Mc)
    coupling: Array  # (Mc or fewer, Q)


def real_modes(structure: Structure, *, lowest_hz: float, highest_hz: float) -> tuple[Array, Array]:
    """omega² (M,) within the limits, rising, and vectors (D, M), host first, mass-normalised."""
    blocks = blocks_of(structure)
    large = len(blocks.tine_stiffness) + len(blocks.host_mass) > LARGE
    with all_cores() if large else contextlib.nullcontext():
        limits = (2.0 * math.pi * np.array([lowest_hz, highest_hz])) ** 2
        squared, kept, vectors = block_modes(blocks, limits)
        return squared[kept], vectors


def blocks_of(structure: Structure) -> Blocks:
    """The structure's matrices without its losses."""
    return Blocks(structure.tine_stiffness, structure.host_mass, structure.host_stiffness, structure.coupling)


def block_modes(blocks: Blocks, limits: Array, *, single: bool = False) -> tuple[Array, slice, NDArray[Any]]:
    """omega² (D,) of all modes of blocks, which of them are within `limits` (2,), and the vectors of these.

    In `single` precision for half the time: right to some 1e-7 of the largest omega² then, as vectors are.
    """
    from scipy.linalg import solve_triangular

    kind = np.float32 if single else np.float64
    K: NDArray[Any] = blocks.tine_stiffness.astype(kind, copy=False)
    B: NDArray[Any] = blocks.coupling.astype(kind, copy=False)
    Q, host_count = len(K), len(blocks.host_mass)
    moving = slice(0, len(B))
    left, inner = blocks.host_mass.copy(), blocks.host_stiffness.copy()
    left[moving, moving] -= blocks.coupling @ blocks.coupling.T
    lower = np.linalg.cholesky(left)
    pulled = np.zeros((host_count, Q), dtype=kind)
    pulled[moving] = B @ K
    inner[moving, moving] += pulled[moving] @ B.T
    inner = solve_triangular(lower, solve_triangular(lower, inner, lower=True).T, lower=True)
    standard = np.empty((Q + host_count, Q + host_count), dtype=kind)
    standard[:Q, :Q] = K
    standard[Q:, :Q] = -solve_triangular(lower.astype(kind, copy=False), pulled, lower=True)
    standard[Q:, Q:] = (inner + inner.T) / 2.0
    del pulled, inner
    squared, kept, u = symmetric_modes(standard, *limits)
    del standard
    vectors = np.empty(u.shape, dtype=kind)
    vectors[:host_count] = solve_triangular(lower, u[Q:], lower=True, trans="T")
    vectors[host_count:] = u[:Q] - B.T @ vectors[moving]
    return squared.astype(float), kept, vectors


def damped_modes(squared: Array, vectors: AnyReal, *, tine_loss: Array, host_loss: Array) -> DampedModes:
    """The modes with their losses K': `tine_loss` (Q,) on the diagonal, `host_loss` (Mc, Mc) full."""
    host = vectors[: len(host_loss)].astype(np.float64)  # losses of stiff supports all but cancel there
    weighted, own = _weighted(np.sqrt(tine_loss).astype(vectors.dtype), vectors[len(host) :])
    lossy = host_loss @ host
    own = np.maximum(own + np.einsum("cm,cm->m", host, lossy), 0.0)
    values = (squared + 1j * own).astype(np.complex128)
    named = np.arange(len(squared))  # which cluster a mode belongs to, by its first mode
    clusters = _clusters(squared, own, weighted, host, lossy)
    turns = []
    for cluster, D in zip(clusters, _losses(clusters, weighted, host, lossy), strict=True):
        named[cluster] = cluster[0]
        values[cluster], y = complex_modes(squared[cluster], (D + D.T) / 2.0)
        turns.append(y)
    del weighted
    mixed = _mixed(vectors, clusters, turns)
    del vectors
    moved = mixed[: len(host)]
    moved += _damping_correction(squared + 1j * own, values, host, moved, host_loss, named)
    pole = 1j * np.sqrt(values)
    order = np.argsort(pole.imag, kind="stable")
    reorder(mixed, order)
    return DampedModes(pole[order], mixed)


def _weighted(weight: AnyReal, tines: AnyReal) -> tuple[AnyReal, Array]:
    """Tine rows (Q, M) times their `weight` (Q,), and the sums of squares of what comes out (M,)."""
    weighted = np.empty_like(tines)

    def some(first: int) -> AnyReal:
        here = slice(first, first + ROWS)
        np.multiply(weight[here, None], tines[here], out=weighted[here])
        return np.asarray(np.einsum("qm,qm->m", weighted[here], weighted[here]))

    sums = spread(some, range(0, len(tines), ROWS), large=len(tines) > LARGE)
    return weighted, np.sum(sums, axis=0, dtype=float) + np.zeros(tines.shape[1])


def _losses(clusters: Sequence[Indices], weighted: AnyReal, host: Array, lossy: Array) -> list[Array]:
    """D (n, n) of each cluster. Few columns are slow to fetch: all clusters' are together, some rows at a time."""
    members, places = _together(clusters)
    found = [host[:, each].T @ lossy[:, each] for each in clusters]
    for first in range(0, len(weighted), ROWS):
        own = weighted[first : first + ROWS, members]
        for D, place in zip(found, places, strict=True):
            D += own[:, place].T @ own[:, place]
    return found


def _mixed(vectors: AnyReal, clusters: Sequence[Indices], turns: Sequence[Complex]) -> NDArray[np.complex64]:
    """Vectors (D, M) with each cluster's turned by its own (n, n)."""
    members, places = _together(clusters)
    mixed = np.empty(vectors.shape, dtype=np.complex64)

    def some(first: int) -> None:
        here = slice(first, first + ROWS)
        mixed[here] = vectors[here]
        own = mixed[here, members]
        for place, y in zip(places, turns, strict=True):
            own[:, place] = own[:, place].real @ y
        mixed[here, members] = own

    spread(some, range(0, len(vectors), ROWS), large=len(vectors) > LARGE)
    return mixed


def _together(clusters: Sequence[Indices]) -> tuple[Indices, list[slice]]:
    """All clusters' modes, and where each one's stand among these."""
    ends = np.cumsum([len(each) for each in clusters], dtype=np.int64).tolist()
    places = [slice(end - len(each), end) for each, end in zip(clusters, ends, strict=True)]
    return np.concatenate([*clusters, np.zeros(0, dtype=np.int64)]), places


def reorder(vectors: NDArray[Any], order: Indices) -> None:
    """Columns in another order, in place: a large instrument's vectors are not held twice."""
    if np.all(np.diff(order) == 1):
        return
    for first in range(0, len(vectors), STRIP):
        vectors[first : first + STRIP] = vectors[first : first + STRIP, order]


def _damping_correction(
    alone: Complex, values: Complex, host: Array, mixed: NDArray[np.complex64], loss: Array, named: Indices
) -> NDArray[np.complex64]:
    """What the host structure's losses add to its motion in every mode (Mc, M) from modes outside the mode's
    cluster. In single precision, as the vectors are.

    First order: j D_km / (lambda_m - lambda_k) of mode k. What is heard of a tine is the little that the host
    structure moves in its mode, and of that the LINK which clusters leave out is no small part. Only modes that
    move the host lend it motion.
    """
    lent = np.flatnonzero(np.sum(host**2, axis=0) > FAINT)
    lending, lossy = host[:, lent].astype(np.float32), loss.astype(np.float32)
    added = np.empty(mixed.shape, dtype=np.complex64)

    def add(first: int) -> None:
        here = slice(first, min(first + STRIP, len(values)))
        moved = mixed[:, here]
        turned = np.flatnonzero(np.any(moved.imag != 0.0, axis=0))  # those mixed in a cluster
        D, D_turned = (
            lending.T @ (lossy @ each) for each in (moved.real, moved.imag[:, turned])
        )  # (k, STRIP)
        x, y = (  # of close poles: in full
            np.subtract(one[None, here], other[lent][:, None], out=np.empty_like(D), casting="same_kind")
            for one, other in ((values.real, alone.real), (values.imag, alone.imag))
        )
        over = x * x
        over += y * y
        apart = named[lent][:, None] != named[None, here]
        np.divide(1.0, over, out=over, where=apart)
        over[~apart] = 0.0
        x *= over
        y *= over
        still, swung = D * y, D * x  # of j D / (x + j y)
        still[:, turned] -= D_turned * x[:, turned]
        swung[:, turned] += D_turned * y[:, turned]
        added[:, here] = lending @ still + 1j * (lending @ swung)

    spread(add, range(0, len(values), STRIP), large=len(values) > LARGE)
    return added


def complex_modes(squared: Array, D: Array) -> tuple[Complex, Complex]:
    """Values (n,) and vectors (n, n) of diag(squared) + jD, y^T y = 1, by rising frequency."""
    for step in range(6):
        value, y = np.linalg.eig(np.diag(squared) + 1j * _break_degeneracy(D, step))
        y = y / np.sqrt(np.einsum("in,in->n", y, y))
        if np.linalg.norm(y, 2) < FULLEST:
            break
    order = np.argsort(value.real, kind="stable")
    return value[order], _orthogonal(y[:, order])


def _orthogonal(y: Complex) -> Complex:
    """Y^T Y = 1, also among vectors that share one value, of which a solver gives any (Newton-Schulz).

    That converges from nearby only: vectors further off are first turned by the root of Y^T Y.
    """
    for _ in range(8):
        off = np.eye(len(y)) - y.T @ y
        if np.abs(off).max() < 1e-12:
            break
        y = y + 0.5 * y @ off if np.linalg.norm(off, 2) < _CONVERGES else _by_root(y)
    return y


def _by_root(y: Complex) -> Complex:
    from scipy.linalg import sqrtm

    return np.asarray(np.linalg.solve(sqrtm(y.T @ y), y.T).T)


def _break_degeneracy(D: Array, step: int) -> Array:
    """D with its coupling weakened a little: where two poles coincide exactly, no two vectors belong to them.

    A millionth of the coupling parts them; what sounds does not change. D stays without negative eigenvalues.
    """
    weaker = 0.0 if step == 0 else 10.0 ** (step - 7)
    return (1.0 - weaker) * D + weaker * np.diag(D.diagonal())


def _clusters(squared: Array, own: Array, weighted: AnyReal, host: Array, lossy: Array) -> list[Indices]:
    """Sets of two modes or more that D couples by more than LINK of their distance."""
    head = np.arange(len(squared))
    reach = _reach(squared, own)

    def linked(first: int) -> Indices:
        here = slice(first, min(first + STRIP, len(squared)))
        there = slice(first, int(reach[here].max()))
        D = weighted[:, here].T @ weighted[:, there] + host[:, here].T @ lossy[:, there]
        distance = np.abs(squared[here, None] - squared[None, there])
        return np.argwhere(np.abs(D) > LINK * distance) + first

    for pairs in spread(linked, range(0, len(squared), STRIP), large=len(squared) > LARGE):
        for i, j in pairs[pairs[:, 0] < pairs[:, 1]].tolist():
            _join(head, i, j)
    roots = np.array([_root(head, mode) for mode in range(len(squared))])
    names, count = np.unique(roots, return_counts=True)
    return [np.flatnonzero(roots == name) for name in names[count > 1]]


def _reach(squared: Array, own: Array) -> Indices:
    """For each mode the end (exclusive) of those above it that it may be linked with."""

    def some(first: int) -> Indices:
        here = slice(first, min(first + STRIP, len(squared)))
        distance = np.abs(squared[None, first:] - squared[here, None])
        near = distance * LINK <= np.sqrt(own[here, None] * own[None, first:])
        return np.asarray(len(squared) - np.argmax(near[:, ::-1], axis=1))

    firsts = range(0, len(squared), STRIP)
    return np.concatenate([np.zeros(0, np.int64), *spread(some, firsts, large=len(squared) > LARGE)])


def _root(head: Indices, mode: int) -> int:
    while head[mode] != mode:
        head[mode] = head[head[mode]]
        mode = int(head[mode])
    return mode


def _join(head: Indices, one: int, other: int) -> None:
    one, other = _root(head, one), _root(head, other)
    head[max(one, other)] = min(one, other)
