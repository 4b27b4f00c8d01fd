"""The first screen of `check`: a line a group, and what must be decided, in the order of how serious it is."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.file import load
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.doors.cli import run
from synth.vibration.advice import Advice
from synth.vibration.solve import solve_quarrels, solve_row
from synth.workshop.check_screen import (
    SHOWN,
    check_table,
    decision_words,
    decisions,
    group_lines,
    usual_strokes,
)
from synth.workshop.strength import strength

RAIL = Path(__file__).resolve().parents[2] / "designs" / "quay-rail.toml"


@pytest.fixture(scope="module")
def rail():
    instrument = resolve(load(RAIL), str(RAIL))
    row = solve_row(instrument)
    return instrument, row, solve_quarrels(instrument, row), usual_strokes(instrument, row, load(RAIL).stick)


def test_a_line_is_its_groups_own_tines(rail):
    instrument, row, quarrels, borne = rail
    lines = group_lines(instrument, row, quarrels, borne)
    assert [each.group for each in lines] == [each.name for each in instrument.groups]
    assert sum(each.quarrels for each in lines) == len(quarrels)
    for number, line in enumerate(lines):
        own = [n for n, tine in enumerate(instrument.tines) if tine.group == number]
        assert line.tines == len(own)
        assert (line.shortest, line.longest) == (min(row.length[own]), max(row.length[own]))
        off = 1200.0 * np.log2(row.mounted_hz[own] / row.target_hz[own])
        moved = 1200.0 * np.log2(row.mounted_hz[own] / row.clamped_hz[own])
        assert line.off_cents == pytest.approx(off[np.argmax(np.abs(off))], abs=1e-9)
        assert line.bar_cents == pytest.approx(moved[np.argmax(np.abs(moved))], abs=1e-9)
        assert line.quarrels == sum(instrument.tines[each.tine].group == number for each in quarrels)
        assert line.endurance_share == max(each.endurance_share for each in borne if each.tine in own)
        assert line.yield_share == max(each.yield_share for each in borne if each.tine in own)
    assert lines[0].notes == ("D2", "A2", "D3", "A3", "D4", "A4")
    assert lines[2].stocks == ("rod3",)


def test_the_table_has_percents_for_people_and_shares_in_data(rail):
    instrument, row, quarrels, borne = rail
    lines = group_lines(instrument, row, quarrels, borne)
    table = check_table(instrument, lines)
    assert " ".join(table.heads) == (
        "group tines notes stock free mm to mm off cents bar cents of yield % of endurance % quarrels"
    )
    for cells, data, line in zip(table.cells, table.data(), lines, strict=True):
        assert line.yield_share is not None
        assert line.endurance_share is not None
        assert cells[8:] == (
            f"{100 * line.yield_share:.0f}", f"{100 * line.endurance_share:.0f}", str(line.quarrels),
        )  # fmt: skip
        assert data["endurance_share"] == line.endurance_share
        assert data["shortest_mm"] == pytest.approx(1e3 * line.shortest)
        assert data["notes"] == list(line.notes)


def test_the_usual_stroke_is_that_of_the_command_and_of_the_designs_own_sticks(rail):
    instrument, row, _, borne = rail
    assert {each.stick for each in borne} == {"birch", *load(RAIL).stick}
    plain = strength(instrument, row.modes, instrument.sticks["birch"])
    for each, whole in zip((each for each in borne if each.stick == "birch"), plain, strict=True):
        bites = {"bite_once": whole.bite_once, "bite_million": whole.bite_million}
        assert replace(each, **bites) == whole
        past = {instrument.tines[other.tine].group for other in plain if other.endurance_share > 1.0}
        assert np.isnan(each.bite_million) != (instrument.tines[each.tine].group in past)
        assert np.isnan(each.bite_million) or each == whole


def weak_and_long(yield_mpa, endurance_mpa, **more):
    """Two stocks, one of a steel that bears what is said; a flat bar."""
    tree = {
        "bar": {
            "section": {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0},
            "path": [{"straight_mm": 400.0}],
            "supports": [{"at_mm": 90.0, "kind": "cord"}, {"at_mm": 310.0, "kind": "cord"}],
        },
        "material": {"soft": {"like": "304", "yield_mpa": yield_mpa, "tensile_mpa": 900.0,
                              "endurance_mpa": endurance_mpa}},
        "stock": {
            "soft": {"kind": "plain", "diameter_mm": 3.0, "material": "soft"},
            "hard": {"kind": "plain", "diameter_mm": 3.0, "material": "304 spring wire"},
        },
        "group": [
            {"name": name, "start_mm": start, "spacing_mm": 17.0, "stock": stock, "order": "as written",
             "tine": [{"free_length_mm": length} for length in (60.0, 50.0)]}
            for name, start, stock in (("a", 40.0, "soft"), ("b", 150.0, "hard"), ("c", 240.0, "soft"))
        ],
        **more,
    }  # fmt: skip
    instrument = resolve(decode(tree, Design))
    row = solve_row(instrument)
    borne = usual_strokes(instrument, row, ())
    return instrument, row, borne, decisions(instrument, row, (), Advice(()), borne)


def test_what_bends_at_once_stands_before_what_breaks_in_the_long_run_and_is_told_once():
    instrument, _, borne, found = weak_and_long(20.0, 15.0)
    assert [each.kind for each in found][:1] == ["yield"]
    assert not [each for each in found if each.kind == "endurance"]  # the same tines
    own = [each for each in borne if instrument.tines[each.tine].rod.name == "soft"]
    assert all(each.yield_share > 1.0 for each in own)
    shares = sorted(100 * each.yield_share for each in own)
    bite = 1e3 * min(each.bite_once for each in own)
    head, advice = found[0].lines
    assert head.startswith("soft, 4 of the tines of a, c: the usual stroke bends them for good: ")
    assert f"{shares[0]:.0f} to {shares[-1]:.0f} % of yield, the worst under birch" in head
    assert f"a bite of {float(f'{bite:.2g}'):g} mm is borne once" in advice
    assert found[0].groups == (0, 2)


def test_past_endurance_alone_is_told_with_the_bite_that_lasts():
    instrument, _, borne, found = weak_and_long(800.0, 20.0)
    assert [each.kind for each in found if each.kind != "warning"] == ["endurance"]
    own = [each for each in borne if instrument.tines[each.tine].rod.name == "soft"]
    assert min(each.endurance_share for each in own) > 1.0
    lasts = 1e3 * min(each.bite_million for each in own)
    said = f"a bite of {float(f'{lasts:.2g}'):g} mm" if lasts >= 0.05 else "no bite"
    assert (
        f"{said} is borne a million times"
        in next(each for each in found if each.kind == "endurance").lines[1]
    )


def test_nothing_to_decide_is_said():
    _, _, _, found = weak_and_long(800.0, 700.0)
    assert [each.kind for each in found] == []
    assert decision_words(found, None).startswith("Nothing has to be decided")


def test_the_rest_is_counted(rail):
    instrument, row, quarrels, borne = rail
    found = decisions(instrument, row, quarrels, Advice(()), borne)
    assert [each.kind for each in found] == ["endurance", *["quarrel"] * len(quarrels)]
    said = decision_words(found, SHOWN)
    assert f"and {len(found) - SHOWN} more" in said
    assert "more" not in decision_words(found, None)
    assert len([line for line in said.splitlines() if " meets " in line]) == SHOWN - 1


def test_many_tines_stand_in_a_line_a_group_until_asked_for(capsys):
    def lines(*words):
        assert run(["check", str(RAIL), *words]) == 0
        return capsys.readouterr().out.splitlines()

    assert len([each for each in lines() if each.startswith("D3 ")]) == 1
    assert len([each for each in lines("--group", "D3") if each.startswith("D3 ")]) == 9
    assert len([each for each in lines("--all") if each.startswith("D3 ")]) == 9
    only = lines("--group", "G3")
    assert not [each for each in only if each.startswith("D3 ")]
    assert all("G3" in each for each in only if " meets " in each)
    assert not [each for each in lines() if each.startswith("board '")]
    assert any("check --boards" in each for each in lines())


def test_check_tells_what_an_ear_would_say_of_one_group(capsys):
    assert run(["check", str(RAIL), "--group", "F3", "--ear", "--json"]) == 0
    (sound,) = json.loads(capsys.readouterr().out)["ear"]
    assert sound["group"] == "F3"
    assert 0.5 < sound["loudest_sone"] < 10.0
    assert sound["refused"] is None


def test_data_of_check_have_groups_decisions_and_null_for_boards_not_asked_for(capsys):
    assert run(["check", str(RAIL), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["boards"] is None
    assert data["names"] == []
    assert data["ear"] is None
    assert [each["group"] for each in data["groups"]][:2] == ["D2", "A2"]
    assert data["decide"][0]["kind"] == "endurance"
    assert "A3, C4" in data["decide"][0]["words"]
    assert not math.isnan(data["groups"][0]["worst_cents"])
