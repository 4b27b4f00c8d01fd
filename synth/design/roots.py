"""How a tine is held: by what, how much its root gives and loses.

In: a tine, its group and [tines] as written, its stock. Out: a `Root`. What is nearest to the tine goes first.
"""

from __future__ import annotations

import math
from typing import Final

from synth.design import schema
from synth.design.fixings import FIXINGS, added_length, check_fixing
from synth.design.instrument import Root
from synth.design.keys_as_written import place_of
from synth.design.rods_nuts_sticks import Stock
from synth.units import MM

# How a tine is held where the design does not say.
ROOT_LENGTH_PER_DIAMETER: Final = (
    0.3  # of the bending diameter; finite elements of a nut clamp give 0.25 to 0.8
)
CLAMP_LOSS_FACTOR: Final = (
    1e-3  # Q of measured steel tongues, 500 to 900; range 3e-4 to 2e-3, the least certain figure
)


def root_of(
    design: schema.Design, group: schema.Group, given: schema.Made, stock: Stock, locations: tuple[str, ...]
) -> Root:
    """The root of a tine: what it, its group or [tines] say of it, at `locations`, else what its fixing is like."""
    levels = (given, group, design.tines)
    kind = _fixing(levels, stock, locations)
    nut = stock.base_nut if kind in (None, "nuts", "collet") else None
    if kind == "collet" and stock.rod.thread == "" and nut is not None and nut.thread:
        nut = None  # a thread's nut is not a collet's
    usual = CLAMP_LOSS_FACTOR if kind is None else FIXINGS[kind].loss_factor
    by_nuts = (
        nearest_said("root_length_per_diameter", ROOT_LENGTH_PER_DIAMETER, *levels) * stock.rod.bend_diameter
    )
    own = any(
        level.root_length_per_diameter is not None for level in levels
    )  # measured: as it is, whatever holds
    return Root(
        added_length=by_nuts if own else added_length(kind, by_nuts, stock.rod, design.bench.hole_fit),
        rotation_stiffness=nearest_said("root_rotation_nm_rad", math.inf, *levels),
        translation_stiffness=nearest_said("root_translation_n_mm", math.inf, *levels) / MM,
        loss_factor=nearest_said("clamp_loss_factor", usual, *levels),
        loss_slope=nearest_said("clamp_loss_slope", 0.0, *levels),
        base_nut_height=nut.height if nut else 0.0,
        base_nut=nut,
        fixing=kind,
    )


def _fixing(
    levels: tuple[schema.Holding, ...], stock: Stock, locations: tuple[str, ...]
) -> schema.FixingKind | None:
    """How the tine is fixed; None where nothing says it of plain rod without nuts. Raises `InputError`."""
    wishes = [*((each.fixing, where) for each, where in zip(levels, locations, strict=True))]
    wishes.append((stock.fixing, place_of("stock", stock.rod.name)))
    for kind, where in wishes:
        if kind is not None:
            check_fixing(kind, stock.rod, base_nut=stock.base_nut is not None, location=f"{where}.fixing")
            return kind
    return "nuts" if stock.base_nut is not None else None


def nearest_said(key: str, default: float, *levels: schema.Holding) -> float:
    """The first of the tine, its group and [tines] that says something, else the default."""
    return next((float(getattr(level, key)) for level in levels if getattr(level, key) is not None), default)
