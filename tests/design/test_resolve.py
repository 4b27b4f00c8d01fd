"""From the design to an instrument: names looked up, defaults filled, everything in SI."""

import copy
import math

import pytest

from synth.design.instrument import Bend, FixedLength, Pitch, Straight
from synth.units import CENTS_PER_OCTAVE, MM

CENT = 1.0 / CENTS_PER_OCTAVE  # of an octave


def one_tine(tree, **tine):
    """The tree with a single group of one tine."""
    tree["group"] = [{"name": "one", "start_mm": 150.0, "tine": [tine]}]
    return tree


def octaves(frequency, reference):
    return math.log2(frequency / reference)


def test_the_example_resolves_as_it_stands(build, tree):
    instrument = build(tree)
    assert [tine.position for tine in instrument.tines] == pytest.approx([0.1, 0.112, 0.18, 0.192])
    assert [tine.number for tine in instrument.tines] == [1, 2, 1, 2]
    assert [group.tines for group in instrument.groups] == [slice(0, 2), slice(2, 4)]
    low, high, by_hand, wished = instrument.tines
    assert octaves(low.goal.frequency, 110.0) == pytest.approx(0.0, abs=1e-9)
    assert octaves(high.goal.frequency, 220.0) == pytest.approx(0.0, abs=1e-9)
    assert by_hand.goal == FixedLength(0.15)
    assert by_hand.trim[0].position == pytest.approx(0.110)
    assert by_hand.trim[0].nut == instrument.nuts["small"]
    assert octaves(wished.goal.frequency, 440.0 * 2.0 ** (-8 / 12)) == pytest.approx(0.0, abs=1e-9)
    assert (wished.wish.partial, wished.wish.ratio) == (2, 6.0)
    assert instrument.sticks["birch"].length == pytest.approx(0.22)
    assert instrument.boards["panel"].feet[1].x == pytest.approx(0.45)
    assert instrument.temperature == pytest.approx(293.15)
    assert instrument.bar.length == pytest.approx(0.3)


def test_lengths_in_inches_and_in_millimetres_are_the_same_lengths(build, tree):
    metric = build(copy.deepcopy(tree))
    for table in (tree["bar"]["section"], *tree["group"], *tree["bar"]["supports"]):
        for key in [key for key in table if key.endswith("_mm")]:
            table[key.replace("_mm", "_in")] = table.pop(key) / 25.4
    imperial = build(tree)
    assert imperial.bar.section.width == pytest.approx(metric.bar.section.width, rel=1e-12)
    assert [t.position for t in imperial.tines] == pytest.approx(
        [t.position for t in metric.tines], rel=1e-12
    )


@pytest.mark.parametrize(
    ("name", "thread"), [("M3", "M3"), ("m4", "M4"), ("6-32 UNC", "#6-32 UNC"), ("#6-32", "#6-32 UNC")]
)
def test_a_thread_is_stock_by_its_name_alone(build, tree, name, thread):
    tine = build(one_tine(tree, stock=name, free_length_mm=100.0)).tines[0]
    assert tine.rod.thread == thread
    assert tine.rod.material.name == "A2-70"
    assert tine.root.base_nut.thread == thread
    assert tine.root.base_nut_height == tine.root.base_nut.height


def test_a_nominal_threaded_rod_bends_and_weighs_by_the_depth_of_its_thread(build, tree):
    tree["tines"]["thread_fit"] = "nominal"
    rod = build(one_tine(tree, stock="M3", free_length_mm=100.0)).tines[0].rod
    assert rod.diameter == pytest.approx(3.0 * MM)
    assert rod.bend_diameter == pytest.approx((3.0 - 1.0617 * 0.5) * MM)
    assert rod.mass_diameter == pytest.approx((3.0 - 0.615 * 0.5) * MM)
    assert rod.root_diameter == pytest.approx(2.3866 * MM, abs=1e-4 * MM)  # ISO 898-1 d3


# Cents by which mid-tolerance 6g rod is flat of nominal, from the limits of ISO 965 by f ~ d_bend^2 / d_mass
@pytest.mark.parametrize(
    ("thread", "flat"),
    [("M2", -65.2), ("M2.5", -52.3), ("M3", -44.3), ("M4", -39.3), ("M5", -32.4), ("M6", -31.4)],
)
def test_rod_of_the_usual_tolerance_is_flat_of_nominal(build, tree, thread, flat):
    pitch = {}
    for fit in ("mid", "nominal"):
        tree["stock"]["x"] = {"kind": "threaded", "thread": thread, "thread_fit": fit}
        rod = build(one_tine(tree, stock="x", free_length_mm=100.0)).tines[0].rod
        pitch[fit] = rod.bend_diameter**2 / rod.mass_diameter
    assert octaves(pitch["mid"], pitch["nominal"]) == pytest.approx(flat * CENT, abs=0.5 * CENT)


def test_measured_diameters_take_the_place_of_the_threads(build, tree):
    tree["stock"]["x"] = {
        "kind": "threaded",
        "thread": "M3",
        "bend_diameter_mm": 2.4,
        "mass_diameter_mm": 2.6,
    }
    rod = build(one_tine(tree, stock="x", free_length_mm=100.0)).tines[0].rod
    assert (rod.bend_diameter, rod.mass_diameter) == pytest.approx((2.4 * MM, 2.6 * MM))
    assert rod.root_diameter < rod.bend_diameter


def test_a_nut_of_the_trade_weighs_by_its_material(build, tree):
    tree["nut"]["steel"] = {"thread": "M3", "material": "mild steel"}
    tree["nut"]["brass"] = {"thread": "M3", "material": "brass"}
    nuts = build(tree).nuts
    assert nuts["steel"].mass == pytest.approx(0.3432e-3)  # mid tolerance, 7850 kg/m3
    assert nuts["M3 hex"].mass / nuts["steel"].mass == pytest.approx(7900.0 / 7850.0)
    assert nuts["brass"].mass / nuts["steel"].mass == pytest.approx(8490.0 / 7850.0)
    assert nuts["brass"].rotary_inertia / nuts["steel"].rotary_inertia == pytest.approx(8490.0 / 7850.0)


def test_a_thread_alone_names_its_hexagon_nut(build, tree):
    trim = [{"nut": "m4", "at_mm": 50.0}]
    tine = build(one_tine(tree, stock="M4", free_length_mm=100.0, trim=trim)).tines[0]
    assert tine.trim[0].nut.name == "M4 hex"


def test_a_weighed_nut_keeps_its_weight_and_turns_about_as_the_tables_does(build, tree):
    table = build(copy.deepcopy(tree)).nuts["M3 hex"]
    tree["nut"]["mine"] = {"thread": "M3", "mass_g": 0.36}
    mine = build(tree).nuts["mine"]
    assert mine.mass == pytest.approx(0.36e-3)
    # the prism has no chamfers, which sit where they count most: 2 % of J/m in the table's rows
    assert mine.rotary_inertia / mine.mass == pytest.approx(table.rotary_inertia / table.mass, rel=0.03)


def test_a_solid_hexagon_turns_as_geometry_says(build, tree):
    # a thin hexagonal plate: J/m = 5 s^2 / 72 across flats s, less what the hole takes
    tree["nut"]["plate"] = {"mass_g": 0.05, "height_mm": 0.1, "width_mm": 20.0}
    nut = build(tree).nuts["plate"]
    area, hole = math.sqrt(3.0) / 2.0 * 400.0, math.pi / 4.0 * 11.0**2
    expected = (area * 5.0 / 72.0 * 400.0 - hole * 11.0**2 / 16.0) / (area - hole) + 0.01 / 12.0
    assert nut.rotary_inertia / nut.mass == pytest.approx(expected * MM**2)


def test_a_new_material_is_as_304_where_nothing_is_written(build, tree):
    material = build(tree).tines[0].rod.material
    assert (material.density, material.youngs, material.loss_factor) == (7900.0, 193e9, 2e-4)
    assert (material.heat_capacity, material.yield_stress) == (500.0, 215e6)
    assert material.magnetic == "uncertain"
    assert "304" in material.source


def test_a_row_of_the_table_can_be_corrected_by_measurement(build, tree):
    tree["material"]["brass"] = {"youngs_gpa": 103.0, "measured": "2024-05-01"}
    stick = build(tree).sticks["brass"]
    assert stick.material.youngs == 103e9
    assert stick.material.density == 8490.0
    assert "measured 2024-05-01" in stick.material.source


def test_a_material_can_be_like_another(build, tree):
    tree["material"]["rod-steel"] = {"like": "music wire", "youngs_gpa": 200.0}
    material = build(tree).tines[0].rod.material
    assert (material.youngs, material.density, material.magnetic) == (200e9, 7850.0, "yes")


@pytest.mark.parametrize("celsius", [-10.0, 0.0, 35.0])
def test_warmth_lowers_the_modulus_by_slope_and_expansion(build, tree, celsius):
    tree["tuning"]["temperature_c"] = celsius
    material = build(tree).tines[0].rod.material
    assert material.youngs == pytest.approx(193e9 * (1.0 + (-4e-4 + 17.3e-6) * (celsius - 20.0)))
    # -0.33 cent per kelvin for AISI 304 with e = -4e-4 per K: df/f = (e + alpha) / 2
    pitch = 0.5 * octaves(material.youngs, 193e9) / (celsius - 20.0)
    assert pitch == pytest.approx(-0.33 * CENT, abs=0.01 * CENT)


def test_what_a_tine_says_goes_before_its_group_and_the_group_before_all(build, tree):
    tree["tines"]["clamp_loss_factor"] = 0.001
    tree["group"][1]["clamp_loss_factor"] = 0.002
    tree["group"][1]["tine"][0]["clamp_loss_factor"] = 0.003
    losses = [tine.root.loss_factor for tine in build(tree).tines]
    assert losses == [0.001, 0.001, 0.003, 0.002]


def test_the_clamps_loss_rises_with_frequency_only_where_it_is_asked_to(build, tree):
    assert {tine.root.loss_slope for tine in build(tree).tines} == {0.0}
    tree["tines"]["clamp_loss_slope"] = 0.5
    tree["group"][1]["clamp_loss_slope"] = 1.0
    assert [tine.root.loss_slope for tine in build(tree).tines] == [0.5, 0.5, 1.0, 1.0]


def test_the_root_adds_length_by_the_bending_diameter(build, tree):
    tree["tines"]["root_length_per_diameter"] = 0.5
    tine = build(one_tine(tree, stock="M4", free_length_mm=100.0)).tines[0]
    assert tine.root.added_length == pytest.approx(0.5 * tine.rod.bend_diameter)
    assert math.isinf(tine.root.rotation_stiffness)
    assert math.isinf(tine.root.translation_stiffness)


@pytest.mark.parametrize("order", ["rising", "falling", "as written"])
def test_a_recipe_stands_in_the_order_asked_for(build, tree, order):
    tree["recipe"]["pair"]["members"] = ["3/2", "1/1", 12, "1/1", "2.5"]
    tree["group"][0] |= {"order": order, "start_mm": 20.0}
    tree["group"][1]["start_mm"] = 250.0
    tines = [tine for tine in build(tree).tines if tine.group == 0]
    written = [1.5, 1.0, 2.0, 1.0, 2.5]
    expected = {"rising": sorted(written), "falling": sorted(written, reverse=True), "as written": written}[
        order
    ]
    assert [tine.goal.frequency / 110.0 for tine in tines] == pytest.approx(expected)
    assert [tine.position for tine in tines] == sorted(tine.position for tine in tines)


def test_free_lengths_of_one_stock_rise_in_pitch_as_they_shorten(build, tree):
    tree["group"] = [
        {
            "name": "g",
            "stock": "rod3",
            "start_mm": 100.0,
            "order": "rising",
            "tine": [{"free_length_mm": length} for length in (80.0, 120.0, 100.0)],
        }
    ]
    assert [tine.goal.length for tine in build(tree).tines] == pytest.approx([0.12, 0.1, 0.08])


def test_concert_pitch_moves_every_note(build, tree):
    tree["tuning"]["a4_hz"] = 415.0
    instrument = build(tree)
    assert instrument.tines[0].goal.frequency == pytest.approx(415.0 / 4.0)
    assert instrument.groups[0].midi_note == 45


def test_a_groups_midi_note_is_that_of_its_root_unless_it_says_otherwise(build, tree):
    assert [group.midi_note for group in build(copy.deepcopy(tree)).groups] == [45, None]
    tree["group"][1]["midi_note"] = 61
    assert [group.midi_note for group in build(tree).groups] == [45, 61]


def test_a_tine_beats_the_same_whatever_else_stands_on_the_bar(build, tree):
    before = {(t.group, t.number): t.split_axis for t in build(copy.deepcopy(tree)).tines}
    tree["recipe"]["pair"]["members"].append("3/1")
    tree["group"].insert(
        0, {"name": "new", "root": "A3", "recipe": "pair", "stock": "rod3", "start_mm": 30.0}
    )
    after = {(t.group - 1, t.number): t.split_axis for t in build(tree).tines}
    assert before.items() <= after.items()


def test_axes_of_splitting_fill_the_range_and_depend_on_the_seed(build, tree):
    tree["bar"]["path"] = [{"straight_mm": 3000.0}]
    tree["recipe"]["pair"]["members"] = ["1/1"] * 100
    tree["group"] = [tree["group"][0] | {"spacing_mm": 20.0}]
    axes = [tine.split_axis for tine in build(copy.deepcopy(tree)).tines]
    assert all(abs(axis) <= math.pi / 4 for axis in axes)
    # uniform on +-pi/4: mean 0 and standard deviation pi / (4 sqrt 3); four standard errors of 100 draws
    deviation = math.pi / 4.0 / math.sqrt(3.0)
    assert sum(axes) / 100.0 == pytest.approx(0.0, abs=4.0 * deviation / 10.0)
    assert math.sqrt(sum(axis**2 for axis in axes) / 100.0) == pytest.approx(deviation, rel=0.2)
    tree["tines"]["seed"] = 2
    assert [tine.split_axis for tine in build(tree).tines] != axes


def test_the_split_is_a_ratio_of_frequencies(build, tree):
    tree["tines"]["split_cents"] = 12.0
    assert octaves(build(tree).tines[0].split, 1.0) == pytest.approx(12.0 * CENT)


def test_a_path_of_bends_is_as_long_as_its_axis(build, tree):
    tree["bar"]["path"] = [{"straight_mm": 300.0}, {"bend_deg": -90.0, "radius_mm": 100.0, "plane_deg": 45.0}]
    bar = build(tree).bar
    assert bar.path == (Straight(0.3), Bend(-math.pi / 2.0, 0.1, math.pi / 4.0))
    assert bar.length == pytest.approx(0.3 + 0.05 * math.pi)


def test_the_built_in_sticks_are_there_without_being_written(build, tree):
    del tree["stick"]
    assert set(build(tree).sticks) == {"birch", "bamboo", "brass", "nylon"}


def test_a_built_in_stick_can_be_given_another_size(build, tree):
    tree["stick"] = {"brass": {"length_mm": 50.0}}
    brass = build(tree).sticks["brass"]
    assert (brass.length, brass.diameter) == pytest.approx((0.05, 0.003))


def test_wood_touches_more_softly_than_nylon_and_nylon_than_brass(build, tree):
    tree["stick"] = {name: {"diameter_mm": 4.0, "length_mm": 90.0} for name in ("birch", "nylon", "brass")}
    sticks = build(tree).sticks
    soft = [sticks[name].contact_stiffness for name in ("birch", "nylon", "brass")]
    assert soft == sorted(soft)


def test_measured_properties_of_a_stick_take_the_place_of_derived_ones(build, tree):
    tree["stick"]["birch"] |= {
        "mass_g": 3.0,
        "stiffness_n_mm": 0.5,
        "friction": 0.4,
        "contact_stiffness_n_m15": 1e7,
    }
    stick = build(tree).sticks["birch"]
    assert (stick.mass, stick.stiffness, stick.friction) == pytest.approx((3e-3, 500.0, 0.4))
    assert stick.contact_stiffness == 1e7
    # first mode of a uniform cantilever: w^2 = 1.8751^4 / 3 k / m, closed form
    assert stick.frequency == pytest.approx(math.sqrt(1.8751040687**4 / 3.0 * 500.0 / 3e-3) / (2.0 * math.pi))


def test_a_board_takes_sheet_stock_any_material_or_the_designs_own(build, tree):
    tree["board"]["panel"]["material"] = "Spruce quarter-cut"
    spruce = build(copy.deepcopy(tree)).boards["panel"].material
    assert (spruce.youngs_x, spruce.youngs_y) == (13e9, 1e9)
    tree["board"]["panel"]["material"] = "brass"
    brass = build(copy.deepcopy(tree)).boards["panel"].material
    assert brass.youngs_x == brass.youngs_y
    assert brass.shear == pytest.approx(brass.youngs_x / (2.0 * (1.0 + brass.poisson_xy)))
    tree["material"]["steel sheet"] = {"density_kg_m3": 7800.0}
    tree["board"]["panel"]["material"] = "steel sheet"
    steel = build(copy.deepcopy(tree)).boards["panel"].material
    assert (steel.density, steel.youngs_x) == (7800.0, 205e9)
    tree["material"]["my spruce"] = {"like": "spruce", "density_kg_m3": 400.0, "youngs_gpa": 11.7}
    tree["board"]["panel"]["material"] = "my spruce"
    mine = build(tree).boards["panel"].material
    assert (mine.density, mine.youngs_x, mine.youngs_y) == pytest.approx((400.0, 11.7e9, 0.9e9))


@pytest.mark.parametrize("kinds", [("cord", "rubber"), ("rubber", "foot"), ("foot", "clamp")])
def test_supports_stiffen_from_cord_to_clamp_unless_figures_are_given(build, tree, kinds):
    tree["bar"]["supports"] = [{"at_mm": 50.0, "kind": kind} for kind in kinds]
    soft, hard = build(copy.deepcopy(tree)).bar.supports
    assert soft.stiffness < hard.stiffness
    assert soft.rotation_stiffness < hard.rotation_stiffness
    tree["bar"]["supports"][0] |= {"stiffness_n_mm": 2.0, "rotation_nm_rad": 0.5, "loss_factor": 0.3}
    given = build(tree).bar.supports[0]
    assert (given.stiffness, given.rotation_stiffness, given.loss_factor) == (2000.0, 0.5, 0.3)


@pytest.mark.parametrize(
    ("written", "held"),
    [
        (None, ("along", "side", "up")),
        ("all", ("along", "side", "up")),
        ("up", ("up",)),
        (["up", "along"], ("along", "up")),
    ],
)
def test_a_support_holds_in_the_directions_it_names_and_in_all_by_itself(build, tree, written, held):
    tree["bar"]["supports"] = [{"at_mm": 50.0, "kind": "cord"} | ({"direction": written} if written else {})]
    assert build(tree).bar.supports[0].directions == held


def test_supports_that_let_a_level_bar_fall_are_warned_of(build, tree):
    guys = [{"at_mm": 50.0, "kind": "cord", "direction": ["along", "side"]}]
    tree["bar"]["supports"] = guys
    assert "bar.supports: none holds the bar up" in build(copy.deepcopy(tree)).warnings
    tree["bar"]["supports"] = [*guys, {"at_mm": 50.0, "kind": "cord", "direction": "up"}]
    assert not [words for words in build(tree).warnings if "bar.supports" in words]


def test_tines_in_a_bend_are_warned_of_in_one_line_a_group(build, tree):
    tree["bar"]["path"] = [{"straight_mm": 105.0}, {"bend_deg": 30.0, "radius_mm": 500.0}]
    warnings = [words for words in build(tree).warnings if "bend" in words]
    assert warnings == [
        "group[1]: tine 2 of 'low A' in a bend: holes drilled before bending deform",
        "group[2]: tines 1 to 2 of 'by hand' in a bend: holes drilled before bending deform",
    ]


def no_supports(tree):
    del tree["bar"]["supports"]


def slanted(tree):
    tree["group"][0]["face_deg"] = 30.0


def on_a_support(tree):
    tree["bar"]["supports"][0]["at_mm"] = 100.0


def one_stick_too_thick(tree):
    tree["stick"] = {"birch": {"diameter_mm": 10.0}, "brass": {}}


def tight_bend(tree):
    tree["bar"]["path"].append({"bend_deg": 9.0, "radius_mm": 40.0})


def nut_on_plain_rod(tree):
    tree["stock"]["rod3"]["base_nut"] = "M3 hex"


def narrow_bar(tree):
    tree["bar"]["section"]["width_mm"] = 5.0
    tree["group"][0]["stock"] = "M3"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (no_supports, "floats freely"),
        (slanted, "at a slant"),
        (on_a_support, "on support 1"),
        (one_stick_too_thick, "the stick 'birch' of 10 mm does not go into the gap of 9 mm"),
        (tight_bend, "may crack"),
        (nut_on_plain_rod, "needs a thread cut on plain rod"),
        (narrow_bar, "wider than the bar"),
    ],
)
def test_the_unwise_is_warned_of(build, tree, change, words):
    assert not any(words in line for line in build(copy.deepcopy(tree)).warnings)
    change(tree)
    assert any(words in line for line in build(tree).warnings)


def test_a_foot_stands_on_its_edges_and_slides_unless_the_design_says_that_it_is_bedded_and_grips(
    build, tree
):
    tree["board"]["panel"]["feet"][1] |= {"bears": "flat", "stiffness_n_mm": 2000.0, "sideways_n_mm": 700.0}
    usual, glued = build(tree).boards["panel"].feet
    assert (usual.bears, usual.sideways) == ("edges", 0.0)
    assert (glued.bears, glued.stiffness, glued.sideways) == ("flat", pytest.approx(2e6), pytest.approx(7e5))


def test_feet_that_do_not_stand_under_a_straight_bar_are_warned_of(build, tree):
    assert any("166 mm apart on the bar but 300 mm" in words for words in build(copy.deepcopy(tree)).warnings)
    tree["board"]["panel"]["feet"][1]["x_mm"] = 316.0
    assert not any("apart on the bar" in words for words in build(tree).warnings)


def test_a_pitch_is_a_goal_of_frequency(build, tree):
    assert build(one_tine(tree, stock="rod3", pitch_hz=123.4)).tines[0].goal == Pitch(123.4)


def test_a_brass_stick_meets_steel_with_the_modulus_of_both():
    from types import SimpleNamespace

    from synth.design import catalogue, rods_nuts_sticks

    brass, steel = (catalogue.materials().find(name) for name in ("brass", rods_nuts_sticks.STEEL))
    assert brass
    assert steel
    pairs = [(each.poisson, each.youngs_gpa * 1e9) for each in (brass, steel)]
    wanted = 1.0 / sum((1.0 - nu**2) / youngs for nu, youngs in pairs)  # Johnson 1985, eq. 4.24
    found = rods_nuts_sticks._hertz_modulus(SimpleNamespace(material={}), brass)
    assert found == pytest.approx(wanted, rel=1e-12)
    assert found < min(youngs for _, youngs in pairs)
