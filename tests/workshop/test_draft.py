"""Drafts of random wishes: each loads, resolves, fits, stands on its nodes, and says what `check` will warn of.

The nodes are held against the loaded bar without its supports (soft cords mix with flimsy bars), read from its
shapes by another choice of mode and another interpolation: the nearest places where its first mode up and down
stands still.
"""

from __future__ import annotations

import os
import random
from dataclasses import replace

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.file import load
from synth.design.instrument import Straight
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.doors.cli.draft import wishes_of
from synth.errors import InputError
from synth.units import note_hz, note_name
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import loaded_shapes
from synth.vibration.tuning import tune
from synth.workshop.draft import draft
from synth.workshop.draft_groups import members, plan_groups
from synth.workshop.draft_text import WHY, draft_text

NEAR = 0.02  # of the bar's length
DEFAULTS = {
    "notes": "D2,A2,D3",
    "scale": None,
    "low": "D2",
    "high": "C4",
    "tines": 5,
    "octaves": 3,
    "intervals": "1/1,3/2",
    "stock": None,
    "section": None,
    "shape": "straight",
    "legs": None,
    "radius": None,
    "diameter": None,
    "board": "panel",
    "pickup": "contact",
    "units": "mm",
}
SECTIONS = {
    "mm": ["25x25", "30x20", "40x15", "60x10", "20x20", "round25", "tube30x3", "12x40"],
    "inch": ["1x1", "3/4x3/4", "2x1/2", "round1", "1-1/4x1"],
}
STOCKS = {
    "mm": ["M4,rod3,M3", "M4,M3", "M5,M4,M3", "rod3", "rod4,rod3", "M3"],
    "inch": ["#8-32,rod1/8in,#6-32", "#10-24,#8-32", "rod1/8in"],
}


def wished(**words):
    return wishes_of(DEFAULTS | words)


def test_every_word_is_the_wish_that_it_names():
    """Each away from its default, lengths in mm whatever they are written in; the first leg is the first."""
    told = wished(
        notes="E2,B2", tines=7, octaves=2, intervals="1/1,4/3", stock="M5,rod4", section="60x10", shape="u",
        legs="500,400", radius="90", board="box", pickup="pad",
    )  # fmt: skip
    assert (told.notes, told.tines, told.octaves, told.intervals) == (("E2", "B2"), 7, 2, ("1/1", "4/3"))
    assert [(each.name, each.plain_mm) for each in told.stock] == [("M5", 0.0), ("rod4", 4.0)]
    assert (told.section["width_mm"], told.section["height_mm"]) == (60.0, 10.0)
    assert (told.shape, told.board, told.pickup, told.units) == ("u", "box", "pad", "mm")
    assert (told.legs_mm, told.radius_mm, told.diameter_mm) == ((500.0, 400.0), 90.0, 0.0)
    assert wished(shape="u", legs="450").legs_mm == (450.0, 450.0)
    inches = wished(units="inch", shape="ring", diameter="12", section="2x1/2")
    assert (inches.diameter_mm, inches.radius_mm, inches.units) == (pytest.approx(304.8), 0.0, "inch")
    assert (inches.section["width_mm"], inches.section["height_mm"]) == pytest.approx((50.8, 12.7))
    scale = wished(notes=None, scale="A minor pentatonic", low="A2", high="E3")
    assert scale.notes == ("A2", "C3", "D3", "E3")


def random_words(seed):
    draw = random.Random(seed)
    units = draw.choice(["mm", "mm", "inch"])
    numbers = draw.sample(range(38, 75), draw.randint(1, 12))
    return {
        "units": units,
        "notes": ",".join(note_name(note_hz(each, 440.0), 440.0)[0] for each in numbers),
        "tines": draw.randint(1, 12),
        "octaves": draw.randint(1, 4),
        "intervals": draw.choice(["1/1", "1/1,3/2", "1/1,5/4,3/2", "1/1,4/3"]),
        "stock": draw.choice(STOCKS[units]),
        "section": draw.choice(SECTIONS[units]),
        "shape": draw.choice(["straight", "straight", "u", "ring"]),
        "board": draw.choice(["panel", "box", "none"]),
        "pickup": draw.choice(["contact", "pad", "strain"]),
    }


def standing_still(instrument, row):
    """Hz of the loaded bar's first upright mode, hung on nothing, and where it stands still, m: by straight lines
    between the bar's own nodes, the mode found by the kinetic energy of the bar in each direction."""
    free = replace(instrument, bar=replace(instrument.bar, supports=()))
    shapes, _ = loaded_shapes(free, row)
    weight = np.gradient(shapes.position)
    energy = np.einsum("b,bik->ik", weight, shapes.motion[:, :3] ** 2)
    for mode in np.argsort(shapes.frequency):
        if shapes.frequency[mode] > 1.0 and energy[2, mode] > energy[0, mode] + energy[1, mode]:
            dense = np.linspace(0.0, shapes.position[-1], 20_001)
            height = np.interp(dense, shapes.position, shapes.motion[:, 2, mode])
            still = np.signbit(height[1:]) != np.signbit(height[:-1])
            return shapes.frequency[mode], dense[:-1][still]
    raise AssertionError("no upright mode")


def check_draft(words, path):
    made = draft(wished(**words))
    path.write_text(draft_text(made))
    instrument = resolve(load(path), str(path))
    row = tune(instrument, mounting(instrument))
    told = path.read_text()
    for warning in (*instrument.warnings, *row.warnings):
        assert f"`check` warns: {warning}" in told, warning
        assert any(part in warning for part, _ in WHY), warning
    (hertz, nodes), bar = standing_still(instrument, row), instrument.bar
    assert made.mode_hz == pytest.approx(hertz, rel=0.01)
    assert f"first mode up and down is at {made.mode_hz:.1f} Hz" in told
    assert np.array(made.nodes_mm) == pytest.approx(1e3 * nodes, abs=1e3 * NEAR * bar.length)
    supports = np.array([each.position for each in bar.supports])
    assert len(supports) >= 2
    assert len(supports) == len(nodes)
    assert np.abs(supports - nodes).max() < NEAR * bar.length
    for tine in instrument.tines:
        assert 0.02 <= tine.position <= bar.length - 0.02 or words.get("shape") == "ring"
        assert np.abs(supports - tine.position).min() > tine.rod.diameter
    assert row.length.min() > 0.025
    assert row.length.max() < 0.31
    return instrument


@pytest.mark.parametrize(
    "seed", [1, 2, *range(4, 8), *(pytest.param(seed, marks=pytest.mark.slow) for seed in (0, 3))]
)  # a flat U is drafted below; 3 is one more ring
def test_a_draft_loads_stands_on_its_nodes_and_explains_its_warnings(seed, tmp_path):
    check_draft(random_words(seed), tmp_path / "draft.toml")


@pytest.mark.slow
@pytest.mark.parametrize(
    "seed", range(8, int(os.environ.get("DRAFTS", "32")))
)  # DRAFTS=200: all of them, 5 min
def test_two_hundred_drafts_stand_on_their_nodes_and_explain_their_warnings(seed, tmp_path):
    check_draft(random_words(seed), tmp_path / "draft.toml")


def test_a_plain_rail_is_drafted_without_a_warning(tmp_path):
    instrument = check_draft({"notes": "D2,A2,D3,F3,G3,A3,C4", "tines": 9}, tmp_path / "rail.toml")
    assert instrument.warnings == ()
    assert [group.name for group in instrument.groups] == ["D2", "A2", "D3", "F3", "G3", "A3", "C4"]


def test_the_groups_of_a_u_stand_on_its_legs_and_its_board_carries_three_feet(tmp_path):
    words = {"shape": "u", "legs": "300,300", "radius": "80", "section": "40x15"}
    instrument = check_draft(words, tmp_path / "u.toml")
    assert [type(each) is Straight for each in instrument.bar.path] == [True, False, True]
    assert instrument.bar.length == pytest.approx(0.6 + 0.08 * np.pi, abs=1e-6)
    assert not [each for each in instrument.warnings if "in a bend" in each]
    assert len(instrument.boards["panel"].feet) == 3


def test_a_draft_in_inches_is_written_in_inches_on_marks_of_a_ruler(tmp_path):
    path = tmp_path / "inch.toml"
    instrument = check_draft({"units": "inch", "board": "box"}, path)
    assert "_mm" not in path.read_text()
    for support in instrument.bar.supports:
        marks = support.position / 25.4e-3 * 32
        assert marks == pytest.approx(round(marks), abs=1e-6)
    assert instrument.bench.units == "inch"


def test_members_are_octaves_first_then_what_lies_between_and_doubles_from_below():
    nine = ("1/1", "1/1", "3/2", "2/1", "2/1", "3/1", "4/1", "4/1", "6/1")
    assert members(("1/1", "3/2"), 3, 9) == nine
    assert members(("1/1", "3/2"), 3, 4) == ("1/1", "3/2", "2/1", "4/1")
    assert members(("1/1",), 1, 3) == ("1/1", "1/1", "1/1")


def test_stocks_go_from_low_notes_to_high():
    plans = plan_groups(wished(notes="C4,D2,A2,G3,D3,A3", stock="M4,rod3,M3"))
    assert [plan.note for plan in plans] == ["D2", "A2", "D3", "G3", "A3", "C4"]
    assert [plan.stock.name for plan in plans] == ["M4", "M4", "rod3", "rod3", "M3", "M3"]


def test_spacing_lets_the_stick_the_spanner_and_the_swing():
    for plan in plan_groups(wished(notes="C1,D2,A3,C5", stock="M4,M3")):
        rod = 3.0 if plan.stock.name == "M3" else 4.0
        assert plan.spacing_mm >= rod + 5.0
        assert plan.spacing_mm > plan.corners_mm + 3.0
        assert plan.spacing_mm > 0.97 * rod + plan.swing_mm


def test_a_scale_is_spelled_with_a_letter_a_note():
    assert wished(notes=None, scale="Bb major", low="Bb2", high="Bb3").notes == (
        "Bb2", "C3", "D3", "Eb3", "F3", "G3", "A3", "Bb3",
    )  # fmt: skip
    assert wished(notes=None, scale="D dorian", low="D2", high="A2").notes == ("D2", "E2", "F2", "G2", "A2")


def refused(**words):
    with pytest.raises(InputError) as caught:
        draft(wished(**words))
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_note_that_no_rod_reaches_is_refused_with_the_nearest_that_one_does():
    said = refused(notes="D2,G8")
    nearest = said.rsplit(" ", 1)[1]
    assert "the nearest note that is reached is" in said
    assert draft(wished(notes=nearest)).plans[0].note == nearest
    assert "C0 cannot be built of M3" in refused(notes="C0", stock="M3")


def test_what_does_not_fit_names_the_size_that_does():
    words = {"notes": "D2,F2,A2,C3,D3,F3,A3,C4,D4,F4,A4,C5", "tines": 5, "shape": "ring"}
    said = refused(**words, diameter="250")
    assert "12 groups do not fit a ring of 250 mm" in said
    fits = said.split("a diameter of ")[1].split(" mm")[0]
    assert draft(wished(**words, diameter=fits)).layout.length_mm == pytest.approx(np.pi * float(fits))
    refused(**words, diameter=str(float(fits) - 30.0))
    said = refused(**words | {"shape": "u"}, legs="200,200")
    leg = said.split("legs of ")[2].split(" mm")[0]
    assert draft(wished(**words | {"shape": "u"}, legs=f"{leg},{leg}")).plans


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"section": "25 by 25"}, "is no section"),
        ({"section": "4x30"}, "as wide as the bar"),
        ({"stock": "M7"}, "not in stock"),
        ({"notes": "D2,d2"}, "given twice"),
        ({"notes": "H2"}, "not a note name"),
        ({"notes": None, "scale": "D doric"}, "no scale known here"),
        ({"intervals": "5/2"}, "not within an octave"),
        ({"diameter": "300"}, "is of another shape"),
        ({"shape": "u", "radius": "10"}, "tighter than half"),
    ],
)
def test_words_that_cannot_be_used_are_refused_in_a_line(words, said):
    assert said in refused(**words)


def test_the_tree_itself_is_the_file_in_millimetres(tmp_path):
    made = draft(wished())
    (tmp_path / "a.toml").write_text(draft_text(made))
    assert load(tmp_path / "a.toml") == decode(made.tree, Design)
