"""The modes of one tine on the vibrating structure while all the others are locked on it.

In: a `Host` and the tines' freedoms (`synth.vibration.host`). Out: for a partial the modes it sounds in, with their
decay where losses are given. With kappa_k and w_k (6) the host's modes at the base, Lambda and g (6, F) the tine's
partials and the reaction on its base per acceleration, lambda = omega²:

    (Lambda - lambda) q = lambda g^T x,    (kappa_k - lambda) c_k = lambda w_k^T g q,    x = sum w_k c_k

The host modes nearest to the partial stay unknowns c; all further ones answer as at lambda, T = sum_far
w w^T / (kappa - lambda), which leaves

    S(lambda) = [[Lambda - lambda² g^T T g, 0], [0, kappa]] - lambda [[1, g^T W], [W^T g, 1]]

Without losses every eigenvalue of S falls strictly between two poles of T (-S' is a sum of squares, the mode's
mass), so each crosses zero once at most: the j-th eigenvalue belongs to the j-th mode in the span, its sign
brackets the root, and none is missed (W. H. Wittrick and F. W. Williams, Q. J. Mech. Appl. Math. 24 (1971) 263,
from memory). Newton's step, y^T S y over the mass, ends in two or three rounds. How full a mode is of a partial is
told by strain energy, Lambda q² / lambda, and all modes together hold one whole of each partial (sum of y y^T /
lambda = K^-1): where those found leave room for a fuller one, more of the host is kept, at last all of it.
With losses kappa and Lambda are complex and the same steps are taken without a bracket.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Indices
from synth.cores import halved
from synth.frozen import frozen
from synth.vibration.host import FreeTines, Host, Numbers

KEPT: Final = (
    (8, 4),
    (24, 8),
    (1 << 30, 24),
)  # host modes kept and modes followed, in turn, until it is certain
SURE: Final = 0.51  # of a swing: no other mode has as much
FAINT: Final = 0.01  # of a partial: modes with less of it are not followed
LOOSE: Final = (
    0.1  # of the second mode's share may be missing; with losses two close modes can hide from the sum
)
ROUNDS: Final = 40  # a bisection at worst; three are usual
SETTLED: Final = 1e-7  # of omega², the last of Newton's steps: what it leaves is as its square
ALONE: Final = 1e-5  # the same where no shape is asked for: it leaves 1e-11
OFF_ROOT: Final = 1e-11  # relative: at a root itself the matrix of an inverse iteration has no inverse
DRIFTING: Final = 1e-6  # of the partial's omega²: slower, a mode is a drift of what nothing holds


@frozen
class PartialModes:
    """The C modes that hold most of one partial of R tines, the fullest first; mass-normalised.

    Where a mode is not there, or was not wanted, its planes are 0 and its `squared` is the clamped partial's.
    """

    squared: Numbers  # (R, C) omega²
    planes: Numbers  # (R, C, 2) the partial's amplitude in its planes
    force: Numbers  # (R, C, 6) of the tine on its base
    start: Numbers  # (R,) omega² with the host at rest, the mean of both planes

    @property
    def pole(self) -> Numbers:
        """(R, C) s^-1."""
        return np.asarray(1j * np.sqrt(self.squared.astype(np.complex128)))

    @property
    def share(self) -> Array:
        """(R, C) of the partial's strain energy in both planes, of which all modes together hold 2."""
        return _share(self.planes, self.squared, self.start)

    @property
    def missing(self) -> Array:
        """(R,) of the partial's strain energy that other modes than these hold."""
        held = np.sum(
            np.sum(self.planes**2, axis=2) / np.where(self.squared == 0.0, np.inf, self.squared), axis=1
        )
        return np.asarray(np.abs(2.0 - held * self.start))

    def fullest(self, swing: Array) -> Indices:
        """Which mode of each tine (R,) holds most of its swing in a direction (R, 2) of its planes."""
        return np.asarray(np.argmax(self._swing(swing), axis=1))

    def both_planes(self, along: Array) -> Indices:
        """The two fullest modes of each tine (R, 2), first the one that swings more `along` (R, 2)."""
        most = np.argsort(-self.share, axis=1, kind="stable")[:, :2]
        order = np.argsort(-_pick(self._swing(along), most), axis=1, kind="stable")
        return np.asarray(np.take_along_axis(most, order, axis=1))

    def _swing(self, direction: Array) -> Array:
        return np.asarray(np.abs(np.einsum("rcp,rp->rc", self.planes, direction)) ** 2 / np.abs(self.squared))


def along_row(axis: Array) -> Array:
    """Unit vectors (R, 2) along the row in the tines' planes; across it is (sin, cos)."""
    return np.stack([np.cos(axis), -np.sin(axis)], axis=1)


def partial_modes(host: Host, tines: FreeTines, partial: int) -> PartialModes:
    """The modes of a partial (from 0) of every tine, alone free on the host."""
    problem = _Problem(host.squared, host.motion, tines.squared, tines.reaction)
    into = tines.basis[:, :, partial]  # (r, 2, F)
    size, most = len(host.squared), KEPT[-1][1]
    start = _start(problem, into)
    found = PartialModes(
        squared=np.repeat(start[:, None], most, axis=1),
        planes=np.zeros((len(start), most, 2), dtype=start.dtype),
        force=np.zeros((len(start), most, 6), dtype=start.dtype),
        start=start,
    )
    left = np.arange(len(start))
    for near, modes in KEPT:
        part = _followed(problem.take(left), into[left], start[left], near=min(near, size), count=modes)
        for whole, own in (
            (found.squared, part.squared),
            (found.planes, part.planes),
            (found.force, part.force),
        ):
            whole[left, :modes] = own
        left = left[part.missing > LOOSE * part.share[:, 1]]  # one not followed may be as full
        if not len(left) or near >= size:
            break
    return found


def fullest_squared(host: Host, tines: FreeTines, partial: int, swing: Array) -> Array:
    """omega² (R,) of the mode that holds most of each tine's swing (R, 2) in a partial, without losses.

    A mode with more than half of it needs no other followed; where none has, it is `PartialModes.fullest`.
    """
    problem = _Problem(host.squared, host.motion, tines.squared, tines.reaction)
    into = tines.basis[:, :, partial]
    start = _start(problem, into)
    near, value, vector = _look(problem, start, min(KEPT[0][0], len(host.squared)))
    onto = np.einsum("rp,rpf->rf", swing, into)
    held = np.einsum("rf,rfm->rm", onto, vector[:, : onto.shape[1]]) ** 2 / np.abs(value)
    row, best = np.arange(len(start)), np.argmax(held, axis=1)
    squared, y, there = _home(problem, near, start, (value, vector), (row, best), settled=ALONE)
    mass, _ = problem.mass(squared, near, y)
    own = np.einsum("rf,rf->r", onto, y[:, : onto.shape[1]]) ** 2 / (mass * squared)
    whole = np.sum(onto**2 / tines.squared, axis=1)
    unsure = np.flatnonzero(~(there & (own > SURE * whole)))
    if len(unsure):
        found = partial_modes(host.take(unsure), tines.take(unsure), partial)
        squared[unsure] = found.squared[np.arange(len(unsure)), found.fullest(swing[unsure])]
    return squared


@frozen
class _Problem:
    """S problems on one host: each a tine and the place it stands at."""

    kappa: Numbers  # (K,)
    w: Numbers  # (S, 6, K)
    squared: Numbers  # (S, F)
    g: Array  # (S, 6, F)

    def take(self, rows: Indices) -> _Problem:
        return replace(self, w=self.w[rows], squared=self.squared[rows], g=self.g[rows])

    def pencil(self, lam: Numbers, near: Indices) -> tuple[Numbers, Numbers]:
        """K and M (S, F + n, F + n) of S(lambda) = K - lambda M, the host modes `near` (S, n) kept."""
        rows, count = np.arange(len(lam)), self.squared.shape[1]
        far = self.kappa - lam[:, None]
        far[rows[:, None], near] = np.inf
        T = (self.w / far[:, None]) @ self.w.swapaxes(-1, -2)
        gT, W = self.g.swapaxes(-1, -2), np.take_along_axis(self.w, near[:, None], axis=2)
        size = count + near.shape[1]
        K, M = np.zeros((2, len(lam), size, size), dtype=np.result_type(lam, self.kappa, self.squared))
        K[:, :count, :count] = -(lam[:, None, None] ** 2) * (gT @ T @ self.g)
        M[:, :count, count:] = gT @ W
        M[:, count:, :count] = M[:, :count, count:].swapaxes(-1, -2)
        every = np.arange(size)
        K[:, every, every] += np.concatenate([self.squared, self.kappa[near]], axis=1)
        M[:, every, every] = 1.0
        return K, M

    def mass(self, lam: Numbers, near: Indices, y: Numbers) -> tuple[Numbers, Numbers]:
        """Of modes y (S, F + n) at lambda: their mass (S,) with the host's far modes, and the force on the base."""
        count = self.squared.shape[1]
        q, c = y[:, :count], y[:, count:]
        force = lam[:, None] * (self.g @ q[..., None])[..., 0]
        answer = (force[:, None] @ self.w)[:, 0] / (self.kappa - lam[:, None])
        np.put_along_axis(answer, near, c, axis=1)
        moved = (self.w @ answer[..., None])[..., 0]
        mass = np.sum(q**2, axis=1) + np.sum(answer**2, axis=1) + 2.0 * np.sum(moved * force, axis=1) / lam
        return mass, force


def _followed(problem: _Problem, into: Array, start: Numbers, *, near: int, count: int) -> PartialModes:
    """The `count` modes that, by a first look, hold most of the partial; each brought home."""
    kept, value, vector = _look(problem, start, near)
    F = problem.squared.shape[1]
    first = np.einsum("spf,sfm->smp", into, vector[:, :F])
    share = _share(first, value, start)
    order = np.argsort(-share, axis=1, kind="stable")[:, :count]
    row, column = np.nonzero(np.take_along_axis(share, order, axis=1) > FAINT)
    squared = np.repeat(start[:, None], count, axis=1)
    planes = np.zeros((len(start), count, 2), dtype=value.dtype)
    force = np.zeros((len(start), count, 6), dtype=value.dtype)
    index = order[row, column]
    lam, y, there = _home(problem, kept, start, (value, vector), (row, index))
    mass, on_base = problem.take(row).mass(lam, kept[row], y)
    scale = np.where(there, 1.0 / np.sqrt(mass), 0.0)[:, None]
    squared[row, column] = np.where(there, lam, start[row])
    planes[row, column] = np.einsum("spf,sf->sp", into[row], y[:, :F]) * scale
    force[row, column] = on_base * scale
    _forget_twins(squared, planes)
    fullest = np.argsort(-_share(planes, squared, start), axis=1, kind="stable")
    return PartialModes(_pick(squared, fullest), _pick(planes, fullest), _pick(force, fullest), start)


def _look(problem: _Problem, start: Numbers, count: int) -> tuple[Indices, Numbers, Numbers]:
    """The `count` host modes nearest to `start` (S,), and all eigenvalues and vectors of the pencil there."""
    near = np.argsort(np.abs(problem.kappa - start[:, None]), axis=1, kind="stable")[:, :count]
    return near, *_eigen(*problem.pencil(start, near))


def _home(
    problem: _Problem,
    near: Indices,
    start: Numbers,
    looked: tuple[Numbers, Numbers],
    which: tuple[Indices, Indices],
    *,
    settled: float = SETTLED,
) -> tuple[Numbers, Numbers, NDArray[np.bool_]]:
    """`which` modes (problem, index) of a first look, brought to where they are; as `_settled`."""
    (value, vector), (row, index) = looked, which
    first_look = value[row, index], vector[row, :, index]
    if near.shape[1] == len(problem.kappa):  # nothing is far: these are the modes
        return *first_look, np.ones(len(row), dtype=bool)
    return _settled(problem.take(row), near[row], start[row], first_look, index, settled)


def _settled(
    problem: _Problem,
    near: Indices,
    start: Numbers,
    first_look: tuple[Numbers, Numbers],
    index: Indices,
    settled: float,
) -> tuple[Numbers, Numbers, NDArray[np.bool_]]:
    """lambda (S,), vectors (S, F + n) and which arrived, of the modes that are the `index`-th (S,) at `start`."""
    low, high = _span(problem.kappa, near, start)
    guess, y = first_look
    lam = np.where((guess.real > low) & (guess.real < high), guess, start)
    there = np.zeros(len(start), dtype=bool)
    left = np.arange(len(start))
    for _ in range(ROUNDS):
        part, at = problem.take(left), lam[left]
        value, y[left] = _nearest(*part.pencil(at, near[left]), at, y[left], index[left])
        off = value - at
        mass, _ = part.mass(at, near[left], y[left])
        step = off / mass
        done = np.abs(step) <= settled * np.abs(at)
        lam[left] = _inside(at, step, off, low, high, left)
        there[left] = done
        left = left[~done]
        if not len(left):
            break
    return lam, y, there


def _nearest(K: Numbers, M: Numbers, at: Numbers, y: Numbers, index: Indices) -> tuple[Numbers, Numbers]:
    """Value (S,) and vector (S, n): the `index`-th without losses; with, one inverse iteration on from y."""
    rows = np.arange(len(at))
    if not np.iscomplexobj(K):
        value, vector = _eigen(K, M)
        return value[rows, index], vector[rows, :, index]
    beside = at * (1.0 + OFF_ROOT)
    y = np.linalg.solve(K - beside[:, None, None] * M, M @ y[..., None])[..., 0]
    y = y / np.sqrt(_quadratic(M, y))[:, None]
    return _quadratic(K, y), y


def _quadratic(matrix: Numbers, y: Numbers) -> Numbers:
    """y^T A y (S,) of symmetric matrices (S, n, n) and vectors (S, n)."""
    return np.asarray(np.sum(y * (matrix @ y[..., None])[..., 0], axis=1))


def _inside(at: Numbers, step: Numbers, off: Numbers, low: Array, high: Array, rows: Indices) -> Numbers:
    """Newton's next lambda, halved where it leaves the bracket, which closes with every sign; free with losses."""
    if np.iscomplexobj(at):
        return at + step
    low[rows], high[rows] = np.where(off > 0.0, at, low[rows]), np.where(off > 0.0, high[rows], at)
    there = at + step
    inside = (there > low[rows]) & (there < high[rows]) | (step == 0.0)
    return np.where(inside, there, 0.5 * (low[rows] + high[rows]))


def _span(kappa: Numbers, near: Indices, start: Numbers) -> tuple[Array, Array]:
    """Between which poles (S,) the kept host modes lie: there the j-th eigenvalue belongs to the j-th mode."""
    far = np.repeat(kappa.real[None], len(start), axis=0)
    np.put_along_axis(far, near, np.nan, axis=1)
    under = np.where(far < start.real[:, None], far, 0.0)
    over = np.where(far > start.real[:, None], far, np.inf)
    return np.maximum(under.max(axis=1), 0.0), np.minimum(over.min(axis=1), 1e4 * start.real)


def _eigen(K: Numbers, M: Numbers) -> tuple[Numbers, Numbers]:
    """Values, rising where real, and vectors with y^T M y = 1 of symmetric pencils (S, n, n)."""
    if not np.iscomplexobj(K):
        value, vector = np.empty(K.shape[:-1]), np.empty(K.shape)

        def solve(some: Indices) -> None:
            inverse = np.linalg.inv(np.linalg.cholesky(M[some]))
            value[some], turned = np.linalg.eigh(inverse @ K[some] @ inverse.swapaxes(-1, -2))
            vector[some] = inverse.swapaxes(-1, -2) @ turned

        halved(solve, len(K))
        return value, vector
    value, vector = np.linalg.eig(np.linalg.solve(M, K))
    return value, vector / np.sqrt(np.sum(vector * (M @ vector), axis=1))[:, None]


def _start(problem: _Problem, into: Array) -> Numbers:
    """omega² (S,) of the partial on its soft root, host at rest: the mean of its planes."""
    weight = np.sum(into**2, axis=1)
    two = np.argsort(-weight, axis=1, kind="stable")[:, :2]
    return np.asarray(np.mean(np.take_along_axis(problem.squared, two, axis=1), axis=1))


def _forget_twins(squared: Numbers, planes: Numbers) -> None:
    """Two searches with losses may end in one mode: it counts once."""
    size = np.linalg.norm(planes, axis=2)
    for later in range(1, squared.shape[1]):
        near = np.abs(squared[:, :later] - squared[:, later : later + 1]) < 1e-9 * np.abs(squared[:, :later])
        along = np.abs(np.sum(planes[:, :later] * planes[:, later : later + 1].conj(), axis=2))
        alike = near & (along > 0.999 * size[:, :later] * size[:, later : later + 1]) & (along > 0.0)
        planes[np.any(alike, axis=1), later] = 0.0


def _share(planes: Numbers, squared: Numbers, start: Numbers) -> Array:
    """Of a partial's strain energy (S, C); planes (S, C, 2), omega² (S, C) and of the partial itself (S,)."""
    own = np.abs(start)[:, None]
    return np.asarray(np.sum(np.abs(planes) ** 2, axis=2) * own / np.maximum(np.abs(squared), DRIFTING * own))


def _pick(array: Numbers, index: Indices) -> Numbers:
    """Along the second axis, for each of the first."""
    return np.asarray(array[np.arange(len(array))[:, None], index])
