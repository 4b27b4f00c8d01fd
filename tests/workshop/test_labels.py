"""Words cover nothing: spans on levels, boxes clear of each other and of lines."""

import random
from itertools import pairwise

import numpy as np
import pytest

from synth.workshop.labels import Box, away, crossed, free_places, levels, spread_out


@pytest.mark.parametrize("seed", range(50))
def test_spans_on_one_level_keep_their_gap_and_the_levels_are_no_more_than_needed(seed):
    draw = random.Random(seed)
    spans = [(low, low + draw.uniform(1.0, 9.0)) for low in (draw.uniform(0.0, 60.0) for _ in range(20))]
    found = levels(spans, 1.5)
    for level in set(found):
        own = sorted(span for span, at in zip(spans, found, strict=True) if at == level)
        assert all(b[0] >= a[1] + 1.5 for a, b in pairwise(own))
    deepest = max(sum(low <= x < high + 1.5 for low, high in spans) for x, _ in spans)
    assert max(found) + 1 == deepest  # interval graphs need as many colours as their largest clique


@pytest.mark.parametrize("seed", range(50))
def test_spread_places_are_those_of_a_quadratic_programme(seed):
    """Against scipy's general optimiser, which knows nothing of pooling."""
    from scipy.optimize import minimize

    draw = np.random.default_rng(seed)
    wanted = np.sort(draw.uniform(0.0, 60.0, 6))
    found = np.array(spread_out(wanted.tolist(), 9.0, (0.0, 60.0)))
    assert np.all(np.diff(found) > 9.0 - 1e-9)
    assert found[0] > -1e-9
    assert found[-1] < 60.0 + 1e-9
    rules = [{"type": "ineq", "fun": lambda x: np.diff(x) - 9.0}]
    best = minimize(lambda x: np.sum((x - wanted) ** 2), found, bounds=[(0.0, 60.0)] * 6, constraints=rules)
    assert np.sum((found - wanted) ** 2) < best.fun + 1e-3


def test_a_line_that_cuts_a_corner_crosses_and_one_beside_it_does_not():
    box = Box(0.0, 0.0, 4.0, 2.0)
    assert crossed(box, np.array([[[3.0, -0.5], [5.0, 1.5]]]))
    assert crossed(box, np.array([[[1.0, 0.5], [2.0, 1.0]]]))  # within
    assert crossed(box, np.array([[[2.0, -5.0], [2.0, 5.0]]]))  # upright
    assert not crossed(box, np.array([[[-1.0, 1.0], [1.0, 3.5]]]))
    assert not crossed(box, np.array([[[4.5, -5.0], [4.5, 5.0]]]))
    assert not crossed(box, np.array([[[2.0, 3.0], [2.0, 9.0]]]))


def test_a_box_goes_on_until_it_is_clear_of_boxes_and_lines():
    box = Box(0.0, 0.0, 2.0, 1.0)
    moves = list(away((0.0, 1.0), 0.5, 20))
    one, other = free_places([(box, moves), (box, moves)], np.array([[[-5.0, 1.6], [5.0, 1.6]]]))
    assert one == box
    assert other == box.moved(0.0, 2.0)


def test_where_no_move_is_clear_of_lines_one_clear_of_boxes_is_taken_and_else_the_last():
    box, everywhere = Box(0.0, 0.0, 2.0, 1.0), np.array([[[-5.0, y], [50.0, y]] for y in (0.5, 1.5, 2.5)])
    moves = [(0.0, 0.0), (0.0, 1.0), (3.0, 2.0)]
    first, second, third = free_places([(box, moves)] * 3, everywhere)
    assert (first, second, third) == (box, box.moved(0.0, 1.0), box.moved(3.0, 2.0))
    (again,) = free_places([(box, moves)] * 4, everywhere)[3:]
    assert again == box.moved(3.0, 2.0)


def test_boxes_that_only_touch_do_not_meet_and_moves_go_both_ways():
    box = Box(0.0, 0.0, 2.0, 1.0)
    assert box.moved(3.0, -2.0) == Box(3.0, -2.0, 5.0, -1.0)
    for x, y in ((2.0, 0.0), (-2.0, 0.0), (0.0, 1.0), (0.0, -1.0)):
        assert not box.meets(box.moved(x, y))
        assert box.meets(box.moved(0.99 * x, 0.99 * y))
    assert list(away((2.0, -1.0), 0.5, 3)) == [(0.0, -0.0), (1.0, -0.5), (2.0, -1.0)]


def test_places_that_do_not_fit_between_the_ends_are_refused():
    with pytest.raises(ValueError, match="no room"):
        spread_out([1.0, 2.0, 3.0], 5.0, (0.0, 9.0))
    assert spread_out([1.0, 2.0, 3.0], 5.0, (0.0, 10.0)) == [0.0, 5.0, 10.0]
    assert spread_out([], 5.0, (0.0, 1.0)) == []
