"""Small designs for the workshop's tests."""

import pytest

from synth.design.file import load
from synth.design.resolve import resolve

STRAIGHT = """
name = "Offcut"
[bar]
section = { shape = "rectangle", width_mm = 30.0, height_mm = 20.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 60.0, kind = "rubber" }, { at_mm = 240.0, kind = "rubber" }]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
[[group]]
name = "up"
stock = "M4"
start_mm = 40.0
spacing_mm = 15.0
[[group.tine]]
free_length_mm = 150.0
[[group.tine]]
free_length_mm = 120.0
trim = [{ nut = "M4 hex", at_mm = 60.0 }]
[[group]]
name = "aside"
stock = "rod3"
start_mm = 150.0
spacing_mm = 20.0
face_deg = 90.0
[[group.tine]]
free_length_mm = 100.0
[[group.tine]]
free_length_mm = 90.0
"""

BENT = """
name = "Crook"
[bar]
section = { shape = "rectangle", width_mm = 20.0, height_mm = 20.0 }
path = [
    { straight_mm = 100.0 },
    { bend_deg = 90.0, radius_mm = 30.0, plane_deg = 0.0 },
    { straight_mm = 150.0 },
]
supports = [{ at_mm = 20.0, kind = "rubber" }, { at_mm = 250.0, kind = "rubber" }]
[[group]]
name = "before"
stock = "M3"
start_mm = 30.0
[[group.tine]]
free_length_mm = 80.0
[[group]]
name = "after"
stock = "M3"
start_mm = 197.12388980384690
[[group.tine]]
free_length_mm = 80.0
"""  # the second tine stands 50 mm beyond the bend, whose axis is 30 pi / 2 = 47.1239 mm long


@pytest.fixture
def straight():
    return STRAIGHT


@pytest.fixture
def bent():
    return BENT


@pytest.fixture
def made(tmp_path):
    """The instrument that a design's text describes."""

    def make(text):
        path = tmp_path / "design.toml"
        path.write_text(text, encoding="utf-8")
        return resolve(load(path), str(path))

    return make
