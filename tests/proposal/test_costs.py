"""What it costs: worked by hand, and the cut list's own sum."""

from __future__ import annotations

import dataclasses
import math

import pytest

from synth.proposal.costs import costs_of
from synth.vibration.solve import solve_row
from synth.workshop.cutlist import cut_list

from .conftest import made


@pytest.fixture(scope="module")
def cuts():
    instrument = made()[1]
    return cut_list(instrument, solve_row(instrument))


def test_the_stock_is_that_of_the_cut_list_line_by_line_and_in_sum(cuts):
    costs = costs_of(made()[0], cuts)
    assert [each.what for each in costs.stock] == [each.what for each in cuts.purchases]
    for line, bought in zip(costs.stock, cuts.purchases, strict=True):
        assert math.isnan(line.cost) if bought.cost is None else line.cost == bought.cost
    assert costs.stock_sum == round(cuts.cost, 2)
    # one metre of wire 4.45, 0.42 m of bar at 11.3; washers of the M4 rods at 0.055
    washers = next(each.count for each in cuts.purchases if "washer" in each.what)
    assert costs.stock_sum == round(4.45 + 0.42 * 11.3 + 0.055 * washers, 2)


def test_hours_extras_margin_and_total_are_those_worked_by_hand(cuts):
    costs = costs_of(made()[0], cuts)
    assert costs.work[0].cost == 121.88  # 3.25 h at 37.5 is 121.875
    assert costs.extra[0].cost == pytest.approx(80.45, abs=0.011)
    before = round(costs.stock_sum + costs.work[0].cost + costs.extra[0].cost, 2)
    assert costs.margin == round(0.075 * before, 2)
    assert costs.total == round(before + costs.margin, 2)


def test_what_has_no_price_is_named_and_in_no_sum(cuts):
    costs = costs_of(made()[0], cuts)
    assert set(costs.unpriced) == set(cuts.unpriced)
    assert any("M4" in each for each in costs.unpriced)


def test_without_any_price_there_is_no_sum(cuts):
    design = made()[0]
    import msgspec

    bare = msgspec.structs.replace(
        design, proposal=msgspec.structs.replace(design.proposal, hour_price=None, extra=[])
    )
    unpriced = dataclasses.replace(
        cuts, purchases=tuple(dataclasses.replace(each, price=None) for each in cuts.purchases)
    )
    costs = costs_of(bare, unpriced)
    assert not costs.any
    assert costs.total == 0.0
