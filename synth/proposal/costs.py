"""What it costs: the cut list's own purchases, hours, what is bought besides, a margin.

In: a cut list and the design's [proposal]. Out: lines and sums. Every line is rounded as it is shown, and what is
shown adds up; the sum of the stock is the cut list's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from synth.design.keys_as_written import units_of
from synth.design.schema import Design
from synth.frozen import frozen
from synth.units import Units
from synth.workshop.cutlist import CutList


@frozen
class CostLine:
    """So many of something at a price; nan where the design gives none."""

    what: str
    count: str
    price: float
    cost: float
    per: str = ""  # "/m" where the price is not that of what `count` counts


@frozen
class Costs:
    stock: tuple[CostLine, ...]
    work: tuple[CostLine, ...]
    extra: tuple[CostLine, ...]
    margin: float
    margin_percent: float
    stock_sum: float

    @property
    def unpriced(self) -> tuple[str, ...]:
        """What has no price."""
        return tuple(each.what for each in (*self.stock, *self.work) if math.isnan(each.cost))

    @property
    def any(self) -> bool:
        """Whether anything has one."""
        return any(not math.isnan(each.cost) for each in (*self.stock, *self.work, *self.extra))

    @property
    def before_margin(self) -> float:
        return round(self.stock_sum + _sum(self.work) + _sum(self.extra), 2)

    @property
    def total(self) -> float:
        return round(self.before_margin + self.margin, 2)


def costs_of(design: Design, cuts: CutList) -> Costs:
    """Everything with its price."""
    wanted = design.proposal
    found = Costs(
        stock=tuple(_stock(cuts, units_of(design))),
        work=tuple(_work(design)),
        extra=tuple(CostLine(each.what, "1", each.price, round(each.price, 2)) for each in wanted.extra),
        margin=0.0,
        margin_percent=wanted.margin_percent,
        stock_sum=round(cuts.cost, 2),
    )
    margin = round(found.before_margin * wanted.margin_percent / 100.0, 2)
    return Costs(found.stock, found.work, found.extra, margin, wanted.margin_percent, found.stock_sum)


def _stock(cuts: CutList, units: Units) -> Iterator[CostLine]:
    for each in cuts.purchases:
        price = math.nan if each.price is None else each.price
        cost = math.nan if each.cost is None else each.cost
        yield CostLine(each.what, each.counted(units), price, cost, each.per(units))


def _work(design: Design) -> Iterator[CostLine]:
    price = math.nan if design.proposal.hour_price is None else design.proposal.hour_price
    for each in design.proposal.work:
        yield CostLine(each.what, f"{each.hours:g} h", price, round(each.hours * price, 2))


def _sum(lines: tuple[CostLine, ...]) -> float:
    return math.fsum(each.cost for each in lines if not math.isnan(each.cost))
