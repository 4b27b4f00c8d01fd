"""Every way to set one or two nuts so that overtones stand where the maker wishes, the most forgiving first.

In: tines with a wish, their lengths without the wished nuts, their clamped pitches, the nuts at hand. Out: for the
tuning the most forgiving place of each wished nut; for the `trim` command a `Trimming` with all there is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

from synth.design.instrument import Nut, PlacedNut, Tine, TrimWish
from synth.design.pieces import fitting_warning
from synth.errors import InputError
from synth.units import MM
from synth.vibration.rod import Array
from synth.vibration.trimming.search import BLUR, Curve, along, apart, both, without
from synth.vibration.trimming.settle import Aim, Start, TrimSolution, settle

Reach = dict[int, tuple[float, float]]  # by number of nuts: least and greatest ratio that can be had


@dataclass(frozen=True)
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
            raise _out_of_reach(aim.tine, _reach([(1, curve.ratio)]).get(1))
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
    loose = [apart(aim, pair) for pair in pairs(nuts)]
    if also is None:
        starts: list[Start] = [start for some, _ in (*single, *locked, *loose) for start in some]
    else:
        starts = [start for pair in pairs(nuts) for start in both(aim, pair)]
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


def reach_words(trimming: Trimming) -> str:
    """What can be had, in words, and which way the wish lies beyond it where it does."""
    if not trimming.reach:
        return "its other nuts leave no room"
    names = {1: "one nut", 2: "two nuts"}
    parts = [f"{low:.3g} to {high:.3g} with {names[n]}" for n, (low, high) in sorted(trimming.reach.items())]
    words = f"partial {trimming.wish.partial} can stand at " + ", ".join(parts) + " times the fundamental"
    ends = tuple(zip(*trimming.reach.values(), strict=True))
    way = "" if trimming.solutions else _beyond(trimming.wish.ratio, (min(ends[0]), max(ends[1])))
    return f"{words}: {trimming.wish.ratio:g} lies {way} that" if way else words


def shown_nuts(nuts: Sequence[PlacedNut]) -> str:
    """The nuts and where their middles go, in words."""
    return ", ".join(f"{each.nut.name} at {each.position / MM:.2f} mm" for each in nuts) or "none"


def _reach(had: Sequence[tuple[int, Array]]) -> Reach:
    reach: Reach = {}
    for count, ratio in had:
        if len(ratio):
            low, high = reach.get(count, (math.inf, 0.0))
            reach[count] = (min(low, float(ratio.min())), max(high, float(ratio.max())))
    return reach


def _out_of_reach(tine: Tine, reach: tuple[float, float] | None) -> InputError:
    wish, place = wish_of(tine), f"group[{tine.group + 1}]"
    brings = f"brings partial {wish.partial} to {wish.ratio:g}"
    finding = f"tine {tine.number}: no place of the nut '{wish.nut.name}' {brings}"
    if reach is None:
        return InputError(finding, remedy="its other nuts leave it no room", place=place)
    can = f"{reach[0]:.3g} to {reach[1]:.3g} times the fundamental can be had"
    way = _beyond(wish.ratio, reach)
    if not way:
        return InputError(finding, remedy=f"{can}, but not there: its other nuts are in the way", place=place)
    other = "lower" if way == "above" else "higher"
    remedy = f"{can}, the wish lies {way} that: wish for a {other} ratio, take a heavier nut or a second one"
    return InputError(finding, remedy=remedy, place=place)


def _beyond(ratio: float, reach: tuple[float, float]) -> str:
    """Which way a ratio that was not met lies beyond what can be had; empty where it lies within."""
    if ratio > reach[1] * (1.0 - BLUR):
        return "above"
    return "below" if ratio < reach[0] * (1.0 + BLUR) else ""
