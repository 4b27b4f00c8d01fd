"""What one stage of the workshop hands to the next, with stand-ins for what solves and renders."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.errors import InputError
from synth.workshop import changes, check_screen, cut_list_pages, group_sounds, variant_sounds
from synth.workshop.changes import TineFacts, partial_decays, structure
from synth.workshop.cut_list_pages import cut_list_document
from synth.workshop.cutlist import CutList, CutPiece, Purchase, StockBar
from synth.workshop.paper import PaperTable, Paragraph

GROUPS = (
    SimpleNamespace(name="low", first=0, tines=slice(0, 1)),
    SimpleNamespace(name="high", first=1, tines=slice(1, 3)),
)


def test_a_tine_is_compared_by_its_swing_along_the_row_and_by_the_mode_that_it_moves_most(monkeypatch):
    """Ratios of the plane along; a ring is that of the mode in which the first partial is largest."""
    hertz = np.array([[[100.0, 620.0, 1700.0], [90.0, 500.0, 1000.0]], [[200.0, 1210.0, 3300.0], [190.0, 900.0,
      1900.0]],
                      [[300.0, 1830.0, 9.0], [290.0, 700.0, 8.0]]])  # fmt: skip
    exists = np.array([[True] * 3, [True] * 3, [True, True, False]])
    row = SimpleNamespace(
        modes=SimpleNamespace(frequency=hertz, exists=exists), mounted_hz=np.array([101.0, 202.0, 303.0]),
        length=np.array([0.15, 0.12, 0.10]),
    )  # fmt: skip
    # rows of vectors: tine by tine the partials along, then across; each largest in a mode of its own
    dof = np.array([[[0, 1, 2], [3, 4, 5]], [[6, 7, 8], [9, 10, 11]], [[12, 13, -1], [14, 15, -1]]])
    vectors = np.eye(16, 17, k=1) * -2.0 + 0.1
    model = SimpleNamespace(tine_dof=dof, vectors=vectors, decay=0.5 * np.arange(17))
    tines = tuple(SimpleNamespace(group=g, number=n) for g, n in ((0, 1), (1, 1), (1, 2)))
    scene = SimpleNamespace(instrument=SimpleNamespace(tines=tines, groups=GROUPS), row=row, model=model)
    monkeypatch.setattr(changes, "sentence", lambda _, quarrel: f"words of {quarrel.severity}")
    quarrels = [
        SimpleNamespace(of=(1, 1, 2), severity=0.4), SimpleNamespace(of=(1, 1, 2), severity=0.7),
        SimpleNamespace(of=(0, 0, 1), severity=0.2),
    ]  # fmt: skip
    monkeypatch.setattr(changes, "worst_of_each", lambda found: {each.of: each for each in found})
    found = structure(scene, quarrels)
    assert found.tines["low", 1] == TineFacts(101.0, 0.15, (pytest.approx(6.2), pytest.approx(17.0)), 0.5)
    assert found.tines["high", 1] == TineFacts(202.0, 0.12, (pytest.approx(6.05), pytest.approx(16.5)), 3.5)
    last = found.tines["high", 2]
    assert (last.pitch, last.length, last.ring) == (303.0, 0.10, 6.5)
    assert last.ratios[0] == pytest.approx(6.1)
    assert np.isnan(last.ratios[1])
    assert found.quarrels == {
        ("high", 1, 1, 2): (0.7, "words of 0.7"), ("low", 1, 0, 1): (0.2, "words of 0.2"),
    }  # fmt: skip
    assert partial_decays(model, 2)[:2] == (6.5, 7.0)


def piece(group, number, stock, cut, drill, fixing=None):
    joint = SimpleNamespace(
        nuts=(), washers=(), clamped=0.02, words=lambda units: f"joint in {units}",
        hole=SimpleNamespace(drill=drill, words="why", diameter=0.003),
    )  # fmt: skip
    return CutPiece(group, number, stock, cut - 0.03, joint, cut, 0.01, (), 440.0)


def cut_list(**more):
    pieces = (piece("low", 1, "M4", 0.150, "4.5 mm"), piece("high", 1, "rod3", 0.110, "3 mm"),
              piece("high", 2, "rod3", 0.100, "3 mm"))  # fmt: skip
    bars = (StockBar("M4", (0,), 0.850), StockBar("rod3", (2, 1), 0.786))
    bought = (Purchase("M4", 1.0, "bar", 1.5), Purchase("steel", 0.4, "m", None))
    plain = {"pieces": pieces, "bars": bars, "purchases": bought, "rods_mass": 0.12, "hardware_mass": 0.034,
             "bar_mass": 2.5}  # fmt: skip
    return CutList(**plain | more)


def rail(units="mm", fixings=("nuts", "glued", "glued")):
    bench = SimpleNamespace(
        units=units, saw_allowance=1.5e-3, tuning_allowance=4e-3, kerf=2e-3, currency="EUR"
    )
    tines = tuple(
        SimpleNamespace(group=g, root=SimpleNamespace(fixing=f))
        for g, f in zip((0, 1, 1), fixings, strict=True)
    )
    return SimpleNamespace(
        name="Rail", groups=GROUPS, tines=tines, bench=bench, note=lambda hz: ("A4", -12.4)
    )


def words_of(document):
    return [part.words for part in document.parts if isinstance(part, Paragraph)]


def test_the_cut_list_says_what_is_added_who_keeps_it_at_the_tip_and_what_it_all_weighs():
    """What a glued tine has for tuning stays at its tip; a tine in a collet slides as one under a nut does."""
    cuts = cut_list()
    said = words_of(cut_list_document(rail(), cuts))
    assert said[0].startswith(
        "Cut length = free length + clamped length + 1.5 mm for saw and file + 4.0 mm for tuning. "
    )
    assert "rod can slide up; glued tines (high) keep it at the tip, to be filed off. Leave" in said[0]
    assert (
        "rod can slide up. Leave"
        in words_of(cut_list_document(rail(fixings=(None, "collet", "set screw")), cuts))[0]
    )
    assert "the saw takes 2.0 mm a cut" in said[1]
    assert said[2] == "Together 1.50 EUR, without steel."
    assert (
        said[3]
        == "Mass: bar 2.50 kg (holes not taken off), rods 120 g, nuts and washers 34 g; together 2.65 kg."
    )
    none = cut_list(purchases=(Purchase("steel", 0.4, "m", None),))
    assert words_of(cut_list_document(rail(), none))[2].startswith("The design gives no prices")
    every = cut_list(purchases=(Purchase("M4", 2.0, "bar", 1.5),))
    assert words_of(cut_list_document(rail(), every))[2] == "Together 3.00 EUR."
    inch = words_of(cut_list_document(rail("inch"), cuts))
    assert inch[1] == "Lengths in inches, to the nearest 1/64."


def test_pieces_name_their_bar_and_bars_their_pieces_in_the_order_of_the_saw():
    document = cut_list_document(rail(), cut_list())
    tables = {part.heads[0]: part for part in document.parts if isinstance(part, PaperTable)}
    assert [cells[8] for cells in tables["no."].rows] == ["1", "2", "2"]
    assert [cells[3] for cells in tables["no."].rows] == ["A4 -12 c"] * 3
    assert tables["bar"].rows == (
        ("1", "M4", "1: 150.0", "850.0"), ("2", "rod3", "3: 100.0, 2: 110.0", "786.0"),
    )  # fmt: skip
    assert tables["stock"].rows == (
        ("M4", "4.5 mm, why", "joint in mm", "20.0"), ("rod3", "3 mm, why", "joint in mm", "20.0"),
    )  # fmt: skip
    assert cut_list_pages._pitch("A4", 0.4) == "A4"


def test_a_group_is_stroked_with_the_first_stick_and_told_from_its_first_touch_and_its_last(monkeypatch):
    """What the ear says counts from the first touch, the roughness from the last; what is refused is told why."""
    sticks = {"birch": object(), "brass": object()}
    scene = SimpleNamespace(instrument=SimpleNamespace(sticks=sticks, groups=GROUPS))
    rendering = SimpleNamespace(sound=lambda: "sound", reports=["report"], rings=["ring"])

    def perform(where, strokes, *, seconds):
        ((stroke),) = strokes
        assert (where, stroke.stick, seconds) == (scene, sticks["birch"], 2.0)
        if stroke.group == 0:
            raise InputError("the stick stays caught")
        return rendering

    monkeypatch.setattr(group_sounds, "perform", perform)
    monkeypatch.setattr(group_sounds, "touched_span", lambda report, seconds: (0.05, 0.31))
    monkeypatch.setattr(group_sounds.ear, "describe", lambda sound, rate, since: (sound, rate, since))
    monkeypatch.setattr(
        group_sounds.loudness, "measure", lambda sound, rate: SimpleNamespace(loudest=61.0, average=5.0)
    )
    monkeypatch.setattr(
        group_sounds, "heard_roughness", lambda where, ring, since: (where is scene, ring, since)
    )
    caught, heard = group_sounds.group_sounds(scene, [0, 1])
    assert (caught.group, caught.told, caught.refused) == ("low", None, "the stick stays caught")
    assert (heard.group, heard.told, heard.loudest_dba) == ("high", ("sound", 48_000, 0.05), 61.0)
    assert (heard.roughness, heard.refused) == ((True, "ring", 0.31), "")


def test_a_combination_is_measured_from_its_own_tines_reports_and_sound(monkeypatch):
    """The lowest of the stroked group on the bar, not in a vice; the greatest stress, all energy."""
    sound = np.ones((2, 4800))
    tines = [{"energy_j": 0.1, "root_stress_mpa": 30.0}, {"energy_j": 0.2, "root_stress_mpa": 90.0}]
    rendering = SimpleNamespace(
        sound=lambda: sound, reports=[{"tines": tines}], rings=["ring"], warnings=("w",)
    )
    row = SimpleNamespace(
        mounted_hz=np.array([50.0, 300.0, 200.0]), clamped_hz=np.array([50.0, 200.0, 300.0])
    )
    listening = SimpleNamespace(row=row, model="model")
    variant = SimpleNamespace(instrument=SimpleNamespace(groups=GROUPS), stroke=SimpleNamespace(group=1))
    asked = {}
    room = variant_sounds
    monkeypatch.setattr(
        room, "perform", lambda where, strokes, **how: asked.update(how, strokes=strokes) or rendering
    )
    monkeypatch.setattr(room, "touched_span", lambda report, seconds: (0.05, 0.31))
    monkeypatch.setattr(room, "heard_roughness", lambda where, ring, since: (ring, since))
    monkeypatch.setattr(room, "describe", lambda pressure, rate, since: ("ear", rate, since))
    monkeypatch.setattr(room, "measures", lambda pressure, rate, **how: how)
    monkeypatch.setattr(room, "tone_levels", lambda pressure: 7.0 * pressure)
    monkeypatch.setattr(room.features, "attack_time", lambda pressure, rate, since, until: (since, until))
    monkeypatch.setattr(room, "partial_decays", lambda model, tine: (model, tine))
    monkeypatch.setattr(room, "group_partials_hz", lambda row, group: group.name)
    found = room._rendered(variant, listening, "solved", 1.5, "settings")
    assert asked == {"seconds": 1.5, "settings": "settings", "strokes": [variant.stroke]}
    assert found.measured == {"roughness": ("ring", 0.31), "told": ("ear", 48_000, 0.05)}
    assert (found.ear, found.structure, found.partials_hz, found.warnings) == (
        ("ear", 48_000, 0.05), "solved", "high", ("w",),
    )  # fmt: skip
    assert found.attack_s == (0.05, pytest.approx(0.31 + room.features.SMOOTH))
    assert found.decay_s == ("model", 2)
    assert (found.energy_j, found.stress_mpa) == (pytest.approx(0.3), 90.0)
    assert (found.pressure.dtype, found.levels.dtype, found.levels.max()) == (np.float32, np.float32, 7.0)


def test_a_job_is_heard_through_its_own_thing_where_it_stands_and_refused_as_a_whole_or_one_by_one(
    monkeypatch,
):
    asked = []
    room = variant_sounds

    def scene(instrument, through, *, surroundings):
        asked.append((instrument, through, surroundings))
        if instrument == "bad":
            raise InputError("cannot be built")
        return SimpleNamespace(instrument=instrument, row="row")

    def rendered(each, listening, solved, seconds, settings):
        if each.chosen == ("2",):
            raise InputError("stays caught")
        return (each.chosen, solved, seconds, settings)

    monkeypatch.setattr(room, "scene", scene)
    monkeypatch.setattr(room, "solve_quarrels", lambda instrument, row: (instrument, row))
    monkeypatch.setattr(room, "structure", lambda listening, quarrels: quarrels)
    monkeypatch.setattr(room, "_rendered", rendered)
    part = [SimpleNamespace(chosen=(str(n),), instrument="good", through="lid") for n in (1, 2)]
    one, two = room._heard((part, 1.5, "settings", "hall"))
    assert one == (("1",), ("good", "row"), 1.5, "settings")
    assert (two.chosen, two.words) == (("2",), "stays caught")
    bad = [SimpleNamespace(chosen=("3",), instrument="bad", through="bar")]
    (left,) = room._heard((bad, 1.5, "settings", "hall"))
    assert (left.chosen, left.words) == (("3",), "cannot be built")
    assert asked == [("good", "lid", "hall"), ("bad", "bar", "hall")]


@pytest.mark.parametrize("change", ["bar", "groups", "tines", "length", "trim", "sticks"])
def test_what_is_kept_of_the_usual_strokes_depends_on_all_that_they_look_at(monkeypatch, change):
    monkeypatch.setattr(
        check_screen, "cached", lambda name, depends_on, solve, *, fresh: repr((name, depends_on, fresh))
    )
    monkeypatch.setattr(check_screen, "digs_in", lambda stick: False)

    def key(**words):
        sticks = {"birch": SimpleNamespace(name=words.get("sticks", "birch"))}
        own = {each: words.get(each, each) for each in ("bar", "groups", "tines")}
        row = SimpleNamespace(length=words.get("length", "length"), trim=words.get("trim", "trim"))
        return check_screen.usual_strokes(SimpleNamespace(sticks=sticks, **own), row, ())

    assert key() == key()
    assert key(**{change: "another"}) != key()
