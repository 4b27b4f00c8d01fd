"""Where tines stand when it is asked whether they meet: on their face of a flat bar, with nuts across corners."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import Bend, Group, PlacedNut, Section, Straight
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.vibration.clearance import HOLD, check_clearance
from synth.vibration.tine import solve_tines

DATA = Path(__file__).parents[1] / "data"
WIDE, HIGH = 0.060, 0.010
STRAIGHT = (Straight(0.4),)
GAP = 1e-4  # m, of what the search for a touching distance leaves


@pytest.fixture(scope="module")
def built(bench):
    """A flat bar with two tines, each as (place, face, length, nuts), on its own base nut."""
    base = resolve(load(DATA / "two-tines.toml"), "bench.toml")

    def make(*tines, pieces=STRAIGHT):
        made = []
        for number, (position, face, length, nuts) in enumerate(tines, start=1):
            root = replace(bench.root(), base_nut_height=3e-3)
            tine = bench.tine(bench.threaded(4.0, 0.7), length=1e3 * length, root=root, trim=nuts)
            made.append(replace(tine, number=number, position=position, face=face))
        bar = replace(base.bar, section=Section("rectangle", WIDE, HIGH, 0.0), path=pieces, supports=())
        return replace(base, bar=bar, tines=tuple(made), groups=(Group("two", None, None, 0, 2),))

    return make


def meets(instrument):
    """Whether the two are refused because they touch when they ring."""
    length, trim = [tine.goal.length for tine in instrument.tines], [tine.trim for tine in instrument.tines]
    modes = solve_tines(instrument.tines, length, trim)
    try:
        check_clearance(instrument, np.array(length), trim, modes)
    except InputError:
        return True
    return False


def touching(make, low, high):
    """The value between which and the next the verdict turns, by halving; it must turn."""
    assert meets(make(low))
    assert not meets(make(high))
    while high - low > GAP:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if meets(make(middle)) else (low, middle)
    return high


STUB = 0.02  # m: so short that it hardly bends under 2 N


def swing(built):
    """How far both tips ring towards each other, 0.3 of each bend under 2 N."""
    instrument = built((0.1, 0.0, STUB, ()), (0.2, 0.0, STUB, ()))
    tine = instrument.tines[0]
    stiff = tine.rod.material.youngs * math.pi * tine.rod.bend_diameter**4 / 64.0
    return 2.0 * 0.3 * HOLD * STUB**3 / (3.0 * stiff)


@pytest.mark.parametrize("face", [0.0, math.pi / 2.0, -math.pi / 2.0])
def test_rods_side_by_side_meet_at_their_diameter_on_every_face(built, face):
    found = touching(lambda gap: built((0.1, face, STUB, ()), (0.1 + gap, face, STUB, ())), 1e-3, 0.02)
    assert found == pytest.approx(4e-3 + swing(built), abs=2 * GAP)


def test_a_nut_is_as_wide_as_across_its_corners(built, bench):
    nut = PlacedNut(bench.nut("M4"), 0.012)
    found = touching(lambda gap: built((0.1, 0.0, STUB, (nut,)), (0.1 + gap, 0.0, STUB, ())), 4.2e-3, 0.02)
    corners = 6.89e-3 / math.sqrt(3.0)  # of a hexagon, from its width across flats: half of it
    assert found == pytest.approx(corners + 2e-3 + swing(built) * (0.6 * 0.6 * 2.4 / 2.0), abs=3 * GAP)


def test_two_that_lean_towards_each_other_are_nearest_where_they_leave_the_side_of_the_bar(built):
    """Two lines from the axis, x apart: leaving bar and base nut, 30 + 3 mm out, they are 33 sin x apart."""
    side = math.pi / 2.0
    found = touching(
        lambda degrees: built((0.1, side, STUB, ()), (0.1, side - math.radians(degrees), STUB, ())), 1.0, 15.0
    )
    assert found == pytest.approx(math.degrees(math.asin(4e-3 / 33e-3)), abs=0.1)


def test_tines_round_a_bend_meet_where_those_on_a_straight_bar_do_not(built):
    """On the inner side of a right angle two tines cross; on the outer side they part."""
    corner = (Straight(0.1), Bend(math.pi / 2.0, 0.06, 0.0), Straight(0.1))
    end = 0.2 + 0.06 * math.pi / 2.0
    inner, outer = (
        built((0.05, face, 0.13, ()), (end - 0.05, face, 0.13, ()), pieces=corner)
        for face in (math.pi / 2.0, -math.pi / 2.0)
    )
    assert meets(inner)
    assert not meets(outer)
    assert not meets(built((0.05, math.pi / 2.0, 0.13, ()), (end - 0.05, math.pi / 2.0, 0.13, ())))


def test_a_refusal_tells_the_room_that_there_is_and_how_far_both_tips_swing(built):
    """Free ends under 2 N bend by F l^3 / 3 E I, and 0.3 of it is left as ringing, once for each of the two."""
    instrument = built((0.1, 0.0, 0.1, ()), (0.1042, 0.0, 0.1, ()))
    tine = instrument.tines[0]
    stiff = tine.rod.material.youngs * math.pi * tine.rod.bend_diameter**4 / 64.0
    modes = solve_tines(instrument.tines, [0.1, 0.1], [(), ()])
    with pytest.raises(InputError) as refused:
        check_clearance(instrument, np.array([0.1, 0.1]), [(), ()], modes)
    room = float(refused.value.finding.split(" leave ")[1].split(" mm")[0])
    swings = float(refused.value.remedy.split("swing by ")[1].split(" mm")[0])
    assert room == pytest.approx(0.2)
    assert swings == pytest.approx(1e3 * 2.0 * 0.3 * 2.0 * 0.1**3 / (3.0 * stiff), rel=0.05)


@pytest.mark.parametrize("further", [0, 1], ids=["the first", "the second"])
def test_a_warning_tells_which_of_two_bends_further_and_how_far_a_stick_bends_it(built, further):
    """F l^3 / 3 E I of 2 N for the longer of the two, where there is room to ring but not to be held."""
    long = [0.1, 0.085] if further == 0 else [0.085, 0.1]
    instrument = built((0.1, 0.0, long[0], ()), (0.1044, 0.0, long[1], ()))
    tine = instrument.tines[0]
    stiff = tine.rod.material.youngs * math.pi * tine.rod.bend_diameter**4 / 64.0
    modes = solve_tines(instrument.tines, long, [(), ()])
    (words,) = check_clearance(instrument, np.array(long), [(), ()], modes)
    assert words.startswith(f"group[1]: tine {further + 1} of 'two', held by 2 N, bends ")
    assert words.endswith(f" mm and meets tine {2 - further} of 'two'")
    told = float(words.split("bends ")[1].split(" mm")[0])
    assert told == pytest.approx(1e3 * 2.0 * 0.1**3 / (3.0 * stiff), rel=0.03)
