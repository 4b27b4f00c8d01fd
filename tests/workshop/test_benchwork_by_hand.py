"""Holes, washers, joints, sawing, templates and tiled pages by hand: each of its own thread and paper."""

import re
from types import SimpleNamespace

import numpy as np
import pytest
from reportlab.pdfbase import pdfmetrics

from synth.design import catalogue
from synth.design.instrument import Bar, Section, Straight
from synth.workshop import tiling
from synth.workshop.cutlist import _washer_mass
from synth.workshop.cutting import best_fit, plan
from synth.workshop.drawing import Circle, Drawing, Line, Point, Text
from synth.workshop.fixing import Joint, joint
from synth.workshop.geometry import _seat
from synth.workshop.holes import Hole, Washer, hole_for, washer_for
from synth.workshop.lettering import plate
from synth.workshop.picture import text_width
from synth.workshop.template import flat_template

SOURCES = {"close": ("fine", "close"), "normal": ("medium", "normal"), "loose": ("coarse", "loose")}


def bench(**words):
    plain = {"holes": "clearance", "hole_fit": "normal", "units": "mm", "washers": None, "protrusion": None,
             "tapped_depth": None}  # fmt: skip
    return SimpleNamespace(**plain | words)


def tine(thread="M4", diameter=4e-3, *, pitch=0.7e-3, nut="nut", fixing=None, face=0.0):
    rod = SimpleNamespace(
        thread=thread, diameter=diameter, pitch=pitch, name=thread or "rod", bend_diameter=0.8 * diameter
    )
    base = SimpleNamespace(height=3e-3, name=nut, thread=thread) if nut else None
    return SimpleNamespace(rod=rod, root=SimpleNamespace(fixing=fixing, base_nut=base), face=face)


@pytest.mark.parametrize(
    "row", [each for each in catalogue.holes() if not each.name.startswith("rod")], ids=lambda row: row.name
)
def test_a_thread_s_hole_is_its_own_for_each_fit_and_to_be_tapped(row):
    own, metric = tine(row.name, nut=None), row.name.startswith("M")
    for fit, sources in SOURCES.items():
        hole = hole_for(own, bench(hole_fit=fit))
        wide = getattr(row, f"{fit}_mm")
        drill = getattr(row, f"{fit}_drill")
        assert hole.diameter == pytest.approx(1e-3 * wide)
        assert hole.drill == (f"{drill} ({wide:.4g} mm)" if drill else f"{wide:g} mm")
        source = f"ISO 273 {sources[0]}" if metric else f"ASME B18.2.8 {sources[1]}"
        assert (hole.words, hole.tapped) == (f"clearance for {row.name}; {source}", False)
    tapped = hole_for(own, bench(holes="tapping"))
    assert tapped.diameter == pytest.approx(1e-3 * row.tapping_mm)
    assert tapped.tapped
    assert tapped.words.startswith(f"tap {row.name}; ")
    if row.tapping_drill:
        assert tapped.drill.startswith(f"{row.tapping_drill} (")
    washer = washer_for(own)
    sizes = (washer.thickness, washer.inside, washer.outside)
    assert sizes == pytest.approx(
        tuple(1e-3 * each for each in (row.washer_mm, row.washer_inside_mm, row.washer_outside_mm))
    )
    assert washer.name.startswith(f"{row.name} plain washer, ")


@pytest.mark.parametrize(
    ("diameter", "name"), [(3.0, "M3"), (3.3, "M4"), (2.0, "M2"), (3.175, "#6-32 UNC"), (60.0, None)]
)
def test_a_plain_rod_has_the_smallest_washer_of_its_system_that_goes_over_it(diameter, name):
    washer = washer_for(tine("", 1e-3 * diameter, nut=None))
    assert washer is None if name is None else washer.name.startswith(f"{name} plain washer")
    if washer:
        assert washer.inside > 1e-3 * diameter


BAR = Bar(None, Section("rectangle", 0.060, 0.010, 0.0), (Straight(0.4),), ())
TUBE = Bar(None, Section("tube", 0.030, 0.030, 0.003), (Straight(0.4),), ())


@pytest.mark.parametrize(
    ("words", "of", "nuts", "washers", "in_bar", "out"),
    [
        ({}, {}, 2, 2, 10.0, 1.4),  # through the bar's height, two pitches out
        ({}, {"face": np.pi / 2.0}, 2, 2, 60.0, 1.4),
        ({"protrusion": 3e-3, "washers": 1}, {}, 2, 1, 10.0, 3.0),
        ({"protrusion": 0.0}, {}, 2, 2, 10.0, 0.0),
        ({"holes": "tapping"}, {}, 1, 0, 6.0, 0.0),  # one and a half diameters
        ({"holes": "tapping", "tapped_depth": 4e-3}, {}, 1, 0, 4.0, 0.0),
        ({"holes": "tapping", "tapped_depth": 20e-3}, {}, 1, 0, 10.0, 0.0),  # no deeper than the bar
        ({"holes": "tapping", "washers": 2}, {"diameter": 8e-3}, 1, 2, 10.0, 0.0),
        ({"holes": "tapping"}, {"nut": None}, 0, 0, 6.0, 0.0),
        ({}, {"thread": "", "nut": None}, 0, 0, 10.0, 0.0),
        ({"protrusion": 2e-3}, {"thread": "", "nut": None}, 0, 0, 10.0, 2.0),
        ({"protrusion": 2e-3}, {"fixing": "glued", "nut": None}, 0, 0, 10.0, 2.0),
        ({}, {"thread": "", "diameter": 3e-3, "fixing": "set screw", "nut": None}, 0, 0, 10.0, 0.0),
        (
            {"washers": 2, "protrusion": 1e-3},
            {"thread": "", "diameter": 3e-3, "fixing": "collet"},
            1,
            0,
            10.0,
            1.0,
        ),
    ],
)
def test_a_joint_is_made_of_its_own_parts(words, of, nuts, washers, in_bar, out):
    found = joint(tine(**of), BAR, bench(**words))
    assert (len(found.nuts), len(found.washers)) == (nuts, washers)
    assert (1e3 * found.in_bar, 1e3 * found.protrusion) == (pytest.approx(in_bar), pytest.approx(out))
    thick = sum(each.thickness for each in found.washers)
    assert found.clamped == pytest.approx(1e-3 * (3.0 * nuts + in_bar + out) + thick)
    if of.get("fixing") in ("glued", "set screw", "collet"):
        said = {"glued": "to glue", "set screw": "set screw from the side", "collet": "collet (ISO 15488"}
        assert said[of["fixing"]] in found.hole.words
        assert not found.hole.tapped


def test_a_tube_is_tapped_through_its_wall_alone_and_washers_lift_the_nut_by_those_above():
    assert joint(tine(), TUBE, bench(holes="tapping")).in_bar == pytest.approx(3e-3)
    washer = Washer(0.8e-3, 4.3e-3, 9e-3, "w")
    for tapped, lifts in ((False, [0, 1, 1, 2]), (True, [0, 1, 2, 3])):
        hole = Hole(4e-3, "", tapped, "")
        assert [_seat(Joint(hole, (), (washer,) * n, 0.0, 0.0)) for n in range(4)] == pytest.approx(
            [0.8e-3 * each for each in lifts]
        )
    assert _washer_mass(washer) == pytest.approx(7850.0 * np.pi / 4.0 * (9e-3**2 - 4.3e-3**2) * 0.8e-3)


def test_a_joint_is_told_part_by_part_as_it_is_counted():
    nut, washer = SimpleNamespace(height=3.05e-3), Washer(0.8e-3, 4.3e-3, 9e-3, "w")
    through = Joint(Hole(4.5e-3, "", False, ""), (nut, nut), (washer,), 20e-3, 1.4e-3)
    assert through.words("mm") == (
        "20.00 mm through the bar + 2 nuts of 3.05 mm + 1 washer of 0.80 mm + 1.40 mm standing out below"
    )
    assert Joint(Hole(3e-3, "", True, ""), (nut,), (washer,) * 2, 6e-3, 0.0).words("mm") == (
        "6.00 mm screwed into the bar + 1 nut of 3.05 mm + 2 washers of 0.80 mm"
    )
    assert Joint(Hole(3e-3, "", False, ""), (), (), 12.7e-3, 0.0).words("inch") == "1/2 in through the bar"


def test_the_longest_goes_first_each_into_the_fullest_bar_that_takes_it():
    """6 and 5 open two bars of 10, 4 just fills the first, 3 goes to the second; not with a kerf of 1."""
    assert best_fit([3.0, 6.0, 4.0, 5.0], bar=10.0, kerf=0.0) == ((1, 2), (3, 0))
    assert best_fit([3.0, 6.0, 4.0, 5.0], bar=10.0, kerf=1.0) == ((1, 0), (3, 2))
    assert plan([3.0, 6.0, 4.0, 5.0], bar=10.0, kerf=0.0) == ((1, 2), (3, 0))


@pytest.mark.parametrize("height", [2.2, 4.0])
def test_a_plate_is_as_wide_as_its_words_at_their_height(height):
    corners = plate("low D", 50.0, 30.0, height).corners
    assert max(p.x for p in corners) - min(p.x for p in corners) == pytest.approx(
        text_width("low D", height) + 0.6
    )
    assert max(p.y for p in corners) == pytest.approx(30.0 + height + 0.4)


class Canvas:
    def __init__(self):
        self.done = []

    def __getattr__(self, name):
        return lambda *words, **more: self.done.append((name, *words)) or self


@pytest.mark.parametrize(("column", "below"), [(0, False), (1, False), (0, True), (2, True)])
def test_a_page_shows_its_part_of_the_drawing_and_marks_what_its_neighbours_show_again(column, below):
    """12 mm of margin, 14 of foot; a dashed line 10 mm from the left where a page lies there, and from below."""
    tile = tiling.Tile(3, column, Point(100.0, 200.0), 150.0, 80.0, below)
    canvas = Canvas()
    tiling._page(canvas, Drawing("T", (Circle("holes", Point(120.0, 230.0), 2.0),)), tile, of=9)
    done = canvas.done
    assert ("rect", 12.0, 26.0, 150.0, 80.0) in done
    assert ("translate", 12.0 - 100.0, 26.0 - 200.0) in done
    assert ("circle", 120.0, 230.0, 2.0) in done
    assert ("drawString", 127.0, 12.0, f"T: row 4, column {column + 1}, 9 in all") in done
    upright, level = ("line", 22.0, 26.0, 22.0, 106.0), ("line", 12.0, 36.0, 162.0, 36.0)
    assert (upright in done) == (column > 0)
    assert (level in done) == below
    assert done.index(("translate", 12.0 - 100.0, 26.0 - 200.0)) < done.index(("circle", 120.0, 230.0, 2.0))


def test_a_long_title_leaves_room_for_the_row_and_column_of_its_page():
    """They stood beyond the paper's edge."""
    tile, canvas = tiling.Tile(3, 1, Point(0.0, 0.0), 150.0, 80.0, False), Canvas()
    tiling._page(canvas, Drawing(50 * "harbour ", (Circle("holes", Point(1.0, 2.0), 2.0),)), tile, of=9)
    (name,) = [words[3] for words in canvas.done if words[0] == "drawString" and words[1] == 127.0]
    assert re.fullmatch(r"harbour .*\u2026: row 4, column 2, 9 in all", name)
    assert 135.0 < pdfmetrics.stringWidth(name, "DejaVuSans", 3.0) <= 279.4 - 12.0 - 127.0


@pytest.mark.parametrize(("paper", "wide", "high"), [("A4", 297.0, 210.0), ("Letter", 279.4, 215.9)])
def test_pages_share_ten_millimetres_within_their_margins(paper, wide, high):
    width, height = wide - 24.0, high - 24.0 - 14.0
    long = Drawing("T", (Line("outline", Point(5.0, 7.0), Point(5.0 + 2.5 * width, 27.0)),))
    found = tiling.tiles(long, paper)
    assert [each.column for each in found] == [0, 1, 2]
    assert [each.corner.x for each in found] == pytest.approx([5.0 + n * (width - 10.0) for n in range(3)])
    assert [each.width for each in found] == pytest.approx([width] * 3)
    tall = Drawing("T", (Line("outline", Point(0.0, 0.0), Point(20.0, 1.5 * height)),))
    low, upper = tiling.tiles(tall, paper)
    assert (low.corner.y, upper.corner.y) == (0.0, pytest.approx(height - 10.0))
    assert (low.goes_on_below, upper.goes_on_below) == (False, True)
    assert low.height == pytest.approx(height)


ROUND = """
name = "Pole"
[bar]
section = { shape = "round", diameter_mm = 40.0 }
path = [{ straight_mm = 400.0 }]
[[group]]
name = "first"
stock = "M4"
start_mm = 150.0
spacing_mm = 20.0
face_deg = 30.0
tine = [{ free_length_mm = 100.0 }, { free_length_mm = 90.0 }]
[[group]]
name = "second"
stock = "M3"
start_mm = 60.0
face_deg = -45.0
tine = [{ free_length_mm = 100.0 }]
"""


def test_on_a_round_bar_holes_lie_off_the_middle_by_their_turn_and_names_over_their_first_hole(made):
    """An angle of 30 degrees is a twelfth of the way round 40 mm, upwards; names on two levels."""
    drawing = flat_template(made(ROUND))
    holes = {round(each.centre.x): each for each in drawing.shapes if isinstance(each, Circle)}
    (middle,) = {each.start.y for each in drawing.shapes if isinstance(each, Line) and each.start.x == -3.0}
    off = {x: hole.centre.y - middle for x, hole in holes.items()}
    turn = np.pi * 40.0 / 360.0
    assert off == {
        150: pytest.approx(30.0 * turn),
        170: pytest.approx(30.0 * turn),
        60: pytest.approx(-45.0 * turn),
    }
    assert {x: hole.radius for x, hole in holes.items()} == {150: 2.25, 170: 2.25, 60: pytest.approx(1.7)}
    names = {each.words: each.at for each in drawing.shapes if isinstance(each, Text)}
    assert (names["first"].x, names["second"].x) == pytest.approx((149.3, 59.3))
    assert names["first"].y - names["second"].y == pytest.approx(
        3.0
    )  # the second from the left is one level up
