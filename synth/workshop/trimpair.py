"""Two nuts that bring two overtones to wished ratios at once.

In: a tine with a wish, one more wish, the nuts at hand. Out: `Choice`s, the most forgiving first (of the tine's own
wish). Three equations, ln f_1 (or the length), ln f_p / f_1 and ln f_q / f_1, in three unknowns, the length and two
places, have single answers. They are looked for in the quick picture, where both ratios cross their wishes in one
cell of a grid, and brought home by Newton's method on the full model.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from synth.design.instrument import Nut, PlacedNut, Tine
from synth.vibration.rod import Array
from synth.workshop.loaded import log_frequencies, quick_picture
from synth.workshop.trim import BLUR, LONGEST, SAME, SHORTEST, Choice, Search, distinct, newton, pairs

GRID: Final = 61  # places looked at each way


def trim_both(
    tine: Tine, *, length: float, pitch: float | None, nuts: Sequence[Nut], partial: int, ratio: float
) -> tuple[Choice, ...]:
    """Every pair of nuts that meets the tine's wish and brings `partial` to `ratio` times the fundamental too."""
    wish = tine.wish
    assert wish is not None
    search = Search(tine, wish, length, pitch)
    targets = {wish.partial: math.log(wish.ratio), partial: math.log(ratio)}
    found = [choice for pair in pairs(nuts) for choice in _settled(search, pair, targets)]
    return tuple(sorted(found, key=lambda each: each.unforgiving))


def _settled(search: Search, nuts: tuple[Nut, Nut], targets: dict[int, float]) -> Iterator[Choice]:
    x = _starts(search, nuts, targets)
    if not x.shape[1]:
        return
    x, there = newton(lambda x: _miss(search, nuts, targets, x), x)
    length, place = np.exp(x[0]), x[1:].T * search.length
    there &= search.fits(nuts, place, length) & (length <= LONGEST) & (length >= SHORTEST)
    rows = distinct(place, np.flatnonzero(there).tolist(), SAME)
    if rows:
        cents = search.cents_per_metre(nuts, length[rows], place[rows])
        placed = [
            tuple(PlacedNut(n, z) for n, z in zip(nuts, row, strict=True)) for row in place[rows].tolist()
        ]
        answers = [tuple(each) for each in cents.tolist()]
        yield from search.described(placed, length[rows].tolist(), answers, locked=False)


def _starts(search: Search, nuts: tuple[Nut, Nut], targets: dict[int, float]) -> Array:
    """ln length and places over the bare length (3, C), in the middle of cells where both ratios cross."""
    share = np.linspace(nuts[0].height / 2.0, search.length - nuts[1].height / 2.0, GRID) / search.length
    grid = np.stack([each.ravel() for each in np.meshgrid(share, share, indexing="ij")], axis=1)
    pitch = None if search.fixed else search.pitch
    picture = quick_picture(search.tine, search.length, nuts, grid, pitch=pitch, partials=max(targets))
    stand = grid * picture.length[:, None]
    room = (stand[:, 1] - stand[:, 0] >= (nuts[0].height + nuts[1].height) / 2.0) & search.free(nuts, stand)
    cross = np.ones((GRID - 1, GRID - 1), dtype=bool)
    for partial, target in targets.items():
        off = np.where(room, picture.interval(partial) - target, np.nan).reshape(GRID, GRID)
        corners = np.stack([off[:-1, :-1], off[1:, :-1], off[:-1, 1:], off[1:, 1:]])
        cross &= (corners.min(axis=0) < BLUR) & (corners.max(axis=0) > -BLUR)  # nan is neither
    i, j = np.nonzero(cross)
    tall = picture.length.reshape(GRID, GRID)[i, j]
    middle = (share[1] - share[0]) / 2.0
    return np.stack([np.log(tall), *((share[k] + middle) * tall / search.length for k in (i, j))])


def _miss(search: Search, nuts: tuple[Nut, Nut], targets: dict[int, float], x: Array) -> Array:
    """By how much (3, C) each equation is missed."""
    length, place = np.exp(x[0]), x[1:].T * search.length
    logs = log_frequencies(search.tine, length, nuts, place, partials=max(targets))
    first = x[0] - math.log(search.length) if search.fixed else logs[:, 0] - search.own
    return np.stack(
        [first, *(logs[:, partial - 1] - logs[:, 0] - target for partial, target in targets.items())]
    )
