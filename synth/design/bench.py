"""The workshop: the [bench] table and the prices that stand with what is bought.

In: the design. Out: a `Bench`, SI; how wide the hole is that a tine's rod goes through. Clearance holes by ISO 273
or ASME B18.2.8, tapping holes by ISO 2306 or the usual tap drills (`data/holes.csv`); plain rod has no standard.
"""

from __future__ import annotations

from synth.design import catalogue, schema
from synth.design.fixings import collet_for, hole_beside
from synth.design.instrument import Bench, Tine
from synth.design.keys_as_written import units_of
from synth.units import MM


def make_bench(design: schema.Design) -> Bench:
    """The bench, with the prices that the design gives."""
    given = design.bench
    return Bench(
        holes=given.holes,
        hole_fit=given.hole_fit,
        tapped_depth=_metres(given.tapped_depth_mm),
        kerf=given.kerf_mm * MM,
        stock_length=given.stock_length_mm * MM,
        saw_allowance=given.saw_allowance_mm * MM,
        tuning_allowance=given.tuning_allowance_mm * MM,
        protrusion=_metres(given.protrusion_mm),
        washers=given.washers,
        paper=given.paper,
        units=units_of(design),
        neutral_axis=given.neutral_axis,
        currency=given.currency,
        rod_price={
            name: each.price_per_m for name, each in design.stock.items() if each.price_per_m is not None
        },
        nut_price={name: each.price for name, each in design.nut.items() if each.price is not None},
        washer_price=given.washer_price,
        bar_price=design.bar.price_per_m,
    )


def hole_diameter(tine: Tine, bench: Bench) -> float:
    """The hole in the bar for this tine, m."""
    kind = tine.root.fixing
    if kind == "collet":
        return collet_for(tine.rod)[0]
    if kind in ("glued", "set screw"):
        return hole_beside(tine.rod, bench.hole_fit)
    row = catalogue.holes().find(thread_of(tine))
    if row is None:
        return hole_beside(tine.rod, bench.hole_fit)
    if bench.holes == "tapping":
        return row.tapping_mm * MM
    return {"close": row.close_mm, "normal": row.normal_mm, "loose": row.loose_mm}[bench.hole_fit] * MM


def thread_of(tine: Tine) -> str:
    """The thread that goes through the bar: the rod's, or one cut on plain rod for its base nut; "" for none."""
    nut = tine.root.base_nut
    return tine.rod.thread or (nut.thread if nut is not None else "")


def _metres(length_mm: float | None) -> float | None:
    return None if length_mm is None else length_mm * MM
