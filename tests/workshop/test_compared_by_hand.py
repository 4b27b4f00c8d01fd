"""A comparison and a board told of figures made by hand, each of its own: nothing is rendered or solved."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.sound import audio, ear
from synth.sound import render as sound_render
from synth.sound.board_forecast import ALONE, BoardEffect
from synth.sound.boardsheet import BoardSheet
from synth.sound.file_sets import SetMember
from synth.sound.loudness import Loudness
from synth.workshop import comparison, variant_sounds
from synth.workshop.board_list import board_data, board_words, stroke_words
from synth.workshop.changes import StructureFacts, TineFacts
from synth.workshop.measures import MEASURES
from synth.workshop.variant_sounds import Compared
from synth.workshop.variants import LeftOut, Variant

INSTRUMENT = SimpleNamespace(
    bench=SimpleNamespace(units="mm"),
    name="Rail",
    a4=441.0,
    groups=(SimpleNamespace(name="low"), SimpleNamespace(name="high")),
)
STROKE = SimpleNamespace(group=1)


def measured(n):
    return {each.key: 100.0 * n + k for k, each in enumerate(MEASURES)}


def compared(n, chosen, pitch=220.0):
    facts = StructureFacts({("high", 1): TineFacts(pitch, 0.1, (6.0, 17.0), 2.0)}, {})
    return Compared(
        variant=Variant(chosen, INSTRUMENT, STROKE, "bar"), structure=facts,
        pressure=np.zeros((2, 24_000), np.float32), levels=np.full((3, 4), float(n)), measured=measured(n),
        attack_s=0.010 * n, decay_s=(1.0 * n, 2.0 * n), energy_j=0.001 * n, stress_mpa=50.0 * n,
        partials_hz=(100.0 * n,), warnings=("said by all", f"of {n}"),
    )  # fmt: skip


def member(n, name):
    return SetMember(
        name, f"{n}.wav", Loudness(60.0 + n, 50.0 + n, 0.0), -20.0 - n, 30.0 + n, 40.0 + n, n == 2
    )


HEARD = [
    compared(n, (("stick", stick), ("bar.height_mm", "12"))) for n, stick in ((1, "birch"), (2, "brass"))
]
MEMBERS = [member(n, each.variant.name) for n, each in enumerate(HEARD, start=1)]


def test_each_combination_has_its_own_row_in_the_units_of_its_columns():
    rows = comparison.table(MEMBERS, HEARD).data()
    for n, (row, each) in enumerate(zip(rows, HEARD, strict=True), start=1):
        wanted = {
            "combination": each.variant.name, "file": f"{n}.wav", "loudest_dba": 60.0 + n, "average_dba": 50.0 + n,
            "loudness_lufs": -20.0 - n, "true_gain_db": 30.0 + n, "matched_gain_db": 40.0 + n,
            "attack_ms": pytest.approx(10.0 * n), "decay_1_s": 1.0 * n, "decay_2_s": 2.0 * n, "decay_3_s": None,
            "energy_mj": pytest.approx(1.0 * n), "greatest_stress_mpa": 50.0 * n,
        }  # fmt: skip
        assert row == {**measured(n), **wanted}


def test_a_page_gets_each_sound_with_its_gains_its_level_and_its_picture():
    for n, (heard, each) in enumerate(
        zip(comparison.heard_sounds(MEMBERS, HEARD), HEARD, strict=True), start=1
    ):
        assert heard.chosen == each.variant.chosen
        assert heard.pressure is each.pressure
        assert (heard.true_db, heard.matched_db, heard.level_dba) == (30.0 + n, 40.0 + n, 60.0 + n)
        panel = heard.panel
        assert (panel.seconds, panel.partials_hz) == (0.5, (100.0 * n,))
        assert panel.levels is each.levels
        assert panel.title == f"stick {('birch', 'brass')[n - 1]}, bar height 12 mm"


def test_the_page_is_of_the_group_that_is_stroked_at_the_design_s_own_a(monkeypatch):
    asked = {}
    monkeypatch.setattr(comparison, "listening_page", lambda *sounds, **words: asked.update(words) or "")
    comparison.page_of(MEMBERS, HEARD, [])
    assert asked == {"title": "Rail, group high", "a4_hz": 441.0}


def test_what_changed_is_told_against_the_first_once_for_all_strokes_on_one_instrument():
    """Four combinations of two heights: tines once a height, the sound of each."""
    tried = [
        compared(1, (("stick", "birch"), ("bar.height_mm", "12"))),
        compared(2, (("stick", "brass"), ("bar.height_mm", "12"))),
        compared(3, (("stick", "birch"), ("bar.height_mm", "14")), 221.0),
        compared(4, (("stick", "brass"), ("bar.height_mm", "14")), 221.0),
    ]
    found = comparison.since_first(tried)
    assert (found.against, found.stroked) == ("stick=birch_bar.height_mm=12", "high")
    assert [(each.combination, each.before.pitch, each.after.pitch) for each in found.tines] == [
        ("bar.height_mm=14", 220.0, 221.0)
    ]
    assert [each.combination for each in found.group] == [each.variant.name for each in tried[1:]]
    assert [each.after for each in found.group] == [measured(n) for n in (2, 3, 4)]
    assert all(each.before == measured(1) for each in found.group)


def test_all_is_told_to_other_programs_and_remarks_once():
    found = comparison.since_first(HEARD)
    left = [LeftOut((("stick", "lead"),), "too soft")]
    told = comparison.data(MEMBERS, HEARD, found, left)
    assert told["left_out"] == [{"combination": "stick=lead", "words": "too soft"}]
    assert told["changes"] == found.data()
    assert len(told["combinations"]) == 2
    assert comparison.remarks(HEARD) == ["said by all", "of 1", "of 2"]
    (words,) = comparison.too_quiet(MEMBERS)
    assert f"(-70 LUFS): {MEMBERS[1].name};" in words
    assert comparison.too_quiet(MEMBERS[:1]) == []


def test_jobs_are_of_one_instrument_heard_through_one_thing_and_of_four_strokes_at_most():
    one, other = SimpleNamespace(name="one"), SimpleNamespace(name="other")
    things = [(one, "bar"), (one, "lid"), (other, "bar"), (one, "bar")]
    chosen = [Variant((("n", str(n)),), built, STROKE, through) for n, (built, through) in enumerate(things)]
    assert variant_sounds._places(chosen) == [[chosen[0], chosen[3]], [chosen[1]], [chosen[2]]]
    assert [[*part] for part in variant_sounds._parts(range(9))] == [[0, 1, 2, 3], [4, 5, 6, 7], [8]]


BOX = SimpleNamespace(open_hz=91.0, boxed_hz=122.0, hole_hz=143.0, standing_hz=604.0)
SHEET = BoardSheet(
    np.array([50.0, 500.0]), np.array([[1e-3 + 2e-3j, 3e-3 - 4e-3j], [5e-3 + 0j, 6e-3 + 8e-3j]]),
    np.array([[70.0, 71.0], [72.0, 73.0]]), 412.0, 5100.0, 1800.0, np.array([90.0, 140.0]), np.array([0.41, 0.32]),
    None,
)  # fmt: skip
EFFECTS = [
    BoardEffect("low", 110.0, 60.0, 31.0, 2.0, 0.8),
    BoardEffect("high", 440.0, 66.0, -24.0, 1.0, 0.35),
]
LID = SimpleNamespace(kind="box", material=SimpleNamespace(name="plywood"), edges="supported")
DESIGN = SimpleNamespace(name="Rail", boards={"lid": LID}, bench=SimpleNamespace(units="mm"))


def test_a_board_s_figures_stand_under_their_own_names_foot_by_foot():
    told = board_data(DESIGN, "lid", SHEET, EFFECTS, ["noted"], ["heard"])
    assert (told["design"], told["board"], told["notes"], told["stroke"]) == (
        "Rail",
        "lid",
        ["noted"],
        ["heard"],
    )
    figures = (told["endless_sheet_n_s_m"], told["critical_hz"], told["statistical_above_hz"])
    assert figures == (412.0, 5100.0, 1800.0)
    assert told["modes"] == [
        {"frequency_hz": 90.0, "decay_s": 0.41},
        {"frequency_hz": 140.0, "decay_s": 0.32},
    ]
    assert told["feet"] == [
        {"foot": 1, "mobility_mm_s_n": [pytest.approx(5.0**0.5, abs=1e-6), 5.0],
         "conductance_mm_s_n": [1.0, 3.0], "level_db_n": [70.0, 71.0]},
        {"foot": 2, "mobility_mm_s_n": [5.0, 10.0], "conductance_mm_s_n": [5.0, 6.0], "level_db_n": [72.0, 73.0]},
    ]  # fmt: skip
    assert told["groups"][1] == {
        "group": "high", "hz": 440.0, "level_db": 66.0, "gain_db": -24.0, "decay_s": 1.0, "ring_ratio": 0.35,
    }  # fmt: skip


@pytest.mark.parametrize("hole", [143.0, math.nan])
def test_a_board_and_its_box_are_told_in_words_each_figure_where_it_belongs(hole):
    box = SimpleNamespace(**{**vars(BOX), "hole_hz": hole})
    sheet = SimpleNamespace(**{**vars(SHEET), "box": box})
    lines = board_words(DESIGN, "lid", sheet, EFFECTS, ["drowns one"], None).splitlines()
    assert lines[:4] == [
        "lid: box of plywood, supported edges",
        "first modes in air, not yet under the bar: 90 Hz (0.41 s), 140 Hz (0.32 s)",
        "an endless sheet of it resists a point with 412 N s/m; as fast as sound in air above 5100 Hz; single "
        "modes to 1800 Hz, statistical above",
        "the box: the lid alone starts at 91 Hz, with the air behind it the first mode that moves much air is at "
        "122 Hz" + ("; the hole's own pitch is 143 Hz" if hole == hole else "")
        + "; above 604 Hz the air inside has waves of its own, which are left out",
    ]  # fmt: skip
    assert "drowns one" in lines
    assert ALONE in lines


def test_the_stroke_that_tells_a_board_is_of_the_middle_group_through_bar_and_board_as_fresh_as_asked(
    monkeypatch,
):
    """The bar's sound is before, the board's after."""
    asked, stick = [], object()
    instrument = SimpleNamespace(
        groups=tuple(SimpleNamespace(name=each) for each in "abc"), sticks={"birch": stick}
    )
    sounds = {"bar": "quiet", "lid": "loud"}

    def scene(built, through, *, fresh):
        asked.append((built is instrument, through, fresh))
        return through

    def perform(through, strokes, *, seconds, settings):
        ((stroke),) = strokes
        assert (stroke.group, stroke.stick, seconds, settings.allow_yield) == (1, stick, 2.0, True)
        return SimpleNamespace(sound=lambda: (sounds[through], stroke.start))

    monkeypatch.setattr(sound_render, "scene", scene)
    monkeypatch.setattr(sound_render, "perform", perform)
    monkeypatch.setattr(ear, "describe", lambda sound, rate, since: (sound[0], rate, since == sound[1]))
    monkeypatch.setattr(ear, "words", lambda before, after: [f"{before} > {after}"])
    for fresh in (False, True):
        asked.clear()
        head, said = stroke_words(instrument, "lid", fresh=fresh)
        assert head == "A usual stroke of b, from the bar alone to lid:"
        assert said == f"('quiet', {audio.RATE}, True) > ('loud', {audio.RATE}, True)"
        assert asked == [(True, "bar", fresh), (True, "lid", fresh)]
