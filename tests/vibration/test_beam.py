"""The beam elements: invariants, and what the mesh rule promises."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from synth.arrays import Array
from synth.units import cents
from synth.vibration.beam import elements_for, frame_element, plane_element, rod_element, wave_number
from synth.vibration.frame import solve
from synth.vibration.section import properties, rectangle, tube

ROD = {
    "bending_stiffness": 0.75,
    "shear_stiffness": 4.5e5,
    "mass_per_length": 0.056,
    "rotary_inertia_per_length": 3e-8,
}
RIGID = {"rise": [1.0, 0.0, 1.0, 0.0], "turn": [0.0, 1.0, 0.02, 1.0]}  # of an element 0.02 m long


def chain(K: Array, M: Array, count: int) -> tuple[Array, Array]:
    """The matrices of `count` equal elements in a line."""
    step = K.shape[-1] // 2
    big = np.zeros((2, step * (count + 1), step * (count + 1)))
    for position in range(0, step * count, step):
        at = slice(position, position + 2 * step)
        big[:, at, at] += np.stack([K, M])
    return big[0], big[1]


@pytest.mark.parametrize("motion", RIGID.values(), ids=RIGID)
def test_a_rigid_motion_bends_nothing(motion: list[float]) -> None:
    K, _ = plane_element(**ROD, length=0.02)
    assert np.abs(K @ motion).max() < 1e-12 * np.abs(K).max()


def test_a_rigid_motion_carries_the_elements_true_inertia() -> None:
    h, m, J = 0.02, ROD["mass_per_length"], ROD["rotary_inertia_per_length"]
    _, M = plane_element(**ROD, length=h)
    rise, turn = np.array(RIGID["rise"]), np.array(RIGID["turn"])
    assert rise @ M @ rise == pytest.approx(m * h, rel=1e-12)
    assert rise @ M @ turn == pytest.approx(m * h**2 / 2.0, rel=1e-12)
    assert turn @ M @ turn == pytest.approx(m * h**3 / 3.0 + J * h, rel=1e-12)


def test_a_tip_force_bends_one_element_as_the_closed_form_says() -> None:
    K, _ = plane_element(**ROD, length=0.1)
    deflection = np.linalg.solve(K[2:, 2:], [1.0, 0.0])[0]
    exact = 0.1**3 / (3.0 * ROD["bending_stiffness"]) + 0.1 / ROD["shear_stiffness"]
    assert deflection == pytest.approx(exact, rel=1e-12)


def test_infinite_shear_stiffness_is_the_limit_of_a_large_one() -> None:
    exact = plane_element(**{**ROD, "shear_stiffness": math.inf}, length=0.02)
    near = plane_element(**{**ROD, "shear_stiffness": 1e14}, length=0.02)
    for one, other in zip(exact, near, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6)


def test_elements_are_computed_in_any_leading_shape() -> None:
    length = np.array([[0.01, 0.02, 0.03], [0.04, 0.05, 0.06]])
    K, M = plane_element(**ROD, length=length)
    assert K.shape == M.shape == (2, 3, 4, 4)
    np.testing.assert_array_equal(M[1, 0], plane_element(**ROD, length=0.04)[1])


@pytest.mark.parametrize("count", [4, 8, 16])
def test_the_rod_element_converges_with_the_fourth_power(count: int) -> None:
    """A fixed-free rod: omega = (2 n - 1) pi / 2 for unit length and wave speed."""
    mode = solve(*chain(*rod_element(1.0, 1.0, 1.0 / count), count), held=[0])
    kh = math.pi / 2.0 * np.array([1.0, 3.0, 5.0]) / count
    error = mode.frequency[:3] * 2.0 * math.pi / (kh * count) - 1.0
    np.testing.assert_allclose(error, -(kh**4) / 480.0, rtol=0.35)


@functools.cache
def cantilever(slenderness: float, count: int) -> Array:
    """Angular frequencies of a round Timoshenko cantilever, length 1, E = rho = 1, d/L = slenderness."""
    section = tube(slenderness, slenderness / 2.0, 0.29)
    area, second = float(section.area), float(section.about_y)
    shear = float(section.shear_y) / (2.0 * 1.29) * area
    K, M = chain(*plane_element(second, shear, area, second, 1.0 / count), count)
    return 2.0 * math.pi * solve(K, M, held=[0, 1]).frequency


@pytest.mark.parametrize("slenderness", [0.01, 0.02, 0.05, 0.1])
@pytest.mark.parametrize("mode", [1, 3, 6, 9])
def test_the_mesh_rule_keeps_its_promise(slenderness: float, mode: int) -> None:
    """Against a mesh of 300 elements, whose own error is far smaller still."""
    exact = cantilever(slenderness, 300)[mode - 1]
    section = tube(slenderness, slenderness / 2.0, 0.29)
    k = wave_number(section.about_y, section.area, exact / (2.0 * math.pi))
    for allowed in (1e-3, 1e-4):
        count = int(elements_for(k, 1.0, gyration=slenderness / 4.0, relative_error=allowed))
        assert abs(cantilever(slenderness, max(count, mode))[mode - 1] / exact - 1.0) < allowed


def test_the_mass_correction_gains_two_orders_over_the_plain_consistent_mass() -> None:
    """Euler-Bernoulli cantilever, 12 elements, mode 4: the plain element errs by (k h)⁴ / 1440."""
    exact, h = 10.9955407349, 1.0 / 12.0  # beta L, from 1 + cos x cosh x = 0
    K, M = chain(*plane_element(1.0, math.inf, 1.0, 0.0, h), 12)
    plain = M - h**4 / 720.0 * K
    error = [
        abs(solve(K, each, held=[0, 1]).frequency[3] * 2 * math.pi / exact**2 - 1.0) for each in (M, plain)
    ]
    assert error[1] == pytest.approx((exact * h) ** 4 / 1440.0, rel=0.1)
    assert error[0] < error[1] / 20.0


def test_the_frame_element_is_symmetric_and_knows_all_rigid_motions() -> None:
    steel = properties(rectangle(0.025, 0.02, 0.29), youngs=203e9, shear=78.7e9, density=7850.0)
    K, M = frame_element(steel, np.array([0.01, 0.03]))
    for each in (K, M):
        np.testing.assert_allclose(each, each.swapaxes(-1, -2), atol=1e-12 * np.abs(each).max())
    for k, m in zip(K, M, strict=True):
        value = np.linalg.eigvalsh(k / np.abs(k).max())
        assert int(np.sum(np.abs(value) < 1e-12)) == 6
        assert np.linalg.eigvalsh(m).min() > 0.0


def test_both_bending_planes_of_the_frame_element_turn_the_same_way() -> None:
    """A round beam looks the same after a quarter turn about its axis: y to z, z to -y."""
    rod = properties(tube(0.003, 0.003 / 2.0, 0.29), youngs=193e9, shear=74.8e9, density=7900.0)
    quarter = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    turn = np.kron(np.eye(4), quarter)
    for each in frame_element(rod, 0.01):
        np.testing.assert_allclose(turn @ each[0] @ turn.T, each[0], atol=1e-12 * np.abs(each).max())


def test_a_cantilever_of_the_table_is_in_tune() -> None:
    """Thomson, Theory of Vibration, appendix D: beta L = 1.8751, 4.6941, 7.8548 (more digits computed)."""
    K, M = chain(*plane_element(1.0, math.inf, 1.0, 0.0, 1.0 / 12.0), 12)
    beta = np.sqrt(2.0 * math.pi * solve(K, M, held=[0, 1]).frequency[:3])
    for found, exact in zip(beta, (1.8751040687, 4.6940911330, 7.8547574382), strict=True):
        assert abs(cents((found / exact) ** 2)) < 0.01
