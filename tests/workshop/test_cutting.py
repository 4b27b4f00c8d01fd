"""Cutting plans against every possible plan on small cases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.errors import InputError
from synth.workshop.cutting import best_fit, fewest_possible, plan, used


def fewest_by_trying_all(pieces, *, bar, kerf):
    """Every way to share the pieces out over bars, without any cleverness."""
    best = len(pieces)

    def place(index, left):
        nonlocal best
        if len(left) >= best and index < len(pieces):
            return
        if index == len(pieces):
            best = min(best, len(left))
            return
        need = pieces[index] + kerf
        for n, room in enumerate(left):
            if need <= room + 1e-9:
                place(index + 1, [*left[:n], room - need, *left[n + 1 :]])
        place(index + 1, [*left, bar + kerf - need])

    place(0, [])
    return best


def check(pieces, found, *, bar, kerf):
    assert sorted(index for row in found for index in row) == list(range(len(pieces)))
    assert all(used(pieces, row, kerf=kerf) <= bar + 1e-6 for row in found)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(80, 600), min_size=1, max_size=8), st.sampled_from([0.0, 1.5, 3.0]))
def test_no_plan_needs_fewer_bars(pieces, kerf):
    found = plan(pieces, bar=1000.0, kerf=kerf)
    check(pieces, found, bar=1000.0, kerf=kerf)
    assert len(found) == fewest_by_trying_all(pieces, bar=1000.0, kerf=kerf)


def test_the_programme_beats_longest_first_where_that_wastes_a_bar():
    pieces = [600, 600, 380, 380, 330, 330, 340, 40]  # longest first strands the last pieces
    clever = plan(pieces, bar=1000.0, kerf=0.0)
    plain = best_fit(pieces, bar=1000.0, kerf=0.0)
    check(pieces, clever, bar=1000.0, kerf=0.0)
    assert len(clever) == fewest_by_trying_all(pieces, bar=1000.0, kerf=0.0) <= len(plain)


def test_the_two_longest_may_have_to_share_a_bar():
    """40 + 36 + 12 + 12 and 34 + 33 + 20 + 13 fill two bars of 100; 40 without 36 makes no 100."""
    pieces = [40, 36, 34, 33, 20, 13, 12, 12]
    assert len(best_fit(pieces, bar=100.0, kerf=0.0)) == 3
    found = plan(pieces, bar=100.0, kerf=0.0)
    check(pieces, found, bar=100.0, kerf=0.0)
    assert len(found) == 2


def test_a_large_order_stays_within_one_bar_of_the_bound():
    pieces = list(np.random.default_rng(1).uniform(60, 220, 168))
    found = plan(pieces, bar=1000.0, kerf=1.2)
    check(pieces, found, bar=1000.0, kerf=1.2)
    assert len(found) <= fewest_possible(pieces, bar=1000.0, kerf=1.2) + 1


def test_pieces_that_just_fill_a_bar_need_no_kerf_at_its_end():
    assert len(plan([499.0, 499.0], bar=1000.0, kerf=2.0)) == 1
    assert len(plan([499.5, 499.0], bar=1000.0, kerf=2.0)) == 2


def test_a_piece_longer_than_the_bar_is_refused():
    with pytest.raises(InputError, match="does not fit a bar of 1000"):
        plan([1001.0], bar=1000.0, kerf=1.0)
    assert plan([], bar=1000.0, kerf=1.0) == ()
