"""From wishes to a design that can be built: places on the bar, supports at its nodes, feet and boards.

In: `Wishes`. Out: a `Draft`: the design as a tree, its lengths in mm, and what the comments say. Several layouts
are tried (how wide the gaps are, how far the bar stands over); for each the bar with all tines locked on it is
solved free of supports, supports go where the first mode that bends it up and down stands still, and what tines and
bar would then come to is estimated. The best are solved whole, and what `check` would say is kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from synth.arrays import Array
from synth.cores import one_core
from synth.design.decode import decode
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.frozen import frozen
from synth.vibration.bar import BarModes
from synth.vibration.coupling import base_frames, nut_inertia
from synth.vibration.estimate import estimate, free_bar
from synth.vibration.host import loaded_bar
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import Quarrel, find_quarrels, sentence
from synth.vibration.tuning import Row, tune
from synth.workshop.check_screen import strained, usual_strokes
from synth.workshop.draft_boards import board_tables
from synth.workshop.draft_groups import GroupPlan, plan_groups, stock_table
from synth.workshop.draft_layout import Layout, layouts, ruler_mm
from synth.workshop.wishes import Wishes

ASTRAY: Final = (
    0.012  # of the bar's length, how far from its node a support may stand without being a last resort
)
SOLVED: Final = 5  # layouts that are solved whole before the best of them is taken with its warning
SOUNDING_HZ: Final = 1.0  # below it a free bar's mode is a rigid motion
LOOKED_AT: Final = 40  # of the lowest modes, for the first that goes up and down
GRID: Final = 2001  # places at which a mode is looked at
CORD_MM: Final = 1.25  # half a cord's width, beside a nut
PLAIN_ROOM: Final = 1.02  # of a plain rod's diameter: `check` warns of a support nearer than one


@frozen
class Draft:
    """A design, ready to be written: `tree` in mm, and what its comments tell."""

    tree: dict[str, Any]
    wishes: Wishes
    plans: tuple[GroupPlan, ...]
    layout: Layout
    mode_hz: float  # the loaded bar's first mode up and down
    nodes_mm: tuple[float, ...]
    warnings: tuple[str, ...]
    strained: tuple[str, ...]  # the stocks that the usual stroke is too much for
    quarrels: tuple[str, ...]  # the worst first


@frozen
class _Tried:
    """A layout with its supports."""

    layout: Layout
    nodes: tuple[float, ...]
    supports: tuple[float, ...]
    mode_hz: float
    severity: float

    @property
    def rank(self) -> tuple[bool, float]:
        return self.astray > ASTRAY, self.severity

    @property
    def astray(self) -> float:
        apart = [abs(one - other) for one, other in zip(self.nodes, self.supports, strict=True)]
        return max(apart, default=math.inf) / self.layout.length_mm


def draft(wishes: Wishes) -> Draft:
    """The design for these wishes. Raises `InputError` for what cannot be built, with what could."""
    with one_core(with_scipy=False):
        return _drafted(wishes)


def first_mode_nodes(instrument: Instrument, row: Row, free: BarModes) -> tuple[float, tuple[float, ...]]:
    """The loaded, free bar's first mode that goes up and down more than sideways: Hz, and where it rests, in m."""
    bases = base_frames(instrument.tines, instrument.bar, free)
    nuts = nut_inertia(instrument.tines, instrument.bar, bases)
    kappa, v = loaded_bar(row.modes, free, bases, nuts=nuts)
    position = np.linspace(0.0, instrument.bar.length, GRID)
    bare = free.at(position)[:, :3]
    hertz = np.sqrt(kappa[:LOOKED_AT]) / (2.0 * math.pi)
    for mode in np.flatnonzero(hertz > SOUNDING_HZ).tolist():
        motion = bare @ v[:, mode]
        upright, whole = np.mean(motion[:, 2] ** 2), np.mean(np.sum(motion**2, axis=1))
        if upright > 0.5 * whole:
            return float(hertz[mode]), tuple(_zeros(position, motion[:, 2]))
    raise AssertionError("every bar bends up and down")


def _zeros(position: Array, height: Array) -> list[float]:
    left = np.flatnonzero(height[:-1] * height[1:] < 0.0)
    share = height[left] / (height[left] - height[left + 1])
    return list((position[left] + share * (position[left + 1] - position[left])).tolist())


def _drafted(wishes: Wishes) -> Draft:
    plans = plan_groups(wishes)
    found = layouts(wishes, plans)
    row = tune(_instrument(_tree(wishes, plans, found[0], ())))  # clamped: lengths do not hang on places
    tried = sorted((_try(wishes, plans, each, row) for each in found), key=lambda each: each.rank)
    best: Draft | None = None
    for each in tried[:SOLVED]:
        done = _solved(wishes, plans, each)
        if best is None or len(done.warnings) < len(best.warnings):
            best = done
        if not _avoidable(done.warnings):
            break
    assert best is not None
    return best


def _avoidable(warnings: Sequence[str]) -> list[str]:
    return [each for each in warnings if "in a bend" not in each]


def _try(wishes: Wishes, plans: Sequence[GroupPlan], layout: Layout, row: Row) -> _Tried:
    bare = _instrument(_tree(wishes, plans, layout, ()))
    free = free_bar(bare.bar)
    hertz, nodes = first_mode_nodes(bare, row, free.modes)
    nodes_mm = tuple(1e3 * each for each in nodes)
    supports = _supports(wishes, plans, layout, nodes_mm)
    held = _instrument(_tree(wishes, plans, layout, supports))
    return _Tried(layout, nodes_mm, supports, hertz, estimate(held, row, free).total())


def _solved(wishes: Wishes, plans: tuple[GroupPlan, ...], tried: _Tried) -> Draft:
    """Tuned on its bar; the nodes are found again with the lengths that gives."""
    tree = _tree(wishes, plans, tried.layout, tried.supports)
    instrument = _instrument(tree)
    row = tune(instrument, mounting(instrument))
    free = free_bar(instrument.bar).modes
    hertz, nodes = first_mode_nodes(instrument, row, free)
    nodes_mm = tuple(1e3 * each for each in nodes)
    supports = _supports(wishes, plans, tried.layout, nodes_mm)
    if supports != tried.supports:
        tree = _tree(wishes, plans, tried.layout, supports)
        instrument = _instrument(tree)
        row = tune(instrument, mounting(instrument))
    quarrels: tuple[Quarrel, ...] = find_quarrels(instrument, row)
    return Draft(
        tree,
        wishes,
        plans,
        tried.layout,
        hertz,
        nodes_mm,
        (*instrument.warnings, *row.warnings),
        tuple(each.lines[0] for each in strained(instrument, usual_strokes(instrument, row, ()))),
        tuple(sentence(instrument, each) for each in quarrels),
    )


def _instrument(tree: dict[str, Any]) -> Instrument:
    return resolve(decode(tree, Design))


def _supports(
    wishes: Wishes, plans: Sequence[GroupPlan], layout: Layout, nodes_mm: Sequence[float]
) -> tuple[float, ...]:
    """Beside each node the nearest half mark of the ruler at which no base nut stands in a cord's way."""
    ruler, length = ruler_mm(wishes.units) / 2.0, layout.length_mm
    taken = np.array(
        [
            (
                start + plan.spacing_mm * k,
                max(plan.corners_mm / 2.0 + CORD_MM, PLAIN_ROOM * plan.stock.plain_mm),
            )
            for start, plan in zip(layout.starts_mm, plans, strict=True)
            for k in range(len(plan.members))
        ]
    )
    marks = ruler * np.arange(math.floor(length / ruler) + 1)
    room = np.abs(marks[:, None] - taken[:, 0]) - taken[:, 1]
    open_marks = marks[np.all(room >= 0.0, axis=1)]
    chosen = [float(open_marks[np.argmin(np.abs(open_marks - node))]) for node in nodes_mm]
    if len(set(chosen)) < len(chosen):
        raise InputError("the bar has no room between its tines for its supports", remedy="take fewer tines")
    return tuple(chosen)


def _tree(
    wishes: Wishes, plans: Sequence[GroupPlan], layout: Layout, supports: Sequence[float]
) -> dict[str, Any]:
    names = {plan.members: f"octaves-{plan.octaves}" for plan in plans}
    tree: dict[str, Any] = {
        "name": f"Draft: {plans[0].note} to {plans[-1].note}",
        "bar": {
            "material": "mild steel",
            "section": dict(wishes.section),
            "path": [dict(each) for each in layout.path],
            "supports": [{"at_mm": each, "kind": "cord"} for each in supports],
        },
        "stock": {plan.stock.name: stock_table(plan.stock) for plan in plans if plan.stock.plain_mm},
        "recipe": {name: {"members": list(members)} for members, name in names.items()},
        "group": [
            {
                "name": plan.note,
                "root": plan.note,
                "recipe": names[plan.members],
                "stock": plan.stock.name,
                "start_mm": start,
                "spacing_mm": plan.spacing_mm,
            }
            for plan, start in zip(plans, layout.starts_mm, strict=True)
        ],
        "pickup": {"kind": wishes.pickup, "at_mm": layout.pickup_mm},
    }
    if wishes.board != "none" and supports:
        bar = _instrument({**tree, "bar": {**tree["bar"], "supports": []}}).bar
        tree["board"] = board_tables(wishes, bar, supports)
    if wishes.units == "inch":
        tree["bench"] = {"units": "inch", "paper": "Letter"}
    return tree
