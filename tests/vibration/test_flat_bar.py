"""A bar of 60 x 10: each plane bends, shears and turns by its own numbers, straight, round bends and under feet.

A square bar cannot tell its planes apart; a flat one is six times as stiff one way and turns thirty-six times as
heavily.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.design.instrument import (
    Bar,
    Bend,
    Board,
    Foot,
    Material,
    PlateMaterial,
    Section,
    Straight,
    Support,
)
from synth.vibration.bar import beam_of, path, solve_bar, standing_on
from synth.vibration.beam import plane_element, rod_element
from synth.vibration.board import feet_of, lie, solve_board
from synth.vibration.frame import Frame, matrices, rigid_arm, solve

WIDE, HIGH, NU, RHO, E = 0.060, 0.010, 0.29, 7850.0, 203e9
STEEL = Material("steel", RHO, E, NU, 3e-4, 0.0, 470.0, 50.0, 0.0, 3e8, 4.5e8, 2e8, "yes", "", "")
FLAT = Section("rectangle", WIDE, HIGH, 0.0)
AREA, UP, SIDE = (
    WIDE * HIGH,
    WIDE * HIGH**3 / 12.0,
    HIGH * WIDE**3 / 12.0,
)  # second moments, bending up and sideways
COWPER = 10.0 * (1.0 + NU) / (12.0 + 11.0 * NU)  # rectangle (Cowper 1966)
PLY = PlateMaterial("birch plywood 4 mm", 680.0, 16.5e9, 1.03e9, 0.7e9, 0.1, 0.02, "", "")


def bar(*pieces, supports=()):
    return Bar(STEEL, FLAT, pieces or (Straight(0.6),), supports)


def line(count, length):
    node = np.outer(np.linspace(0.0, length, count + 1), [1.0, 0.0, 0.0])
    element = np.stack([np.arange(count), np.arange(1, count + 1)], axis=-1)
    return Frame(node, element, np.tile([0.0, 0.0, 1.0], (count, 1)), beam_of(bar()))


def test_the_whole_bar_turns_as_a_block_of_steel_about_each_of_its_axes():
    """m (b^2 + h^2)/12 and its like about the middle: half of it is rotary inertia on a bar as short as this."""
    length = 0.05
    frame = line(4, length)
    _, M = matrices(frame)
    turning = rigid_arm(frame.node - [length / 2.0, 0.0, 0.0]).reshape(-1, 6)[:, 3:]
    mass = RHO * AREA * length
    expected = mass / 12.0 * np.diag([WIDE**2 + HIGH**2, length**2 + HIGH**2, length**2 + WIDE**2])
    np.testing.assert_allclose(turning.T @ M @ turning, expected, rtol=1e-9, atol=1e-9 * mass)


def chain(K, M, count):
    """Elements of two freedoms an end, one behind the other."""
    size = len(K) // 2
    whole = np.zeros((2, size * (count + 1), size * (count + 1)))
    for n in range(count):
        at = slice(size * n, size * (n + 2))
        whole[:, at, at] += (K, M)
    return solve(*whole).frequency


def test_each_motion_of_a_straight_bar_has_the_frequencies_of_its_own_plane():
    """Against single-plane chains of the same elements with each plane's own numbers, put in by hand."""
    count, length = 24, 0.6
    h, G = length / count, E / (2.0 * (1.0 + NU))
    shear, mass = COWPER * G * AREA, RHO * AREA
    up = chain(*plane_element(E * UP, shear, mass, RHO * UP, h), count)
    side = chain(*plane_element(E * SIDE, shear, mass, RHO * SIDE, h), count)
    stretch = chain(*rod_element(E * AREA, mass, h), count)
    torsion = G * float(beam_of(bar()).torsion) / G
    twist = chain(*rod_element(torsion, RHO * (UP + SIDE), h), count)
    expected = np.sort(np.concatenate([up, side, stretch, twist]))
    found = solve(*matrices(line(count, length))).frequency
    np.testing.assert_allclose(found[6:80], expected[6:80], rtol=1e-7)


def test_a_thick_way_to_bend_is_slowed_by_shear_and_turning_as_timoshenko_says():
    """Simply supported: f from (w/w0)^2 of the quartic, by its plain first-order form within 2 % of the shift.

    Timoshenko, Vibration Problems in Engineering, art. on shear and rotatory inertia: w = w0 (1 - 1/2 (k r)^2
    (1 + E/(kappa G))), k the wave number; r^2 = I/A is the bent plane's own.
    """
    count, length = 40, 0.6
    frame = line(count, length)
    K, M = matrices(frame)
    k = math.pi / length
    for move, second in ((2, UP), (1, SIDE)):
        held = [move, 6 * count + move]
        other = [6 * n + i for n in range(count + 1) for i in range(6) if i not in (move, {2: 4, 1: 5}[move])]
        found = 2.0 * math.pi * solve(K, M, held=[*held, *other]).frequency[0]
        slender = k**2 * math.sqrt(E * second / (RHO * AREA))
        turning, shearing = k**2 * second / AREA, k**2 * second / AREA * 2.0 * (1.0 + NU) / COWPER
        assert 1.0 - found / slender == pytest.approx((turning + shearing) / 2.0, rel=0.05)


@pytest.mark.parametrize(("plane", "second"), [(0.0, SIDE), (math.pi / 2.0, UP)])
def test_a_ring_bends_within_its_plane_by_the_section_that_lies_in_it(plane, second):
    """Love, Theory of Elasticity, vibrations of a ring: in its plane n (n^2 - 1)/sqrt(n^2 + 1) sqrt(E I/m)/R^2."""
    radius = 2.0  # wide enough for shear to take less than 0.3 %
    modes = solve_bar(bar(Bend(2.0 * math.pi, radius, plane)), highest_hz=400.0)
    n = np.arange(2, 5)
    expected = (
        n
        * (n**2 - 1)
        / np.sqrt(n**2 + 1)
        * math.sqrt(E * second / (RHO * AREA))
        / radius**2
        / (2.0 * math.pi)
    )
    # in its plane is where the ring's nodes move within it
    normal = np.array([0.0, 0.0, 1.0]) if plane == 0.0 else np.array([0.0, 1.0, 0.0])
    out = np.abs(np.einsum("bim,i->bm", modes.shape[:, :3], normal)).max(axis=0)
    flat = modes.frequency[
        (out < 1e-6 * np.abs(modes.shape[:, :3]).max(axis=(0, 1))) & (modes.frequency > 1.0)
    ]
    np.testing.assert_allclose(flat[: 2 * len(n) : 2], expected, rtol=5e-3)


def test_a_bar_bent_in_space_is_as_stiff_one_way_seen_as_the_other():
    """Turned a quarter about its start, width becomes height: the same steel, the same frequencies."""
    pieces = (Straight(0.3), Bend(1.2, 0.1, 0.3), Straight(0.2), Bend(-0.8, 0.15, 1.4), Straight(0.1))
    turned = tuple(
        dataclasses.replace(each, plane=each.plane + math.pi / 2.0) if isinstance(each, Bend) else each
        for each in pieces
    )
    one = solve_bar(bar(*pieces), highest_hz=3000.0)
    other = solve_bar(Bar(STEEL, Section("rectangle", HIGH, WIDE, 0.0), turned, ()), highest_hz=3000.0)
    np.testing.assert_allclose(other.frequency[6:], one.frequency[6:], rtol=5e-4)  # the chords' error


def test_a_support_yields_in_the_bars_own_directions_beyond_a_bend():
    """A pad that holds up only, beyond a quarter turn upwards: there, up points back along the start."""
    pieces = (Straight(0.2), Bend(math.pi / 2.0, 0.1, math.pi / 2.0), Straight(0.3))
    at = 0.2 + 0.05 * math.pi + 0.2
    pad = Support(at, "rubber", 1e5, 0.0, 0.1, ("up",))
    held = solve_bar(bar(*pieces, supports=(pad,)), [at], highest_hz=500.0)
    free = held.frequency < 0.1
    assert np.sum(free) == 5
    moved = held.at(at)[:3][:, free]
    assert np.abs(moved[0]).max() < 1e-3 * np.abs(moved).max()  # not along x, where up has turned to
    assert np.linalg.matrix_rank(moved[1:], tol=1e-2 * np.abs(moved).max()) == 2


def foot(at, x, y, width=0.04, along=0.025):
    return Foot(at, x, y, width, along, "flat", 5e6, 2e6, 0.05)


def board(*feet):
    return Board("one", "panel", PLY, 0.4, 0.6, 4e-3, "free", 0.0, 0.0, feet)


OFF_CENTRE = (foot(0.10, 0.13, 0.09), foot(0.45, 0.44, 0.17))
ROUND_THE_CORNER = (Straight(0.2), Bend(math.pi / 2.0, 0.1, 0.0), Straight(0.3))


@pytest.mark.parametrize("pieces", [(), ROUND_THE_CORNER], ids=["straight", "bent"])
def test_a_board_that_nothing_holds_moves_at_its_feet_as_a_rigid_body(pieces):
    """Slide, lift and tilt at 0 Hz: what one foot does, the other does too, theta x r further on."""
    the_bar, one = bar(*pieces), board(*OFF_CENTRE)
    solved = solve_board(one, the_bar)
    modes, position = solved.standing.modes, lie(one, the_bar)
    still = modes.frequency == 0.0
    assert np.sum(still) == 6
    stand = [
        position.origin
        + (each.x - one.length / 2.0) * position.axes[0]
        + (each.y - one.width / 2.0) * position.axes[1]
        for each in one.feet
    ]
    first, second = modes.foot_shape[:, :, still]
    assert np.linalg.matrix_rank(first, tol=1e-6) == 6
    across = (stand[1] - stand[0])[:, None]
    np.testing.assert_allclose(second[3:], first[3:], atol=1e-6 * np.abs(first[3:]).max())
    np.testing.assert_allclose(
        second[:3], first[:3] + np.cross(first[3:], across, axis=0), atol=1e-4 * np.abs(first[:3]).max()
    )


def test_a_bent_mode_tilts_a_foot_the_way_the_sheet_slopes_there():
    """theta_x = dw/dy, theta_y = -dw/dx: by feet a little aside of each other on one sheet."""
    step = 4e-3
    tiny = [
        foot(0.10 + 0.05 * n, 0.13 + dx, 0.09 + dy, 1e-4, 1e-4)
        for n, (dx, dy) in enumerate([(0.0, 0.0), (step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)])
    ]
    one = board(*tiny)
    solved = solve_board(one, bar())
    position = lie(one, bar())
    motion = np.einsum("ab,jhbm->jham", position.axes, solved.standing.modes.foot_shape.reshape(5, 2, 3, -1))
    bent = np.flatnonzero(
        (solved.standing.modes.frequency > 20.0) & (solved.standing.modes.frequency < 400.0)
    )
    lift, turn = motion[:, 0, 2][:, bent], motion[0, 1][:, bent]
    slope_x, slope_y = (lift[1] - lift[2]) / (2.0 * step), (lift[3] - lift[4]) / (2.0 * step)
    scale = np.abs(turn).max()
    np.testing.assert_allclose(turn[0], slope_y, atol=1e-2 * scale)
    np.testing.assert_allclose(turn[1], -slope_x, atol=1e-2 * scale)


def test_feet_hold_a_flat_bar_by_its_underside_and_against_roll_about_its_own_length():
    feet = feet_of(
        board(foot(0.10, 0.1, 0.1), foot(0.2 + 0.05 * math.pi + 0.15, 0.3, 0.2)), bar(*ROUND_THE_CORNER)
    )
    np.testing.assert_allclose(feet.arm, [[0.0, 0.0, -HIGH / 2.0]] * 2, atol=1e-12)
    roll, pitch, yaw = 5e6 * 0.04**2 / 12.0, 5e6 * 0.025**2 / 12.0, 2e6 * (0.04**2 + 0.025**2) / 12.0
    np.testing.assert_allclose(feet.stiffness[0], [2e6, 2e6, 5e6, roll, pitch, yaw])  # the bar runs along x
    np.testing.assert_allclose(feet.stiffness[1], [2e6, 2e6, 5e6, pitch, roll, yaw])  # and along y


def test_the_board_lies_half_the_bars_height_below_its_axis_with_its_feet_under_the_bars():
    one, the_bar = board(*OFF_CENTRE), bar(*ROUND_THE_CORNER)
    lying = lie(one, the_bar)
    assert lying.origin[2] == pytest.approx(-HIGH / 2.0)
    points, _ = path(the_bar, np.array([each.bar_place for each in one.feet]))
    on = np.array(
        [lying.inward(each) + np.array([one.length / 2.0, one.width / 2.0, 0.0]) for each in points]
    )
    wanted = np.array([(each.x, each.y) for each in one.feet])
    # no turn of the board can bring feet nearer whose distance is not the bar's: they miss by as much either side
    gap = np.linalg.norm(wanted[1] - wanted[0]) - np.linalg.norm(on[1, :2] - on[0, :2])
    assert np.linalg.norm(wanted - on[:, :2], axis=1) == pytest.approx([abs(gap) / 2.0] * 2, abs=1e-9)


def test_a_tine_on_each_side_of_a_flat_bar_stands_on_that_side(by_hand):
    from synth.vibration.coupling import base_frames

    flat = dataclasses.replace(by_hand.UPRIGHT.bar, section=FLAT)
    faces = (0.0, math.pi / 2.0, math.pi, -math.pi / 2.0)
    tines = [dataclasses.replace(by_hand.UPRIGHT.tines[0], face=each) for each in faces]
    bases = base_frames(tines, flat, solve_bar(flat, [each.position for each in tines], highest_hz=500.0))
    clamp = tines[0].root.base_nut_height - tines[0].root.added_length
    expected = [
        [0.0, 0.0, HIGH / 2.0 + clamp],
        [0.0, WIDE / 2.0 + clamp, 0.0],
        [0.0, 0.0, -HIGH / 2.0 - clamp],
        [0.0, -WIDE / 2.0 - clamp, 0.0],
    ]
    np.testing.assert_allclose(bases.arm, expected, atol=1e-12)


@pytest.mark.parametrize("face", [0.0, math.pi / 2.0, -1.0, math.pi])
def test_a_base_nut_rides_on_the_face_that_it_sits_on(by_hand, face):
    """Kinetic energy of a small body half its height above the face, put together from its own motion."""
    from synth.vibration.bar import surface_distance
    from synth.vibration.coupling import base_frames, nut_inertia

    flat = dataclasses.replace(by_hand.UPRIGHT.bar, section=FLAT)
    nut = dataclasses.replace(by_hand.NUT, mass=2e-3, height=4e-3, rotary_inertia=3e-8)
    tine = by_hand.UPRIGHT.tines[0]
    tine = dataclasses.replace(tine, face=face, root=dataclasses.replace(tine.root, base_nut=nut))
    bases = base_frames([tine], flat, solve_bar(flat, [tine.position], highest_hz=500.0))
    (M,) = nut_inertia([tine], flat, bases)
    middle = (float(surface_distance(FLAT, face)) + 2e-3) * np.array([0.0, math.sin(face), math.cos(face)])
    for motion in np.random.default_rng(2).standard_normal((5, 6)):
        speed, turn = motion[:3] + np.cross(motion[3:], middle), motion[3:]
        assert motion @ M @ motion == pytest.approx(2e-3 * speed @ speed + 3e-8 * turn @ turn)


def test_a_tine_and_its_nuts_are_as_hard_to_turn_about_the_rod_as_they_are(by_hand):
    """What a free bar has to move of a locked tine, read back from the coupled mass: all six motions of a body."""
    nut = dataclasses.replace(by_hand.NUT, mass=5e-3, rotary_inertia=4e-6)
    each = by_hand.case(by_hand.supported(Straight(0.3)), (0.15, 4e-3, 0.120, 0.0, 1.0, 0.0))
    bare = dataclasses.replace(each.bar, supports=())
    trim = ((dataclasses.replace(each.trim[0][0], nut=nut),),)
    structure, modes, bars, bases, _ = by_hand.parts(dataclasses.replace(each, bar=bare, trim=trim))
    rigid = np.flatnonzero(bars.frequency < 0.1)
    shape = bars.at(0.15)[:, rigid]
    back = np.linalg.inv(shape)
    R = back.T @ (structure.host_mass[np.ix_(rigid, rigid)] - np.eye(6)) @ back
    rod = each.tines[0].rod
    line = rod.material.density * math.pi / 4.0 * rod.diameter**2
    clamp = bases.arm[0, 2]
    whole = modes.tip[0] - modes.height[0, 0]
    mass = line * whole + nut.mass
    assert R[:3, :3] == pytest.approx(mass * np.eye(3), abs=1e-9)
    polar = line * whole * rod.diameter**2 / 8.0 + nut.rotary_inertia
    assert R[5, 5] == pytest.approx(polar, rel=1e-6)
    position = trim[0][0].position - modes.height[0, 0]
    tilted = line * ((clamp + whole) ** 3 - clamp**3) / 3.0 + line * whole * rod.diameter**2 / 16.0
    tilted += nut.mass * (clamp + position) ** 2 + nut.rotary_inertia
    assert [R[3, 3], R[4, 4]] == pytest.approx([tilted, tilted], rel=1e-6)


def test_a_foot_is_pressed_by_the_bars_underside_and_not_by_its_axis(by_hand):
    """Energy and loss of the feet's springs for any motion: u + theta x arm against the board's."""
    from synth.vibration.coupling import host_structure

    board = by_hand.board(1.0)
    rng = np.random.default_rng(6)
    feet = dataclasses.replace(
        board.feet,
        arm=np.array([[0.01, 0.02, -0.05], [0.0, -0.03, -0.04]]),
        stiffness=rng.uniform(1e2, 1e4, (2, 6)),
    )
    board = dataclasses.replace(board, feet=feet)
    modes = solve_bar(by_hand.UPRIGHT.bar, more=feet.position.tolist(), highest_hz=1500.0)
    K, loss = host_structure(modes, board)
    count = len(modes.frequency)
    own = np.diag(np.concatenate([modes.stiffness, (2.0 * math.pi * board.modes.frequency) ** 2]))
    for b in rng.standard_normal((4, len(K))):
        energy = lost = 0.0
        for j in range(2):
            bar_moves, board_moves = (
                modes.at(feet.position[j]) @ b[:count],
                board.modes.foot_shape[j] @ b[count:],
            )
            foot = np.concatenate([bar_moves[:3] + np.cross(bar_moves[3:], feet.arm[j]), bar_moves[3:]])
            spring = float(feet.stiffness[j] @ (foot - board_moves) ** 2)
            energy, lost = energy + spring, lost + feet.loss_factor[j] * spring
        assert b @ (K - own) @ b == pytest.approx(energy, rel=1e-6)
        kept = b[:count] @ modes.loss @ b[:count] + b[count:] @ board.modes.loss @ b[count:]
        assert b @ loss @ b - kept == pytest.approx(lost, rel=1e-6)


def test_a_support_gives_way_to_a_foot_within_the_bars_breadth():
    supports = tuple(Support(at, "cord", 4e3, 0.0, 0.1) for at in (0.05, 0.245, 0.37))
    kept = standing_on(bar(supports=supports), [0.10, 0.30])
    assert [each.position for each in kept.supports] == [0.37]  # 50 and 55 mm off are within 60, 70 mm is not
