"""Every number of a design arrives under its own name, in SI; where one design says all, no default can stand in.

One row a key: what is written, where it must be found, and as what. The factors are written out here.
"""

import math

import pytest
import tomlkit

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError

MM, GRAM, DEGREE = 1e-3, 1e-3, math.pi / 180.0
N_MM = 1e3  # N/m
DESIGN = """
name = "Everything"
[tuning]
a4_hz = 443.0
temperature_c = 27.0
[bar]
material = "brass"
price_per_m = 11.0
section = { shape = "rectangle", width_mm = 61.0, height_mm = 13.0 }
path = [{ straight_mm = 310.0 }, { bend_deg = 40.0, radius_mm = 150.0, plane_deg = 25.0 }, { straight_mm = 190.0 }]
supports = [{ at_mm = 31.0, kind = "rubber", stiffness_n_mm = 90.0, rotation_nm_rad = 5.5, loss_factor = 0.13 }]
[tines]
seed = 5
root_length_per_diameter = 0.41
root_rotation_nm_rad = 71.0
root_translation_n_mm = 950.0
clamp_loss_factor = 0.0013
split_cents = 7.0
[stock.rod]
kind = "plain"
diameter_mm = 3.4
material = "music wire"
price_per_m = 4.5
[nut.collar]
mass_g = 0.61
height_mm = 3.1
width_mm = 7.2
grip = 0.35
price = 0.33
[[group]]
name = "first"
stock = "M4"
start_mm = 45.0
spacing_mm = 16.0
[[group.tine]]
pitch = "A4"
[[group]]
name = "second"
stock = "rod"
start_mm = 120.0
spacing_mm = 18.5
face_deg = 33.0
midi_note = 61
root_hz = 261.0
[[group.tine]]
free_length_mm = 133.0
trim = [{ nut = "collar", at_mm = 71.5 }]
[[group.tine]]
pitch_hz = 271.5
trim_to = { partial = 3, ratio = 16.5, nut = "collar" }
root_rotation_nm_rad = 72.0
[stick.mine]
material = "birch"
diameter_mm = 6.2
length_mm = 171.0
end_radius_mm = 0.9
friction = 0.27
restitution = 0.47
stiffness_n_mm = 3.3
mass_g = 4.4
first_mode_hz = 55.0
contact_stiffness_n_m15 = 4.2e7
[board.lid]
kind = "box"
material = "birch plywood 4 mm"
width_mm = 310.0
length_mm = 520.0
thickness_mm = 4.3
depth_mm = 83.0
hole_diameter_mm = 57.0
edges = "clamped"
[[board.lid.feet]]
bar_mm = 70.0
x_mm = 140.0
y_mm = 95.0
width_mm = 21.0
along_mm = 34.0
bears = "flat"
stiffness_n_mm = 4100.0
sideways_n_mm = 130.0
loss_factor = 0.07
[pickup]
at_mm = 201.0
gap_mm = 5.5
[listener]
distance_m = 2.3
angle_deg = 37.0
azimuth_deg = 12.0
spacing_mm = 165.0
[bench]
tapped_depth_mm = 6.5
kerf_mm = 1.9
stock_length_mm = 730.0
saw_allowance_mm = 1.4
tuning_allowance_mm = 5.2
protrusion_mm = 2.7
washers = 3
washer_price = 0.021
neutral_axis = 0.44
currency = "EUR"
paper = "Letter"
units = "inch"
holes = "tapping"
hole_fit = "loose"
"""
FOUND = {
    "name": "Everything",
    "a4": 443.0,
    "temperature": 300.15,
    "bar.material.name": "brass",
    "bar.section.width": 61.0 * MM,
    "bar.section.height": 13.0 * MM,
    "bar.path.0.length": 310.0 * MM,
    "bar.path.1.angle": 40.0 * DEGREE,
    "bar.path.1.radius": 150.0 * MM,
    "bar.path.1.plane": 25.0 * DEGREE,
    "bar.path.2.length": 190.0 * MM,
    "bar.supports.0.position": 31.0 * MM,
    "bar.supports.0.stiffness": 90.0 * N_MM,
    "bar.supports.0.rotation_stiffness": 5.5,
    "bar.supports.0.loss_factor": 0.13,
    "groups.0.first": 0,
    "groups.0.count": 1,
    "groups.1.first": 1,
    "groups.1.count": 2,
    "groups.1.midi_note": 61,
    "groups.1.root_hz": 261.0,
    "tines.0.goal.frequency": 443.0,
    "tines.0.group": 0,
    "tines.0.number": 1,
    "tines.0.position": 45.0 * MM,
    "tines.0.face": 0.0,
    "tines.0.rod.thread": "M4",
    "tines.0.split": 2.0 ** (7.0 / 1200.0),
    "tines.0.root.rotation_stiffness": 71.0,
    "tines.0.root.translation_stiffness": 950.0 * N_MM,
    "tines.0.root.loss_factor": 0.0013,
    "tines.0.root.base_nut.name": "M4 hex",
    "tines.1.goal.length": 133.0 * MM,
    "tines.1.group": 1,
    "tines.1.number": 1,
    "tines.1.position": 120.0 * MM,
    "tines.1.face": 33.0 * DEGREE,
    "tines.1.rod.diameter": 3.4 * MM,
    "tines.1.rod.material.name": "music wire",
    "tines.1.root.added_length": 0.41 * 3.4 * MM,
    "tines.1.trim.0.position": 71.5 * MM,
    "tines.1.trim.0.nut.mass": 0.61 * GRAM,
    "tines.1.trim.0.nut.height": 3.1 * MM,
    "tines.1.trim.0.nut.width": 7.2 * MM,
    "tines.1.trim.0.nut.grip": 0.35,
    "tines.2.number": 2,
    "tines.2.position": (120.0 + 18.5) * MM,
    "tines.2.goal.frequency": 271.5,
    "tines.2.wish.partial": 3,
    "tines.2.wish.ratio": 16.5,
    "tines.2.wish.nut.name": "collar",
    "tines.2.root.rotation_stiffness": 72.0,
    "sticks.mine.diameter": 6.2 * MM,
    "sticks.mine.length": 171.0 * MM,
    "sticks.mine.end_radius": 0.9 * MM,
    "sticks.mine.friction": 0.27,
    "sticks.mine.restitution": 0.47,
    "sticks.mine.stiffness": 3.3 * N_MM,
    "sticks.mine.mass": 4.4 * GRAM,
    "sticks.mine.frequency": 55.0,
    "sticks.mine.contact_stiffness": 4.2e7,
    "boards.lid.kind": "box",
    "boards.lid.width": 310.0 * MM,
    "boards.lid.length": 520.0 * MM,
    "boards.lid.thickness": 4.3 * MM,
    "boards.lid.depth": 83.0 * MM,
    "boards.lid.hole_diameter": 57.0 * MM,
    "boards.lid.edges": "clamped",
    "boards.lid.feet.0.bar_place": 70.0 * MM,
    "boards.lid.feet.0.x": 140.0 * MM,
    "boards.lid.feet.0.y": 95.0 * MM,
    "boards.lid.feet.0.width": 21.0 * MM,
    "boards.lid.feet.0.along": 34.0 * MM,
    "boards.lid.feet.0.bears": "flat",
    "boards.lid.feet.0.stiffness": 4100.0 * N_MM,
    "boards.lid.feet.0.sideways": 130.0 * N_MM,
    "boards.lid.feet.0.loss_factor": 0.07,
    "pickup.position": 201.0 * MM,
    "pickup.gap": 5.5 * MM,
    "listener.distance": 2.3,
    "listener.angle": 37.0 * DEGREE,
    "listener.azimuth": 12.0 * DEGREE,
    "listener.spacing": 165.0 * MM,
    "bench.tapped_depth": 6.5 * MM,
    "bench.kerf": 1.9 * MM,
    "bench.stock_length": 730.0 * MM,
    "bench.saw_allowance": 1.4 * MM,
    "bench.tuning_allowance": 5.2 * MM,
    "bench.protrusion": 2.7 * MM,
    "bench.washers": 3,
    "bench.washer_price": 0.021,
    "bench.bar_price": 11.0,
    "bench.rod_price.rod": 4.5,
    "bench.nut_price.collar": 0.33,
    "bench.neutral_axis": 0.44,
    "bench.currency": "EUR",
    "bench.paper": "Letter",
    "bench.units": "inch",
    "bench.holes": "tapping",
    "bench.hole_fit": "loose",
}


@pytest.fixture(scope="module")
def make(tmp_path_factory):
    def made(text):
        path = tmp_path_factory.mktemp("every") / "design.toml"
        path.write_text(text, encoding="utf-8")
        return resolve(load(path), str(path))

    return made


@pytest.fixture(scope="module")
def instrument(make):
    return make(DESIGN)


def at(value, way):
    for name in way.split("."):
        if isinstance(value, dict):
            value = value[name]
        else:
            value = value[int(name)] if name.isdigit() else getattr(value, name)
    return value


@pytest.mark.parametrize(("way", "expected"), FOUND.items(), ids=list(FOUND))
def test_a_key_arrives_in_si_under_its_name(instrument, way, expected):
    found = at(instrument, way)
    assert found == (expected if isinstance(expected, str | int) else pytest.approx(expected, rel=1e-9))


def test_warmth_reaches_the_bars_steel_and_the_tines(make, instrument):
    cool = make(DESIGN.replace("temperature_c = 27.0", "temperature_c = 20.0"))
    for way in ("bar.material", "tines.1.rod.material"):
        steel = at(cool, way)
        assert at(instrument, f"{way}.youngs") == pytest.approx(
            steel.youngs * (1.0 + 7.0 * steel.modulus_slope), rel=2e-3
        )
        assert at(instrument, f"{way}.youngs") < 0.9999 * steel.youngs


def test_a_midi_note_is_counted_from_the_designs_own_concert_pitch(make):
    """A root of 443 Hz is A4, note 69, where A4 is 443 Hz; and G#4, 68, where A4 is 466."""
    text = DESIGN.replace("midi_note = 61\n", "").replace("root_hz = 261.0", "root_hz = 443.0")
    assert make(text).groups[1].midi_note == 69
    assert make(text.replace("a4_hz = 443.0", "a4_hz = 466.0")).groups[1].midi_note == 68


def test_what_a_foot_says_nothing_of_follows_from_the_bar_and_the_board(make):
    """As wide as the bar, 25 mm along it, and as stiff as a hard foot and the sheet under it in series."""
    document = tomlkit.parse(DESIGN)
    foot = document["board"]["lid"]["feet"][0]
    for key in ("width_mm", "along_mm", "stiffness_n_mm", "sideways_n_mm", "loss_factor"):
        del foot[key]
    made = make(tomlkit.dumps(document))
    found = made.boards["lid"].feet[0]
    assert (found.width, found.along) == pytest.approx((61.0 * MM, 25.0 * MM))
    sheet = made.boards["lid"].material
    pressed = 1.5 * sheet.youngs_y * 61.0 * MM * 25.0 * MM / (4.3 * MM)  # E A / h, half as much again in area
    assert found.stiffness == pytest.approx(1.0 / (1.0 / 5e6 + 1.0 / pressed))
    assert (found.sideways, found.loss_factor) == (0.0, 0.05)


def test_threads_root_counts_from_the_bending_diameter(instrument):
    tine = instrument.tines[0]
    assert tine.rod.bend_diameter < 0.9 * tine.rod.diameter
    assert tine.root.added_length == pytest.approx(0.41 * tine.rod.bend_diameter)
    assert tine.root.base_nut_height == pytest.approx(3.05 * MM)  # M4 hex at mid tolerance (ISO 4032)


def test_two_feet_are_at_one_place_of_the_board_only_where_both_ways_are_the_same(make):
    """One beside the other at the same distance along the board, or behind it at the same distance across."""
    for x, y in ((140.0, 160.0), (300.0, 95.0)):
        document = tomlkit.parse(DESIGN)
        other = {"bar_mm": 200.0, "x_mm": x, "y_mm": y}
        document["board"]["lid"]["feet"].append(other)
        assert len(make(tomlkit.dumps(document)).boards["lid"].feet) == 2
        other["x_mm"], other["y_mm"] = 140.5, 95.5
        document["board"]["lid"]["feet"][1].update(other)
        with pytest.raises(InputError, match="one place of the board"):
            make(tomlkit.dumps(document))


@pytest.mark.parametrize(
    ("stock", "core"),
    [
        # d3 of M4 is 4 - 1.22687 x 0.7; the thread bends as 4 - 1.0617 x 0.7 and was measured 0.1 mm thinner
        ({"kind": "threaded", "thread": "M4", "thread_fit": "nominal", "bend_diameter_mm": 3.157}, 3.041),
        ({"kind": "plain", "diameter_mm": 3.0, "bend_diameter_mm": 2.9}, 2.9),
        ({"kind": "plain", "diameter_mm": 3.0, "mass_diameter_mm": 2.9}, 3.0),
    ],
)
def test_a_rod_that_bends_as_a_thinner_one_breaks_as_a_thinner_one(make, stock, core):
    document = tomlkit.parse(DESIGN)
    document["stock"]["measured"] = stock
    document["group"][1]["stock"] = "measured"
    document["group"][1]["tine"][0].pop("trim")
    document["group"][1]["tine"][1].pop("trim_to")
    rod = make(tomlkit.dumps(document)).tines[1].rod
    assert rod.root_diameter == pytest.approx(core * MM, abs=2e-3 * MM)


def test_a_nut_measured_wider_or_lower_weighs_and_turns_as_its_hexagon_does(make):
    """A = sqrt(3)/2 s^2 - pi/4 d^2 across flats s; I = 5 sqrt(3)/144 s^4 - pi/64 d^4 about any diameter."""

    def hexagon(width):
        hole = (4.0 - 0.615 * 0.7) * MM  # the thread's mean diameter
        area = math.sqrt(3.0) / 2.0 * width**2 - math.pi / 4.0 * hole**2
        return area, 5.0 * math.sqrt(3.0) / 144.0 * width**4 - math.pi / 64.0 * hole**4

    brass = 'thread = "M4"\nmaterial = "brass"\n'
    more = f"[nut.wide]\n{brass}width_mm = 8.4\nheight_mm = 2.6\n[nut.plain]\n{brass}"
    text = DESIGN.replace("price = 0.33\n", f"price = 0.33\n{more}")
    wide, usual = (make(text).nuts[name] for name in ("wide", "plain"))
    area, second = hexagon(8.4 * MM)
    assert wide.mass == pytest.approx(usual.mass * area * 2.6 * MM / (hexagon(usual.width)[0] * usual.height))
    assert wide.mass > 1.2 * usual.mass
    assert wide.rotary_inertia == pytest.approx(wide.mass * (second / area + (2.6 * MM) ** 2 / 12.0))
