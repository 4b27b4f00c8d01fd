"""Which rod, which members and what spacing each wished note gets, before it has a place on the bar.

In: `Wishes`. Out: a `GroupPlan` a note, the lowest first. The stocks share the notes evenly from low to high; where
the one whose turn it is would be too long, too short or too limp, the next that does takes its place. Members that
no sensible length reaches are left out and lower ones doubled instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from synth.design.decode import decode
from synth.design.groups import interval
from synth.design.instrument import Tine
from synth.design.placement_checks import across_corners
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import INCH, MM, Units, length_said, note_hz, note_name, note_number
from synth.vibration.clearance import HOLD
from synth.vibration.tuning import free_lengths, tune
from synth.workshop.wishes import StockWish, Wishes

A4: Final = 440.0  # Hz, ISO 16
SENSIBLE_MM: Final = (
    30.0,
    300.0,
)  # free lengths that ring and do not whip; common practice, no published source
STICK_MM: Final = 5.0 + 1.5  # the thickest built-in stick with room to pass
SPANNER_MM: Final = 3.9  # between a nut's corners and the next, for a thin spanner or a cord; common practice
WIDEST_MM: Final = 24.0  # a stroke over wider spacing is no longer one gesture; common practice
NARROWEST_MM: Final = 10.0
SWING_ROOM_MM: Final = 0.5
GRID_MM: Final[dict[Units, float]] = {"mm": 0.5, "inch": INCH / MM / 32}


@frozen
class GroupPlan:
    """One note's tines: what they are cut from, which they are, how far apart; mm."""

    note: str
    stock: StockWish
    members: tuple[str, ...]
    octaves: int
    spacing_mm: float
    longest_mm: float
    swing_mm: float  # of the longest, held by a stick
    corners_mm: float  # what a tine takes up on the bar

    @property
    def span_mm(self) -> float:
        """From the first tine to the last."""
        return self.spacing_mm * (len(self.members) - 1)


def plan_groups(wishes: Wishes) -> tuple[GroupPlan, ...]:
    """A plan a note. Raises `InputError` for a note that no stock reaches, with the nearest that one does."""
    benches = [_Bench.of(stock) for stock in wishes.stock]
    plans = []
    for index, note in enumerate(wishes.notes):
        turn = index * len(benches) // len(wishes.notes)
        ordered = sorted(benches, key=lambda each: (abs(benches.index(each) - turn), -benches.index(each)))
        plan = _first(wishes, note, ordered)
        if plan is None:
            raise _unreached(wishes, note, benches)
        plans.append(plan)
    return tuple(plans)


def members(intervals: Sequence[str], octaves: int, tines: int) -> tuple[str, ...]:
    """So many intervals, rising: the root's octaves first, then the others from below, then doubles."""
    ratios = {each: _fraction(each) for each in intervals}
    ladder = sorted(
        {(num * 2**k, den) for num, den in ratios.values() for k in range(octaves)},
        key=lambda each: each[0] / each[1],
    )
    tonic = [
        each for each in ladder if each[0] / each[1] == 2 ** round(math.log2(each[0] / each[1]))
    ] or ladder
    others = [each for each in ladder if each not in tonic]
    chosen = [*tonic, *others][:tines]
    doubles = [tonic[i % len(tonic)] for i in range(max(tines - len(chosen), 0))]
    return tuple(_ratio(each) for each in sorted([*chosen, *doubles], key=lambda each: each[0] / each[1]))


def stock_table(stock: StockWish) -> dict[str, Any]:
    """The design's own table of a plain rod."""
    return {"kind": "plain", "diameter_mm": stock.plain_mm, "material": "304 spring wire"}


def round_up(value: float, grid: float) -> float:
    """To the next line of a ruler."""
    return math.ceil(value / grid - 1e-9) * grid


@frozen
class _Bench:
    """One stock with a tine of it, and the pitches of its longest and shortest sensible length."""

    stock: StockWish
    tine: Tine
    lowest: float  # Hz
    highest: float

    @classmethod
    def of(cls, stock: StockWish) -> _Bench:
        tree: dict[str, Any] = {
            "bar": {"section": {"shape": "round", "diameter_mm": 100.0}, "path": [{"straight_mm": 1000.0}]},
            "group": [
                {
                    "name": "reach",
                    "stock": stock.name,
                    "start_mm": 300.0,
                    "spacing_mm": 300.0,
                    "tine": [{"free_length_mm": each} for each in reversed(SENSIBLE_MM)],
                }
            ],
        }
        if stock.plain_mm:
            tree["stock"] = {stock.name: stock_table(stock)}
        instrument = resolve(decode(tree, Design))
        lowest, highest = tune(instrument).clamped_hz.tolist()
        return cls(stock, instrument.tines[0], lowest, highest)

    def length_mm(self, hertz: float) -> float:
        return float(free_lengths([self.tine], [()], np.array([hertz]))[0]) / MM

    def swing_mm(self, length_mm: float) -> float:
        """How far a stick's push bends the tip: F l³ / (3 E I), the root's give in the length."""
        rod, length = self.tine.rod, length_mm * MM + self.tine.root.added_length
        return HOLD * length**3 / (3.0 * rod.material.youngs * math.pi / 64.0 * rod.bend_diameter**4) / MM


def _first(wishes: Wishes, note: str, benches: Sequence[_Bench]) -> GroupPlan | None:
    """The first stock with all octaves, else with one less, down to one."""
    for octaves in range(wishes.octaves, 0, -1):
        for bench in benches:
            plan = _plan(wishes, note, bench, octaves)
            if plan is not None:
                return plan
    return None


def _plan(wishes: Wishes, note: str, bench: _Bench, octaves: int) -> GroupPlan | None:
    """None where the rod would be too long, too short or swing too far."""
    chosen = members(wishes.intervals, octaves, wishes.tines)
    root = note_hz(note_number(note), A4)
    low, high = (root * interval(each, "") for each in (chosen[0], chosen[-1]))
    if low < bench.lowest or high > bench.highest:
        return None
    longest, rod = bench.length_mm(low), bench.tine.rod.diameter / MM
    swing, corners = bench.swing_mm(longest), across_corners(bench.tine) / MM
    need = max(NARROWEST_MM, rod + STICK_MM, corners + SPANNER_MM, rod + 1.05 * swing + SWING_ROOM_MM)
    spacing = round_up(need, GRID_MM[wishes.units])
    if spacing > WIDEST_MM + GRID_MM[wishes.units]:
        return None
    return GroupPlan(note, bench.stock, chosen, octaves, spacing, longest, swing, corners)


def _unreached(wishes: Wishes, note: str, benches: Sequence[_Bench]) -> InputError:
    number = note_number(note)
    names = ", ".join(each.name for each in wishes.stock)
    low, high, room = (length_said(each * MM, wishes.units, figures=3) for each in (*SENSIBLE_MM, WIDEST_MM))
    finding = (
        f"{note} cannot be built of {names} with free lengths of {low.split()[0]} to {high} "
        f"and room to swing within {room}"
    )
    for away in range(1, 96):
        for other in (number + away, number - away):
            name = note_name(note_hz(other, A4), A4)[0]
            if _first(wishes, name, benches) is not None:
                return InputError(
                    finding, remedy=f"the nearest note that is reached is {name}", location="--notes"
                )
    return InputError(finding, remedy="take thicker rod", location="--stock")


def _fraction(words: str) -> tuple[int, int]:
    """A ratio in whole numbers; a decimal in ten thousandths."""
    if "/" in words or ":" in words:
        top, bottom = words.replace(":", "/").split("/")
        num, den = int(top), int(bottom)
    else:
        num, den = round(float(words) * 10_000), 10_000
    shared = math.gcd(num, den)
    return num // shared, den // shared


def _ratio(each: tuple[int, int]) -> str:
    shared = math.gcd(*each)
    return f"{each[0] // shared}/{each[1] // shared}"
