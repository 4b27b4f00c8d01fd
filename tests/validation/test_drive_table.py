"""Real strokes against every bin of force on every mode, by scripts/drive_table.py (which has all of the rail)."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.stroke import Stroke
from synth.sound.render import ContactSettings, scene

TABLE = runpy.run_path(str(Path(__file__).parents[2] / "scripts" / "drive_table.py"))
DESIGN = """
name = "flat"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [ { straight_mm = 420.0 } ]
supports = [ { at_mm = 90.0, kind = "rubber" }, { at_mm = 330.0, kind = "rubber" } ]
[[group]]
name = "three"
stock = "M4"
start_mm = 120.0
spacing_mm = 13.0
[[group.tine]]
pitch = "D3"
[[group.tine]]
pitch = "A3"
[[group.tine]]
pitch = "D4"
[board.box]
kind = "box"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 450.0
thickness_mm = 4.0
depth_mm = 80.0
hole_diameter_mm = 60.0
feet = [ { bar_mm = 90.0, x_mm = 110.0, y_mm = 120.0 }, { bar_mm = 330.0, x_mm = 340.0, y_mm = 120.0 } ]
"""


@pytest.fixture(scope="module")
def instrument(tmp_path_factory):
    from synth.design.file import load
    from synth.design.resolve import resolve

    path = tmp_path_factory.mktemp("flat") / "flat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return resolve(load(path), str(path))


@pytest.mark.slow
@pytest.mark.parametrize("through", ["bar", "pickup", "box"])
@pytest.mark.parametrize(("speed", "direction"), [(0.2, "backward"), (2.5, "forward")])
def test_a_stroke_is_heard_as_the_plain_sum_of_its_force(instrument, through, speed, direction):
    listening = scene(instrument, through)
    stroke = Stroke(
        group=0, stick=instrument.sticks["birch"], speed=speed, direction=direction, height=3e-3, bite=1e-3
    )
    contact = stroke_row(stroke, instrument, listening.row.modes)
    struck = listening.striker(ContactSettings())(contact, height=stroke.height)
    whole, after = TABLE["errors"](listening, contact, struck, height=stroke.height)
    assert whole < -80.0
    assert after < -90.0
