"""Lengths of bends against handbook rules."""

import math

import pytest

from synth.workshop.flat_length import bend_allowance, neutral_share

RIGHT = math.pi / 2.0

# Machinery's Handbook, "Lengths of straight stock required for bends", right angle (from memory), with R the inside
# radius and T the thickness: soft copper and brass L = 0.55 T + 1.57 R; half-hard copper and brass, soft steel and
# aluminium L = 0.64 T + 1.57 R; bronze, hard copper, cold-rolled and spring steel L = 0.71 T + 1.57 R.
HANDBOOK = {"soft brass": 0.55, "soft steel": 0.64, "spring steel": 0.71}


@pytest.mark.parametrize("factor", HANDBOOK.values(), ids=HANDBOOK)
@pytest.mark.parametrize(("thickness", "radius"), [(0.0625, 0.125), (0.25, 0.5), (1.0, 3.0)])
def test_right_angles_in_inches_as_the_handbook_has_them(factor, thickness, radius):
    length = bend_allowance(RIGHT, inside=radius, thickness=thickness, neutral=factor / RIGHT)
    assert length == pytest.approx(factor * thickness + 1.57 * radius, abs=0.001 * radius)  # 1.57 for pi / 2


def test_a_worked_right_angle_in_soft_steel():
    # 1/8 in thick round 1/4 in: 0.64 x 0.125 + 1.57 x 0.25 = 0.4725 in, by hand from the handbook's formula
    assert bend_allowance(RIGHT, inside=0.25, thickness=0.125, neutral=0.41) == pytest.approx(
        0.4725, abs=1e-3
    )


def test_other_angles_are_in_proportion():  # the handbook's rule: multiply by the angle over 90
    ninety = bend_allowance(RIGHT, inside=3.0, thickness=2.0, neutral=0.41)
    assert bend_allowance(math.radians(-30.0), inside=3.0, thickness=2.0, neutral=0.41) == pytest.approx(
        ninety / 3.0
    )


def test_neutral_axis_by_din_6935():  # k = 0.65 + 0.5 log10(r / s), from r / s = 5 on k = 1; from memory
    assert neutral_share(1.0, 1.0) == pytest.approx(0.325)
    assert neutral_share(3.0, 1.0) == pytest.approx((0.65 + 0.5 * math.log10(3.0)) / 2.0)
    assert neutral_share(5.0, 1.0) == pytest.approx(0.5, abs=1e-3)
    assert neutral_share(50.0, 1.0) == 0.5
    assert neutral_share(0.0, 1.0) == 0.2
