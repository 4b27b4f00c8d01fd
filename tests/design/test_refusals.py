"""Designs that cannot be built are refused with one line that names file, place, finding and remedy."""

import functools
import math

import msgspec
import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError

GONE = object()  # as a new value: take the key away


def changed(tree, path, value):
    """The tree with one value replaced; numbers in the dotted path are 0-based indices."""
    *way, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    here = tree
    for step in way:
        here = here.setdefault(step, {}) if isinstance(here, dict) else here[step]
    if value is GONE:
        del here[last]
    elif isinstance(here, list) and last == len(here):
        here.append(value)
    else:
        here[last] = value
    return tree


def refusal(build, tree):
    with pytest.raises(InputError) as caught:
        build(tree)
    line = str(caught.value)
    assert "\n" not in line
    assert line.count("design.toml") == 1
    return line


HEX = "M3 hex"
M3_TINE = {"stock": "M3", "free_length_mm": 100.0}


@pytest.mark.parametrize(
    ("path", "value", "location", "finding"),
    [
        # keys
        ("bar/section/width", 25.0, "bar.section:", "'width' lacks its unit; write width_mm"),
        ("group/0/spacing", 12.0, "group[1]:", "'spacing' lacks its unit; write spacing_mm"),
        ("group/1/tine/0/free_length", 12.0, "group[2].tine[1]:", "write free_length_mm"),
        ("bar/section/widht_mm", 25.0, "bar.section:", "unknown key 'widht_mm'; did you mean 'width_mm'?"),
        ("groop", [], ":", "unknown key 'groop'; did you mean 'group'?"),
        ("bar/path/0/straight_mm", GONE, "bar.path[1]:", "straight_mm"),
        ("bar", GONE, ":", "'bar' is missing"),
        ("group", GONE, ":", "[[group]]"),
        ("group", [], "group:", "0 entries"),
        ("group/0/start_mm", GONE, "group[1]:", "'start_mm' is missing"),
        ("bar/section/width_in", 1.0, "bar.section:", "'width_mm' and 'width_in' are both given"),
        ("tines/root_translation_n_in", 5.0, "tines:", "unknown key"),
        # values
        ("bar/section/width_mm", math.nan, "bar.section.width_mm:", "nan is not a size"),
        ("stock/rod3/diameter_mm", math.inf, "stock.rod3.diameter_mm:", "inf is not a size"),
        (
            "stock/rod3/diameter_mm",
            -3.0,
            "stock.rod3.diameter_mm:",
            "-3.0 is not possible; must be at least 0.3",
        ),
        ("stock/rod3/diameter_mm", 0.0, "stock.rod3.diameter_mm:", "not possible"),
        ("stock/rod3/diameter_mm", 3000, "stock.rod3.diameter_mm:", "at most 30"),
        ("stock/rod3/diameter_mm", 10**400, "stock.rod3.diameter_mm:", "a huge number"),
        (
            "stock/rod3/diameter_mm",
            "3 mm",
            "stock.rod3.diameter_mm:",
            "'3 mm' stands where a number is wanted",
        ),
        ("stock/rod3/diameter_mm", True, "stock.rod3.diameter_mm:", "true stands where a number"),
        ("stock/rod3/diameter_mm", [3.0], "stock.rod3.diameter_mm:", "a list stands"),
        ("stock/rod3/material", 304, "stock.rod3.material:", "304 stands where text is wanted"),
        ("stock/rod3/kind", "solid", "stock.rod3.kind:", "have plain, threaded"),
        ("bar/supports/0/direction", "upp", "bar.supports[1].direction:", "did you mean 'up'?"),
        ("bar/supports/0/direction", [], "bar.supports[1].direction:", "0 entries"),
        ("bar/supports/0/direction", ["up", 5], "bar.supports[1].direction[2]:", "have along, side, up"),
        ("bar/supports/0/direction", 5, "bar.supports[1].direction:", "have all, along, side, up"),
        ("stock/rod3", 3, "stock.rod3:", "where a table is wanted"),
        ("tines/seed", 1.5, "tines.seed:", "whole number"),
        ("tines/split_cents", -1.0, "tines.split_cents:", "at least 0"),
        ("tuning/temperature_c", 400.0, "tuning.temperature_c:", "at most 60"),
        ("material/rod-steel/poisson", 0.5, "material.rod-steel.poisson:", "less than 0.5"),
        ("group/0/face_deg", 1e9, "group[1].face_deg:", "at most 360"),
        ("group/0/name", "", "group[1].name:", "too long or empty"),
        ("group/0/name", "a\nb", "group[1].name:", "cannot be printed"),
        ("group/0/midi_note", 128, "group[1].midi_note:", "at most 127"),
        ("stock/bad\nname", {"kind": "plain", "diameter_mm": 3.0}, "stock:", "cannot be a name"),
        # names
        ("group/1/stock", "M7", "group[2].stock:", "'M7' is not in stock; have"),
        ("group/1/tine/0/stock", "rod4", "group[2].tine[1].stock:", "did you mean 'rod3'?"),
        (
            "stock/rod3/material",
            "unobtainium",
            "stock.rod3.material:",
            "'unobtainium' is not a known material",
        ),
        ("stock/rod3/base_nut", "M3 hexx", "stock.rod3.base_nut:", "did you mean 'M3 hex'?"),
        ("bar/material", "mild stele", "bar.material:", "did you mean 'mild steel'?"),
        ("group/0/recipe", "pear", "group[1].recipe:", "did you mean 'pair'?"),
        ("group/1/tine/0/trim/0/nut", "smal", "group[2].tine[1].trim[1].nut:", "did you mean 'small'?"),
        ("group/1/tine/1/trim_to/nut", "big", "group[2].tine[2].trim_to.nut:", "'big' is not a known nut"),
        ("board/panel/material", "plywod", "board.panel.material:", "not a known sheet material"),
        ("stick/birch/material", "birhc", "stick.birch.material:", "did you mean 'birch'?"),
        ("material/rod-steel/like", "chese", "material.rod-steel.like:", "not a row of the table"),
        ("group/1/name", "low A", "group[1].name:", "two groups are called 'low A'"),
        # materials, rods, nuts, sticks
        ("material/new", {"density_kg_m3": 7000.0}, "material.new:", "'youngs_gpa' is missing"),
        ("stock/x", {"kind": "plain"}, "stock.x:", "'diameter_mm' is missing"),
        (
            "stock/x",
            {"kind": "plain", "diameter_mm": 3.0, "thread": "M3"},
            "stock.x:",
            "'thread' is one key too many",
        ),
        (
            "stock/x",
            {"kind": "threaded", "thread": "M3", "diameter_mm": 3.0},
            "stock.x:",
            "'diameter_mm' is one key",
        ),
        ("stock/x", {"kind": "threaded"}, "stock.x:", "'thread' is missing"),
        ("stock/x", {"kind": "threaded", "thread": "M33"}, "stock.x.thread:", "did you mean 'M3'?"),
        (
            "stock/rod3/bend_diameter_mm",
            9.0,
            "stock.rod3.bend_diameter_mm:",
            "does not belong to a rod of 3 mm",
        ),
        ("stock/rod3/base_nut", "M5 hex", "stock.rod3.base_nut:", "does not fit: the rod 'rod3' is plain"),
        ("nut/x", {"mass_g": 1.0}, "nut.x:", "'height_mm' is missing"),
        ("nut/x", {"mass_g": 50.0, "height_mm": 2.0, "width_mm": 5.0}, "nut.x:", "denser than any metal"),
        ("nut/x", {"thread": "6-32 UNC", "form": "thin hex"}, "nut.x.form:", "have hex"),
        (
            "nut/x",
            {"thread": "M3", "mass_g": 0.3, "material": "brass"},
            "nut.x:",
            "'material' is one key too many",
        ),
        ("nut/x", {"thread": "M3", "width_mm": 2.0}, "nut.x.width_mm:", "no wider than its thread"),
        ("stick/mine", {"material": "brass"}, "stick.mine:", "'diameter_mm' is missing"),
        # the bar
        ("bar/path/0", {"bend_deg": 90.0}, "bar.path[1]:", "a bend needs radius_mm"),
        ("bar/path/0", {"straight_mm": 300.0, "radius_mm": 80.0}, "bar.path[1]:", "exclude each other"),
        ("bar/path/1", {"bend_deg": 90.0, "radius_mm": 12.0}, "bar.path[2].radius_mm:", "tighter than"),
        ("bar/path/1", {"bend_deg": 0.0, "radius_mm": 80.0}, "bar.path[2].bend_deg:", "no angle"),
        ("bar/path/1", {"straight_mm": 9999.0}, "bar.path:", "mm long"),
        ("bar/path", [], "bar.path:", "0 entries"),
        (
            "bar/section",
            {"shape": "round", "width_mm": 9.0},
            "bar.section:",
            "a round section has diameter_mm",
        ),
        ("bar/section", {"shape": "tube", "diameter_mm": 20.0}, "bar.section:", "'wall_mm' is missing"),
        (
            "bar/section",
            {"shape": "tube", "diameter_mm": 20.0, "wall_mm": 10.0},
            "bar.section.wall_mm:",
            "leaves no bore",
        ),
        ("bar/supports/0/at_mm", 301.0, "bar.supports[1].at_mm:", "off the bar"),
        ("bar/supports/0/kind", "string", "bar.supports[1].kind:", "have clamp, cord, foot, rubber"),
        # groups and tines
        ("group/0/recipe", GONE, "group[1]:", "neither a recipe nor tines"),
        ("group/0/tine", [M3_TINE], "group[1]:", "both a recipe and tines"),
        ("group/0/root", GONE, "group[1]:", "the recipe has no root"),
        ("group/0/root_hz", 110.0, "group[1]:", "exclude each other"),
        ("group/0/root", "H2", "group[1].root:", "not a note name"),
        ("group/0/root", "A" + "9" * 70, "group[1].root:", "not a note name"),
        ("group/0/root", "A-99", "group[1].root:", "cannot be heard"),
        ("group/0/root", "A10", "group[1].root:", "cannot be heard"),
        ("group/0/stock", GONE, "group[1]:", "no stock is named"),
        ("recipe/pair/members/0", "two", "recipe.pair.members[1]:", "not an interval"),
        ("recipe/pair/members/0", "1/0", "recipe.pair.members[1]:", "not an interval"),
        ("recipe/pair/members/0", "999/1", "recipe.pair.members[1]:", "over five octaves"),
        ("recipe/pair/members/0", 1000, "recipe.pair.members[1]:", "at most 60"),
        ("recipe/pair/members/0", True, "recipe.pair.members[1]:", "where a number is wanted"),
        ("recipe/pair/members/0", "", "recipe.pair.members[1]:", "too long or empty"),
        ("recipe/unused", {"members": ["x"]}, "recipe.unused.members[1]:", "not an interval"),
        ("group/1/tine/0/pitch", "A4", "group[2].tine[1]:", "free_length_mm and pitch exclude each other"),
        ("group/1/tine/1/pitch", GONE, "group[2].tine[2]:", "nothing says how long"),
        ("group/1/order", "rising", "group[2].order:", "needs pitches, or free lengths"),
        ("group/1/midi_note", 60, "group[2]", ""),
        # trim nuts
        ("group/1/tine/0/trim/0/at_mm", 151.0, "group[2].tine[1].trim[1].at_mm:", "beyond the tip"),
        ("group/1/tine/0/trim/0/at_mm", 149.0, "group[2].tine[1].trim[1].at_mm:", "at 148.8 mm or below"),
        ("group/1/tine/0/trim/0/at_mm", 1.1, "group[2].tine[1].trim[1].at_mm:", "overlaps the base nut"),
        (
            "group/1/tine/0/trim/1",
            {"nut": "small", "at_mm": 112.0},
            "tine[1].trim[2].at_mm:",
            "overlaps the one",
        ),
        (
            "group/1/tine/0/trim/1",
            {"nut": "small", "at_mm": 109.0},
            "tine[1].trim[1].at_mm:",
            "overlaps the one",
        ),
        ("group/1/tine/0/trim/0/nut", "M4 hex", "group[2].tine[1]:", "does not fit: the rod 'rod3' is plain"),
        ("group/1/tine/0/stock", "M6", "group[2].tine[1]:", "no wider than the rod 'M6'"),
        # room
        ("group/1/start_mm", 290.0, "group[2].tine[2]:", "off the bar's end"),
        ("group/1/start_mm", 0.0, "group[2].tine[1]:", "off the bar's end"),
        ("group/1/spacing_mm", 400.0, "group[2].tine[2]:", "off the bar's end"),
        ("group/1/start_mm", 112.0, "group[2].tine[1]:", "0 mm apart"),
        ("group/0/spacing_mm", 2.0, "group[1].spacing_mm:", "their nuts and holes need 3 mm"),
        ("group/0/spacing_mm", 6.0, "group[1].spacing_mm:", "does not go into the gap of 3 mm"),
        ("bar/section/width_mm", 3.0, "group[1].stock:", "as wide as the bar"),
        ("bench/hole_fit", "loose", "group[1].stock:", "a hole of 3.2 mm, as wide as the bar (3.15 mm)"),
        # what it is made of
        ("material/own", {"like": "304", "yield_mpa": 900.0}, "material.own:", "above its tensile strength"),
        (
            "material/own",
            {"like": "304", "tensile_mpa": 100.0},
            "material.own:",
            "above its tensile strength",
        ),
        ("bar/supports/0/kind", "string", "bar.supports[1].kind:", "'string' is not possible"),
        # boards and pickup
        (
            "board/panel/feet/0/x_mm",
            601.0,
            "board.panel.feet[1].x_mm:",
            "off the board; its length_mm is 600",
        ),
        ("board/panel/feet/0/y_mm", 401.0, "board.panel.feet[1].y_mm:", "off the board; its width_mm is 400"),
        ("board/panel/feet/0/bar_mm", 301.0, "board.panel.feet[1].bar_mm:", "off the bar"),
        ("board/panel/feet/0/bears", "round", "board.panel.feet[1].bears:", ""),
        ("board/panel/feet/0/sideways_n_mm", -1.0, "board.panel.feet[1].sideways_n_mm:", ""),
        ("board/panel/feet", [], "board.panel.feet:", "0 entries"),
        ("board/bar", "board/panel", "board.bar:", "is what one hears through without a board"),
        ("board/Pickup", "board/panel", "board.Pickup:", "is what one hears through without a board"),
        (
            "board/panel/feet/1/bar_mm",
            "board/panel/feet/0/bar_mm",
            "feet[2]:",
            "stand at one place of the bar",
        ),
        ("board/panel/depth_mm", 50.0, "board.panel:", "a panel has no 'depth_mm'"),
        ("board/panel/kind", "box", "board.panel:", "a box needs depth_mm"),
        ("board/panel/thickness_mm", 200.0, "board.panel.thickness_mm:", ""),
        ("board/panel/width_mm", 7.0, "board.panel", ""),
        ("pickup/at_mm", 301.0, "pickup.at_mm:", "off the bar"),
    ],
)
def test_what_cannot_be_built_is_refused_at_its_place(build, tree, path, value, location, finding):
    if path == "group/1/midi_note":
        tree["group"][0]["midi_note"] = 60
    if path == "board/panel/thickness_mm":
        tree["board"]["panel"]["width_mm"] = 300.0
    if isinstance(value, str) and value.startswith("board/"):  # as another place has it
        value = functools.reduce(lambda t, key: t[int(key) if key.isdigit() else key], value.split("/"), tree)
    if path == "bench/hole_fit":
        tree["bar"]["section"]["width_mm"] = 3.15
    if value == "box":
        tree["board"]["panel"]["edges"] = "supported"
    line = refusal(build, changed(tree, path, value))
    assert location in line
    assert finding in line


def test_a_threaded_nut_of_another_thread_does_not_go_on(build, tree):
    tree["group"][1]["tine"][0] = {
        "stock": "M3",
        "free_length_mm": 100.0,
        "trim": [{"nut": "M4 hex", "at_mm": 50.0}],
    }
    assert "does not fit: the rod 'M3' has the thread M3" in refusal(build, tree)


def test_base_nuts_need_room_on_one_face_but_only_holes_on_opposite_faces(build, tree):
    tree["group"] = [
        {"name": "up", "stock": "M3", "start_mm": 100.0, "tine": [{"pitch": "A3"}]},
        {"name": "down", "stock": "M3", "start_mm": 105.0, "tine": [{"pitch": "A3"}]},
    ]
    assert "their nuts and holes need 6.247 mm" in refusal(build, tree)  # mid width 5.41 mm / cos 30 degrees
    tree["group"][1]["face_deg"] = 180.0
    assert len(build(tree).tines) == 2
    tree["group"][1]["start_mm"] = 102.0
    assert "'down' are 2 mm apart" in refusal(build, tree)


def test_more_tines_than_can_be_solved_are_refused(build, tree):
    tree["recipe"]["many"] = {"members": ["1/1"] * 100}
    tree["bar"]["path"] = [{"straight_mm": 9900.0}]
    tree["group"] = [
        {
            "name": f"g{n}",
            "root": "A3",
            "recipe": "many",
            "stock": "rod3",
            "spacing_mm": 8.0,
            "start_mm": 10.0 + 810.0 * n,
        }
        for n in range(11)
    ]
    assert "over 400 tines on one bar; make several bars of it" in refusal(build, tree)


def test_a_message_shows_a_long_value_shortened(build, tree):
    tree["bar"]["material"] = "x" * 5000
    assert len(refusal(build, tree)) < 400


def test_the_first_of_several_faults_is_named_alone(build, tree):
    tree["stock"]["rod3"]["diameter_mm"] = -1.0
    tree["group"][0]["start_mm"] = -1.0
    line = refusal(build, tree)
    assert ("stock.rod3" in line) != ("group[1]" in line)


PYTHON = [
    ("bar/supports/0", {"at_mm": -3.0}),
    ("bar/supports/0", {"kind": "string"}),
    ("tines", {"clamp_loss_factor": 50.0}),
    ("tines", {"clamp_loss_factor": math.nan}),
    ("tuning", {"a4_hz": 10**400}),
    ("group/0", {"name": ""}),
    ("group/0", {"spacing_mm": "12"}),
    ("group/0", {"tine": [], "recipe": None}),
    ("pickup", {"gap_mm": True}),
    ("board/panel", {"feet": []}),
    ("bench", {"washers": 2.5}),
]


@pytest.mark.parametrize(("path", "new"), PYTHON)
def test_python_is_refused_what_a_file_is_refused_in_the_same_words(tree, build, path, new):
    """A struct made in Python is held to the schema when it is resolved."""
    design = decode(tree, Design)
    steps = [int(each) if each.isdigit() else each for each in path.split("/")]

    def rebuilt(part, way):
        if not way:
            return msgspec.structs.replace(part, **new)
        if isinstance(part, list):
            return [rebuilt(each, way[1:]) if n == way[0] else each for n, each in enumerate(part)]
        if isinstance(part, dict):
            return {key: rebuilt(each, way[1:]) if key == way[0] else each for key, each in part.items()}
        return msgspec.structs.replace(part, **{way[0]: rebuilt(getattr(part, way[0]), way[1:])})

    with pytest.raises(InputError) as in_python:
        resolve(rebuilt(design, steps), "design.toml")
    for key, value in new.items():
        changed(tree, f"{path}/{key}", GONE if value is None else value)
    with pytest.raises(InputError) as in_file:
        resolve(decode(tree, Design), "design.toml")
    assert str(in_python.value) == str(in_file.value.within("design.toml"))


def test_a_design_made_in_python_may_hold_tuples_and_numbers_of_numpy(tree):
    design = decode(tree, Design)
    tuned = msgspec.structs.replace(design.tuning, a4_hz=np.float64(442.0))
    made = msgspec.structs.replace(design, tuning=tuned, group=tuple(design.group))
    assert resolve(made).a4 == 442.0


OFF = "20 is off the bar; the bar is 11.811 in long"
END = "at 11.9724 in is off the bar's end; the bar is 11.811 in long, and its hole needs 0.05906 in"
INCHES = [  # as the file has it, and what a maker who works in inches is told
    ("bar/supports/0", {"at_in": 20.0}, f"bar.supports[1].at_in: {OFF}"),
    ("pickup", {"at_in": 20.0}, f"pickup.at_in: {OFF}"),
    ("board/panel/feet/0", {"bar_in": 20.0}, f"board.panel.feet[1].bar_in: {OFF}"),
    ("board/panel/feet/0", {"x_in": 30.0}, "board.panel.feet[1].x_in: 30 is off the board; its length_mm is"),
    ("group/1", {"start_in": 11.5}, f"group[2].tine[2]: tine 2 of 'by hand' {END}"),
    ("bar/section", {"width_in": 0.1}, "takes a hole of 0.122 in, as wide as the bar (0.1 in)"),
    (
        "group/0",
        {"spacing_in": 0.08},
        "group[1].spacing_in: tine 1 of 'low A' and tine 2 of 'low A' are 0.08 in apart",
    ),
    (
        "group/1/tine/0/trim/0",
        {"at_in": 0.02},
        "trim[1].at_in: the nut at 0.02 in overlaps the base nut; set its",
    ),
    ("group/1/tine/0/trim/0", {"at_in": 5.9}, "the nut at 5.9 in is beyond the tip of a tine of 5.906 in"),
]


@pytest.mark.parametrize(("path", "new", "said"), INCHES)
def test_what_is_written_in_inches_is_refused_in_inches(tree, build, path, new, said):
    tree["bench"] = {"units": "inch"}
    table = functools.reduce(
        lambda t, key: t[int(key)] if key.isdigit() else t.setdefault(key, {}), path.split("/"), tree
    )
    (key,) = new
    table.pop(key.replace("_in", "_mm"), None)
    table.update(new)
    assert said in refusal(build, tree)


@pytest.mark.parametrize(
    ("path", "table", "said"),
    [
        (
            "board/x",
            {"width_in": 10.0, "length_in": 20.0},
            "'thickness_in' is missing; must be at least 0.01181",
        ),
        ("board/x", {"width_mm": 10.0, "length_mm": 20.0}, "'thickness_mm' is missing; must be at least 0.3"),
        ("board/x", {"width_in": 10.0, "thickness_mm": 4.0}, "'length_in' is missing"),
        ("group/1", {"name": "x", "spacing_in": 0.5}, "group[2]: the key 'start_in' is missing"),
        ("nut/x", {"height_in": 0.1}, "nut.x: the key 'mass_g' is missing"),
    ],
)
def test_a_key_that_is_missing_is_told_in_the_unit_of_its_table(tree, build, path, table, said):
    if path.startswith("board"):
        table = {"kind": "panel", "material": "spruce", **table}
    assert said in refusal(build, changed(tree, path, table))


def test_a_key_without_its_unit_is_told_in_the_unit_of_its_table(tree, build):
    table = {"name": "x", "start_in": 2.0, "spacing": 0.5}
    assert "'spacing' lacks its unit; write spacing_in" in refusal(build, changed(tree, "group/1", table))


def test_a_table_that_is_missing_is_told_with_how_it_begins(tree, build):
    assert "the key 'bar' is missing; write [bar]" in refusal(build, changed(tree, "bar", GONE))
