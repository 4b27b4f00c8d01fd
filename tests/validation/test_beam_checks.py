"""Beams against tabulated eigenvalues; each row of tests/data/beam_checks.csv names its source.

Lengths, mass per length and bending stiffness are 1, so a row's beta L is the root of an angular frequency.
"""

from __future__ import annotations

import csv
import math
import re
from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from synth.arrays import Array
from synth.units import cents
from synth.vibration.frame import Frame, PointMass, matrices, solve
from synth.vibration.section import Properties

CENT = 1.0
TABLE = Path(__file__).parents[1] / "data" / "beam_checks.csv"
COUNT = 40
IN_PLANE = (1, 5)  # displacement along y and rotation about z; the others are held
ENDS = {"free": (), "pinned": (1,), "clamped": (1, 5)}


class Row(NamedTuple):
    mode: int
    value: float
    digit: float  # half a unit in the last place that the source prints


def rows() -> dict[tuple[str, str], list[Row]]:
    """The table's rows with one mode each, by case and parameters; the published value where two are given."""
    found = defaultdict(list)
    with TABLE.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["mode"].isdigit() and not row["case"].startswith("NAFEMS"):
                printed = row["value"].split()[0]
                digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
                found[row["case"], row["parameters"]].append(Row(int(row["mode"]), float(printed), digit))
    return found


ROWS = rows()


def named(case: str) -> list[tuple[str, list[Row]]]:
    return [(parameters, found) for (name, parameters), found in ROWS.items() if name == case]


def numbers(parameters: str) -> dict[str, float]:
    """`mu=0.1 xi=a/L=0.25 j=J/(rho A L^3)=0` as numbers: the last of every chain of equals signs."""
    chains = (re.split("=", part) for part in re.split(r"[ ,]+(?=\w[\w/ ]*=)", parameters) if "=" in part)
    return {each[0].split()[-1]: float(Fraction(each[-1])) for each in chains}


def slender(rotary: float = 0.0, shear: float = math.inf) -> Properties:
    """A beam of unit length, mass and bending stiffness; what it does out of the plane does not matter."""
    return Properties(1.0, 1.0, 1.0, 1.0, shear, shear, 1.0, 1.0, rotary, rotary)


def omegas(
    beam: Properties,
    ends: tuple[str, str] = ("clamped", "free"),
    *,
    bodies: Iterable[tuple[float, float, float]] = (),
    count: int = COUNT,
) -> Array:
    """Angular frequencies in one plane; `bodies` are (place, mass, inertia) on nodes."""
    node = np.outer(np.linspace(0.0, 1.0, count + 1), [1.0, 0.0, 0.0])
    element = np.stack([np.arange(count), np.arange(1, count + 1)], axis=-1)
    masses = tuple(PointMass(round(x * count), m, np.diag([0.0, 0.0, J])) for x, m, J in bodies)
    frame = Frame(node, element, np.tile([0.0, 0.0, 1.0], (count, 1)), beam, masses=masses)
    held = {6 * b + i for b in range(count + 1) for i in range(6) if i not in IN_PLANE}
    held |= {6 * b + i for b, end in zip((0, count), ends, strict=True) for i in ENDS[end]}
    frequency = solve(*matrices(frame), held=sorted(held)).frequency
    return 2.0 * math.pi * frequency[frequency > 1e-2]


def close(found: Array, expected: list[Row], power: int) -> None:
    """Within half a cent, or within the digits that the source prints; `power` takes a row to a frequency."""
    assert expected
    for mode, value, digit in expected:
        allowed = max(0.5 * CENT, cents(1.0 + digit / value) * power)
        assert abs(cents(found[mode - 1] / value**power)) < allowed, f"mode {mode}"


@pytest.mark.parametrize(
    ("case", "parameters", "ends"),
    [
        ("EB cantilever", "1+cos x cosh x=0", ("clamped", "free")),
        ("EB free-free & clamped-clamped", "cos x cosh x=1", ("free", "free")),
        ("EB free-free & clamped-clamped", "cos x cosh x=1", ("clamped", "clamped")),
        ("EB clamped-pinned", "tan x=tanh x", ("clamped", "pinned")),
        ("EB pinned-pinned", "sin x=0", ("pinned", "pinned")),
    ],
    ids=["cantilever", "free-free", "clamped-clamped", "clamped-pinned", "pinned-pinned"],
)
def test_a_bare_beam_has_the_handbook_eigenvalues(case: str, parameters: str, ends: tuple[str, str]) -> None:
    """W. T. Thomson, Theory of Vibration with Applications, appendix D; the digits computed."""
    close(omegas(slender(), ends), ROWS[case, parameters], power=2)


def test_a_cantilevers_overtones_stand_in_the_computed_ratios() -> None:
    found = omegas(slender())
    close(found / found[0], ROWS["EB cantilever", ""], power=1)


@pytest.mark.parametrize(("parameters", "expected"), named("EB cantilever + tip mass"))
def test_a_tip_mass_lowers_a_cantilever_as_computed(parameters: str, expected: list[Row]) -> None:
    """mu = 1 is the column without rotary inertia of Math. Probl. Eng. 2017, 1568019, table 1."""
    close(omegas(slender(), bodies=[(1.0, numbers(parameters)["mu"], 0.0)]), expected, power=2)


@pytest.mark.parametrize(("parameters", "expected"), named("EB cantilever + tip mass with rotary inertia"))
def test_a_tip_mass_with_rotary_inertia_does_as_computed(parameters: str, expected: list[Row]) -> None:
    given = numbers(parameters)
    close(omegas(slender(), bodies=[(1.0, given["mu"], given["j"])]), expected, power=2)


@pytest.mark.parametrize(("parameters", "expected"), named("EB cantilever + intermediate mass"))
def test_a_mass_part_way_up_does_as_the_transfer_matrix_says(parameters: str, expected: list[Row]) -> None:
    given = numbers(parameters)
    close(omegas(slender(), bodies=[(given["xi"], given["mu"], given["j"])]), expected, power=2)


@pytest.mark.parametrize(("parameters", "expected"), named("Timoshenko cantilever"))
def test_a_thick_cantilever_does_as_the_exact_first_order_system_says(
    parameters: str, expected: list[Row]
) -> None:
    given = numbers(parameters)
    across = 12.0 if parameters.startswith("rect") else 16.0
    inertia = (given.get("h/L") or given["d/L"]) ** 2 / across  # I / A, which is r²
    shear = given["kappa"] / (2.0 * (1.0 + given["nu"]) * inertia)  # kappa G A over E I, in units of L
    close(omegas(slender(inertia, shear)), expected, power=1)


def tapered(b: tuple[float, float], h: tuple[float, float], count: int) -> Array:
    """code_aster V2.02.009: f = lambda h1 / (2 pi L²) sqrt(E / 12 rho), h1 at the tip; E = rho = L = 1."""
    x = (np.arange(count) + 0.5) / count
    width, height = b[0] + (b[1] - b[0]) * x, h[0] + (h[1] - h[0]) * x
    bend, none = width * height**3 / 12.0, np.zeros(count)
    mass = width * height
    beam = Properties(mass, mass, bend, bend, math.inf, math.inf, mass, mass, none, none)
    return omegas(beam, count=count) * math.sqrt(12.0) / h[1]


@pytest.mark.parametrize(
    ("case", "b", "h"),
    [
        ("VPCS SDLL09 tapered cantilever", (0.04, 0.01), (0.04, 0.01)),
        ("VPCS SDLL09 tapered cantilever beta=5", (0.05, 0.01), (0.04, 0.01)),
    ],
)
def test_a_tapered_cantilever_is_the_published_one(
    case: str, b: tuple[float, float], h: tuple[float, float]
) -> None:
    """H. H. Mabie and C. B. Rogers, J. Acoust. Soc. Am. 51 (1972) 1771, as printed by code_aster V2.02.009.

    The printed numbers carry an error of their own: the third lies 0.6 cent below the exact one of the next test.
    """
    ((_, expected),) = named(case)
    found = tapered(b, h, 160)
    for mode, value, digit in expected:
        allowed = max(0.6 * CENT, cents(1.0 + digit / value))
        assert abs(cents(found[mode - 1] / value)) < allowed, f"mode {mode}"


def test_a_truncated_pyramid_does_as_its_bessel_functions_say() -> None:
    """A cantilever whose width and height grow with x: E I ~ x⁴, m ~ x², w = x^-1 C2(2 q sqrt x).

    C2 is any of J2, Y2, I2, K2 (G. Kirchhoff, 1879); x from the apex, here 1/3 at the tip and 4/3 at the root,
    q⁴ = omega² 12 rho / (E (h/x)²). Zeros of the 4 x 4 determinant of the boundary conditions.
    """
    from scipy.optimize import brentq
    from scipy.special import iv, jv, kv, yv

    def columns(q: float, x: float) -> Array:
        """w, w', x⁴ w'' and (x⁴ w'')' of the four functions, by d/dx (x^(-n/2) C_n(z)) = -+q x^(-(n+1)/2) C_n+1."""
        z = 2.0 * q * math.sqrt(x)
        up = {jv: -1.0, yv: -1.0, iv: 1.0, kv: -1.0}  # of C_n+1 when n rises
        down = {jv: 1.0, yv: 1.0, iv: 1.0, kv: -1.0}  # of C_n-1, from (x^(n/2) C_n)' when n falls
        return np.array(
            [
                [
                    C(2, z) / x,
                    up[C] * q * C(3, z) / x**1.5,
                    q**2 * C(4, z) * x**2,
                    down[C] * q**3 * C(3, z) * x**1.5,
                ]
                for C in (jv, yv, iv, kv)
            ]
        ).T

    def determinant(q: float) -> float:
        conditions = np.vstack([columns(q, 4.0 / 3.0)[:2], columns(q, 1.0 / 3.0)[2:]])
        return float(np.linalg.det(conditions / np.abs(conditions).max(axis=0)))

    found = tapered((0.04, 0.01), (0.04, 0.01), 160)[:5]
    grid = np.linspace(1.0, 16.0, 1500)
    value = [determinant(q) for q in grid]
    crossings = [i for i in range(len(grid) - 1) if value[i] * value[i + 1] < 0.0][:5]
    root = np.array([brentq(determinant, grid[i], grid[i + 1]) for i in crossings])
    exact = root**2 * 0.03 / 0.01  # lambda = omega sqrt(12) / h1 with h = 0.03 x
    for one, other in zip(found, exact, strict=True):
        assert abs(cents(one / other)) < 0.5 * CENT
