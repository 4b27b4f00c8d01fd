"""The modes of a large structure, band by band: a few smaller dense problems in place of one.

In: a `Structure`. Out: the same modes as `eigen.real_modes` gives, or that very solution where bands would
not pay or do not agree. The cost of a dense problem grows as the cube of its freedoms, and a mode is little
moved by tine partials far from it. In a band the partials near it (N) and the host structure (u) stay unknown; the
far ones (F) follow them. With Lambda the diagonal of K_tine and G the rest of it,

    (Lambda_F - lambda) q_F = lambda B_F^T u - G_FN q_N.

1. G is small. The turn q_F = Y q_N, Y = G_FN / (Lambda_N - Lambda_F), takes it out and leaves K_N + sym(G_NF Y) to
   second order (J. H. Van Vleck, Phys. Rev. 33 (1929) 467; from memory); B turns along.
2. What answers the host's motion is lambda B_F^T u / (Lambda_F - lambda) at two places of the band, as vectors of
   Ritz: at one of them added to u, at the other as freedoms of their own, as few as matter.
3. Whole vectors: q_F as above at each mode's own lambda. By as much as that differs from the vectors of Ritz, e,
   omega² was too high: sum of (Lambda_F - lambda) e².

Proof that none is missing or there twice. Below a cut the lower band's Ritz values can only be too high, so it
counts too few modes there, if any; the upper one likewise above. Where all counts together are the number of
freedoms, each is right. Besides, on both sides of a cut the two bands must tell the same frequencies, and what is
told must be modes: the residual K v - omega² M v of all is looked at.
"""

from __future__ import annotations

import contextlib
import itertools
import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyReal, Array, Bools, Indices, Singles
from synth.cores import one_core, threads_allowed
from synth.frozen import frozen
from synth.memory import give_back
from synth.vibration.coupling import Structure
from synth.vibration.eigen import STRIP, Blocks, block_modes, blocks_of, real_modes, reorder

PLACES: Final = (1500.0, 13_000.0, 26)  # Hz: where cuts are tried, evenly by their logarithms
KEPT: Final = (
    (4000.0, 1.4),
    (6000.0, 1.25),
    (math.inf, 1.15),
)  # up to which cut partials are kept so far beyond it
TOP: Final = 20_000.0  # Hz: above no mode is wanted
LOW: Final = 0.5  # of the highest omega²: where the lowest band's far partials are right, besides at rest
INNER: Final = (0.15, 0.85)  # of the way from a band's lowest omega² to its highest, for the others
FAINT: Final = 1e-5  # of omega²: what less than this hangs on is no freedom
MARGIN: Final = (0.99, 1.01)  # of omega²: so far beyond the limits values may come to lie within
ABOUT: Final = 1.015  # a cut is set in the widest gap so near to where it was tried
TOLD_TWICE: Final = 6  # modes at most on each side of a cut that both bands must tell alike,
NEARBY: Final = 0.06  # of its omega² from it,
ALIKE: Final = 6e-4  # of omega², half a cent
RESIDUAL: Final = 0.02  # of all modes; 0.0003 to 0.004 is usual, 0.05 leaves one of them 0.1 cent off
SLOWEST: Final = (
    2.0 * math.pi * 1000.0
) ** 2  # s^-2: slower modes' residuals are told of this, or rounding is all
SINGLE_FROM: Final = (2.0 * math.pi * 4000.0) ** 2  # s^-2: bands above are solved in single precision,
SINGLE: Final = 0.55  # for so much of the time
PRODUCTS: Final = 0.3  # of single numbers, against one of the numbers of freedoms cubed: measured,
GATHERED: Final = 60.0  # as is what a number costs that is taken from its place
WORTH: Final = 0.75  # of the dense problem's cost; where bands save less they are not asked


@frozen
class ModeBand:
    """Modes from `low` to `high`, omega² in s^-2, told from the partials `near` (Q,)."""

    low: float
    high: float
    near: Bools

    @property
    def single(self) -> bool:
        """Whether single precision does: where the ear asks little of it."""
        return self.low >= SINGLE_FROM


def coupled_modes(structure: Structure, *, lowest_hz: float, highest_hz: float) -> tuple[Array, AnyReal]:
    """omega² (M,) within the limits, rising, and vectors (D, M), host first, mass-normalised; in single precision
    where they came from bands."""
    limits = (2.0 * math.pi * np.array([lowest_hz, highest_hz])) ** 2
    bands = bands_for(structure)
    found = None
    with contextlib.suppress(np.linalg.LinAlgError):  # as good as a disagreement
        found = in_bands(structure, bands, limits) if len(bands) > 1 else None
    return real_modes(structure, lowest_hz=lowest_hz, highest_hz=highest_hz) if found is None else found


def bands_for(structure: Structure) -> list[ModeBand]:
    """The bands that cost least, or one of all modes."""
    hertz = np.sqrt(structure.tine_stiffness.diagonal()) / (2.0 * math.pi)
    cuts = [0.0, *np.geomspace(*PLACES).tolist(), math.inf]
    count = len(structure.host_mass)
    # the cheapest way to each cut: (cost, the cuts before it)
    best: list[tuple[float, tuple[float, ...]]] = [(0.0, ())]
    for at, high in enumerate(cuts[1:], start=1):
        ways = [
            (best[start][0] + _cost(hertz, low, high, count), (*best[start][1], low))
            for start, low in enumerate(cuts[:at])
        ]
        best.append(min(ways))
    whole = float(len(hertz) + count) ** 3
    if best[-1][0] > WORTH * whole:
        return [_band(hertz, 0.0, math.inf)]
    return [_band(hertz, *edges) for edges in pairwise((*best[-1][1], math.inf))]


def _cost(hertz: Array, low: float, high: float, host: int) -> float:
    """In freedoms cubed."""
    near = int(_near(hertz, low, high).sum())
    far = len(hertz) - near
    if far == 0:
        return float(near + host) ** 3
    sides = 1.0 if low == 0.0 or high == math.inf else 2.0
    answers = (1.0 + 0.6 * sides) * host
    products = far * (1.7 * near**2 + answers * far)
    share = SINGLE if (2.0 * math.pi * low) ** 2 >= SINGLE_FROM else 1.0
    return float(share * (near + answers) ** 3 + PRODUCTS * products + GATHERED * far * len(hertz))


def _near(hertz: Array, low: float, high: float) -> Bools:
    below, above = (next(share for upto, share in KEPT if cut <= upto) for cut in (low, high))
    return np.asarray((hertz > low / below) & (hertz < high * above))


def _band(hertz: Array, low: float, high: float) -> ModeBand:
    return ModeBand((2.0 * math.pi * low) ** 2, (2.0 * math.pi * high) ** 2, _near(hertz, low, high))


def in_bands(structure: Structure, bands: list[ModeBand], limits: Array) -> tuple[Array, Singles] | None:
    """The modes with omega² within `limits` (2,); None where the bands disagree or tell what are no modes."""
    blocks = blocks_of(structure)
    workers = threads_allowed()
    with one_core(), ThreadPoolExecutor(workers) as pool:
        host = _host_modes(blocks)
        parts = list(pool.map(lambda band: _solved_alone(blocks, band, host, limits), bands))
        spans = _spans(parts, len(blocks.tine_stiffness) + len(blocks.host_mass))
        if spans is None:
            return None
        squared, vectors = _joined(parts, spans, pool)
    kept = slice(*np.searchsorted(squared, limits))
    squared, vectors = squared[kept], vectors[:, kept]
    return (squared, vectors) if _residual(blocks, squared, vectors) < RESIDUAL else None


def _solved_alone(blocks: Blocks, band: ModeBand, host: tuple[Array, Array], limits: Array) -> _Solved:
    """The band solved, and what that took given back to the system: glibc keeps it where it is below 32 MiB."""
    found = _solve_band(blocks, band, host, limits)
    give_back()
    return found


def _joined(parts: list[_Solved], spans: list[slice], pool: ThreadPoolExecutor) -> tuple[Array, Singles]:
    """omega² (M,), rising, and vectors (D, M) of all bands, whose own are let go one by one; `parts` is emptied."""
    count = len(parts[0].band.near) + parts[0].host_count
    spans = [part.within(span) for part, span in zip(parts, spans, strict=True)]
    left = dict(enumerate(parts))
    parts.clear()
    ends = np.cumsum([0, *(span.stop - span.start for span in spans)]).tolist()
    squared, vectors = np.empty(ends[-1]), np.empty((count, ends[-1]), dtype=np.float32)

    def tell(number: int, here: slice) -> None:
        squared[here] = left.pop(number).whole(spans[number], vectors[:, here])

    list(pool.map(tell, range(len(spans)), itertools.starmap(slice, pairwise(ends))))
    order = np.argsort(squared, kind="stable")
    reorder(vectors, order)
    return squared[order], vectors


def _residual(blocks: Blocks, squared: Array, vectors: Singles) -> float:
    """How far all vectors together are from modes, (K v - omega² M v) / omega² in the norm of M^-1.

    Summed with random signs, eight times over: no vector hides behind another.
    """
    A, B = blocks.host_mass, blocks.coupling
    count = len(A)
    signs = np.random.default_rng(0).choice([-1.0, 1.0], (len(squared), 8)).T
    weight = 1.0 / np.maximum(squared, SLOWEST)
    both = np.concatenate([signs * weight, signs * weight * squared]).T.astype(np.float32)
    still, swung = np.hsplit((vectors @ both).astype(float), 2)
    tines = blocks.tine_stiffness @ still[count:] - B.T @ swung[:count] - swung[count:]
    host = blocks.host_stiffness @ still[:count] - A @ swung[:count] - B @ swung[count:] - B @ tines
    size = np.sum(tines**2) + np.sum(host * np.linalg.solve(A - B @ B.T, host))
    return math.sqrt(size / len(signs))


@frozen
class _Far:
    """What of the far partials the whole vectors are built from."""

    squared: Array  # (F,)
    coupling: Singles  # (F, Mc), B_F^T
    pull: Singles  # (F, N), G
    host: Singles  # (F, Mc + k) the vectors of Ritz


@frozen
class _Solved:
    squared: Array  # (Mc + k + N,) all values of the band's problem
    told: slice  # of these: those that it may have to tell,
    vectors: Singles  # (Mc + k + N, m) and their vectors
    band: ModeBand
    host_count: int
    far: _Far

    def within(self, span: slice) -> slice:
        """What of the modes `span` has vectors."""
        return slice(max(span.start, self.told.start), min(span.stop, self.told.stop))

    def whole(self, span: slice, out: Singles) -> Array:
        """omega² of the modes `span`, a little corrected; their vectors go to `out` (D, ...), some at a time."""
        firsts = range(span.start, span.stop, STRIP)
        some = [slice(first, min(first + STRIP, span.stop)) for first in firsts]
        told = [self._some(each, out[:, each.start - span.start : each.stop - span.start]) for each in some]
        return np.concatenate([np.empty(0), *told])

    def _some(self, span: slice, out: Singles) -> Array:
        far, count = self.far, self.host_count
        lam = self.squared[span]
        own = slice(span.start - self.told.start, span.stop - self.told.start)
        host, tines = np.split(self.vectors[:, own], [far.host.shape[1]])
        away = (far.squared[:, None] - lam).astype(np.float32)
        pushed = far.coupling @ host[:count]
        answer = pushed * lam.astype(np.float32)
        answer /= away
        off = far.host @ host - answer
        excess = np.einsum("fm,fm,fm->m", off, off, away)
        answer -= (far.pull @ tines) / away
        norm = np.einsum("fm,fm->m", off, 2.0 * (pushed + answer) + off)
        scale = (1.0 / np.sqrt(1.0 - norm)).astype(np.float32)
        out[:count] = host[:count] * scale
        out[count:][self.band.near] = tines * scale
        out[count:][~self.band.near] = answer * scale
        return np.asarray(lam - excess)


def _host_modes(blocks: Blocks) -> tuple[Array, Array]:
    """omega² (Mc,) and shapes (Mc, Mc) of the host with every partial locked."""
    from scipy.linalg import eigh

    return eigh(blocks.host_stiffness, blocks.host_mass)  # type: ignore[no-any-return]


def _solve_band(blocks: Blocks, band: ModeBand, host: tuple[Array, Array], limits: Array) -> _Solved:
    """The band's smaller problem, solved."""
    near, far = np.flatnonzero(band.near), np.flatnonzero(~band.near)
    squared = blocks.tine_stiffness.diagonal()[far]
    pull = _picked(blocks.tine_stiffness, far, near)
    tines, coupling, turned = _turned(blocks, band, near, far, pull)
    answer = _answers(host, band, squared, turned)
    kind = np.float32 if band.single else np.float64
    mass, stiffness = _answering(
        blocks, far, turned.astype(kind, copy=False), answer.astype(kind, copy=False)
    )
    problem = Blocks(tines, mass, stiffness, coupling)
    values, told, vectors = block_modes(problem, _limits(band, limits), single=band.single)
    kept = _Far(squared, turned.astype(np.float32), pull, answer.astype(np.float32))
    return _Solved(values, told, vectors.astype(np.float32, copy=False), band, len(blocks.host_mass), kept)


def _limits(band: ModeBand, limits: Array) -> Array:
    """Between which omega² (2,) vectors of the band may be asked for: cuts are set when all values are known."""
    own = np.array([band.low / ABOUT**2, band.high * ABOUT**2])
    return np.asarray(np.clip(own, MARGIN[0] * limits[0], MARGIN[1] * limits[1]))


def _picked(matrix: Array, rows: Indices, columns: Indices) -> Singles:
    """Some rows and columns in single precision, a few rows at a time: never all in double."""
    out = np.empty((len(rows), len(columns)), dtype=np.float32)
    for first in range(0, len(rows), STRIP):
        out[first : first + STRIP] = matrix[np.ix_(rows[first : first + STRIP], columns)]
    return out


def _turned(
    blocks: Blocks, band: ModeBand, near: Indices, far: Indices, pull: Singles
) -> tuple[Array, Array, Array]:
    """K_N (N, N) and B_N (Mc, N) freed of the far partials, and what is left of these, B_F^T (F, Mc)."""
    K, B = blocks.tine_stiffness, blocks.coupling
    own, squared = K.diagonal()[near], K.diagonal()[far]
    # a partial beyond the band is turned as at its edge, since that is where it takes part
    turn: Singles = np.empty_like(pull)
    np.subtract(np.clip(own, band.low, band.high), squared[:, None], out=turn, casting="same_kind")
    np.divide(pull, turn, out=turn)
    both: Singles = pull.T @ turn
    both *= np.float32(0.5)
    stiffness = K[np.ix_(near, near)]
    stiffness += both
    stiffness += both.T
    coupling = B.astype(np.float32)
    return stiffness, B[:, near] + coupling[:, far] @ turn, B[:, far].T - turn @ coupling[:, near].T


def _answers(host: tuple[Array, Array], band: ModeBand, squared: Array, turned: Array) -> Array:
    """What far partials do for each unit of the host's motion, then vectors of their own (F, Mc + k)."""
    kappa, shape = host
    top = min(band.high, (2.0 * math.pi * TOP) ** 2)
    low, high = (band.low + share * (top - band.low) for share in (INNER if band.low > 0.0 else (0.0, LOW)))
    first = low / (squared - low)
    change = high / (squared - high) - first
    # a host mode above the band lends its modes less and less
    lent = np.minimum(1.0, top / np.maximum(kappa, 1.0))
    vectors = (change[:, None] * turned) @ (shape * lent)
    own = [
        _telling(vectors, np.sqrt(np.abs(squared - high) / high), side)
        for side in (squared < high, squared > high)
    ]
    return np.concatenate([first[:, None] * turned, *own], axis=1)


def _telling(vectors: Array, weight: Array, side: Bools) -> Array:
    """What of the vectors (F, Mc) matters on one side of the band (F,).

    A vector of both sides might have its value of Ritz within the band, where no mode is.
    """
    own = np.where(side[:, None], vectors, 0.0)
    weighted = weight[side, None] * own[side]
    size, mix = np.linalg.eigh(weighted.T @ weighted)
    matters = size > FAINT
    return np.asarray(own @ (mix[:, matters] / np.sqrt(size[matters])))


def _answering(
    blocks: Blocks, far: Indices, turned: NDArray[Any], answer: NDArray[Any]
) -> tuple[Array, Array]:
    """Mass and stiffness (Mc + k, Mc + k) of the host with what answers it, as precise as that is given."""
    count = len(blocks.host_mass)
    pulled, single = np.empty_like(answer), answer.astype(np.float32, copy=False)
    for first in range(0, len(far), 4 * STRIP):  # never all of it at once
        here = np.arange(first, min(first + 4 * STRIP, len(far)))
        pull = _picked(blocks.tine_stiffness, far[here], far)
        pull[here - first, here] = 0.0  # what is left is small: single digits do
        pulled[here] = pull @ single
    pulled += blocks.tine_stiffness.diagonal()[far, None].astype(answer.dtype) * answer
    stiffness, mass, pushed = (
        (one.T @ other).astype(float) for one, other in ((answer, pulled), (answer, answer), (turned, answer))
    )
    mass[:count] += pushed
    mass[:, :count] += pushed.T
    mass[:count, :count] += blocks.host_mass
    stiffness[:count, :count] += blocks.host_stiffness
    return (mass + mass.T) / 2.0, (stiffness + stiffness.T) / 2.0


def _spans(parts: Sequence[_Solved], count: int) -> list[slice] | None:
    """Which of its values each band tells; None where together they are not `count`, or bands disagree at a cut."""
    starts, ends = [0], []
    for lower, upper in pairwise(parts):
        cut = _cut(lower.squared, upper.squared, upper.band.low)
        if not _agree(lower.squared, upper.squared, cut):
            return None
        ends.append(int(np.searchsorted(lower.squared, cut)))
        starts.append(int(np.searchsorted(upper.squared, cut)))
    spans = [slice(start, end) for start, end in zip(starts, [*ends, len(parts[-1].squared)], strict=True)]
    return spans if sum(span.stop - span.start for span in spans) == count else None


def _agree(lower: Array, upper: Array, cut: float) -> bool:
    """Whether a band and the next tell the same modes nearest to the cut between them."""
    end, start = (int(np.searchsorted(each, cut)) for each in (lower, upper))
    before, after = min(TOLD_TWICE, end, start), min(TOLD_TWICE, len(lower) - end, len(upper) - start)
    one, other = lower[end - before : end + after], upper[start - before : start + after]
    near = np.minimum(np.abs(one - cut), np.abs(other - cut)) < NEARBY * cut
    return _alike(one[near], other[near])


def _alike(one: Array, other: Array) -> bool:
    """Whether values of omega² are the same but for `ALIKE`; drifts, at 0, are."""
    return len(one) == len(other) and bool(np.all(np.abs(one - other) < ALIKE * np.maximum(other, 1.0)))


def _cut(lower: Array, upper: Array, about: float) -> float:
    """The middle of the widest gap near `about` that both bands see."""
    ends = np.array([about / ABOUT**2, about * ABOUT**2])
    both = np.sort(np.concatenate([ends, lower, upper]))
    both = both[(both >= ends[0]) & (both <= ends[1])]
    widest = int(np.argmax(np.diff(both)))
    return float((both[widest] + both[widest + 1]) / 2.0)
