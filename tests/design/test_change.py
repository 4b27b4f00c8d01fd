"""Changes to a design: what they make, what a maker cannot follow, and their words."""

import dataclasses
import math
import tomllib
from typing import Any

import pytest

from synth.design.change import (
    Before,
    Change,
    fits,
    in_design,
    in_instrument,
    section_words,
    start_mm,
    words,
)
from synth.design.instrument import Section
from synth.design.resolve import resolve
from synth.errors import InputError

FLAT = """
[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 12.0 }
path = [
    { straight_mm = 400.0 },
    { bend_deg = 60.0, radius_mm = 60.0, plane_deg = 90.0 },
    { straight_mm = 100.0 },
]
supports = [
    { at_mm = 320.0, kind = "rubber", stiffness_n_mm = 80.0 },
    { at_mm = 60.0, kind = "cord" },
    { at_mm = 270.0, kind = "foot", stiffness_n_mm = 900.0, rotation_nm_rad = 44.0, loss_factor = 0.31 },
]
[[group]]
name = "a"
stock = "M3"
start_in = 4.0
tine = [{ pitch = "D5" }, { pitch = "D5" }, { pitch = "D5" }]
[[group]]
name = "b"
stock = "M4"
start_mm = 160.0
spacing_mm = 14.0
tine = [{ pitch = "F5" }, { pitch = "F5" }]
[[group]]
name = "under"
stock = "M3"
start_mm = 200.0
face_deg = 180.0
tine = [{ pitch = "F5" }, { pitch = "F5" }]
[[group]]
name = "end"
stock = "M3"
start_mm = 350.0
tine = [{ pitch = "A5" }]
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 400.0
length_mm = 600.0
thickness_mm = 4.0
feet = [{ bar_mm = 275.0, x_mm = 150.0, y_mm = 130.0 }]
"""
A, B, UNDER, END = range(4)


def made(everyday, text=FLAT):
    return everyday.instrument_of(tomllib.loads(text))


def fit(everyday, *, text=FLAT, starts=(), supports=(), **more):
    old = made(everyday, text)
    return fits(old, in_instrument(old, Change(tuple(starts), tuple(supports), **more)))


CHANGES = [
    Change(starts=((A, 95.0), (END, 380.0))),
    Change(supports=((1, 33.0), (0, 334.0))),
    Change(section=Section("rectangle", 0.06, 0.01, 0.0)),
    Change(section=Section("round", 0.025, 0.025, 0.0)),
    Change(section=Section("tube", 0.03, 0.03, 0.002)),
    Change(kind="rubber"),
    Change(((B, 170.0),), ((1, 40.0),), Section("rectangle", 0.04, 0.01, 0.0), "clamp"),
]


@pytest.mark.parametrize("change", CHANGES)
def test_the_quick_way_and_the_way_through_the_file_make_one_instrument(everyday, change):
    design = everyday.design_of(tomllib.loads(FLAT))
    old = resolve(design)
    quick, through = in_instrument(old, change), resolve(in_design(design, change))
    assert quick.bar.path == through.bar.path
    assert dataclasses.astuple(quick.bar.section) == pytest.approx(dataclasses.astuple(through.bar.section))
    assert [t.position for t in quick.tines] == pytest.approx([t.position for t in through.tines])
    for one, other in zip(quick.bar.supports, through.bar.supports, strict=True):
        assert one.position == pytest.approx(other.position)
        assert dataclasses.replace(one, position=0.0) == dataclasses.replace(other, position=0.0)


@pytest.mark.parametrize("change", CHANGES)
def test_its_words_written_into_the_file_make_the_same(everyday, change):
    tree = tomllib.loads(FLAT)
    old = everyday.instrument_of(tree)
    if change.section is not None and change.section.shape == "rectangle":
        assert words(old, change)[0] == f"bar 40 x 12 mm -> {section_words(change.section, 'mm')}"
    by_hand = everyday.instrument_of(everyday.edited(tree, words(old, change)))
    meant = resolve(in_design(everyday.design_of(tree), change), "everyday.toml")
    standing: list[tuple[Any, Any]] = [
        *zip(by_hand.tines, meant.tines, strict=True),
        *zip(by_hand.bar.supports, meant.bar.supports, strict=True),
    ]
    for one, other in standing:
        assert one.position == pytest.approx(other.position, rel=1e-5)  # six figures, in inches too
        assert dataclasses.replace(one, position=0.0) == dataclasses.replace(other, position=0.0)
    assert (by_hand.bar.section, by_hand.inches) == (meant.bar.section, meant.inches)


def test_its_words_name_the_keys_as_they_are_written(everyday):
    tree = tomllib.loads(FLAT)
    tree["bar"]["supports"][1] = {"at_in": 1.5, "kind": "cord"}
    told = words(everyday.instrument_of(tree), Change(starts=((A, 127.0),), supports=((1, 50.8),)))
    assert told == ["support 2: at_in 1.5 -> 2", "group 'a': start_in 4 -> 5"]
    inch = words(
        everyday.instrument_of(tree | {"bench": {"units": "inch"}}), Change(section=CHANGES[2].section)
    )
    assert inch == ["bar 1.575 x 0.4724 in -> 2.362 x 0.3937 in"]


def test_a_change_of_kind_forgets_what_was_measured_of_the_old_kind_only(everyday):
    old = made(everyday)
    rubber, cord = in_instrument(old, Change(kind="rubber")).bar.supports[:2]
    assert rubber.stiffness == 80e3
    assert (cord.kind, cord.stiffness, cord.loss_factor) == ("rubber", 1.25e5, 0.15)


def test_what_was_measured_of_a_foot_is_gone_from_the_file_with_its_kind(everyday):
    old = everyday.design_of(tomllib.loads(FLAT)).bar.supports[2]
    assert (old.stiffness_n_mm, old.rotation_nm_rad, old.loss_factor) == (900.0, 44.0, 0.31)
    cord = in_design(everyday.design_of(tomllib.loads(FLAT)), Change(kind="cord")).bar.supports[2]
    assert (cord.kind, cord.stiffness_n_mm, cord.rotation_nm_rad, cord.loss_factor) == (
        "cord",
        None,
        None,
        None,
    )
    assert cord.at_mm == 270.0


def test_nothing_changed_fits(everyday):
    assert fit(everyday)
    assert start_mm(made(everyday), A) == pytest.approx(101.6)


@pytest.mark.parametrize(
    ("group", "start", "good"),
    [
        (A, 128.0, True),  # its last tine at 152, 8 mm before b
        (A, 129.0, False),  # no room for a spanner
        (A, 250.0, False),  # past b
        (A, 2.0, True),
        (A, 1.0, False),  # its hole is cut by the bar's end
        (UNDER, 180.0, True),  # on another face only the holes count: 6 mm apart
        (UNDER, 177.0, False),  # 3 mm between the middles of an M4 hole and an M3 hole
        (END, 396.0, True),
        (END, 401.0, False),  # into the bend, though the bar is there
        (END, 470.0, True),  # beyond it: the last straight piece starts at 462.8
        (END, 561.5, False),
        (END, 324.0, False),  # 4 mm from support 1: its nut stands on it
        (END, 327.0, True),
    ],
)
def test_groups_stay_off_each_other_bends_supports_and_ends(everyday, group, start, good):
    assert fit(everyday, starts=((group, start),)) == good


def test_groups_of_small_nuts_keep_a_spanners_room_all_the_same(everyday):
    """M3 nuts would go 6.2 mm apart; a spanner wants 8."""
    small = FLAT.replace('stock = "M4"', 'stock = "M3"')
    assert fit(everyday, text=small, starts=((A, 128.0),))
    assert not fit(everyday, text=small, starts=((A, 129.0),))


NO_BOARD = FLAT[: FLAT.index("[board.panel]")]


@pytest.mark.parametrize(
    ("support", "at", "good"),
    [
        (1, 40.0, True),
        (1, 10.0, True),
        (1, 9.0, False),  # a pad's breadth from the end
        (1, 95.0, True),
        (1, 96.0, False),  # 5.6 mm from the hole at 101.6: an M3 nut's corners are 6.2 wide
        (1, 250.0, True),  # 20 mm from the foot at 270
        (1, 251.0, False),
        (1, 330.0, False),  # past the others, though the first in the file
        (0, 291.0, True),
        (0, 289.0, False),
        (2, 268.0, True),
        (0, 560.0, False),
    ],
)
def test_supports_keep_their_order_off_holes_and_ends(everyday, support, at, good):
    assert fit(everyday, text=NO_BOARD, supports=((support, at),)) == good


def test_a_support_that_stands_at_a_hole_already_may_stay_and_move_away_but_not_nearer(everyday):
    """At 97 mm it is 4.6 mm from the hole at 101.6, where an M3 nut's corners are 6.2 wide."""
    near = NO_BOARD.replace("at_mm = 60.0", "at_mm = 97.0")
    assert fit(everyday, text=near, starts=((END, 380.0),))
    assert fit(everyday, text=near, supports=((1, 96.5),))
    assert not fit(everyday, text=near, supports=((1, 97.5),))


@pytest.mark.parametrize(("support", "at", "good"), [(2, 268.0, False), (1, 236.0, False), (1, 234.0, True)])
def test_a_support_at_a_boards_foot_stays_and_none_comes_near(everyday, support, at, good):
    """Within the bar's breadth of 40 mm of the foot at 275 a support gives way to it on the board."""
    assert fit(everyday, supports=((support, at),)) == good


def test_a_straight_bar_never_tips(everyday):
    """Its middle, 280 mm, stays between the outermost supports."""
    start, end = NO_BOARD.index("path = ["), NO_BOARD.index("supports = [")
    straight = NO_BOARD[:start] + "path = [{ straight_mm = 560.0 }]\n" + NO_BOARD[end:]
    two = "\n".join(line for line in straight.split("\n") if 'kind = "foot"' not in line)
    assert fit(everyday, text=two, supports=((0, 285.0),))
    assert not fit(everyday, text=two, supports=((0, 277.0),))


@pytest.mark.parametrize(
    ("section", "good"),
    [
        (
            Section("rectangle", 0.05, 0.012, 0.0),
            False,
        ),  # 60 mm of radius: under twice the thickness, it cracks
        (Section("rectangle", 0.035, 0.012, 0.0), True),  # as the bar may now, which is thicker
        (Section("rectangle", 0.005, 0.012, 0.0), False),  # nuts wider than the bar
        (Section("rectangle", 0.003, 0.012, 0.0), False),  # an M4 hole is as wide
    ],
)
def test_a_section_must_take_the_holes_and_the_bends(everyday, section, good):
    assert fit(everyday, section=section) == good


def test_a_magnetic_pickup_keeps_its_tine(everyday):
    heard = FLAT.replace("[board.panel]", '[pickup]\nkind = "magnetic"\nat_mm = 125.0\n[board.panel]').replace(
        '[[group]]\nname = "a"', '[material.iron]\nlike = "mild steel"\nmagnetic = "yes"\n'
        '[stock.iron]\nkind = "plain"\ndiameter_mm = 3.0\nmaterial = "iron"\n[[group]]\nname = "a"'
    ).replace('stock = "M3"\nstart_in = 4.0', 'stock = "iron"\nstart_in = 4.0')  # fmt: skip
    assert fit(everyday, text=heard, starts=((A, 103.0),))
    assert not fit(everyday, text=heard, starts=((A, 112.0),))  # the middle one comes before it


def test_what_fits_is_never_refused_and_what_is_refused_never_fits(everyday):
    """Over random designs and changes, `fits` is at least as strict as the file's own checks."""
    import random

    draw = random.Random(5)
    fitted = 0
    for seed in range(15):
        design = everyday.design_of(everyday.design_tree(seed))
        old = resolve(design)
        for _ in range(20):
            group, support = draw.randrange(len(old.groups)), draw.randrange(len(old.bar.supports))
            start = math.floor(start_mm(old, group) + draw.uniform(-60.0, 60.0))
            at = math.floor(old.bar.supports[support].position * 1e3 + draw.uniform(-60.0, 60.0))
            if min(start, at) < 0:
                continue
            change = Change(((group, float(start)),), ((support, float(at)),))
            new = in_instrument(old, change)
            assert Before(old).fitting(change) == (new if fits(old, new) else None)
            if not fits(old, new):
                continue
            fitted += 1
            try:
                new = resolve(in_design(design, change))
            except InputError as error:
                pytest.fail(f"{seed} {change}: {error}")
            assert len(new.warnings) <= len(old.warnings)
    assert fitted > 40
