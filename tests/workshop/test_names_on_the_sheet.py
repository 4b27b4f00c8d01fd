"""Names and scales on the drawing sheet, worked by hand on a bent flat bar: outside it, over the tallest tine."""

from __future__ import annotations

import numpy as np
import pytest

from synth.vibration.bar import path
from synth.workshop import drawing_sheet as room
from synth.workshop.drawing import Line, Point, Text
from synth.workshop.geometry import solids, tine_place
from synth.workshop.labels import Box
from synth.workshop.lettering import SMALL
from synth.workshop.picture import text_width
from synth.workshop.views import ABOVE, OBLIQUE

# a U of 60 x 10 laid flat: out along x, a half turn of 100 to the back, and home; its second group points outwards
HAIRPIN = """
name = "Hairpin"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }, { bend_deg = 180.0, radius_mm = 100.0, plane_deg = 0.0 }, { straight_mm = 300.0 }]
supports = [{ at_mm = 50.0, kind = "rubber" }]
[[group]]
name = "GROUP"
stock = "M4"
start_mm = 90.0
spacing_mm = 20.0
tine = [{ free_length_mm = 90.0 }, { free_length_mm = 150.0 }, { free_length_mm = 120.0 }]
[[group]]
name = "aside"
stock = "M3"
start_mm = 700.0
spacing_mm = 20.0
face_deg = -90.0
tine = [{ free_length_mm = 80.0 }, { free_length_mm = 60.0 }]
"""
RATIO = 2.0
AT = Point(40.0, 70.0)


@pytest.fixture
def scene(made):
    def of(text):
        instrument = made(text)
        lengths = np.array([tine.goal.length for tine in instrument.tines])
        found = solids(instrument, lengths, [()] * len(lengths), None)
        places = tuple(
            tine_place(instrument, t, float(n)) for t, n in zip(instrument.tines, lengths, strict=True)
        )
        return room._Scene(instrument, found, places, (), lengths, None)

    return of


def middle(text):
    return text.at.x + text_width(text.words, text.height) / 2.0, text.at.y + text.height / 2.0


def words_of(ink):
    return {each.words: middle(each) for each in ink if isinstance(each, Text)}


def test_a_name_stands_3_mm_outside_the_bar_or_outside_the_tips_that_stand_out(scene):
    """On the first leg at y = 0 outside is below; on the second, 200 mm farther back, above the longest tip."""
    drawn = scene(HAIRPIN.replace("GROUP", "up"))
    ink = [*room._names_beside(drawn, RATIO, AT)]
    found = words_of(ink)
    half = 30.0 / RATIO
    first = AT.x + 110.0 / RATIO, AT.y - half - 3.0 - SMALL / 2.0
    assert found["up"] == pytest.approx(first, abs=0.6)
    assert found["up"][1] == pytest.approx(first[1])
    back = 300.0 - (710.0 - 300.0 - 100.0 * np.pi)  # home along the second leg
    base = max(1e3 * float(place.tip[1]) for place in drawn.places[3:])
    assert base > 200.0 + 30.0 + 80.0
    second = AT.x + back / RATIO, AT.y + base / RATIO + 3.0 + SMALL / 2.0
    assert found["aside"] == pytest.approx(second, abs=0.6)
    edges = [
        (each.start.x, each.start.y) for each in ink if isinstance(each, Line)
    ]  # leaders begin at the bar's edge
    assert edges == [
        pytest.approx((first[0], AT.y - half), abs=0.6), pytest.approx((second[0], AT.y + 100.0 + half), abs=0.6),
    ]  # fmt: skip


def test_a_name_that_finds_no_room_goes_farther_out_with_a_leader_from_the_bar_s_edge(scene):
    """Two names side by side are too long for their groups' places: the later one steps out by 1.5 mm at a time."""
    text = HAIRPIN.replace("GROUP", "a very long name of a group").replace(
        "start_mm = 700.0", "start_mm = 180.0"
    )
    drawn = scene(
        text.replace('"aside"', '"another very long name"').replace("face_deg = -90.0", "face_deg = 0.0")
    )
    ink = [*room._names_beside(drawn, RATIO, AT)]
    near, far = words_of(ink).values()
    steps = (near[1] - far[1]) / 1.5
    assert steps == pytest.approx(round(steps), abs=1e-6)
    assert round(steps) >= 1
    leader = [each for each in ink if isinstance(each, Line)][1]
    assert (leader.start.x, leader.start.y) == pytest.approx(
        (AT.x + 190.0 / RATIO, AT.y - 30.0 / RATIO), abs=0.6
    )
    assert leader.end.y == pytest.approx(far[1] + SMALL / 2.0 + 0.5)


def test_beside_a_ring_every_name_lies_outside_it(made, scene):
    """Eight groups around a ring: each name's middle is farther out than the bar, in its own direction."""
    groups = "".join(
        f'[[group]]\nname = "g{n}"\nstock = "M4"\nstart_mm = {20.0 + 230.0 * n}\nspacing_mm = 20.0\n'
        "tine = [{ free_length_mm = 90.0 }, { free_length_mm = 80.0 }]\n"
        for n in range(8)
    )
    text = f"""
    [bar]
    section = {{ shape = "rectangle", width_mm = 40.0, height_mm = 12.0 }}
    path = [{{ bend_deg = 360.0, radius_mm = 300.0, plane_deg = 0.0 }}]
    {groups}"""
    drawn = scene(text)
    found = words_of(room._names_beside(drawn, 5.0, AT))
    centre = np.array([AT.x, AT.y + 300.0 / 5.0])
    for n in range(8):
        own = ABOVE.flat(path(drawn.instrument.bar, np.array([0.03 + 0.23 * n]))[0][0]) / 5.0 + (AT.x, AT.y)
        out = (own - centre) / np.linalg.norm(own - centre)
        off = np.array(found[f"g{n}"]) - centre
        assert off @ out > 320.0 / 5.0 + 3.0
        assert off @ out == pytest.approx(np.linalg.norm(off), rel=0.01)


def test_a_name_stands_over_the_tip_of_its_own_tallest_tine(scene):
    drawn = scene(HAIRPIN.replace("GROUP", "up"))
    found = words_of(room._names_above(drawn, RATIO, AT))
    tips = np.array([OBLIQUE.flat(place.tip) for place in drawn.places]) / RATIO + (AT.x, AT.y)
    for name, own in (("up", tips[:3]), ("aside", tips[3:])):
        tallest = own[np.argmax(own[:, 1])]
        off = np.array(found[name]) - tallest
        assert off[1] == pytest.approx(1.8 + 0.4 + SMALL / 2.0, abs=6.0)
        assert off[1] > 1.0
        assert abs(off[0]) <= 6.0 + 1e-6
    assert found["up"][0] == pytest.approx(tips[1, 0], abs=6.0)
    assert not np.allclose(found["up"], found["aside"])


def test_the_oblique_view_is_drawn_at_the_scale_it_says_in_the_middle_of_its_room(scene, monkeypatch):
    """The least tenth at which the view, with 14 mm for names and 14 beside and under it, fits."""
    drawn = scene(HAIRPIN.replace("GROUP", "up"))
    asked = []
    monkeypatch.setattr(room, "_view", lambda scene, view, ratio, at: asked.append((view, ratio, at)) or ())
    box = Box(200.0, 80.0, 400.0, 200.0)
    said = [each.words for each in room._oblique(drawn, box) if isinstance(each, Text)]
    ((view, ratio, at),) = asked
    assert view is OBLIQUE
    assert f"Oblique view, parallel projection 1:{ratio:g}" in said
    low, high = drawn.bounds(OBLIQUE)
    size = (high - low) / ratio
    assert ratio == pytest.approx(round(10.0 * ratio) / 10.0)
    room_for = np.array([200.0 - 8.0, 120.0 - 20.0])
    assert np.all(size <= room_for + 1e-9)
    assert np.any((high - low) / (ratio - 0.1) > room_for)
    assert at.x + low[0] / ratio - 200.0 == pytest.approx(400.0 - at.x - high[0] / ratio)
    assert at.y + low[1] / ratio - 86.0 == pytest.approx(200.0 - 14.0 - at.y - high[1] / ratio)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_scale_is_the_first_at_which_all_views_fit_with_their_dimensions(scene, units):
    """Beside each other or one above the other; one step larger neither does."""
    drawn = scene(HAIRPIN.replace("GROUP", "up") + f'[bench]\nunits = "{units}"\n')
    width, height = 420.0, 297.0
    ratio, below = room._layout(drawn, width, height)
    (low_e, high_e), (low_p, high_p) = drawn.bounds(room.FRONT), drawn.bounds(ABOVE)
    wide, high = high_p[0] - low_p[0], high_e[1] - low_e[1] + high_p[1] - low_p[1]
    table = 4.0 * 3 + 4.0

    def fits(scale, below):
        right, under = (0.0, max(80.0, 30.0 + table + 4.0)) if below else (128.0, 0.0)
        level = wide / scale + 24.0 + 8.0 + right <= width - 20.0
        return level and high / scale + 2 * (16.0 + 18.0) + under <= height - 20.0

    scales = room.SCALES[units]
    assert fits(ratio, below)
    larger = scales[: scales.index(ratio)]
    assert larger
    assert not any(fits(scale, way) for scale in larger for way in (False, True))
    assert below is not fits(ratio, False)
