"""Every figure of nuts, errors, cuts and suggestions is that of the object it came from, in its name's unit.

Units are put in by hand here: what a column is called and what it holds are compared, not the code that fills it.
"""

import csv
import dataclasses
import json
import math

import numpy as np
import pytest

from synth.design.change import Change
from synth.design.file import load
from synth.design.instrument import Section
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.vibration.solve import solve_quarrels
from synth.vibration.tine import solve_tines


def test_every_way_that_trim_lists_holds_when_it_is_solved_outright(slat):
    """Each way is solved again outright: its partials, ratio, ring, and its answer to the nuts."""
    (told,) = slat.data("trim")
    assert (told["group"], told["tine"]) == ("low", 3)
    assert told["wish"] == {"partial": 2, "ratio": 6.0, "nut": "M4 hex"}
    tine = dataclasses.replace(slat.instrument.tines[2], wish=None)
    nuts = {nut.name: nut for nut in (*slat.instrument.nuts.values(), slat.instrument.tines[2].wish.nut)}

    ways = [
        (each, tuple(_placed(nuts[one["nut"]], one["at_mm"]) for one in each["nuts"]))
        for each in [told["without"], *told["choices"]]
    ]
    pair = next(placed for _, placed in ways if len(placed) == 2)
    for each, placed in ways:
        # beside a pair of nuts, as the command solves them: rods solved together are cut into as many pieces
        modes = solve_tines([tine] * 2, [each["free_length_mm"] * 1e-3] * 2, [placed, pair])
        count = len(each["frequency_hz"])
        assert each["frequency_hz"] == pytest.approx(modes.frequency[0, 0, :count], rel=1e-6)
        assert each["decay_s"] == pytest.approx(modes.decay[0, 0, :count], rel=1e-6)
        assert each["ratios"] == pytest.approx(
            modes.frequency[0, 0, :count] / modes.frequency[0, 0, 0], rel=1e-6
        )
    for each in told["choices"]:
        assert each["ratios"][1] == pytest.approx(6.0, rel=1e-4)
        jacobian = each["cents_per_mm"]
        together = abs(sum(jacobian)) if each["locked"] else math.hypot(*jacobian)
        assert each["unforgiving_cents_per_mm"] == pytest.approx(together)
        assert each["unforgiving_cents_per_turn"] == pytest.approx(
            0.7 * together
        )  # M4 has 0.7 mm a turn (ISO 262)
    one = next(each for each in told["choices"] if len(each["nuts"]) == 1)
    assert one["cents_per_mm"][0] == pytest.approx(_answer(tine, one, nuts), rel=0.02, abs=0.02)


def _placed(nut, at_mm):
    from synth.design.instrument import PlacedNut

    return PlacedNut(nut, at_mm * 1e-3)


def _answer(tine, one, nuts):
    """Cents a millimetre of the second partial's ratio as the nut moves and the length keeps the pitch."""

    def logs(length_mm, at_mm):
        placed = (_placed(nuts[one["nuts"][0]["nut"]], at_mm),)
        return np.log(solve_tines([tine], [length_mm * 1e-3], [placed]).frequency[0, 0, :2])

    length, at, step = one["free_length_mm"], one["nuts"][0]["at_mm"], 0.2
    by_nut = (logs(length, at + step) - logs(length, at - step)) / (2.0 * step)
    by_length = (logs(length + step, at) - logs(length - step, at)) / (2.0 * step)
    both = by_nut - by_length * by_nut[0] / by_length[0]
    return 1200.0 / math.log(2.0) * (both[1] - both[0])


def test_tolerance_gives_the_spread_of_the_limits_that_were_asked_for(slat):
    from synth.workshop.tolerance import Limits, scattered

    words = (
        "tolerance",
        "--cut-mm",
        0.8,
        "--nut-mm",
        0.3,
        "--rod-mm",
        0.05,
        "--modulus-percent",
        2,
        "--trials",
        40,
    )
    told = slat.data(*words)
    assert told["limits"] == {
        "cut_mm": pytest.approx(0.8), "nut_mm": pytest.approx(0.3), "rod_mm": pytest.approx(0.05),
        "modulus_percent": pytest.approx(2.0),
    }  # fmt: skip
    assert told["trials"] == 40
    found = scattered(slat.instrument, slat.row, Limits(0.8e-3, 0.3e-3, 0.05e-3, 0.02))
    causes = ("cut", "base nut", "trim nut", "rod", "modulus")
    heads, rows = slat.table(*words)
    assert heads.startswith("group tine Hz cut base nut trim nut rod modulus sd sd tried worst nut mm")
    for n, each in enumerate(told["tines"]):
        assert (each["group"], each["tine"]) == slat.names[n]
        assert each["frequency_hz"] == pytest.approx(slat.row.mounted_hz[n])
        assert [each["cents"][cause] for cause in causes] == pytest.approx(found.pitch[n])
        assert each["sd_cents"] == pytest.approx(math.sqrt(sum(found.pitch[n] ** 2) / 3.0))
        assert each["worst_cents"] == pytest.approx(np.abs(found.pitch[n]).sum())
        assert 0.5 < each["tried_sd_cents"] / each["sd_cents"] < 1.6
        # 3462.5 cents times what the free length loses, over the length: about 20 to 40 cents a millimetre
        if not slat.row.trim[n]:
            whole = 1e3 * (slat.row.length[n] + slat.instrument.tines[n].root.added_length)
            assert each["base_nut_cents_per_mm"] == pytest.approx(3462.5 / whole, rel=5e-3)
        assert each["base_nut_cents_per_mm"] * 0.3 == pytest.approx(each["cents"]["base nut"], rel=1e-6)
        assert each["base_nut_travel_mm"] == pytest.approx(
            each["worst_cents"] / each["base_nut_cents_per_mm"]
        )
        for p, stays in enumerate(each["stays"]):
            assert stays["partial"] == p + 2
            assert [stays["cents"][cause] for cause in causes] == pytest.approx(found.stays[n, :, p])
            assert stays["sd_cents"] == pytest.approx(math.sqrt(sum(found.stays[n, :, p] ** 2) / 3.0))
        shown = [each["group"], str(each["tine"]), f"{each['frequency_hz']:.1f}"]
        shown += [f"{abs(each['cents'][cause]):.1f}" for cause in causes]
        shown += [f"{each['sd_cents']:.1f}", f"{each['tried_sd_cents']:.1f}", f"{each['worst_cents']:.1f}"]
        shown += [f"{each['base_nut_travel_mm']:.2f}"]
        shown += [f"{stays[key]:.2f}" for stays in each["stays"] for key in ("sd_cents", "tried_sd_cents")]
        assert rows[n] == shown


def test_the_cut_list_s_file_has_the_sum_of_every_piece(slat, tmp_path):
    from synth.workshop.cutlist import cut_list

    slat.said("cutlist", "-o", tmp_path / "out")
    with (tmp_path / "out" / "cutlist.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    cuts = cut_list(slat.instrument, slat.row)
    assert [(each["group"], int(each["tine"])) for each in rows] == slat.names
    for n, (each, piece) in enumerate(zip(rows, cuts.pieces, strict=True)):
        clamped = 1e3 * piece.joint.clamped
        assert float(each["free_mm"]) == pytest.approx(1e3 * slat.row.length[n], abs=0.005)
        assert float(each["clamped_mm"]) == pytest.approx(clamped, abs=0.005)
        assert float(each["cut_mm"]) == pytest.approx(
            1e3 * slat.row.length[n] + clamped + 1.0 + 4.0, abs=0.01
        )
        assert float(each["mass_g"]) == pytest.approx(1e3 * piece.mass, abs=0.005)
        bar = next(k for k, stock in enumerate(cuts.bars, start=1) if n in stock.pieces)
        assert int(each["bar"]) == bar


def test_a_suggestion_holds_when_its_places_and_section_are_written_into_the_design(slat):
    """Each is made, resolved and solved anew: places in mm, within what is allowed, width before height."""
    told = slat.data("suggest", "--tries", 20, "--best", 3, "--move-mm", 30)
    before = solve_quarrels(slat.instrument, slat.row)
    assert told["now"] == {"severity": pytest.approx(severity(before)), "quarrels": len(before)}
    suggestions = told["suggestions"]
    assert [each["severity"] for each in suggestions] == sorted(each["severity"] for each in suggestions)
    for each in suggestions:
        assert each["severity"] < severity(before)
        assert [group["group"] for group in each["groups"]] == ["low", "aside"]
        starts = [group["start_mm"] for group in each["groups"]]
        assert starts == pytest.approx([50.0, 190.0], abs=30.0 + 1e-6)
        assert [support["kind"] for support in each["supports"]] == ["rubber", "cord"]
        places = [support["at_mm"] for support in each["supports"]]
        assert places == pytest.approx([30.0, 285.0], abs=40.0 + 1e-6)  # as far as supports go unasked
        size, wall = [each["section"][key] for key in ("width_mm", "height_mm")], each["section"]["wall_mm"]
        assert (each["section"]["shape"], wall) == ("rectangle", 0.0)
        section = Section("rectangle", size[0] * 1e-3, size[1] * 1e-3, 0.0)
        after = slat.quarrels_after(Change(tuple(enumerate(starts)), tuple(enumerate(places)), section))
        assert each["severity"] == pytest.approx(severity(after), rel=1e-6)
        assert each["quarrels"] == len(after)
        was, now = worst(before), worst(after)
        assert len(each["settles"]) == sum(now.get(of, 0.0) < old / 2.0 for of, old in was.items())
        assert len(each["new_or_worse"]) == sum(new > 1.5 * was.get(of, 0.0) for of, new in now.items())
    sizes = {(each["section"]["width_mm"], each["section"]["height_mm"]) for each in suggestions}
    assert any(size == pytest.approx((40.0, 12.0)) for size in sizes)  # one keeps the bar
    assert len(sizes) > 1  # and another does not


def severity(quarrels):
    return math.fsum(each.severity for each in quarrels)


def worst(quarrels):
    """The severity of the worst quarrel of each partial."""
    return {of: max(each.severity for each in quarrels if each.of == of) for of in {q.of for q in quarrels}}


@pytest.mark.parametrize("choose", [1, 3])
def test_the_way_that_is_chosen_is_the_one_that_is_written(slat, tmp_path, capsys, choose):
    copy = tmp_path / "slat.toml"
    copy.write_bytes(slat.design.read_bytes())
    assert run(["trim", str(copy), "--write", "--choose", str(choose), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    wanted = [(each["nut"], each["at_mm"]) for each in told["choices"][choose - 1]["nuts"]]
    written = resolve(load(copy), str(copy)).tines[2]
    assert written.wish is None
    assert [(each.nut.name, 1e3 * each.position) for each in written.trim] == [
        (nut, pytest.approx(at, abs=0.006)) for nut, at in sorted(wanted, key=lambda each: each[1])
    ]


def test_what_may_be_changed_is_asked_for_in_millimetres_width_before_height(slat, monkeypatch):
    from synth.doors.cli import suggest

    asked = []
    monkeypatch.setattr(
        suggest,
        "_better",
        lambda ground, allowed, quarrels, *, tries, best: asked.append((allowed, tries, best)) or [],
    )
    words = (
        "--best",
        4,
        "--move-mm",
        7,
        "--supports-mm",
        11,
        "--bar-size",
        "45x14",
        "--bar-size",
        20,
        "--support-kind",
        "clamp",
    )
    slat.said("suggest", *words, "--tries", 33)
    ((allowed, tries, best),) = asked
    assert (tries, best) == (33, 4)
    move, supports, sections, kinds = (getattr(allowed, each.name) for each in dataclasses.fields(allowed))
    assert (move, supports) == pytest.approx((0.007, 0.011))
    sizes = [(each.shape, each.width, each.height) for each in sections]
    assert sizes == [("rectangle", pytest.approx(0.045), pytest.approx(0.014)), ("rectangle", 0.02, 0.02)]
    assert tuple(kinds) == ("clamp",)
