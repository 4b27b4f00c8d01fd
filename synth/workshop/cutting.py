"""Which pieces to saw from which bar of stock, with little waste. It knows no instrument.

In: lengths of pieces, the length of a bar, the kerf. Out: for every bar the pieces in the order they are sawn. The
idea: longest first into the fullest bar that takes it is within 22 % of the fewest bars and mostly is the fewest
(Johnson, Demers, Ullman, Garey and Graham, SIAM J. Comput. 3 (1974) 299; from memory); where the plain bound on the
number of bars says that fewer might do, a mixed-integer programme decides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from synth.errors import InputError

SOLVER_SECONDS: Final = 5.0  # a maker waits no longer for one bar less
LARGEST_PROGRAMME: Final = 1500  # yes-or-no variables that the solver settles within that time

CuttingPlan = tuple[tuple[int, ...], ...]


def plan(pieces: Sequence[float], *, bar: float, kerf: float) -> CuttingPlan:
    """For every bar the indices of its pieces, longest first; the saw takes `kerf` after each but at the bar's end.

    All in one unit. Raises `InputError` for a piece longer than the bar.
    """
    if not pieces:
        return ()
    longest = max(pieces)
    if longest > bar:
        raise InputError(f"a piece of {longest:g} does not fit a bar of {bar:g}", remedy="use longer stock")
    good = best_fit(pieces, bar=bar, kerf=kerf)
    while len(good) > fewest_possible(pieces, bar=bar, kerf=kerf):
        better = _programme(pieces, bar=bar, kerf=kerf, bars=len(good) - 1)
        if better is None:
            break
        good = better
    return good


def used(pieces: Sequence[float], chosen: Sequence[int], *, kerf: float) -> float:
    """What a set of pieces takes from a bar, saw cuts between them included."""
    return math.fsum(pieces[index] for index in chosen) + kerf * max(len(chosen) - 1, 0)


def fewest_possible(pieces: Sequence[float], *, bar: float, kerf: float) -> int:
    """A bound that no plan can beat: the total length, kerf included, over the bar."""
    return math.ceil((math.fsum(pieces) + kerf * len(pieces)) / (bar + kerf) - 1e-9)


def best_fit(pieces: Sequence[float], *, bar: float, kerf: float) -> CuttingPlan:
    """Longest piece first, each into the fullest bar that still takes it."""
    bars: list[list[int]] = []
    left: list[float] = []
    for index in sorted(range(len(pieces)), key=lambda each: -pieces[each]):
        need = pieces[index] + kerf
        fits = [n for n, room in enumerate(left) if room >= need - 1e-9]
        if not fits:
            bars.append([])
            left.append(bar + kerf)
            fits = [len(bars) - 1]
        tightest = min(fits, key=lambda n: left[n])
        bars[tightest].append(index)
        left[tightest] -= need
    return tuple(tuple(each) for each in bars)


def _programme(pieces: Sequence[float], *, bar: float, kerf: float, bars: int) -> CuttingPlan | None:
    """A plan with so many bars, or None where there is none or it is not found in time.

    x[i, b] = 1 when piece i comes from bar b: each piece once, no bar overfull; the longest pieces that can never
    share a bar with each other are pinned to bars of their own, so that equal bars are not tried in every order.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    count = len(pieces)
    if count * bars > LARGEST_PROGRAMME:
        return None
    piece, position = np.divmod(np.arange(count * bars), bars)
    need = np.asarray(pieces)[piece] + kerf
    once = coo_array((np.ones(count * bars), (piece, np.arange(count * bars))), shape=(count, count * bars))
    room = coo_array((need, (position, np.arange(count * bars))), shape=(bars, count * bars))
    lowest = np.zeros(count * bars)
    order = sorted(range(count), key=lambda each: -pieces[each])
    for n, index in enumerate(order[:bars]):
        if n and pieces[index] + pieces[order[n - 1]] + kerf <= bar:
            break
        lowest[index * bars + n] = 1.0
    found = milp(
        np.zeros(count * bars),
        constraints=[LinearConstraint(once, 1, 1), LinearConstraint(room, -np.inf, bar + kerf)],
        bounds=Bounds(lowest, 1),
        integrality=np.ones(count * bars),
        options={"time_limit": SOLVER_SECONDS},
    )
    if found.x is None:
        return None
    taken = found.x.reshape(count, bars) > 0.5
    rows = [[int(i) for i in order if taken[i, b]] for b in range(bars)]
    return tuple(tuple(row) for row in rows if row)
