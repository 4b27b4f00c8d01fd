"""Thread and nut data against the standards: ISO 898-1, ISO 4032, ISO 724, ASME B1.1; equal temperament by ISO 16.

The tables printed here are the standards' own figures as suppliers' pages reproduce them, typed in apart from the
shipped tables.
"""

import math

import pytest

from synth.design import catalogue
from synth.design.rods_nuts_sticks import find_nut
from synth.design.schema import Bar, Design, Section, Segment
from synth.units import note_hz, note_number

INCH = 25.4  # mm


# ISO 898-1, nominal stress area of coarse threads, mm2; printed to three figures
STRESS_AREA = {"M2": 2.07, "M2.5": 3.39, "M3": 5.03, "M4": 8.78, "M5": 14.2, "M6": 20.1}

# ASME B1.1, tensile stress area, in2
STRESS_AREA_UN = {
    "#2-56 UNC": 0.00370,
    "#4-40 UNC": 0.00604,
    "#6-32 UNC": 0.00909,
    "#8-32 UNC": 0.0140,
    "#10-24 UNC": 0.0175,
    "#10-32 UNF": 0.0200,
    "1/4-20 UNC": 0.0318,
}

# ISO 262 and ISO 724, coarse pitch and pitch diameter, mm
COARSE = {
    "M2": (0.4, 1.740),
    "M2.5": (0.45, 2.208),
    "M3": (0.5, 2.675),
    "M4": (0.7, 3.545),
    "M5": (0.8, 4.480),
    "M6": (1.0, 5.350),
}

# ISO 4032: across flats s (max, min) and height m (max, min), mm
HEX = {
    "M2": (4.0, 3.82, 1.6, 1.35),
    "M2.5": (5.0, 4.82, 2.0, 1.75),
    "M3": (5.5, 5.32, 2.4, 2.15),
    "M4": (7.0, 6.78, 3.2, 2.9),
    "M5": (8.0, 7.78, 4.7, 4.4),
    "M6": (10.0, 9.78, 5.2, 4.9),
}

# Weight of a DIN 934 nut of steel in makers' catalogues, g; from memory. Heights of M5 and M6 differ: not compared.
CATALOGUE = {"M2": 0.142, "M2.5": 0.28, "M3": 0.384, "M4": 0.81}


def d3(thread):
    """ISO 898-1: d3 = d1 - H/6, with d1 = d - 1.082532 p and H = 0.866025 p."""
    return thread.diameter_mm - (1.082532 + 0.866025 / 6.0) * thread.pitch_mm


def d2(thread):
    return thread.diameter_mm - 0.649519 * thread.pitch_mm


@pytest.mark.parametrize(("name", "area"), STRESS_AREA.items())
def test_stress_areas_follow_iso_898_1(name, area):
    thread = catalogue.threads().find(name)
    assert thread.stress_area_mm2 == area
    formula = math.pi / 4.0 * (0.5 * (d2(thread) + d3(thread))) ** 2
    assert formula == pytest.approx(area, rel=0.0025)  # three printed figures
    assert d3(thread) == pytest.approx(thread.diameter_mm - catalogue.ROOT_DEPTH * thread.pitch_mm, abs=1e-5)


@pytest.mark.parametrize(("name", "area"), STRESS_AREA_UN.items())
def test_stress_areas_follow_asme_b1_1(name, area):
    thread = catalogue.threads().find(name)
    assert thread.stress_area_mm2 == pytest.approx(area * INCH**2, rel=0.003)  # three printed figures
    formula = math.pi / 4.0 * (thread.diameter_mm - 0.9743 * thread.pitch_mm) ** 2
    assert formula == pytest.approx(area * INCH**2, rel=0.003)


@pytest.mark.parametrize(("name", "sizes"), COARSE.items())
def test_pitches_and_pitch_diameters_follow_iso_262_and_724(name, sizes):
    thread = catalogue.threads().find(name)
    assert thread.diameter_mm == float(name[1:])
    assert thread.pitch_mm == sizes[0]
    assert thread.diameter_mm - catalogue.PITCH_DEPTH * thread.pitch_mm == pytest.approx(sizes[1], abs=0.0005)


def test_numbered_threads_grow_by_thirteen_thousandths_of_an_inch():
    # ASME B1.1: the basic diameter of number n is 0.060 + 0.013 n in
    for thread in catalogue.threads():
        if thread.name.startswith("#"):
            number, pitches = thread.name.removeprefix("#").split()[0].split("-")
            assert thread.diameter_mm == pytest.approx((0.060 + 0.013 * int(number)) * INCH)
            assert thread.pitch_mm == pytest.approx(INCH / int(pitches), rel=1e-6)


# ASME B1.1, class 2A limits of the pitch diameter, in (#6-32 and #10-32 also in thread charts); from memory
@pytest.mark.parametrize(
    ("name", "high", "low"),
    [("#6-32 UNC", 0.1169, 0.1141), ("#10-32 UNF", 0.1688, 0.1658), ("1/4-20 UNC", 0.2164, 0.2127)],
)
def test_class_2a_limits_follow_asme_b1_1(name, high, low):
    limits = catalogue.threads().find(name).pitch_diameter_limits_mm
    assert [limit / INCH for limit in limits] == pytest.approx(
        [low, high], abs=0.00011
    )  # printed to 0.0001 in


# ISO 965-2, 6g limits of the pitch diameter, mm
@pytest.mark.parametrize(
    ("name", "high", "low"),
    [("M3", 2.655, 2.580), ("M4", 3.523, 3.433), ("M5", 4.456, 4.361), ("M6", 5.324, 5.212)],
)
def test_class_6g_limits_follow_iso_965(name, high, low):
    assert catalogue.threads().find(name).pitch_diameter_limits_mm == (low, high)


@pytest.mark.parametrize(("name", "sizes"), HEX.items())
def test_hexagon_nuts_follow_iso_4032(name, sizes):
    row = catalogue.nuts().find(f"{name} hex")
    assert (row.width_max_mm, row.width_min_mm, row.height_max_mm, row.height_min_mm) == sizes


@pytest.mark.parametrize(("name", "sizes"), HEX.items())
def test_nut_masses_lie_between_a_hexagon_drilled_to_the_major_and_to_the_minor_diameter(name, sizes):
    # a thread fills part of the ring between them; chamfers take up to 3 % more
    row, thread = catalogue.nuts().find(f"{name} hex"), catalogue.threads().find(name)
    width, height = 0.5 * (sizes[0] + sizes[1]), 0.5 * (sizes[2] + sizes[3])
    hexagon = math.sqrt(3.0) / 2.0 * width**2
    d1 = thread.diameter_mm - 1.082532 * thread.pitch_mm
    least, most = (7.85e-3 * height * (hexagon - math.pi / 4.0 * d**2) for d in (thread.diameter_mm, d1))
    assert 0.97 * least < row.mass_g < most


@pytest.mark.parametrize(("name", "weight"), CATALOGUE.items())
def test_nut_masses_are_those_of_catalogues_less_the_middle_of_the_tolerance(name, weight):
    # catalogue weights are for the greatest dimensions; the middle of the tolerance is 8 to 14 % lighter
    assert 0.85 < catalogue.nuts().find(f"{name} hex").mass_g / weight < 0.93


def test_the_stainless_nut_weighs_as_its_density():
    design = Design(
        bar=Bar(section=Section(shape="round", diameter_mm=20.0), path=[Segment(straight_mm=300.0)])
    )
    assert find_nut(design, "M3 hex", "").mass == pytest.approx(0.3432e-3 * 7900.0 / 7850.0)


# MIDI 1.0 note numbers (middle C is 60) in equal temperament with A4 = 440 Hz (ISO 16), Hz
@pytest.mark.parametrize(
    ("name", "number", "frequency"),
    [
        ("C-1", 0, 8.1758),
        ("A0", 21, 27.5),
        ("E2", 40, 82.4069),
        ("C4", 60, 261.6256),
        ("A4", 69, 440.0),
        ("C#4", 61, 277.1826),
        ("Db4", 61, 277.1826),
        ("C8", 108, 4186.009),
        ("G9", 127, 12543.854),
    ],
)
def test_notes_follow_equal_temperament(name, number, frequency):
    assert note_number(name) == number
    assert note_hz(number, 440.0) == pytest.approx(frequency, rel=1e-6 if frequency < 1000.0 else 1e-7)
