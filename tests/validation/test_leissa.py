"""Plates against A. W. Leissa's tables (J. Sound Vib. 31 (1973) 257) and exact series: tests/data/plate_checks.csv.

Leissa used 36 beam products, so where edges are free his frequencies are upper bounds: ours must lie below them.
"""

from __future__ import annotations

import csv
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from synth.vibration.plate import Plate, orthotropic, solve_plate

TABLE = Path(__file__).parents[1] / "data" / "plate_checks.csv"
EDGES = {"S": "supported", "C": "clamped", "F": "free"}
PERCENT = 1e-2


def rows():
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["case"] in ("SSSS", "CCCC", "FFFF", "CFFF")]


def square_on(case: str, aspect: float, poisson: float = 0.3) -> Plate:
    youngs = 70e9
    edges = tuple(EDGES[letter] for letter in case)
    return orthotropic(
        length=1.0,
        width=1.0 / aspect,
        thickness=5e-3,
        density=2700.0,
        youngs_x=youngs,
        youngs_y=youngs,
        shear=youngs / (2.0 * (1.0 + poisson)),
        poisson_xy=poisson,
        edges=edges,
    )


def parameters(plate: Plate, count: int) -> np.ndarray:
    """lambda = w a^2 sqrt(m"/D) of the first modes that are no rigid motion."""
    modes = solve_plate(plate, highest=1000.0, most=count + 3)
    w = 2.0 * math.pi * modes.frequency[modes.frequency > 0.0]
    return w[:count] * plate.length**2 * math.sqrt(plate.mass_per_area / plate.stiffness_x)


@pytest.mark.parametrize("case", ["SSSS", "CCCC", "FFFF", "CFFF"])
def test_plates_have_the_tabulated_frequencies(case):
    mine = [row for row in rows() if row["case"] == case]
    assert mine
    for aspect in {row["aspect_a_over_b"] for row in mine}:
        ratio = Fraction(aspect).limit_denominator(5)  # the tables print 2/3 as 0.67
        found = parameters(square_on(case, float(ratio)), 6)
        for row in (row for row in mine if row["aspect_a_over_b"] == aspect):
            value, reference = found[int(row["mode_or_item"]) - 1], float(row["reference"])
            assert value == pytest.approx(reference, rel=float(row["tolerance_percent"]) * PERCENT), row
            if case != "SSSS":
                assert value < reference * (1.0 + 0.02 * PERCENT), row  # never above an upper bound


def test_a_simply_supported_orthotropic_plate_has_its_exact_frequencies():
    # w = pi^2/sqrt(m") sqrt(Dx (m/a)^4 + 2 (D1 + 2 Dk) (mn/ab)^2 + Dy (n/b)^4), Lekhnitskii
    plate = orthotropic(
        length=0.6,
        width=0.4,
        thickness=4e-3,
        density=680.0,
        youngs_x=16.5e9,
        youngs_y=1.03e9,
        shear=0.7e9,
        poisson_xy=0.1,
        edges=("supported",) * 4,
    )
    m, n = np.meshgrid(np.arange(1, 12), np.arange(1, 12))
    x, y = m / plate.length, n / plate.width
    squared = (
        plate.stiffness_x * x**4
        + 2.0 * (plate.coupling + 2.0 * plate.twist) * (x * y) ** 2
        + plate.stiffness_y * y**4
    )
    exact = np.sort((math.pi / 2.0 * np.sqrt(squared / plate.mass_per_area)).ravel())[:20]
    found = solve_plate(plate, highest=1000.0, most=20).frequency
    assert found == pytest.approx(exact, rel=1e-8)


def test_mean_mobility_is_that_of_the_endless_plate():
    """<Re Y> = 1/(8 sqrt(B m")) (Cremer and Heckl), averaged over points and 200 to 2000 Hz, tables: 1.3 % off."""
    plate = orthotropic(
        length=0.6,
        width=0.4,
        thickness=4e-3,
        density=680.0,
        youngs_x=10e9,
        youngs_y=10e9,
        shear=10e9 / 2.6,
        poisson_xy=0.3,
        edges=("supported",) * 4,
    )
    modes = solve_plate(plate, highest=2600.0, most=100)
    random = np.random.default_rng(1)
    points = 0.1 + 0.8 * random.random((60, 2))
    shape = modes.at(points[:, 0] * plate.length, points[:, 1] * plate.width)[:, 0]
    w = 2.0 * math.pi * np.arange(200.0, 2000.0, 2.0)
    own = 2.0 * math.pi * modes.frequency
    receptance = 1.0 / (own**2 * (1.0 + 0.02j) - w[:, None] ** 2)
    real = (1j * w[:, None] * (receptance @ (shape**2).T)).real
    assert real.mean() == pytest.approx(1.0 / plate.impedance, rel=5.0 * PERCENT)
    assert plate.modal_density == pytest.approx(0.02585, rel=0.1 * PERCENT)
    assert plate.critical_frequency(343.2) == pytest.approx(4038.5, rel=0.1 * PERCENT)
