"""The keys that the design of `test_every_key` leaves out arrive too; and no key of the schema is in neither."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from msgspec import inspect

from synth.design import schema
from synth.design.decode import decode
from synth.design.keys_as_written import twin
from synth.design.resolve import resolve
from tests.design.test_every_key import DESIGN as FIRST
from tests.design.test_every_key import at

MM, GRAM, DEGREE = 1e-3, 1e-3, math.pi / 180.0  # by hand, not the program's own

SECOND = """
[bar]
section = { shape = "tube", diameter_mm = 33.0, wall_mm = 2.5 }
path = [{ straight_in = 24.0 }]
supports = [
    { at_mm = 40.0, kind = "cord", direction = ["side", "up"] },
    { at_mm = 560.0, kind = "foot", direction = "along" },
]
[tines]
thread_fit = "nominal"
clamp_loss_slope = 0.2
fixing = "glued"
measured = "May"
[material.mine]
like = "brass"
density_kg_m3 = 7123.0
youngs_gpa = 151.0
youngs_across_gpa = 21.0
poisson = 0.22
loss_factor = 0.0017
expansion_um_m_k = 11.5
heat_capacity_j_kg_k = 431.0
conductivity_w_m_k = 37.0
modulus_slope_per_k = -0.0003
yield_mpa = 311.0
tensile_mpa = 433.0
endurance_mpa = 177.0
magnetic = "yes"
measured = "June"
[material.ply]
like = "birch plywood 4 mm"
youngs_gpa = 15.0
youngs_across_gpa = 1.7
shear_gpa = 0.83
poisson = 0.12
loss_factor = 0.031
density_kg_m3 = 655.0
[stock.held]
kind = "threaded"
thread = "M4"
material = "mine"
thread_fit = "mid"
bend_diameter_mm = 3.21
mass_diameter_mm = 3.52
base_nut = "thin"
fixing = "nuts"
measured = "July"
[nut.thin]
thread = "M4"
form = "thin hex"
material = "brass"
measured = "August"
[recipe.three]
members = [0, { interval = "3/2", cents = 7.0, stock = "held", split_cents = 4.0 }, 12]
[[group]]
name = "one"
stock = [{ below = "C4", use = "held" }, { use = "M3" }]
start_mm = 60.0
spacing_mm = 22.0
root = "G3"
recipe = "three"
order = "falling"
clamp_loss_slope = 0.3
fixing = "nuts"
change = [{ tine = 3, cents = -12.0, clamp_loss_slope = 0.5 }]
[stick.mine]
material = "mine"
diameter_mm = 3.0
length_mm = 95.0
gripped_mm = 41.0
behind_mm = 123.0
measured = "today"
[board.panel]
kind = "panel"
material = "ply"
width_mm = 300.0
length_mm = 500.0
thickness_mm = 5.0
feet = [{ bar_mm = 100.0, x_mm = 100.0, y_mm = 100.0 }]
[pickup]
kind = "magnetic"
at_mm = 101.0
sensitivity_mv = 731.0
resonance_hz = 4321.0
quality = 3.3
corner_hz = 7.7
faces = "along"
playback_pa_v = 2.9
[room.hall]
length_m = 11.0
width_m = 7.0
height_m = 4.0
floor = [0.11, 0.12, 0.13, 0.14, 0.15, 0.16]
ceiling = [0.21, 0.22, 0.23, 0.24, 0.25, 0.26]
wall_y1 = [0.71, 0.72, 0.73, 0.74, 0.75, 0.76]
wall_x0 = [0.41, 0.42, 0.43, 0.44, 0.45, 0.46]
wall_x1 = [0.51, 0.52, 0.53, 0.54, 0.55, 0.56]
wall_y0 = [0.61, 0.62, 0.63, 0.64, 0.65, 0.66]
instrument_at_m = [2.0, 3.0, 1.0]
bearing_deg = 35.0
listener_at_m = [8.0, 4.0, 1.5]
humidity_percent = 33.0
noise_dba = 31.0
[room.box]
length_m = 9.0
width_m = 6.0
height_m = 3.0
floor = "terrazzo"
ceiling = [0.21, 0.22, 0.23, 0.24, 0.25, 0.26]
walls = [0.31, 0.32, 0.33, 0.34, 0.35, 0.36]
wall_x1 = [0.51, 0.52, 0.53, 0.54, 0.55, 0.56]
instrument_at_m = [2.0, 3.0, 1.0]
listener_at_m = [7.0, 4.0, 1.5]
[room.even]
length_m = 9.0
width_m = 6.0
height_m = 3.0
reverberation_s = [1.9, 1.6, 1.4, 1.2, 1.0, 0.8]
instrument_at_m = [2.0, 3.0, 1.0]
listener_at_m = [7.0, 4.0, 1.5]
noise_nc = 25.0
[room.church]
impulse_response = "far/church.wav"
reference_m = 2.2
"""
WALL = {n: tuple(n / 10 + each / 100 for each in (1, 1, 2, 3, 4, 5, 6, 6)) for n in range(1, 8)}
TERRAZZO = (0.01, 0.01, 0.01, 0.015, 0.02, 0.02, 0.02, 0.02)  # the table's six, the ends twice
FOUND: dict[str, Any] = {
    "bar.section.shape": "tube",
    "bar.section.width": 33.0 * MM,
    "bar.section.wall": 2.5 * MM,
    "bar.path.0.length": 24.0 * 25.4 * MM,
    "bar.supports.0.directions": ("side", "up"),
    "bar.supports.1.directions": ("along",),
    "bar.supports.1.kind": "foot",
    # falling: the octave from "change" 3 last, since it is the third as they stand
    "tines.0.rod.thread": "M3",
    "tines.0.rod.diameter": 3.0 * MM,  # nominal, as [tines] says
    "tines.1.rod.name": "held",
    "tines.1.split": 2.0 ** (4.0 / 1200.0),
    "tines.2.split": 2.0 ** (3.0 / 1200.0),  # as where nothing is said
    "tines.2.rod.name": "held",
    "tines.0.goal.frequency": 2.0 * 195.9977,
    "tines.1.goal.frequency": 1.5 * 195.9977 * 2.0 ** (7.0 / 1200.0),
    "tines.2.goal.frequency": 195.9977 * 2.0 ** (-12.0 / 1200.0),
    "tines.0.root.loss_slope": 0.3,
    "tines.2.root.loss_slope": 0.5,
    "tines.0.root.fixing": "nuts",
    "tines.2.rod.bend_diameter": 3.21 * MM,
    "tines.2.rod.mass_diameter": 3.52 * MM,
    "tines.2.root.base_nut.name": "thin",
    "tines.2.root.base_nut.height": 2.075 * MM,  # M4 thin: 1.95 to 2.2 (ISO 4035)
    "tines.2.rod.material.density": 7123.0,
    "tines.2.rod.material.youngs": 151e9,
    "tines.2.rod.material.poisson": 0.22,
    "tines.2.rod.material.loss_factor": 0.0017,
    "tines.2.rod.material.expansion": 11.5e-6,
    "tines.2.rod.material.heat_capacity": 431.0,
    "tines.2.rod.material.conductivity": 37.0,
    "tines.2.rod.material.modulus_slope": -0.0003,
    "tines.2.rod.material.yield_stress": 311e6,
    "tines.2.rod.material.tensile_strength": 433e6,
    "tines.2.rod.material.endurance": 177e6,
    "tines.2.rod.material.magnetic": "yes",
    "sticks.mine.gripped": 41.0 * MM,
    "sticks.mine.behind": 123.0 * MM,
    "sticks.mine.loss_corner": 2.0 * math.pi * 5000.0,  # of what has a grain
    "boards.panel.edges": "free",
    "boards.panel.material.density": 655.0,
    "boards.panel.material.youngs_x": 15e9,
    "boards.panel.material.youngs_y": 1.7e9,
    "boards.panel.material.shear": 0.83e9,
    "boards.panel.material.poisson_xy": 0.12,
    "boards.panel.material.loss_factor": 0.031,
    "pickup.kind": "magnetic",
    "pickup.position": 101.0 * MM,
    "pickup.sensitivity": 731.0,  # mV per mm/s are V per m/s
    "pickup.resonance": 4321.0,
    "pickup.quality": 3.3,
    "pickup.corner": 7.7,
    "pickup.faces": "along",
    "pickup.playback": 2.9,
    "pickup.gap": 4.0 * MM,
    "rooms.hall.size": (11.0, 7.0, 4.0),
    "rooms.hall.absorption": (WALL[4], WALL[5], WALL[6], WALL[7], WALL[1], WALL[2]),
    "rooms.box.absorption": (WALL[3], WALL[5], WALL[3], WALL[3], TERRAZZO, WALL[2]),
    "rooms.hall.instrument": (2.0, 3.0, 1.0),
    "rooms.hall.bearing": 35.0 * DEGREE,
    "rooms.hall.listener": (8.0, 4.0, 1.5),
    "rooms.hall.humidity": 33.0,
    "rooms.hall.temperature": 293.15,
    "rooms.hall.noise.dba": 31.0,
    "rooms.hall.noise.nc": None,
    "rooms.even.noise.nc": 25.0,
    "rooms.even.bearing": 0.0,
    "rooms.even.humidity": 50.0,
    "rooms.church.response": Path("designs/far/church.wav"),
    "rooms.church.reference": 2.2,
    "rooms.church.noise.dba": None,
}


@pytest.fixture(scope="module")
def instrument():
    return resolve(decode(tomllib.loads(SECOND), schema.Design), "designs/second.toml")


@pytest.mark.parametrize(("way", "expected"), FOUND.items(), ids=list(FOUND))
def test_a_key_arrives_in_si_under_its_name(instrument, way, expected):
    found = at(instrument, way)
    if isinstance(expected, tuple) and isinstance(expected[0], tuple):
        assert found == tuple(pytest.approx(each) for each in expected)
    else:
        assert found == (pytest.approx(expected, rel=1e-6) if isinstance(expected, float) else expected)


@pytest.mark.parametrize(
    ("kind", "sensed"), [("contact", 1e-3), ("pad", 1e-3), ("strain", 1e3), ("magnetic", 1.0)]
)
def test_millivolts_of_a_pickup_are_volts_of_what_it_senses(kind, sensed):
    """mV per m/s2, per N, per microstrain, per mm/s."""
    text = SECOND.replace('kind = "magnetic"', f'kind = "{kind}"')
    assert resolve(decode(tomllib.loads(text), schema.Design)).pickup.sensitivity == pytest.approx(
        731.0 * sensed
    )


# what no instrument knows of: words for a client, and what a design says of itself alone
APART = {"Proposal", "Work", "Extra"}


def keys_of(kind: inspect.Type, tree: Any, found: dict[str, set[str]]) -> None:
    """Which keys of which kinds of table a tree gives."""
    if isinstance(kind, inspect.UnionType):
        wanted = inspect.StructType if isinstance(tree, dict) else inspect.ListType
        kind = next((each for each in kind.types if isinstance(each, wanted)), kind)
    if isinstance(kind, inspect.StructType):
        own = found.setdefault(kind.cls.__name__, set())
        for each in kind.fields:
            key = next((name for name in (each.name, twin(each.name)) if name and name in tree), None)
            if key is not None:
                own.add(each.name)
                keys_of(each.type, tree[key], found)
    elif isinstance(kind, inspect.DictType):
        for each in tree.values():
            keys_of(kind.value_type, each, found)
    elif isinstance(kind, inspect.ListType):
        for each in tree:
            keys_of(kind.item_type, each, found)


def test_each_key_of_the_schema_stands_in_one_of_the_two_designs():
    found: dict[str, set[str]] = {}
    for text in (FIRST, SECOND):
        keys_of(inspect.type_info(schema.Design), tomllib.loads(text), found)
    for held in ("Tines", "Group", "Tine", "Member", "OtherTine"):  # what they share counts once
        for key in schema.Made.__struct_fields__:
            found[held] = found[held] | ({key} if any(key in found[each] for each in found) else set())
    every: dict[str, inspect.StructType] = {}
    from tests.design.test_ranges import TABLES

    every |= {name: kind for name, kind in TABLES.items() if name not in APART}
    left = {
        f"{name}.{field.name}"
        for name, kind in every.items()
        for field in kind.fields
        if field.name not in found.get(name, set())
    }
    assert left - {"Design.proposal"} == set()
