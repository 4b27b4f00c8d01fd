"""Suggestions: quarrels that a move, a support or another bar ends, and a file that stays as it is."""

import dataclasses
import json
import math

import numpy as np
import pytest

from synth.design.fit import check_places
from synth.doors.cli import run
from synth.units import MM
from synth.vibration.quarrels import find_quarrels, total_severity
from synth.vibration.solution import solve_quarrels, solve_row
from synth.workshop.suggest import Allowed, Plan, Suggestion, plans, suggest

# A light bar on rubber at its very ends, whose first bending mode (free-free, some 590 Hz) stands at the pitch.
QUARREL = """
name = "Quarrel"
[bar]
section = { shape = "rectangle", width_mm = 12.0, height_mm = 12.0 }
path = [{ straight_mm = 330.0 }]
supports = [{ at_mm = 10.0, kind = "rubber" }, { at_mm = 320.0, kind = "rubber" }]
[[group]]
name = "low"
stock = "M3"
start_mm = 60.0
[[group.tine]]
pitch = "D5"
[[group.tine]]
pitch = "D#5"
[[group]]
name = "high"
stock = "M3"
start_mm = 160.0
[[group.tine]]
pitch = "D5"
"""


@pytest.fixture
def solved(made):
    instrument = made(QUARREL)
    row = solve_row(instrument)
    quarrels = solve_quarrels(instrument, row)
    assert quarrels
    return instrument, row, quarrels


def last(steps):
    *_, end = steps
    return end if isinstance(end, Suggestion) else None


def severity(quarrels):
    return math.fsum(each.severity for each in quarrels)


def test_the_quick_measure_is_the_sum_over_all_quarrels(solved):
    instrument, row, _ = solved
    assert total_severity(instrument, row) == pytest.approx(severity(find_quarrels(instrument, row)))


def test_every_kind_of_change_is_tried_alone_and_together(solved):
    instrument, _, _ = solved
    section = dataclasses.replace(instrument.bar.section, width=20 * MM)
    ways = plans(instrument, Allowed(10 * MM, 10 * MM, (section,), ("cord",)))
    assert ways[:3] == [
        Plan(None, None, True, False),
        Plan(None, None, False, True),
        Plan(None, None, True, True),
    ]
    assert Plan(section, None, False, False) in ways
    assert Plan(None, "cord", True, True) in ways
    assert plans(instrument, Allowed(0.0, 0.0)) == []


def test_moves_end_quarrels_within_their_range_and_can_be_built(solved):
    instrument, row, quarrels = solved
    found = last(suggest(instrument, row, Allowed(30 * MM, 60 * MM), Plan(None, None, True, True), tries=120))
    assert found is not None
    assert found.severity < 0.8 * severity(quarrels)
    assert np.all(np.abs(found.group_moves) <= 30 * MM + 1e-9)
    assert np.all(np.abs(found.support_moves) <= 60 * MM + 1e-9)
    check_places(found.instrument.bar, found.instrument.groups, found.instrument.tines)
    # the verdict is that of the changed instrument solved anew
    again = solve_quarrels(found.instrument, solve_row(found.instrument, fresh=True), fresh=True)
    assert severity(again) == pytest.approx(found.severity)


def test_places_are_whole_millimetres_from_where_they_were(solved):
    instrument, row, _ = solved
    found = last(suggest(instrument, row, Allowed(17 * MM, 0.0), Plan(None, None, True, False), tries=60))
    assert found is not None
    ways = found.group_moves / MM
    assert ways.any()
    assert ways == pytest.approx(np.round(ways))


def test_groups_keep_their_order(solved):
    instrument, row, _ = solved
    found = last(suggest(instrument, row, Allowed(200 * MM, 0.0), Plan(None, None, True, False), tries=80))
    assert found is not None
    low, high = found.instrument.groups
    tines = found.instrument.tines
    assert max(t.place for t in tines[low.tines]) < min(t.place for t in tines[high.tines])


def test_a_bar_far_stiffer_is_taken_where_it_is_offered(solved):
    instrument, row, quarrels = solved
    heavy = dataclasses.replace(instrument.bar.section, width=40 * MM, height=40 * MM)
    found = last(
        suggest(instrument, row, Allowed(0.0, 0.0, (heavy,)), Plan(heavy, None, False, False), tries=10)
    )
    assert found is not None
    assert found.instrument.bar.section == heavy
    assert found.severity < 0.5 * severity(quarrels)


def test_the_command_leaves_the_file_alone_and_gives_data(tmp_path, capsys):
    path = tmp_path / "a.toml"
    path.write_text(QUARREL, encoding="utf-8")
    words = ["suggest", str(path), "--tries", "30", "--move-mm", "10", "--bar-size", "40", "--json"]
    assert run(words) == 0
    assert path.read_text(encoding="utf-8") == QUARREL
    assert [each.name for each in tmp_path.iterdir()] == ["a.toml"]
    data = json.loads(capsys.readouterr().out)
    order = [each["severity"] for each in data["suggestions"]]
    assert order
    assert order == sorted(order)
    assert order[0] < data["now"]["severity"]
    assert all(each["changes"] for each in data["suggestions"])


@pytest.mark.parametrize("size", ["3x", "abc", "-4", "1", "600"])
def test_a_size_that_is_none_is_refused(tmp_path, capsys, size):
    path = tmp_path / "a.toml"
    path.write_text(QUARREL, encoding="utf-8")
    assert run(["suggest", str(path), f"--bar-size={size}"]) == 2
    assert "--bar-size" in capsys.readouterr().err


def test_peace_needs_no_suggestion(tmp_path, straight, capsys):
    path = tmp_path / "a.toml"
    path.write_text(straight.replace("30.0, height_mm = 20.0", "200.0, height_mm = 200.0"), encoding="utf-8")
    assert run(["suggest", str(path)]) == 0
    assert "nothing to suggest" in capsys.readouterr().out
