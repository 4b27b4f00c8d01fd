"""What changed: figures of two solved designs side by side, in the units of their names; what stays is not told."""

import csv
import io
import math

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.file import parsed
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.sound.audio import RATE
from synth.sound.render import scene
from synth.table import Table
from synth.vibration.solve import solve_quarrels
from synth.workshop.changes import (
    Changes,
    GroupChange,
    StructureFacts,
    TineChange,
    TineFacts,
    group_table,
    structure,
    tine_change_table,
    tine_changes,
)
from synth.workshop.measures import MEASURES, measures

DESIGN = """
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = {height} }}
path = [{{ straight_mm = 300.0 }}]
supports = [{{ at_mm = 30.0, kind = "rubber" }}, {{ at_mm = 250.0, kind = "cord" }}]
[[group]]
name = "low"
stock = "M4"
start_mm = 40.0
spacing_mm = 15.0
[[group.tine]]
free_length_mm = 150.0
[[group.tine]]
free_length_mm = 120.0
trim = [{{ nut = "M4 hex", at_mm = {nut} }}]
[[group.tine]]
pitch = "D3"
[[group]]
name = "high"
stock = "M4"
start_mm = 150.0
[[group.tine]]
free_length_mm = {length}
"""


def solved(height=10.0, nut=60.0, length=70.0):
    text = DESIGN.format(height=height, nut=nut, length=length)
    instrument = resolve(decode(parsed(text), Design), "a.toml")
    listening = scene(instrument, "bar")
    return listening, structure(listening, solve_quarrels(instrument, listening.row))


def rows(table):
    return list(csv.DictReader(io.StringIO(table.csv())))


def test_nothing_is_told_of_a_design_that_stays():
    one, other = solved()[1], solved()[1]
    assert tine_changes("x", one, other) == []
    assert Changes("a", "low", [], [GroupChange("x", SOUND, SOUND)]).lines() == []


def test_of_a_nut_that_is_moved_only_its_tine_is_told_in_hertz_ratios_and_seconds():
    before, first = solved(nut=60.0)
    after, other = solved(nut=80.0)
    changes = [each for each in tine_changes("nut at 80", first, other) if each.group == "low"]
    own = next(each for each in changes if each.number == 2)
    (row,) = rows(tine_change_table([own]))
    f, g = (each.row.modes.frequency[1, 0] for each in (before, after))
    assert float(row["pitch_hz_before"]) == pytest.approx(before.row.mounted_hz[1])
    assert float(row["pitch_hz"]) == pytest.approx(after.row.mounted_hz[1])
    assert float(row["pitch_cents"]) == pytest.approx(
        1200.0 * math.log2(after.row.mounted_hz[1] / before.row.mounted_hz[1])
    )
    assert [float(row[f"ratio_2{when}"]) for when in ("_before", "")] == pytest.approx(
        [f[1] / f[0], g[1] / g[0]]
    )
    assert [float(row[f"ratio_3{when}"]) for when in ("_before", "")] == pytest.approx(
        [f[2] / f[0], g[2] / g[0]]
    )
    assert "free_length_mm" not in row  # a length that is given stays
    others = [each for each in changes if each.number != 2]
    assert all(not each.changed(name) for each in others for name in ("ratio_2", "ratio_3"))


def test_a_length_is_told_in_millimetres_and_rings_are_those_of_the_whole():
    before, first = solved(length=70.0)
    after, other = solved(length=71.5)
    (own,) = (each for each in tine_changes("long", first, other) if each.group == "high")
    (row,) = rows(tine_change_table([own]))
    assert (float(row["free_length_mm_before"]), float(row["free_length_mm"])) == pytest.approx((70.0, 71.5))
    if own.changed("ring"):
        assert float(row["ring_s"]) == pytest.approx(nearest_decay(after, 3), rel=1e-6)
        assert float(row["ring_s_before"]) == pytest.approx(nearest_decay(before, 3), rel=1e-6)
    assert other.tines["high", 1].ring == pytest.approx(nearest_decay(after, 3), rel=1e-6)


def nearest_decay(listening, tine):
    """The decay of the mode that moves this tine's first partial most, by its pole alone: 6.9 / -real."""
    motion = np.abs(listening.model.vectors[listening.model.tine_dof[tine, 0, 0]])
    return math.log(1000.0) / -listening.model.pole[np.argmax(motion)].real


def test_quarrels_are_settled_and_new_against_those_found_before():
    thin, first = solved(height=4.0)
    thick, other = solved(height=25.0)
    (there, back) = tine_changes("thick", first, other), tine_changes("thin", other, first)
    found = {
        way: {(each.group, each.number): (len(each.settled), len(each.new)) for each in changes}
        for way, changes in (("there", there), ("back", back))
    }
    assert sum(settled for settled, _ in found["there"].values()) > 0
    assert {key: value[::-1] for key, value in found["there"].items()} == found["back"]
    sets = [
        {(each.tine, each.plane, each.partial) for each in solve_quarrels(one.instrument, one.row)}
        for one in (thin, thick)
    ]
    assert sum(each[0] for each in found["there"].values()) == len(sets[0] - sets[1])
    assert sum(each[1] for each in found["there"].values()) == len(sets[1] - sets[0])


FACTS = TineFacts(pitch=146.8, length=0.12, ratios=(6.27, 17.5), ring=4.0)


def change(**other):
    after = TineFacts(**{**vars(FACTS), **other})
    return TineChange("x", "low", 1, FACTS, after, (), ())


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ({"pitch": 146.8 * 2.0 ** (0.09 / 1200)}, []),
        ({"pitch": 146.8 * 2.0 ** (0.11 / 1200)}, ["pitch"]),
        ({"length": 0.120009}, []),
        ({"length": 0.119989}, ["length"]),
        ({"ratios": (6.27 * 2.0 ** (0.9 / 1200), 17.5)}, []),
        ({"ratios": (6.27, 17.5 * 2.0 ** (-1.1 / 1200))}, ["ratio_3"]),
        ({"ratios": (6.27, math.nan)}, ["ratio_3"]),
        ({"ring": 4.06}, []),
        ({"ring": 3.9}, ["ring"]),
    ],
)
def test_a_figure_is_told_from_its_step_on(other, told):
    changed = change(**other)
    assert [
        each for each in ("pitch", "length", "ratio_2", "ratio_3", "ring") if changed.changed(each)
    ] == told
    assert changed.counts == bool(told)


def test_tines_that_stand_in_one_alone_are_new_or_gone():
    one = StructureFacts({("low", 1): FACTS}, {})
    other = StructureFacts({("low", 2): FACTS}, {})
    gone, new = tine_changes("x", one, other)
    assert (gone.state, gone.number, new.state, new.number) == ("gone", 1, "new", 2)
    table = tine_change_table([gone, new])
    assert [row["state"] for row in rows(table)] == ["gone", "new"]
    assert [(row["pitch_hz_before"], row["pitch_hz"]) for row in rows(table)] == [
        ("146.8", ""),
        ("", "146.8"),
    ]
    assert "146.80 > -" in table.text()
    assert "- > 120.00" in table.text()


SOUND = {each.key: 10.0 for each in MEASURES} | {
    "loudest_dba": 40.0,
    "average_dba": 30.0,
    "centroid_hz": 2000.0,
}


def test_of_the_sound_what_changed_is_told_by_how_much():
    table = group_table(
        [
            GroupChange("a", SOUND, SOUND | {"loudest_dba": 43.0}),
            GroupChange("b", SOUND, SOUND | {"average_dba": 30.2}),
        ]
    )
    assert table.data() == [{"combination": "a", "loudest_dba_before": 40.0, "loudest_dba": 43.0}]
    assert table.text().splitlines()[1].split() == ["a", "+3.0"]


def test_no_measure_is_shown_as_unchanged_where_it_is_told():
    for each in MEASURES:
        after = SOUND | {
            each.key: SOUND[each.key] + 1.01 * each.step * (SOUND[each.key] if each.relative else 1.0)
        }
        shown = group_table([GroupChange("a", SOUND, after)]).text().splitlines()[1].split()
        assert len(shown) == 2
        assert float(shown[1]) > 0.0, each.key


def test_each_measure_is_that_of_the_sound_and_told_from_what_is_heard():
    t = np.arange(2 * RATE) / RATE
    tone = 0.02 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * t)[None].repeat(2, axis=0)  # 60 dB SPL
    one, louder, dull = (measures(each, RATE, roughness=0.1) for each in (tone, 1.2 * tone, tone[:, ::-1]))
    assert sorted(one) == sorted(each.key for each in MEASURES)
    assert one["loudest_dba"] == pytest.approx(60.0, abs=0.1)
    assert one["body_1000_db"] == pytest.approx(60.0, abs=0.1)
    assert one["loudest_sone"] == pytest.approx(
        4.02, rel=0.07
    )  # ISO 532-1, 1 kHz at 60 dB, 5 % and what begins
    assert one["centroid_hz"] == pytest.approx(1000.0, rel=1e-3)
    assert one["roughness"] == 0.1
    assert louder["loudest_dba"] - one["loudest_dba"] == pytest.approx(20.0 * math.log10(1.2), abs=0.01)
    told = [each.key for each in MEASURES if each.changed(one[each.key], louder[each.key])]
    assert told == ["loudest_sone", "at_1s_sone", "loudest_dba", "average_dba", "body_1000_db"]
    assert not any(each.changed(one[each.key], dull[each.key]) for each in MEASURES)


def test_silence_against_a_sound_is_a_change():
    silent = SOUND | {"loudest_dba": -math.inf, "average_dba": -math.inf, "centroid_hz": math.nan}
    table: Table = group_table([GroupChange("a", SOUND, silent)])
    assert table.data()[0]["loudest_dba"] is None
    assert GroupChange("a", silent, silent).counts is False


def quarrelling(group, number, settled=(), new=()):
    return TineChange("x", group, number, FACTS, FACTS, tuple(settled), tuple(new))


def test_the_worst_quarrels_of_the_stroked_group_are_told_first_and_no_more_than_ten():
    """Twelve of its own, six settled and six new, of rising severity; another group's is counted alone."""
    settled = [(float(n), f"quarrel {n}") for n in range(6)]
    new = [(float(n) + 0.5, f"quarrel {n}.5") for n in range(6)]
    tines = [
        quarrelling("low", 1, settled=settled),
        quarrelling("low", 2, new=new),
        quarrelling("high", 1, new=new[:1]),
    ]
    lines = Changes("first", "low", tines, []).lines()
    assert lines[0] == "\nWhat changed, against first:"
    assert lines[1] == "tines of low"
    told = [line for line in lines if ": quarrel " in line]
    assert told == [
        "x: new: quarrel 5.5", "x: settled: quarrel 5", "x: new: quarrel 4.5", "x: settled: quarrel 4",
        "x: new: quarrel 3.5", "x: settled: quarrel 3", "x: new: quarrel 2.5", "x: settled: quarrel 2",
        "x: new: quarrel 1.5", "x: settled: quarrel 1",
    ]  # fmt: skip
    assert lines[-2:] == [
        "and 2 quarrels more, milder: changes.csv",
        "and 1 tine of other groups: changes.csv",
    ]
    heads, first, second = lines[2].splitlines()
    assert heads.split() == ["combination", "group", "tine", "settled", "new", "quarrels"]
    assert (first.split(), second.split()) == (["x", "low", "1", "6"], ["x", "low", "2", "6"])
    assert first.rstrip().endswith("6")
    assert len(first.rstrip()) < len(second.rstrip())  # under their own heads
    data = Changes("first", "low", tines, []).data()["tines"]
    assert data[0]["quarrels_settled"] == "; ".join(words for _, words in settled)
    assert data[1]["quarrels_new"] == "; ".join(words for _, words in new)


def test_a_tine_s_figures_are_told_before_and_after_and_in_cents_up_or_down():
    sharp = TineChange(
        "x", "low", 1, FACTS, TineFacts(146.8 * 2.0 ** (25 / 1200), 0.1185, (6.1, 17.5), 4.4), (), ()
    )
    (row,) = rows(tine_change_table([sharp]))
    assert float(row["pitch_cents"]) == pytest.approx(25.0)
    assert (float(row["free_length_mm_before"]), float(row["free_length_mm"])) == pytest.approx(
        (120.0, 118.5)
    )
    assert (float(row["ratio_2_before"]), float(row["ratio_2"])) == (6.27, 6.1)
    assert (float(row["ring_s_before"]), float(row["ring_s"])) == (4.0, 4.4)
    assert "ratio_3" not in row
    assert tine_change_table([sharp]).text().splitlines()[1].split() == [
        "x", "low", "1", "146.80", ">", "148.94", "+25.0", "120.00", ">", "118.50", "6.270", ">", "6.100",
        "4.00", ">", "4.40",
    ]  # fmt: skip


def test_a_sound_s_change_is_after_less_before():
    table = group_table([GroupChange("a", SOUND, SOUND | {"centroid_hz": 1500.0, "roughness": 12.5})])
    (told,) = table.data()
    assert told == {
        "combination": "a", "centroid_hz_before": 2000.0, "centroid_hz": 1500.0, "roughness_before": 10.0,
        "roughness": 12.5,
    }  # fmt: skip
    assert table.text().splitlines()[1].split() == ["a", "-500.0", "+2.500"]


def test_what_would_be_shown_as_no_change_is_none():
    """Roughness 0.0004 to 0.0006 is half as much again, and +0.000."""
    by_key = {each.key: each for each in MEASURES}
    assert not by_key["roughness"].changed(0.0004, 0.0006)
    assert by_key["roughness"].changed(0.004, 0.006)
    assert by_key["at_1s_sone"].changed(0.063, 0.028)
    assert not by_key["at_1s_sone"].changed(0.004, 0.001)
