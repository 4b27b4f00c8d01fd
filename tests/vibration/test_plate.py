"""Free vibration of plates: what must hold whatever the numbers are."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre

from synth.vibration.plate import orthotropic, solve_plate


def plate(edges="free", *, length=0.6, width=0.4, thickness=4e-3, along=16.5e9, across=1.03e9):
    return orthotropic(
        length=length,
        width=width,
        thickness=thickness,
        density=680.0,
        youngs_x=along,
        youngs_y=across,
        shear=0.7e9,
        poisson_xy=0.1,
        edges=(edges,) * 4,
    )


def over(modes, count=60):
    nodes, weights = legendre.leggauss(count)
    x, y = (0.5 * (nodes + 1.0) * size for size in (modes.plate.length, modes.plate.width))
    return x, y, weights, modes.plate.area / 4.0


@pytest.mark.parametrize("edges", ["free", "supported", "clamped"])
def test_modes_are_orthonormal_over_the_mass(edges):
    modes = solve_plate(plate(edges), highest=800.0, most=30)
    x, y, weights, scale = over(modes)
    shape = modes.grid(x, y)
    gram = modes.plate.mass_per_area * scale * np.einsum("x,y,xya,xyb->ab", weights, weights, shape, shape)
    assert gram == pytest.approx(np.eye(len(modes.frequency)), abs=1e-9)


def test_slopes_are_those_of_the_shapes():
    modes = solve_plate(plate(), highest=500.0, most=20)
    at, step = np.array([0.21]), 1e-6
    found = modes.at(at, at)[0]
    by_x = (modes.at(at + step, at)[0, 0] - modes.at(at - step, at)[0, 0]) / (2.0 * step)
    by_y = (modes.at(at, at + step)[0, 0] - modes.at(at, at - step)[0, 0]) / (2.0 * step)
    assert found[1] == pytest.approx(by_x, rel=1e-5, abs=1e-5)
    assert found[2] == pytest.approx(by_y, rel=1e-5, abs=1e-5)


def test_a_free_plate_has_three_rigid_motions_and_a_held_one_none():
    assert np.sum(solve_plate(plate("free"), highest=100.0, most=9).frequency == 0.0) == 3
    assert np.all(solve_plate(plate("supported"), highest=300.0, most=9).frequency > 0.0)


def test_supported_and_clamped_edges_stay_where_they_are():
    for edges in ("supported", "clamped"):
        modes = solve_plate(plate(edges), highest=500.0, most=10)
        edge = modes.at(np.array([0.0, 0.3, 0.6, 0.3]), np.array([0.2, 0.0, 0.2, 0.4]))
        assert np.abs(edge[:, 0]).max() < 1e-9 * np.abs(modes.at(np.array([0.25]), np.array([0.17]))).max()
        if edges == "clamped":
            assert np.abs(edge[0, 1]).max() < 1e-6
            assert np.abs(edge[1, 2]).max() < 1e-6


def test_holding_edges_raises_every_frequency():
    free, supported, clamped = (
        solve_plate(plate(edges), highest=600.0, most=12).frequency
        for edges in ("free", "supported", "clamped")
    )
    assert np.all(free[:10] < supported[:10])
    assert np.all(supported[:10] < clamped[:10])


def test_frequency_grows_with_thickness_and_falls_with_the_square_of_size():
    one = solve_plate(plate(), highest=800.0, most=12).frequency[3:12]
    thick = solve_plate(plate(thickness=8e-3), highest=1600.0, most=12).frequency[3:12]
    large = solve_plate(plate(length=1.2, width=0.8), highest=200.0, most=12).frequency[3:12]
    assert thick == pytest.approx(2.0 * one, rel=1e-6)
    assert large == pytest.approx(one / 4.0, rel=1e-6)


def test_more_polynomials_lower_the_frequencies_by_less_than_a_thousandth():
    coarse = solve_plate(plate(), highest=1200.0, most=60).frequency
    fine = solve_plate(plate(), highest=4000.0, most=200).frequency[: len(coarse)]
    bend = coarse > 0.0
    assert np.all(fine[bend] <= coarse[bend] * (1.0 + 1e-6))  # up to rounding
    assert coarse[bend] == pytest.approx(fine[bend], rel=1e-3)


def test_a_turned_plate_is_the_same_plate():
    one = solve_plate(plate(along=9e9, across=4e9), highest=500.0, most=15).frequency
    turned = orthotropic(
        length=0.4,
        width=0.6,
        thickness=4e-3,
        density=680.0,
        youngs_x=4e9,
        youngs_y=9e9,
        shear=0.7e9,
        poisson_xy=0.1 * 4.0 / 9.0,
        edges=("free",) * 4,
    )
    other = solve_plate(turned, highest=500.0, most=15).frequency
    assert other == pytest.approx(one, rel=1e-6)


def test_constants_of_no_elastic_body_are_refused():
    with pytest.raises(ValueError, match="nu_xy"):
        orthotropic(
            length=1.0,
            width=1.0,
            thickness=1e-3,
            density=1.0,
            youngs_x=1.0,
            youngs_y=30.0,
            shear=1.0,
            poisson_xy=0.4,
            edges=("free",) * 4,
        )


@pytest.mark.parametrize("most", [3, 10, 40])
def test_a_slender_clamped_plate_has_as_many_modes_as_are_asked_for(most):
    strip = plate("clamped", length=0.1, width=0.8, thickness=25e-3)
    modes = solve_plate(strip, highest=60_000.0, most=most)
    assert len(modes.frequency) == most
    more = solve_plate(strip, highest=60_000.0, most=2 * most)
    assert modes.frequency == pytest.approx(more.frequency[:most], rel=1e-4)
