"""Every way to set one or two nuts so that overtones stand where the maker wishes, the most forgiving first.

In: tines with a wish, their lengths without the wished nuts, their clamped pitches, the nuts at hand. Out: for the
tuning the most forgiving place of each wished nut; for the `trim` command a `Trimming` with all there is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument, Nut, PlacedNut, Tine, TrimWish
from synth.design.rods_nuts_sticks import fitting_warning
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import INCH, MM, Units, length_to
from synth.vibration.trimming.search import BLUR, Curve, along, pair, without
from synth.vibration.trimming.settle import Aim, Start, TrimSolution, settle

if TYPE_CHECKING:
    from synth.design.edit import Edit

Reach = dict[int, tuple[float, float]]  # by number of nuts: least and greatest ratio that can be had


@frozen
class Trimming:
    """All answers for a tine, the most forgiving first; `plain` is the tine without the wished nuts."""

    tine: int
    wish: TrimWish
    plain: TrimSolution
    without: float  # the ratio that the plain tine has
    solutions: tuple[TrimSolution, ...]
    curves: tuple[Curve, ...]
    reach: Reach


def first_answers(tines: Sequence[Tine], length: Array, pitch: Array) -> list[TrimSolution]:
    """The most forgiving place of the nut that each of these tines wishes for; a pitch of nan: the length is given.

    Raises `InputError` where there is none.
    """
    aims = [
        Aim(tine, own, None if math.isnan(hertz) else hertz, ((wish_of(tine).partial, wish_of(tine).ratio),))
        for tine, own, hertz in zip(tines, length.tolist(), pitch.tolist(), strict=True)
    ]
    looked = [along(aim, (wish_of(aim.tine).nut,)) for aim in aims]
    found = settle([start for starts, _ in looked for start in starts])
    first, answers = 0, []
    for aim, (starts, curve) in zip(aims, looked, strict=True):
        own = [each for some in found[first : first + len(starts)] for each in some]
        first += len(starts)
        if not own:
            raise _out_of_reach(aim.tine, _reach([(1, curve.ratio)]))
        answers.append(min(own, key=lambda each: each.unforgiving))
    return answers


def every_answer(
    index: int,
    tine: Tine,
    *,
    length: float,
    pitch: float | None,
    nuts: Sequence[Nut],
    also: tuple[int, float] | None = None,
) -> Trimming:
    """Every way to meet the tine's wish, and `also` a second (partial, ratio) by two nuts."""
    wish = wish_of(tine)
    wishes = ((wish.partial, wish.ratio), *(() if also is None else (also,)))
    aim = Aim(tine, length, pitch, wishes)
    single, locked = ([along(aim, each) for each in some] for some in ([(nut,) for nut in nuts], pairs(nuts)))
    loose = [pair(aim, each) for each in pairs(nuts)]
    looked = loose if also is not None else [*single, *locked, *loose]
    starts: list[Start] = [start for some, _ in looked for start in some]
    solutions = sorted((each for some in settle(starts) for each in some), key=lambda each: each.unforgiving)
    curves = tuple(curve for _, curve in (*single, *locked))
    had = [(len(curve.nuts), curve.ratio) for curve in curves] + [(2, ratio) for _, ratio in loose]
    plain = TrimSolution((), length, (), False, tine.rod.pitch)
    return Trimming(index, wish, plain, without(aim), tuple(solutions), curves, _reach(had))


def pairs(nuts: Sequence[Nut]) -> list[tuple[Nut, Nut]]:
    """Every ordered pair, the lower nut first."""
    return [*((nut, nut) for nut in nuts), *permutations(nuts, 2)]


def fitting_nuts(tine: Tine, nuts: Sequence[Nut]) -> tuple[Nut, ...]:
    """Those of the nuts that go on this tine's rod as it is; equal ones once."""
    fitting = []
    for nut in nuts:
        try:
            usable = not fitting_warning(nut, tine.rod, "")
        except InputError:
            usable = False
        if usable and nut not in fitting:
            fitting.append(nut)
    return tuple(fitting)


def wish_of(tine: Tine) -> TrimWish:
    assert tine.wish is not None
    return tine.wish


def reach_words(wish: TrimWish, reach: Reach, *, met: bool) -> str:
    """What can be had, in words, and which way a wish that was not met lies beyond it."""
    if not reach:
        return "its other nuts leave no room"
    names = {1: "one nut", 2: "two nuts"}
    parts = [f"{low:.3g} to {high:.3g} with {names[n]}" for n, (low, high) in sorted(reach.items())]
    words = f"partial {wish.partial} can stand at {', '.join(parts)} times the fundamental"
    if met:
        return words
    low, high = (each(ends) for each, ends in zip((min, max), zip(*reach.values(), strict=True), strict=True))
    if low * (1.0 + BLUR) <= wish.ratio <= high * (1.0 - BLUR):
        return f"{words}, but not there: other nuts are in the way or the length cannot be built"
    way = "above" if wish.ratio > high * (1.0 - BLUR) else "below"
    return f"{words}: {wish.ratio:g} lies {way} that; heavier nuts reach further both ways"


def shown_nuts(nuts: Sequence[PlacedNut], units: Units, *, digits: int = 2) -> str:
    """The nuts and where their middles go, in words; mm to so many digits, inches to two more."""
    return (
        ", ".join(f"{each.nut.name} at {length_to(each.position, units, digits)}" for each in nuts) or "none"
    )


def trim_edits(instrument: Instrument, chosen: Mapping[int, Sequence[PlacedNut]]) -> list[Edit]:
    """What puts nuts, by the tine's index, in the place of the wish, which stays as a comment."""
    return [edit for index, nuts in chosen.items() for edit in _edits(instrument.tines[index], nuts)]


def _edits(tine: Tine, nuts: Sequence[PlacedNut]) -> list[Edit]:
    from synth.design.edit import (
        Edit,
    )  # with what reads a file for its comments: `check` does not wait for it

    table, wish = tine.written.table, wish_of(tine)
    words = f"brings partial {wish.partial} to {wish.ratio:g} times the pitch"
    placed = list(_placed(nuts, tine.written.units))
    if tine.written.wish != table:  # the recipe's, which other groups follow too
        every = [*(_standing(each, tine.written.units) for each in tine.trim), *placed]
        if table.endswith("[+]"):
            return [Edit(table, {"tine": tine.number, "trim": every})]
        return [Edit(f"{table}.trim", every, comment=words)]
    if not tine.trim:
        return [Edit(f"{table}.trim", placed, comment=words, instead_of="trim_to")]
    added = [Edit(f"{table}.trim[+]", each) for each in placed]
    return [*added, Edit(f"{table}.trim_to", None)]


def _standing(placed: PlacedNut, units: Units) -> dict[str, str | float]:
    """A nut that was there, as it was written."""
    key, unit = ("at_mm", MM) if units == "mm" else ("at_in", INCH)
    return {"nut": placed.nut.name, key: float(f"{placed.position / unit:.7g}")}


def _placed(nuts: Sequence[PlacedNut], units: Units) -> Iterator[dict[str, str | float]]:
    """The nuts as the file has them, to the hundredth of a mm; of those that touch neither moves into the other."""
    key, step = ("at_mm", MM / 100.0) if units == "mm" else ("at_in", INCH / 2000.0)
    for number, each in enumerate(nuts):
        rounded = round if len(nuts) == 1 else math.ceil if number else math.floor
        steps = rounded(each.position / step)
        yield {"nut": each.nut.name, key: steps / 100.0 if units == "mm" else steps / 2000.0}


def _reach(had: Sequence[tuple[int, Array]]) -> Reach:
    together = {
        n: np.concatenate([np.zeros(0), *(each for count, each in had if count == n)]) for n in (1, 2)
    }
    return {n: (float(each.min()), float(each.max())) for n, each in together.items() if len(each)}


def _out_of_reach(tine: Tine, reach: Reach) -> InputError:
    wish = wish_of(tine)
    brings = f"brings partial {wish.partial} to {wish.ratio:g}"
    return InputError(
        f"tine {tine.number}: no place of the nut '{wish.nut.name}' {brings}",
        remedy=reach_words(wish, reach, met=False),
        location=f"{tine.written.wish}.trim_to",
    )
