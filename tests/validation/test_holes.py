"""Holes, threads and washers against the published tables they come from."""

import math

import pytest

from synth.design import catalogue

# ISO 273:1979, fine, medium, coarse; ISO 2306:1972, coarse pitch; ISO 7089:2000 inside, outside, nominal thickness
ISO = {
    "M2": ((2.2, 2.4, 2.6), 1.6, (2.2, 5.0, 0.3)),
    "M2.5": ((2.7, 2.9, 3.1), 2.05, (2.7, 6.0, 0.5)),
    "M3": ((3.2, 3.4, 3.6), 2.5, (3.2, 7.0, 0.5)),
    "M4": ((4.3, 4.5, 4.8), 3.3, (4.3, 9.0, 0.8)),
    "M5": ((5.3, 5.5, 5.8), 4.2, (5.3, 10.0, 1.0)),
    "M6": ((6.4, 6.6, 7.0), 5.0, (6.4, 12.0, 1.6)),
}
# ASME B18.2.8-1999: close, normal, loose drill; B94.11M number, letter and fraction drills in inches
DRILLS = {
    "3/32": 0.0938, "#38": 0.1015, "#32": 0.1160, "#31": 0.1200, "#30": 0.1285, "#27": 0.1440, "#23": 0.1540,
    "#18": 0.1695, "#13": 0.1850, "#15": 0.1800, "#9": 0.1960, "#3": 0.2130, "#5": 0.2055, "#2": 0.2210,
    "B": 0.2380, "17/64": 0.2656, "9/32": 0.2812, "19/64": 0.2969, "#50": 0.0700, "#43": 0.0890, "#36": 0.1065,
    "#29": 0.1360, "#25": 0.1495, "#21": 0.1590, "#7": 0.2010,
}  # fmt: skip
ASME = {
    "#2-56 UNC": ("3/32", "#38", "#32"),
    "#4-40 UNC": ("#31", "#30", "#27"),
    "#6-32 UNC": ("#23", "#18", "#13"),
    "#8-32 UNC": ("#15", "#9", "#3"),
    "#10-24 UNC": ("#5", "#2", "B"),
    "#10-32 UNF": ("#5", "#2", "B"),
    "1/4-20 UNC": ("17/64", "9/32", "19/64"),
}
COARSE = {"M2": 0.4, "M2.5": 0.45, "M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0}  # ISO 262, first choice
THOUSANDTH = 0.0254  # mm


@pytest.mark.parametrize("thread", ISO)
def test_metric_holes_and_washers_are_those_of_the_iso_tables(thread):
    row = catalogue.holes().find(thread)
    clearance, tapping, washer = ISO[thread]
    assert (row.close_mm, row.normal_mm, row.loose_mm) == clearance
    assert row.tapping_mm == tapping
    assert (row.washer_inside_mm, row.washer_outside_mm, row.washer_mm) == washer


@pytest.mark.parametrize("thread", ASME)
def test_inch_clearance_drills_are_those_of_asme_b18_2_8(thread):
    row = catalogue.holes().find(thread)
    assert (row.close_drill, row.normal_drill, row.loose_drill) == ASME[thread]
    for drill, size in (
        (row.close_drill, row.close_mm),
        (row.normal_drill, row.normal_mm),
        (row.loose_drill, row.loose_mm),
        (row.tapping_drill, row.tapping_mm),
    ):
        assert size == pytest.approx(25.4 * DRILLS[drill], abs=THOUSANDTH)


def test_every_thread_has_its_hole():
    assert catalogue.holes().names == catalogue.threads().names


def test_a_metric_tapping_hole_is_the_diameter_less_the_pitch():  # the rule of ISO 2306
    for thread, pitch in COARSE.items():
        row = catalogue.threads().find(thread)
        assert row.pitch_mm == pitch
        assert catalogue.holes().find(thread).tapping_mm == pytest.approx(row.diameter_mm - pitch, abs=0.05)


def test_a_tapping_hole_leaves_between_half_and_all_of_the_thread():
    for row in catalogue.holes():
        thread = catalogue.threads().find(row.name)
        # share of the basic height of thread, 1.0825 p across the diameter (ISO 68-1, ASME B1.1)
        share = (thread.diameter_mm - row.tapping_mm) / (1.0825 * thread.pitch_mm)
        assert 0.65 < share < 0.95, row.name


def test_a_tapping_hole_is_no_smaller_than_the_thread_of_a_nut():  # D1 = d - 1.0825 p, the least of ISO 965 and 2B
    for row in catalogue.holes():
        thread = catalogue.threads().find(row.name)
        assert row.tapping_mm >= thread.diameter_mm - 1.082532 * thread.pitch_mm - 1e-9


def test_fits_grow_and_the_washer_covers_the_normal_hole():
    for row in catalogue.holes():
        d = catalogue.threads().find(row.name).diameter_mm
        assert d < row.close_mm < row.normal_mm < row.loose_mm < row.washer_outside_mm
        assert math.isclose(row.washer_inside_mm, row.close_mm, rel_tol=0.07)
