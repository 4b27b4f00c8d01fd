"""What a refusal or a warning tells of room on the bar and on a tine: the figures, and where they stand."""

from __future__ import annotations

import math

import pytest

from synth.design.keys_as_written import Inches, figure
from synth.design.placement_checks import unwise_places
from synth.errors import InputError


def with_bar(tree, width, height, **group):
    tree["bar"]["section"] = {"shape": "rectangle", "width_mm": width, "height_mm": height}
    tree["group"] = [{"name": "one", "start_mm": 100.0, "stock": "M4", **group}]
    tree.pop("board", None)
    return tree


TWO = [{"free_length_mm": 100.0}, {"free_length_mm": 100.0}]


@pytest.mark.parametrize(("face", "wide"), [(0.0, True), (90.0, False), (180.0, True), (-90.0, False)])
def test_a_nut_is_too_wide_for_the_face_that_it_stands_on(build, tree, face, wide):
    """The nut of M4, 7 mm across its flats, on a bar of 60 x 6.5: the broad face takes it, the edge does not."""
    made = build(with_bar(tree, 60.0, 6.5, face_deg=face, tine=TWO[:1]))
    reasons = [reason for _, reason in unwise_places(made.bar, made.tines)]
    assert ("with base nuts wider than the bar" in reasons) is not wide


def test_base_nuts_that_meet_are_told_their_distance_and_what_they_need(build, tree):
    """Across the corners: 2/sqrt(3) of the width across the flats, one half for each."""
    with pytest.raises(InputError) as refused:
        build(with_bar(tree, 60.0, 10.0, spacing_mm=6.0, tine=TWO))
    told = str(refused.value)
    assert "are 6 mm apart" in told
    need = float(told.split("holes need ")[1].split(" mm")[0])
    assert need == pytest.approx(7.0 * 2.0 / math.sqrt(3.0), abs=0.3)  # 6.78 to 7 mm, ISO 4032


def test_nuts_on_one_tine_that_meet_are_told_the_lower_one_and_the_room_of_both(build, tree):
    tree["nut"] = {
        "low": {"mass_g": 1.0, "height_mm": 3.0, "width_mm": 8.0},
        "high": {"mass_g": 1.0, "height_mm": 5.0, "width_mm": 8.0},
    }
    trim = [{"nut": "high", "at_mm": 53.9}, {"nut": "low", "at_mm": 50.0}]
    with pytest.raises(InputError, match=r"overlaps the one at 50 mm; set their middles 4 mm apart"):
        build(with_bar(tree, 60.0, 10.0, tine=[{"free_length_mm": 100.0, "trim": trim}]))
    trim[0]["at_mm"] = 54.0
    (tine,) = build(with_bar(tree, 60.0, 10.0, tine=[{"free_length_mm": 100.0, "trim": trim}])).tines
    assert [placed.nut.name for placed in tine.trim] == ["low", "high"]


@pytest.mark.parametrize(("tip", "told"), [(97.51, "97.5 mm or below"), (2.49, "2.5 mm or above")])
def test_a_nut_over_an_end_is_told_how_far_it_goes(build, tree, tip, told):
    tree["nut"] = {"high": {"mass_g": 1.0, "height_mm": 5.0, "width_mm": 8.0}}
    tine = {"free_length_mm": 100.0, "trim": [{"nut": "high", "at_mm": tip}]}
    with pytest.raises(InputError, match=told):
        build(with_bar(tree, 60.0, 10.0, tine=[tine]))


def test_a_stick_that_goes_into_no_gap_is_told_the_gap_between_the_rods(build, tree):
    """12 mm from middle to middle less the rod's own 4 mm; the thinnest stick of the design counts."""
    tree["stick"] = {
        "thick": {"material": "birch", "diameter_mm": 11.0, "length_mm": 150.0},
        "thin": {"material": "birch", "diameter_mm": 9.0, "length_mm": 150.0},
    }
    with pytest.raises(InputError) as refused:
        build(with_bar(tree, 60.0, 10.0, spacing_mm=12.0, tine=TWO))
    told = str(refused.value)
    assert "the stick 'thin' of 9 mm does not go into the gap of " in told
    assert float(told.split("gap of ")[1].split(" mm")[0]) == pytest.approx(8.0, abs=0.2)
    assert "between tines 1 and 2" in told
    tree["stick"]["thin"]["diameter_mm"] = 7.0
    (words,) = [each for each in build(tree).warnings if "does not go" in each]
    assert words.startswith("group[1]: the stick 'thick' of 11 mm does not go into the gap of ")


def test_a_room_that_would_ring_longer_than_its_air_lets_it_is_told_how_long_that_is(build, tree):
    """ISO 9613-2, table 2, from memory: 22.9 dB/km at 4 kHz, 20 degrees and 70 %; 60 dB of it take 2620 m."""
    tree["room"] = {
        "hall": {
            "length_m": 40.0, "width_m": 30.0, "height_m": 20.0, "instrument_at_m": [3.0, 3.0, 1.0],
            "listener_at_m": [9.0, 9.0, 1.5], "humidity_percent": 70.0,
            "reverberation_s": [3.0, 3.0, 3.0, 3.0, 3.0, 9.0],
        }
    }  # fmt: skip
    with pytest.raises(InputError) as refused:
        build(tree)
    told = str(refused.value)
    assert "9 s at 4000 Hz cannot be in a room of 40 x 30 x 20 m" in told
    seconds = float(told.split("shorter than ")[1].split(" s")[0])
    assert seconds == pytest.approx(60.0 / 0.0229 / 343.2, rel=0.03)


@pytest.mark.parametrize(
    ("pitches", "told"),
    [(["C4", "D4"], "A#4"), (["Bb3", "C#4"], "A#4"), (["Bb3", "Eb4", "C#4"], "Bb4"), (["B♭3"], "Bb4")],
)
def test_notes_are_spelt_with_flats_where_the_design_has_more_of_them_than_sharps(build, tree, pitches, told):
    tree = with_bar(tree, 60.0, 10.0, spacing_mm=15.0, tine=[{"pitch": each} for each in pitches])
    assert build(tree).note(466.16)[0] == told


def test_a_group_too_high_for_a_keyboard_has_no_key(build, tree):
    """MIDI's last note is 127, G9 at 12 544 Hz; 13 290 Hz would be 128."""
    for hertz, note in ((12_544.0, 127), (13_290.0, None), (16.35, 12)):
        made = build(with_bar(tree, 60.0, 10.0, root_hz=hertz, tine=TWO[:1]))
        assert made.groups[0].midi_note == note


def test_a_figure_is_told_as_it_stands_in_the_file():
    assert figure(Inches(12.3456 * 25.4)) == "12.3456"
    assert figure(312.5) == "312.5"


@pytest.mark.parametrize(
    ("change", "reason", "unwise"),
    [
        ({"support": 103.8}, "on support 1", True),  # M4 rod is 3.84 to 3.98 mm thick (ISO 965)
        ({"support": 104.0}, "on support 1", False),
        ({"support": 96.2}, "on support 1", True),
        ({"support": 96.0}, "on support 1", False),
        ({"face": 1.1}, "at a slant to a flat face, on which nuts do not seat", True),
        ({"face": -91.1}, "at a slant to a flat face, on which nuts do not seat", True),
        ({"face": 0.9}, "at a slant to a flat face, on which nuts do not seat", False),
        ({"straight": 99.9}, "in a bend: holes drilled before bending deform", True),
        ({"straight": 100.1}, "in a bend: holes drilled before bending deform", False),
        ({"straight": 20.1}, "in a bend: holes drilled before bending deform", True),  # 80 mm of arc
        ({"straight": 19.9}, "in a bend: holes drilled before bending deform", False),
    ],
)
def test_a_place_is_unwise_up_to_its_limit_and_wise_beyond(build, tree, change, reason, unwise):
    with_bar(tree, 60.0, 10.0, face_deg=change.get("face", 0.0), tine=TWO[:1])
    tree["bar"]["supports"] = [{"at_mm": at, "kind": "cord"} for at in (change.get("support", 10.0), 250.0)]
    if "straight" in change:
        bend = {"bend_deg": 45.0, "radius_mm": 80.0 / (math.pi / 4.0), "plane_deg": 0.0}
        tree["bar"]["path"] = [{"straight_mm": change["straight"]}, bend, {"straight_mm": 200.0}]
    made = build(tree)
    assert ([why for _, why in unwise_places(made.bar, made.tines)] == [reason]) is unwise


def test_of_sticks_that_nobody_named_none_is_told_to_be_too_thick(build, tree):
    """Gaps of 4 mm: the built-in birch and nylon have 5, bamboo 4, brass 3."""
    with_bar(tree, 60.0, 10.0, spacing_mm=8.0, tine=TWO)
    tree.pop("stick")
    assert not [words for words in build(tree).warnings if "the stick" in words]
    tree["stick"] = {"nylon": {}, "brass": {}}
    (told,) = [words for words in build(tree).warnings if "the stick" in words]
    assert told.startswith("group[1]: the stick 'nylon' of 5 mm does not go into the gap of 4.0")
    assert told.endswith(" mm in 'one'")


def test_the_narrowest_gap_of_the_group_it_stands_in_is_told(build, tree):
    with_bar(tree, 60.0, 10.0, spacing_mm=14.0, tine=TWO)
    near = {"name": "two", "start_mm": 150.0, "stock": "M4", "spacing_mm": 8.5}
    tree["group"].append({**near, "tine": [*TWO, {"free_length_mm": 100.0, "stock": "M3"}]})
    tree["stick"] = {"birch": {}, "brass": {}}
    (told,) = [words for words in build(tree).warnings if "the stick" in words]
    gap = float(told.split("gap of ")[1].split(" mm")[0])
    assert told.startswith("group[2]: the stick 'birch' of 5 mm")
    assert gap == pytest.approx(8.5 - 3.91, abs=0.08)  # between the two M4; beside the M3 there is more
