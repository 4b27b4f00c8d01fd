"""Thick rods against the oscillating cylinder (P. M. Morse, Vibration and Sound): radiation_checks.csv."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.special import hankel2

from synth.design.instrument import Section
from synth.sound.radiator.bar import equivalent_radius
from synth.sound.radiator.thickness import THIN, thickness

TABLE = Path(__file__).parents[1] / "data" / "radiation_checks.csv"
PERCENT = 1e-2


def rows(quantity: str):
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["quantity"].startswith(quantity)]


def test_power_over_the_thin_rods_is_the_cylinders():
    for row in rows("cylinder dipole Re Z full/low-ka"):
        ka = float(re.search(r"ka=([\d.]+)", row["case"])[1])
        assert abs(thickness(np.array([ka]))[0]) ** 2 == pytest.approx(
            float(row["computed"]), rel=0.1 * PERCENT
        )


def test_efficiency_is_the_cylinders():
    # sigma = pi/2 (ka)^3 for a thin rod
    for row in rows("cylinder sigma"):
        ka = float(re.search(r"ka=([\d.]+)", row["case"])[1])
        sigma = math.pi / 2.0 * ka**3 * abs(thickness(np.array([ka]))[0]) ** 2
        assert sigma == pytest.approx(float(row["computed"]), rel=0.1 * PERCENT)


def test_a_square_bar_carries_air_as_a_round_one_of_the_tabulated_radius():
    ratio = float(rows("square-section equivalent radius")[0]["computed"])
    assert equivalent_radius(Section("rectangle", 0.025, 0.025, 0.0), 0.025) / 0.025 == pytest.approx(
        ratio, rel=0.1 * PERCENT
    )
    assert equivalent_radius(Section("round", 0.025, 0.025, 0.0), 0.025) == pytest.approx(0.0125)


def test_the_table_of_thickness_is_hankels_function_between_its_rows_and_beyond():
    for ka in (THIN + 3e-6, 0.0211, 0.0342, 0.1007, 0.731, 2.9003, 7.9991, 8.0, 12.5):
        exact = 2j / (math.pi * ka**2) / (hankel2(1, ka) / ka - hankel2(0, ka))
        assert abs(thickness(np.array([ka]))[0] / exact - 1.0) < 1e-7
    assert thickness(np.array([0.0, 0.9 * THIN])) == pytest.approx(1.0)
