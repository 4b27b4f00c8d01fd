"""Cross-sections against handbook values."""

from __future__ import annotations

import math

import pytest

from synth.vibration.section import properties, rectangle, tube


@pytest.mark.parametrize(
    ("ratio", "constant"),
    [(1.0, 0.1406), (1.5, 0.196), (2.0, 0.229), (3.0, 0.263), (5.0, 0.291), (10.0, 0.312)],
)
def test_a_rectangles_torsion_constant_is_the_tabulated_one(ratio: float, constant: float) -> None:
    """Timoshenko and Goodier, Theory of Elasticity, table of k1 for rectangular bars: J = k1 long short³."""
    half_a_digit = 0.0005 if ratio > 1.0 else 0.00005
    section = rectangle(ratio * 0.02, 0.02, 0.3)
    assert float(section.torsion) / (ratio * 0.02**4) == pytest.approx(constant, abs=half_a_digit)
    assert section.torsion == rectangle(0.02, ratio * 0.02, 0.3).torsion


def test_shear_coefficients_are_cowpers() -> None:
    """G. R. Cowper, J. Appl. Mech. 33 (1966) 335, nu = 0.3: rectangle 0.850, circle 0.886, thin tube 0.531."""
    assert rectangle(0.02, 0.03, 0.3).shear_y == pytest.approx(0.850, abs=0.0005)
    assert tube(0.003, 0.003 / 2.0, 0.3).shear_z == pytest.approx(0.886, abs=0.0005)
    assert tube(0.03, 1e-7, 0.3).shear_z == pytest.approx(2.0 * 1.3 / (4.0 + 3.0 * 0.3), abs=0.0005)


def test_a_tube_is_the_rod_less_its_bore() -> None:
    hollow, outer, bore = tube(0.03, 0.004, 0.3), tube(0.03, 0.03 / 2.0, 0.3), tube(0.022, 0.022 / 2.0, 0.3)
    for name in ("area", "about_y", "about_z", "torsion"):
        assert getattr(hollow, name) == pytest.approx(getattr(outer, name) - getattr(bore, name))
    assert tube(0.03, 0.015, 0.3) == outer


def test_width_lies_to_the_side_and_height_upwards() -> None:
    """About y bends in the vertical plane, so it grows with the height cubed."""
    section = rectangle(0.025, 0.05, 0.3)
    assert section.about_y == pytest.approx(0.025 * 0.05**3 / 12.0)
    assert section.about_z == pytest.approx(0.05 * 0.025**3 / 12.0)


def test_properties_are_stiffness_and_mass_per_length() -> None:
    rod = properties(tube(0.003, 0.003 / 2.0, 0.29), youngs=193e9, shear=74.8e9, density=7900.0)
    area, second = math.pi / 4.0 * 0.003**2, math.pi / 64.0 * 0.003**4
    assert rod.mass == pytest.approx(7900.0 * area)
    assert rod.bend_y == rod.bend_z == pytest.approx(193e9 * second)
    assert rod.torsion == pytest.approx(74.8e9 * 2.0 * second)
    assert rod.inertia_x == pytest.approx(7900.0 * 2.0 * second)
    assert rod.shear_y == pytest.approx(74.8e9 * area * 6.0 * 1.29 / (7.0 + 6.0 * 0.29))


def test_a_flat_bar_carries_each_of_its_properties_in_its_own_plane() -> None:
    """60 x 10 mm: whatever has to do with y and whatever with z differ by the square of six."""
    bar = properties(rectangle(0.06, 0.01, 0.3), youngs=200e9, shear=77e9, density=7850.0)
    soft, stiff = 0.06 * 0.01**3 / 12.0, 0.01 * 0.06**3 / 12.0
    wanted = {
        "axial": 200e9 * 6e-4,
        "torsion": 77e9
        * (1.0 - 0.630 / 6.0)
        / 3.0
        * 0.06
        * 0.01**3,  # a strip less its two ends (Timoshenko and Goodier)
        "bend_y": 200e9 * soft,
        "bend_z": 200e9 * stiff,
        "shear_y": 0.850 * 77e9 * 6e-4,
        "shear_z": 0.850 * 77e9 * 6e-4,
        "mass": 7850.0 * 6e-4,
        "inertia_x": 7850.0 * (soft + stiff),
        "inertia_y": 7850.0 * soft,
        "inertia_z": 7850.0 * stiff,
    }
    for name, value in wanted.items():
        assert float(getattr(bar, name)) == pytest.approx(value, rel=2e-3), name
