"""The air around a plate against C. E. Wallace's radiation efficiencies (J. Acoust. Soc. Am. 51 (1972) 946), his
asymptotes, Leppington's mean, Lamb's disc, and a square plate's added mass: tests/data/radiation_checks.csv.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.vibration.plate import Plate, orthotropic, solve_plate
from synth.vibration.plate_air import radiation
from synth.vibration.statistical_modes import edge_efficiency

TABLE = Path(__file__).parents[1] / "data" / "radiation_checks.csv"
PERCENT = 1e-2
DB = 10.0 ** (1.0 / 20.0)


def rows(quantity: str):
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["quantity"].startswith(quantity)]


def plate(length: float = 0.6, width: float = 0.4, edges: str = "supported") -> Plate:
    return orthotropic(
        length=length,
        width=width,
        thickness=4e-3,
        density=680.0,
        youngs_x=10e9,
        youngs_y=10e9,
        shear=10e9 / 2.6,
        poisson_xy=0.3,
        edges=(edges,) * 4,
    )


def wallace(m: int, n: int, aspect: float, ratio: float) -> float:
    """Wallace's integral for mode (m, n) of a baffled, simply supported plate, a/b = aspect, k/kb = ratio."""
    from scipy.integrate import dblquad

    a, b = aspect, 1.0
    k = ratio * math.pi * math.hypot(m / a, n / b)

    def integrand(theta: float, phi: float) -> float:
        along, across = k * a * math.sin(theta) * math.cos(phi), k * b * math.sin(theta) * math.sin(phi)
        factor = 1.0
        for value, count in ((along, m), (across, n)):
            trig = math.cos(value / 2.0) if count % 2 else math.sin(value / 2.0)
            factor *= trig / ((value / (count * math.pi)) ** 2 - 1.0)
        return factor**2 * math.sin(theta)

    value, _ = dblquad(integrand, 0.0, math.pi / 2.0, 0.0, math.pi / 2.0, epsabs=0.0, epsrel=1e-5)
    return 64.0 * k**2 * a * b / (math.pi**6 * (m * n) ** 2) * value


def efficiencies(m: int, n: int, aspect: float, ratio: float) -> float:
    """Ours, from the resistance of a lid (one face, in free space), doubled for the baffle's image."""
    one = plate(0.4 * aspect, 0.4)
    modes = solve_plate(one, highest=1000.0, most=12)
    exact = math.hypot(m / one.length, n / one.width)
    frequency = math.pi / 2.0 * math.sqrt(one.stiffness_x / one.mass_per_area) * exact**2
    which = int(np.argmin(np.abs(modes.frequency - frequency)))
    k = ratio * math.pi * exact
    air = radiation(modes, np.array([k * SOUND_SPEED / (2.0 * math.pi)]), faces="one", finer=2.0)
    own = air.impedance[0].real
    # a square plate's (1,2) and (2,1) share their frequency; either radiates alike
    return 2.0 * float(own[which, which]) * one.mass_per_area / (AIR_DENSITY * SOUND_SPEED)


TABLED = [
    (
        int(row["case"][1]),
        int(row["case"][3]),
        *(float(x) for x in re.findall(r"=([\d.]+)", row["case"])),
        row,
    )
    for row in rows("baffled SSSS modal sigma")
]


@pytest.mark.parametrize(("m", "n", "aspect", "ratio", "row"), [each for each in TABLED if each[2] == 1.5])
def test_a_baffled_plates_modes_radiate_as_tabulated(m, n, aspect, ratio, row):
    assert efficiencies(m, n, aspect, ratio) == pytest.approx(float(row["computed"]), rel=3.0 * PERCENT)


@pytest.mark.parametrize(("m", "n"), [(1, 1), (1, 2), (2, 2)])
def test_the_tabulated_values_are_wallaces_integral(m, n):
    for *mode, aspect, ratio, row in TABLED:
        if mode == [m, n] and aspect == 1.5 and ratio in (0.1, 1.0):
            assert wallace(m, n, aspect, ratio) == pytest.approx(float(row["computed"]), rel=0.01 * PERCENT)


def test_slow_volume_radiates_by_wallaces_asymptote():
    # sigma_11 -> 32/pi^5 k^2 a b
    k = 2.0 * math.pi * 20.0 / SOUND_SPEED
    one = plate()
    air = radiation(solve_plate(one, highest=200.0, most=1), np.array([20.0]), faces="one", finer=2.0)
    sigma = 2.0 * air.impedance[0, 0, 0].real * one.mass_per_area / (AIR_DENSITY * SOUND_SPEED)
    assert sigma == pytest.approx(32.0 / math.pi**5 * k**2 * one.area, rel=1.0 * PERCENT)


def test_a_square_plates_added_mass_is_tabulated():
    # 0.4547 rho s^3 both faces together, rigid and bare (0.579 pi/4, R. D. Blevins; from memory)
    one = plate(1.0, 1.0, "free")
    rigid = solve_plate(one, highest=0.5, most=3)
    air = radiation(rigid, np.array([0.5]), faces="both", finer=4.0)
    heave = int(np.flatnonzero(np.all(air.parity == 1, axis=1))[0])
    mass = air.impedance[0, heave, heave].imag / (2.0 * math.pi * 0.5) * one.mass
    assert mass == pytest.approx(0.4547 * AIR_DENSITY, rel=0.5 * PERCENT)


def test_the_cells_converge_with_the_square_of_their_size():
    one = plate(1.0, 1.0, "free")
    rigid = solve_plate(one, highest=0.5, most=3)
    mass = []
    for finer in (1.0, 2.0, 4.0):
        air = radiation(rigid, np.array([0.5]), faces="both", finer=finer)
        heave = int(np.flatnonzero(np.all(air.parity == 1, axis=1))[0])
        mass.append(air.impedance[0, heave, heave].imag)
    order = math.log2((mass[1] - mass[0]) / (mass[2] - mass[1]))
    assert order > 1.6


def test_a_bare_panel_is_heard_less_than_a_baffled_one_by_the_tabulated_ratio():
    row = rows("unbaffled (1,1) 0.6x0.4 on-axis ratio")[0]
    frequencies = [float(f) for f in row["case"].removesuffix(" Hz").split("/")]
    modes = solve_plate(plate(), highest=200.0, most=1)
    f = np.array(frequencies)
    bare = radiation(modes, f, faces="both", finer=2.0)
    lid = radiation(modes, f, faces="one", finer=2.0)
    ear = np.array([0.0, 0.0, 100.0])
    unit = np.ones((1, len(f)), dtype=complex)
    ratio = np.abs(
        bare.pressure(unit, f, ear, nearest=100.0) / (2.0 * lid.pressure(unit, f, ear, nearest=100.0))
    )
    assert ratio == pytest.approx([float(x) for x in row["computed"].split()], rel=2.0 * PERCENT)


def test_a_bare_panels_efficiency_is_tabulated():
    row = rows("unbaffled (1,1) 0.6x0.4 sigma")[0]
    f = np.array([float(x) for x in row["case"].removesuffix(" Hz").split("/")])
    air = radiation(solve_plate(plate(), highest=200.0, most=1), f, faces="both", finer=2.0)
    sigma = air.impedance[:, 0, 0].real * plate().mass_per_area / (2.0 * AIR_DENSITY * SOUND_SPEED)
    # the table gives resistance over rho c S of both faces as one
    assert sigma * 2.0 == pytest.approx(
        2.0 * np.array([float(x) for x in row["computed"].split()]), rel=5.0 * PERCENT
    )


def test_the_mean_of_resonant_modes_is_leppingtons():
    one = plate()
    modes = solve_plate(one, highest=2600.0, most=100)
    for row in rows("average sigma, 0.6x0.4 plate")[:4]:
        middle = float(row["case"].split()[0])
        printed = float(re.search(r"Maidanik ([\d.]+)", row["reference"])[1])
        assert edge_efficiency(one, np.array([middle]))[0] == pytest.approx(printed, rel=1.0 * PERCENT)
        low, high = middle * 2.0 ** (-1.0 / 6.0), middle * 2.0 ** (1.0 / 6.0)
        band = np.flatnonzero((modes.frequency > low) & (modes.frequency < high))
        air = radiation(modes, np.array([middle]), faces="one")
        sigma = 2.0 * air.impedance[0].real.diagonal()[band] * one.mass_per_area / (AIR_DENSITY * SOUND_SPEED)
        assert sigma.mean() / printed == pytest.approx(
            1.0, abs=0.35
        )  # a band of a few modes scatters by that
