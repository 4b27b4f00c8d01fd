"""The workshop: the [bench] table and the prices that stand with what is bought.

In: the design. Out: a `Bench`, SI.
"""

from __future__ import annotations

from synth.design import schema
from synth.design.instrument import Bench
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
        units=given.units,
        neutral_axis=given.neutral_axis,
        currency=given.currency,
        rod_price={
            name: each.price_per_m for name, each in design.stock.items() if each.price_per_m is not None
        },
        nut_price={name: each.price for name, each in design.nut.items() if each.price is not None},
        washer_price=given.washer_price,
        bar_price=design.bar.price_per_m,
    )


def _metres(length_mm: float | None) -> float | None:
    return None if length_mm is None else length_mm * MM
