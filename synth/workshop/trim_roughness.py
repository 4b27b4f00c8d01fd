"""What a nut buys for the clarity of a group: how its ring grates with each way of trimming one of its tines.

In: a `Trimming`, the row without the wished nuts. Out: the same with its ways ranked: the most forgiving first,
among equally forgiving ones the least rough. Every tine of the group is plucked at its tip; a partial is heard as
the tip lets it be excited and as its root hands it on to the bar, both of its mass-normalised shape.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.sound.roughness import ring_roughness
from synth.vibration.solve import solve_row
from synth.vibration.tine import TineModes, solve_tines
from synth.vibration.trimming.answers import Trimming, every_answer, fitting_nuts, wish_of
from synth.vibration.trimming.settle import TrimSolution
from synth.vibration.tuning import Row

ALIKE: Final = 1.1  # cents a millimetre that differ by less are as forgiving: no hand sets a nut so finely


@frozen
class RankedTrimming:
    """A `Trimming` in the order in which it is shown; `rough` of its ways, `plain` of the group without nuts."""

    found: Trimming
    rough: tuple[float, ...]
    plain: float


def row_without_wishes(instrument: Instrument, *, fresh: bool = False) -> Row:
    """The row as it is before the wished nuts are on. Raises `InputError` for what cannot be built."""
    plain = tuple(dataclasses.replace(tine, wish=None) for tine in instrument.tines)
    return solve_row(dataclasses.replace(instrument, tines=plain), fresh=fresh)


def every_way(
    instrument: Instrument, row: Row, index: int, *, also: tuple[int, float] | None = None
) -> RankedTrimming:
    """Every way to meet the wish of a tine, and `also` a second (partial, ratio), in a row without wishes."""
    tine = instrument.tines[index]
    wished = wish_of(tine).nut
    others = fitting_nuts(tine, [nut for nut in instrument.nuts.values() if nut != wished])
    pitch = None if math.isnan(row.target_hz[index]) else float(row.clamped_hz[index])
    length = float(row.length[index])
    ways = every_answer(index, tine, length=length, pitch=pitch, nuts=(wished, *others), also=also)
    return ranked(instrument, row, ways)


def ranked(instrument: Instrument, row: Row, found: Trimming) -> RankedTrimming:
    """The ways of one tine with the roughness of its group's ring, the best first."""
    tine = instrument.tines[found.tine]
    group = instrument.groups[tine.group].tines
    others = [n for n in range(len(instrument.tines))[group] if n != found.tine]
    ways = (found.plain, *found.solutions)
    modes = solve_tines(
        [tine] * len(ways), [each.length for each in ways], [(*each.nuts, *tine.trim) for each in ways]
    )
    rest = [_partials(row.modes, n) for n in others]
    rough = [_grates([*rest, _partials(modes, n)]) for n in range(len(ways))]
    judged = _in_order(list(zip(found.solutions, rough[1:], strict=True)))
    solutions = tuple(each for each, _ in judged)
    return RankedTrimming(
        dataclasses.replace(found, solutions=solutions), tuple(each for _, each in judged), rough[0]
    )


def _partials(modes: TineModes, n: int) -> Array:
    """Frequency, decay and amplitude (3, N) of one tine's partials along the row."""
    there = modes.exists[n]
    amplitude = np.abs(modes.at(0.0)[n] * modes.momentum[n])
    return np.stack([modes.frequency[n, 0], modes.decay[n, 0], amplitude])[:, there]


def _grates(partials: list[Array]) -> float:
    return ring_roughness(*np.concatenate(partials, axis=1))


def _in_order(judged: list[tuple[TrimSolution, float]]) -> list[tuple[TrimSolution, float]]:
    """By forgiveness; those within `ALIKE` of the most forgiving one left go by roughness."""
    left, order = sorted(judged, key=lambda each: each[0].unforgiving), []
    while left:
        limit = ALIKE * left[0][0].unforgiving
        alike = [each for each in left if each[0].unforgiving <= limit or math.isclose(limit, 0.0)]
        order += sorted(alike, key=lambda each: each[1])
        left = left[len(alike) :]
    return order
