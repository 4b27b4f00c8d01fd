"""A search's own steps on a severity that is written down, and edges between pieces of a bar, worked by hand."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.change import Change
from synth.design.instrument import Section
from synth.workshop import suggest, views
from synth.workshop.drawing import Line
from synth.workshop.geometry import Solid
from synth.workshop.suggest import Allowed, Candidate, Ground, Plan, search, shortlist
from synth.workshop.views import ABOVE

PLAIN = Section("rectangle", 0.060, 0.010, 0.0)


@pytest.fixture
def ground(monkeypatch):
    """Groups at 100 and 200 mm, supports at 50 and 350; `severity` is a function of how far each has gone."""
    supports = tuple(SimpleNamespace(position=each, kind="rubber") for each in (0.050, 0.350))
    instrument = SimpleNamespace(
        groups=(None, None),
        bar=SimpleNamespace(supports=supports, section=PLAIN),
        file="rail.toml",
        inches=(),
    )
    monkeypatch.setattr(suggest, "start_mm", lambda _, group: (100.0, 200.0)[group])

    def of(severity):
        found = SimpleNamespace(instrument=instrument, asked=[])

        def judged(change):
            found.asked.append(change)
            here, held = dict(enumerate((100.0, 200.0))), dict(enumerate((50.0, 350.0)))
            groups = [dict(change.starts).get(n, at) - at for n, at in here.items()]
            return severity(*groups, *(dict(change.supports).get(n, at) - at for n, at in held.items()))

        found.severity = judged
        return found

    return of


def found_by(ground, *, move=0.020, supports=0.040, plan=Plan(None, None, True, True), tries=400):  # noqa: B008
    told = [*search(ground, Allowed(move, supports), plan, tries=tries)]
    return told[-1] if told and isinstance(told[-1], Candidate) else None


def test_the_least_severity_is_found_to_a_millimetre_with_each_place_under_its_own_name(ground):
    """A bowl with its floor at +7, -12, -31 and +22 mm."""
    found = found_by(
        ground(lambda a, b, c, d: 1.0 + (a - 7) ** 2 + (b + 12) ** 2 + (c + 31) ** 2 + (d - 22) ** 2)
    )
    assert found.change == Change(((0, 107.0), (1, 188.0)), ((0, 19.0), (1, 372.0)), None, None)
    assert found.estimate == pytest.approx(1.0)


def test_no_place_goes_further_than_it_may_and_what_may_not_move_stays(ground):
    bowl = ground(lambda a, b, c, d: 200.0 - a - b - c - d)
    assert found_by(bowl).change == Change(((0, 120.0), (1, 220.0)), ((0, 90.0), (1, 390.0)), None, None)
    only = found_by(bowl, plan=Plan(None, None, False, True))
    assert only.change == Change((), ((0, 90.0), (1, 390.0)), None, None)
    other = Section("rectangle", 0.050, 0.012, 0.0)
    both = found_by(bowl, plan=Plan(other, "cord", True, False))
    assert both.change == Change(((0, 120.0), (1, 220.0)), (), other, "cord")


def test_a_move_that_gains_less_than_a_fiftieth_of_what_is_there_is_put_back(ground):
    """Of 100 the first group's move gains 50, the second's 1.5, a support's 3."""
    bowl = ground(lambda a, b, c, d: 100.0 - 50.0 * (a >= 5) - 1.5 * (b >= 5) - 3.0 * (c >= 5))
    found = found_by(bowl)
    assert [n for n, _ in found.change.starts] == [0]
    assert [n for n, _ in found.change.supports] == [0]
    assert found.estimate == pytest.approx(47.0)


def test_nothing_is_proposed_where_nothing_is_better_or_the_plan_cannot_be(ground):
    assert found_by(ground(lambda *moves: 5.0 + sum(map(abs, moves)))) is None
    assert found_by(ground(lambda *moves: math.inf)) is None


def test_so_many_tries_are_made_and_no_more(ground):
    bowl = ground(lambda a, b, c, d: (a - 7) ** 2 + (b + 12) ** 2 + (c + 31) ** 2 + (d - 22) ** 2)
    steps = list(search(bowl, Allowed(0.020, 0.040), Plan(None, None, True, True), tries=9))
    assert max(each for each in steps if isinstance(each, int)) == 9


def candidate(estimate, *, starts=(), supports=(), section=None, kind=None):
    return Candidate(Change(starts, supports, section, kind), estimate)


def test_of_candidates_much_alike_the_best_is_kept_and_one_that_keeps_the_bar(ground):
    """Places nearer than 5 mm are alike, those that are not told stand where they are; another bar is another."""
    other = Section("rectangle", 0.050, 0.012, 0.0)
    found = [
        candidate(4.0, starts=((0, 106.0),)), candidate(3.9, starts=((0, 110.9),)), candidate(3.8, starts=((0,
          116.0),)),
        candidate(1.0, section=other), candidate(1.1, section=other, starts=((0, 104.0),)),
        candidate(1.2, section=other, kind="cord"), candidate(5.0, supports=((1, 356.0),)),
        candidate(5.5, supports=((1, 352.0),)),
    ]  # fmt: skip
    kept = shortlist(found, ground(None), 9)
    assert [each.estimate for each in kept] == [1.0, 1.2, 3.9, 5.0, 3.8]
    assert [each.estimate for each in shortlist(found, ground(None), 2)] == [1.0, 3.8]


def test_what_cannot_be_followed_is_endless_and_nothing_is_looked_at_twice(monkeypatch):
    asked = []

    def fitting(change):
        section = SimpleNamespace(section=change.section or PLAIN)
        return None if change.kind == "foot" else SimpleNamespace(bar=section, change=change)

    monkeypatch.setattr(suggest, "Before", {"instrument": SimpleNamespace(fitting=fitting)}.__getitem__)
    monkeypatch.setattr(suggest, "free_bar", lambda bar: ("free", bar.section))
    monkeypatch.setattr(
        suggest,
        "estimate",
        lambda new, row, free: asked.append((new.change, row, free)) or SimpleNamespace(total=lambda: 7.5),
    )
    ground = Ground(None, "instrument", "row")
    other = Section("rectangle", 0.050, 0.012, 0.0)
    changes = [Change(), Change(kind="cord"), Change(section=other), Change()]
    assert [ground.severity(each) for each in changes] == [7.5] * 4
    assert ground.severity(Change(kind="foot")) == math.inf
    assert asked == [
        (changes[0], "row", ("free", PLAIN)), (changes[1], "row", ("free", PLAIN)), (changes[2], "row",
          ("free", other)),
    ]  # fmt: skip
    assert ground.tries == 4


def piece(x, shown):
    low = np.array([[0.0, 0.0, 0.0], [0.0, 0.1, 0.0], [0.0, 0.1, 0.1], [0.0, 0.0, 0.1]]) + np.array(
        [x, 0.0, 0.0]
    )
    return Solid("bar", -1, low, low + np.array([0.1, 0.0, 0.0]), smooth=False, shown=shown)


def test_a_joint_has_an_edge_where_a_side_is_seen_on_one_piece_and_not_on_the_next():
    """Of three pieces the side that looks up turns away on the last: one edge, at the end of the middle one."""
    solids = [piece(0.0, (True, False)), piece(0.1, (False, False)), piece(0.2, (False, True))]
    up, away = (False, False, True, False), (False,) * 4
    facing = [views._Facing(sides, (False, False)) for sides in (up, up, away)]

    def across(n):
        lines = (each for each in views._seen(solids, facing, n, ABOVE) if isinstance(each, Line))
        return [each.start.x for each in lines if abs(each.start.x - each.end.x) < 1e-9]

    assert across(0) == [0.0]
    assert across(1) == pytest.approx([200.0])
    assert across(2) == []
    back = [views._Facing(sides, (False, False)) for sides in (away, up, up)]
    lines = (each for each in views._seen(solids, back, 1, ABOVE) if isinstance(each, Line))
    assert [each.start.x for each in lines if abs(each.start.x - each.end.x) < 1e-9] == pytest.approx([100.0])
