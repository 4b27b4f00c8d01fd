"""What the page's picture shows, drawn with a pen that notes it: where things are, how long, in which order."""

from __future__ import annotations

import math

import numpy as np
import pytest

from .conftest import heard

pytestmark = pytest.mark.browser

# a bar of 0.4 m, 60 wide and 10 high, with a tine that stands up and one that points at the viewer (-y)
STRAIGHT = {
    "bar": {
        "length": 0.4, "width": 0.06, "height": 0.01, "axis": [[0.0, 0.0, 0.0], [0.2, 0.0, 0.0], [0.4, 0.0, 0.0]],
        "side": [[0.0, 1.0, 0.0]] * 3, "up": [[0.0, 0.0, 1.0]] * 3,
    },
    "groups": [{"name": "one", "tines": [1, 0]}],
    "picture": [
        {"x": 0.3, "clamp": [0.3, 0.0, 0.005], "tip": [0.3, 0.0, 0.105], "along": [1.0, 0.0, 0.0], "length": 0.1},
        {"x": 0.1, "clamp": [0.1, -0.03, 0.0], "tip": [0.1, -0.11, 0.0], "along": [1.0, 0.0, 0.0], "length": 0.08},
    ],
}  # fmt: skip
# the same bar bent back level by a right angle in its middle: seen from above
CORNER = {
    **STRAIGHT,
    "bar": {
        **STRAIGHT["bar"], "axis": [[0.0, 0.0, 0.0], [0.2, 0.0, 0.0], [0.2, 0.2, 0.0]],
        "side": [[0.0, 1.0, 0.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]],
    },
    "picture": [
        {"x": 0.3, "clamp": [0.2, 0.1, 0.005], "tip": [0.2, 0.1, 0.105], "along": [0.0, 1.0, 0.0], "length": 0.1},
        {"x": 0.1, "clamp": [0.1, 0.0, 0.005], "tip": [0.1, 0.0, 0.085], "along": [1.0, 0.0, 0.0], "length": 0.08},
    ],
}  # fmt: skip
SEEN = """(head) => { const v = new View(head);
    return { plan: v.plan, angle: v.angle, tips: v.tips, clamps: v.clamps, edges: v.edges, spans: v.spans,
      groups: v.groups, lengths: v.lengths, falls: v.falls, step: v.step }; }"""


def test_a_bar_is_seen_from_the_front_and_from_above_where_a_tine_would_else_point_at_the_eye(opened):
    told = opened("straight").tab.evaluate(SEEN, STRAIGHT)
    up, near = math.cos(math.radians(30.0)), math.sin(math.radians(30.0))
    assert (told["plan"], told["angle"]) == (False, pytest.approx(math.radians(30.0)))
    assert np.array(told["clamps"]) == pytest.approx(np.array([[0.3, 0.005 * up], [0.1, -0.03 * near]]))
    assert np.array(told["tips"]) == pytest.approx(np.array([[0.3, 0.105 * up], [0.1, -0.11 * near]]))
    for edge, side in zip(told["edges"], (1.0, -1.0), strict=True):  # the bar's height, 10 mm
        assert np.array(edge)[:, 1] == pytest.approx([side * 0.005 * up] * 3)
    assert told["groups"] == [[1, 0]]  # along the bar
    assert told["spans"] == [[0.1, 0.3]]
    assert told["lengths"] == pytest.approx([0.1, 0.08])
    assert told["falls"] == pytest.approx([(0.08 * near - 0.1 * up) / 0.2])
    assert told["step"] == pytest.approx(0.2)


def test_a_bar_that_goes_far_back_is_a_plan_with_its_tines_laid_outward(opened):
    """Away from the middle of the bar, at their true lengths, whichever leg they stand on."""
    told = opened("straight").tab.evaluate(SEEN, CORNER)
    assert (told["plan"], told["angle"]) == (True, 0)
    assert np.array(told["clamps"]) == pytest.approx(np.array([[0.2, 0.1], [0.1, 0.0]]))
    assert np.array(told["tips"]) == pytest.approx(np.array([[0.3, 0.1], [0.1, -0.08]]))
    outer = np.array(told["edges"][0])  # its width, 60 mm
    assert outer[0] == pytest.approx([0.0, 0.03])
    assert outer[2] == pytest.approx([0.17, 0.2])


def test_a_place_in_the_picture_and_on_the_screen_are_one_and_what_is_high_is_above(opened):
    told = opened("straight").tab.evaluate(
        """(head) => { const v = new View(head); v.fit(900, 500);
        const point = [0.25, 0.02]; const px = v.px(point);
        return [v.point(px), px, v.px([0.25, 0.03]), v.px([0.26, 0.02]), v.scale]; }""",
        STRAIGHT,
    )
    back, px, higher, right, scale = told
    assert back == pytest.approx([0.25, 0.02])
    assert higher == pytest.approx([px[0], px[1] - 0.01 * scale])
    assert right == pytest.approx([px[0] + 0.01 * scale, px[1]])


def test_a_hand_on_a_group_is_so_far_above_its_clamps_and_below_its_tips(opened):
    head = {**STRAIGHT, "groups": [{"name": "one", "tines": [0]}], "picture": [STRAIGHT["picture"][0]]}
    act = "([head, point]) => new View(head).on(0, point)"
    for height, beyond in ((0.08, 0.0), (0.12, 0.01)):
        told = opened("straight").tab.evaluate(act, [head, [0.3, 0.005 + height]])
        assert (told["height"], told["depth"]) == (pytest.approx(height), pytest.approx(0.1 - height))
        assert told["at"] == pytest.approx(0.3, abs=1e-6)
        assert told["off"] == pytest.approx(beyond, abs=1e-6)
    assert opened("straight").tab.evaluate(act, [head, [0.3, -0.02]])["off"] >= 0.02


DRAWN = """(act) => { const drawn = [];
    const pen = new Proxy({}, { get: (own, name) => own[name] ?? ((...how) => drawn.push([name, ...how])),
      set: (own, name, value) => { drawn.push([name, value]); return true; } });
    pen.measureText;
    const mine = Object.create(Drawing.prototype);
    const measured = new Proxy(pen, { get: (own, name) => (name === 'measureText'
      ? (words) => ({ width: 6 * words.length }) : own[name]), set: (own, name, value) => { own[name] = value;
        return true; } });
    Object.assign(mine, { pen: measured, view, chosen: null, moving: false, still: { matches: true },
      lit: new Map(), swings: new Float32Array(2 * HEAD.picture.length), canvas: { clientWidth: 800,
        clientHeight: 400 } });
    ACT;
    return [drawn, mine.moving]; }"""


def drawn(page, act):
    found, moving = page.tab.evaluate(DRAWN.replace("ACT", act))
    return found, moving


def of(found, name):
    return [each[1:] for each in found if each[0] == name]


def test_nuts_are_drawn_at_their_places_and_sizes_on_their_tines(opened):
    """Tine 2: 112 mm with a nut of 5.5 by 2.4 mm at 80; beneath each its base nut."""
    page = opened("straight")
    found, _ = drawn(page, "mine.tine(1, 0)")
    clamp, tip, scale, free = page.tab.evaluate(
        "[view.px(view.clamps[1]), view.px(view.tips[1]), view.scale, view.lengths[1]]"
    )
    assert free == pytest.approx(0.112, abs=3e-3)
    places = [np.array(each) for each in of(found, "translate")]
    diameter = page.tab.evaluate("HEAD.picture[1].diameter")
    for place, share in zip(places, (-0.4 * diameter / free, 0.080 / free), strict=True):
        assert place == pytest.approx(np.array(clamp) + share * (np.array(tip) - np.array(clamp)), abs=0.05)
    sizes = of(found, "fillRect")[1]
    assert sizes[2:] == pytest.approx([max(3.0, 0.0055 * scale), max(2.0, 0.0024 * scale)])


def test_a_tine_that_rings_fans_out_by_its_swing_and_one_that_is_lit_is_thicker_and_wears_a_knob(opened):
    page = opened("straight")
    plain, moving = drawn(page, "mine.tine(0, 0)")
    assert not moving
    assert not of(plain, "arc")
    clamp, tip, scale = page.tab.evaluate("[view.px(view.clamps[0]), view.px(view.tips[0]), view.scale]")
    size = math.dist(clamp, tip)
    for swing in (1e-4, 1.0):
        found, moving = drawn(
            page, f"mine.swings[0] = 0.6 * {swing}; mine.swings[1] = 0.8 * {swing}; mine.tine(0, 0)"
        )
        fan = min(0.3 * size, 2.2 * math.sqrt(swing) * scale)
        corners = of(found, "lineTo")[:3]
        assert math.dist(corners[1], corners[2]) == pytest.approx(2.0 * fan, rel=1e-3)
        assert moving
    lit, moving = drawn(page, "mine.lit.set(0, 10); mine.tine(0, 5)")
    assert moving
    assert of(lit, "arc")[0][:2] == pytest.approx(tip)
    assert of(lit, "lineWidth")[0][0] == pytest.approx(of(plain, "lineWidth")[0][0] + 2.5)


def test_the_far_tines_are_drawn_before_the_near_ones(opened):
    order = opened("straight").tab.evaluate("drawing.order")
    depth = [each["clamp"][1] for each in opened("straight").tab.evaluate("HEAD.picture")]
    behind = [depth[r] for r in order]
    assert behind == sorted(behind, reverse=True)
    assert len(set(behind)) > 1


def test_the_ruler_is_100_mm_long(opened):
    page = opened("straight")
    found, _ = drawn(page, "mine.ruler()")
    start, end = of(found, "moveTo")[0], of(found, "lineTo")[0]
    assert end[0] - start[0] == pytest.approx(0.1 * page.tab.evaluate("view.scale"))
    assert of(found, "fillText")[0][0].startswith("100 mm, ")


def test_supports_stand_under_the_bar_at_their_places(opened):
    page = opened("straight")
    found, _ = drawn(page, "mine.bar()")
    low, high = page.tab.evaluate("[view.px(view.bar[0])[0], view.px(view.bar.at(-1))[0]]")
    at = [low + share / 420.0 * (high - low) for share in (40.0, 330.0)]
    assert [each[0] for each in of(found, "moveTo")] == pytest.approx(at, abs=0.2)


def test_names_stand_beneath_the_middle_tines_of_their_groups(opened):
    page = opened("straight")
    found, _ = drawn(page, "mine.names()")
    words = {each[0]: each[1:] for each in of(found, "fillText")}
    assert set(words) == {"threads", "wires"}
    for name, middle in (("threads", 2), ("wires", 5)):
        clamp, tip = page.tab.evaluate(f"[view.px(view.clamps[{middle}]), view.px(view.tips[{middle}])]")
        away = (np.array(words[name]) - clamp) @ (np.array(tip) - clamp)
        assert away < 0.0
        assert math.dist(words[name], clamp) > 14.0


def test_the_bent_bar_is_drawn_at_its_own_height(opened):
    """Bent upward it is seen from the front: 10 mm of steel at every place, not the 60 of its width."""
    top, under = np.array(opened("bent").tab.evaluate("view.edges"))
    assert not opened("bent").tab.evaluate("view.plan")
    assert np.linalg.norm(top - under, axis=1).max() <= 0.0101
    assert heard("bent", "bar").instrument.bar.section.height == 0.010
