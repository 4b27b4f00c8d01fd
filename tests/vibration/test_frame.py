"""Frames: orientation, rigid arms, masses, springs, modes."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.arrays import Array
from synth.vibration import frame as module
from synth.vibration.frame import Frame, PointMass, Spring, entries, matrices, rigid_arm, solve
from synth.vibration.section import properties, rectangle, tube

STEEL = {"youngs": 203e9, "shear": 78.7e9, "density": 7850.0}
BAR = properties(rectangle(0.040, 0.012, 0.29), **STEEL)  # flat: its planes are not alike


def line(count: int, *, length: float = 1.0, turn: Array | None = None, **more: object) -> Frame:
    """A straight bar along x with its up along z, all of it turned by a rotation matrix."""
    turn = np.eye(3) if turn is None else turn
    node = np.outer(np.linspace(0.0, length, count + 1), turn @ [1.0, 0.0, 0.0])
    element = np.stack([np.arange(count), np.arange(1, count + 1)], axis=-1)
    return Frame(node, element, np.tile(turn @ [0.0, 0.0, 1.0], (count, 1)), BAR, **more)  # type: ignore[arg-type]


def turned(seed: int) -> Array:
    """A rotation matrix drawn at random."""
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return np.asarray(q * np.sign(np.linalg.det(q)))


def rigid_motions(node: Array) -> Array:
    """(6 B, 6): what unit displacements and rotations of the origin do to every node."""
    return rigid_arm(node).reshape(-1, 6)


def test_turning_the_whole_frame_changes_no_frequency() -> None:
    plain = solve(*matrices(line(8)), count=20).frequency
    for seed in range(3):
        other = solve(*matrices(line(8, turn=turned(seed))), count=20).frequency
        np.testing.assert_allclose(other[6:], plain[6:], rtol=1e-9)


def test_a_free_frame_has_six_rigid_modes_and_its_true_rigid_inertia() -> None:
    frame = line(6, turn=turned(7))
    K, M = matrices(frame)
    rigid = rigid_motions(frame.node)
    assert np.abs(K @ rigid).max() < 1e-9 * np.abs(K).max()
    inertia = rigid.T @ M @ rigid
    mass = float(BAR.mass)
    np.testing.assert_allclose(inertia[:3, :3], mass * np.eye(3), atol=1e-12)
    centre = turned(7) @ [0.5, 0.0, 0.0]
    np.testing.assert_allclose(inertia[3:, :3], mass * np.cross(centre, np.eye(3)).T, atol=1e-9)
    assert int(np.sum(solve(K, M).frequency < 1.0)) == 6


def test_a_force_along_local_axes_bends_the_bar_in_the_right_plane() -> None:
    """End deflections of a cantilever, F L³ / 3 E I + F L / S, F L / E A, T L / G J."""
    K, _ = matrices(line(3, length=0.4))
    give = np.linalg.inv(K[6:, 6:])[-6:, -6:]
    assert give[0, 0] == pytest.approx(0.4 / BAR.axial)
    assert give[1, 1] == pytest.approx(0.4**3 / (3.0 * BAR.bend_z) + 0.4 / BAR.shear_y)
    assert give[2, 2] == pytest.approx(0.4**3 / (3.0 * BAR.bend_y) + 0.4 / BAR.shear_z)
    assert give[3, 3] == pytest.approx(0.4 / BAR.torsion)
    assert give[5, 1] == pytest.approx(0.4**2 / (2.0 * BAR.bend_z))  # a push to the side turns it about +z
    assert give[4, 2] == pytest.approx(-(0.4**2) / (2.0 * BAR.bend_y))  # a push up turns it about -y


@pytest.mark.parametrize(("width", "height"), [(0.060, 0.010), (0.010, 0.060), (0.040, 0.012)])
def test_each_plane_of_a_flat_bar_has_its_own_stiffness_shear_and_rotary_inertia(
    width: float, height: float
) -> None:
    """Simply supported, mode n, k = n pi / L (S. Timoshenko, Phil. Mag. 41 (1921) 744, from memory):

    m J / S w^4 - (m + J k^2 + B k^2 m / S) w^2 + B k^4 = 0,  B bending, S shear stiffness, J rotary inertia.
    """
    length, count = 0.3, 48
    beam = properties(rectangle(width, height, 0.29), **STEEL)
    # by hand, side by side: sideways the width is the depth of the beam, up and down the height
    shear = 10.0 * 1.29 / (12.0 + 11.0 * 0.29) * STEEL["shear"] * width * height
    mass, E, rho = STEEL["density"] * width * height, STEEL["youngs"], STEEL["density"]
    node = np.outer(np.linspace(0.0, length, count + 1), [1.0, 0.0, 0.0])
    element = np.stack([np.arange(count), np.arange(1, count + 1)], axis=-1)
    K, M = matrices(Frame(node, element, np.tile([0.0, 0.0, 1.0], (count, 1)), beam))
    for depth, breadth, move, turn in ((width, height, 1, 5), (height, width, 2, 4)):
        own = [6 * b + i for b in range(count + 1) for i in (move, turn)]
        ends = [own.index(6 * b + move) for b in (0, count)]
        found = solve(K[np.ix_(own, own)], M[np.ix_(own, own)], held=ends).frequency[:4]
        second = breadth * depth**3 / 12.0
        k = np.arange(1, 5) * math.pi / length
        a, c = mass * rho * second / shear, E * second * k**4
        b = mass + rho * second * k**2 + E * second * k**2 * mass / shear
        exact = np.sqrt((b - np.sqrt(b**2 - 4.0 * a * c)) / (2.0 * a)) / (2.0 * math.pi)
        np.testing.assert_allclose(found, exact, rtol=2e-4)  # a third of a cent


@pytest.mark.parametrize("seed", range(4))
def test_the_matrices_of_some_freedoms_are_those_rows_and_columns_of_the_whole(seed: int) -> None:
    """With masses on arms and springs, in any order; and the whole is what the entries add up to one by one."""
    rng = np.random.default_rng(seed)
    stiff = rng.normal(size=(6, 6))
    masses = (PointMass(1, 0.3, np.diag([1e-3, 2e-3, 3e-3]), rng.normal(size=3) * 0.05), PointMass(3, 0.1))
    springs = (Spring(2, stiff @ stiff.T), Spring(0, np.eye(6), rng.normal(size=3), 4, rng.normal(size=3)))
    frame = line(5, turn=turned(seed), masses=masses, springs=springs)
    found = entries(frame)
    plain = np.zeros((2, found.size, found.size))
    for row, column, *both in zip(found.row, found.column, found.stiffness, found.mass, strict=True):
        plain[:, row, column] += both
    some = rng.permutation(found.size)[:17]
    for whole, summed, part in zip(matrices(frame), plain, found.within(some), strict=True):
        np.testing.assert_allclose(whole, summed, rtol=1e-13, atol=1e-13 * np.abs(summed).max())
        np.testing.assert_array_equal(part, whole[np.ix_(some, some)])


def test_a_rigid_arm_turns_a_rotation_into_a_displacement() -> None:
    arm, theta = np.array([0.1, -0.2, 0.3]), np.array([0.4, 0.5, -0.6])
    moved = rigid_arm(arm) @ np.concatenate([np.zeros(3), theta])
    np.testing.assert_allclose(moved, [*np.cross(theta, arm), *theta], atol=1e-15)


def test_an_element_on_arms_equals_the_element_whose_nodes_stand_there() -> None:
    """A frame whose nodes are all shifted off the axis by one vector is the same structure seen from elsewhere."""
    shift = np.array([0.0, 0.01, 0.03])
    plain = line(5)
    arm = np.tile(-shift, (5, 2, 1))
    shifted = dataclasses.replace(plain, node=plain.node + shift, arm=arm)
    one, other = (solve(*matrices(each), count=16).frequency[6:] for each in (plain, shifted))
    np.testing.assert_allclose(other, one, rtol=1e-9)


def test_a_point_mass_on_an_arm_has_steiners_inertia() -> None:
    arm, own = np.array([0.0, 0.02, 0.05]), np.diag([1e-6, 2e-6, 3e-6])
    _, bare = matrices(line(1))
    _, M = matrices(line(1, masses=(PointMass(1, 0.3, own, arm),)))
    steiner = 0.3 * (arm @ arm * np.eye(3) - np.outer(arm, arm))
    np.testing.assert_allclose((M - bare)[9:, 9:], own + steiner, atol=1e-15)
    np.testing.assert_allclose((M - bare)[6:9, 6:9], 0.3 * np.eye(3), atol=1e-15)


def test_a_spring_between_nodes_pulls_only_when_they_part() -> None:
    stiffness = np.diag([1e3, 2e3, 3e3, 4.0, 5.0, 6.0])
    K = matrices(line(2, springs=(Spring(0, stiffness, other=2),)))[0] - matrices(line(2))[0]
    together = np.concatenate([np.ones(6), np.zeros(6), np.ones(6)])
    assert np.abs(K @ together).max() == 0.0
    np.testing.assert_array_equal(K[:6, 12:], -stiffness)


def test_a_stiff_spring_at_the_end_of_an_arm_equals_an_element_on_that_arm() -> None:
    """A rod that stands 10 mm off the bar, rigidly: by the element's own arm, and by a spring that hardly gives."""
    bar = line(4, length=0.4)
    arm, tip = np.array([0.0, 0.0, 0.01]), [0.2, 0.0, 0.11]
    up = np.vstack([bar.up, [1.0, 0.0, 0.0]])
    arms = np.zeros((5, 2, 3))
    arms[4, 0] = arm
    on_arm = Frame(np.vstack([bar.node, tip]), np.vstack([bar.element, [2, 5]]), up, BAR, arms)
    foot = np.vstack([bar.node, [0.2, 0.0, 0.01], tip])
    stiff = (Spring(5, 1e13 * np.eye(6), other=2, other_arm=arm),)
    sprung = Frame(foot, np.vstack([bar.element, [5, 6]]), up, BAR, springs=stiff)
    one, other = (solve(*matrices(each), count=18).frequency[6:] for each in (on_arm, sprung))
    np.testing.assert_allclose(other, one, rtol=1e-4)


def test_a_spring_to_the_ground_lifts_the_bounce_to_the_mass_spring_frequency() -> None:
    soft = np.diag([50.0, 50.0, 50.0, 0.0, 0.0, 0.0])
    frame = line(6, springs=(Spring(0, soft), Spring(6, soft)))
    bounce = math.sqrt(100.0 / float(BAR.mass)) / (2.0 * math.pi)
    found = solve(*matrices(frame), count=6).frequency
    assert int(np.sum(np.abs(found / bounce - 1.0) < 1e-3)) == 3


def test_modes_are_mass_normalised_and_make_both_matrices_diagonal() -> None:
    K, M = matrices(line(6))
    modes = solve(K, M, held=range(6))
    assert np.all(np.diff(modes.frequency) >= 0.0)
    np.testing.assert_allclose(modes.shape.T @ M @ modes.shape, np.eye(36), atol=1e-9)
    omega2 = (2.0 * math.pi * modes.frequency) ** 2
    np.testing.assert_allclose(modes.shape.T @ K @ modes.shape, np.diag(omega2), atol=1e-9 * omega2[-1])
    assert not modes.shape[:6].any()


@pytest.mark.parametrize("ring", [False, True])
@pytest.mark.parametrize("nodes", [7, 12, 25])
def test_a_large_frame_has_the_modes_that_the_plain_inverse_gives(
    nodes: int, ring: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With strips that end within nodes and with the frame; a ring joins its last node to its first."""
    rng = np.random.default_rng(nodes)
    K, M = np.zeros((2, 6 * nodes, 6 * nodes))
    for one in range(nodes if ring else nodes - 1):
        at = np.concatenate([6 * one + np.arange(6), 6 * ((one + 1) % nodes) + np.arange(6)])
        stiff, heavy = rng.standard_normal((2, 12, 12))
        K[np.ix_(at, at)] += stiff @ stiff.T
        M[np.ix_(at, at)] += heavy @ heavy.T + np.eye(12)
    held, cut = [] if ring else [3, 31, 32], {"highest_hz": 0.4}
    plain, some = solve(K, M, held=held), solve(K, M, held=held, **cut)
    monkeypatch.setattr(module, "MANY", 0)
    narrow = solve(K, M, held=held)
    np.testing.assert_allclose(narrow.frequency, plain.frequency, rtol=1e-11)
    np.testing.assert_allclose(narrow.shape.T @ M @ narrow.shape, np.eye(len(plain.frequency)), atol=1e-12)
    apart = np.abs(np.diff(plain.frequency)).min() / plain.frequency.max()
    assert apart > 1e-8  # so that each shape is told, but for its sign
    same = np.abs(np.sum(plain.shape * (M @ narrow.shape), axis=0))
    np.testing.assert_allclose(same, 1.0, atol=1e-6)
    assert np.all(narrow.shape[held] == 0.0)
    assert 0 < len(some.frequency) < len(plain.frequency)
    np.testing.assert_allclose(solve(K, M, held=held, **cut).shape, narrow.shape[:, : len(some.frequency)])


def test_the_list_of_modes_is_cut_by_number_and_by_frequency() -> None:
    K, M = matrices(line(6))
    every = solve(K, M).frequency
    assert len(solve(K, M, count=9).frequency) == 9
    assert solve(K, M, highest_hz=1000.0).frequency.tolist() == every[every <= 1000.0].tolist()


def test_a_point_mass_never_raises_a_mode() -> None:
    rng = np.random.default_rng(3)
    bare = solve(*matrices(line(6))).frequency
    for _ in range(10):
        heavy = PointMass(
            int(rng.integers(7)), float(rng.uniform(0.0, 2.0)), arm=rng.normal(scale=0.02, size=3)
        )
        loaded = solve(*matrices(line(6, masses=(heavy,)))).frequency
        assert np.all(loaded <= bare * (1.0 + 1e-9) + 0.1)  # rigid modes are 0 but for rounding, in hertz


@pytest.mark.parametrize("out_of_plane", [False, True])
def test_a_ring_of_straight_elements_sounds_like_the_thin_ring(out_of_plane: bool) -> None:
    """A. E. H. Love, Mathematical Theory of Elasticity, section 293: inextensional modes of a circular ring.

    omega² = n² (n² - 1)² / (n² + 1) E I / (m R⁴) in its plane, n² + 1 + nu in place of n² + 1 out of it (round).
    """
    R, d, nu, count = 0.5, 0.004, 0.29, 120
    beam = properties(tube(d, d / 2.0, nu), youngs=203e9, shear=203e9 / (2.0 * (1.0 + nu)), density=7850.0)
    angle = 2.0 * math.pi * np.arange(count) / count
    node = R * np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=-1)
    element = np.stack([np.arange(count), (np.arange(count) + 1) % count], axis=-1)
    modes = solve(*matrices(Frame(node, element, np.tile([0.0, 0.0, 1.0], (count, 1)), beam)), count=40)
    moves = modes.shape.reshape(count, 6, -1)
    share = np.sum(moves[:, 2] ** 2, axis=0) / np.sum(moves[:, :3] ** 2, axis=(0, 1))
    found = modes.frequency[6:][(share[6:] > 0.5) == out_of_plane]
    n = np.array([2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 5.0])
    below = n**2 + 1.0 + (nu if out_of_plane else 0.0)
    omega2 = n**2 * (n**2 - 1.0) ** 2 / below * float(beam.bend_y) / (float(beam.mass) * R**4)
    np.testing.assert_allclose(found[:8], np.sqrt(omega2) / (2.0 * math.pi), rtol=0.002)
