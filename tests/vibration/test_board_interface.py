"""A bar on a board's feet: the limits of no foot and of an immovable board."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np

from synth.design.instrument import Section, Straight, Support
from synth.vibration.bar import solve_bar
from synth.vibration.board_interface import BoardModes, Feet, StandingBoard
from synth.vibration.coupling import host_structure
from synth.vibration.modal_model import (
    assemble,
)

CENT = math.log(2.0) / 1200.0
PERCENT = 0.01


def test_feet_without_stiffness_leave_bar_and_board_alone(by_hand: ModuleType) -> None:
    alone = assemble(
        by_hand.UPRIGHT.tines,
        by_hand.UPRIGHT.length,
        by_hand.UPRIGHT.trim,
        bar=by_hand.UPRIGHT.bar,
        places=[0.25, 0.4],
    )
    both = assemble(
        by_hand.UPRIGHT.tines,
        by_hand.UPRIGHT.length,
        by_hand.UPRIGHT.trim,
        bar=by_hand.UPRIGHT.bar,
        board=by_hand.board(1e-9),
    )
    expected = np.sort(np.concatenate([alone.frequency, [60.0, 210.0]]))
    np.testing.assert_allclose(both.frequency, expected, rtol=0.01 * CENT)
    assert both.board_count == 2


def test_a_board_of_infinite_mass_holds_the_bar_as_springs_to_the_ground(by_hand: ModuleType) -> None:
    stiff = 260.0  # N/m and N m/rad: soft one way, a hard foot the other
    grounded = tuple(Support(position, "rubber", stiff, stiff, 0.05) for position in (0.25, 0.4))
    held = assemble(
        by_hand.UPRIGHT.tines,
        by_hand.UPRIGHT.length,
        by_hand.UPRIGHT.trim,
        bar=dataclasses.replace(by_hand.UPRIGHT.bar, supports=grounded),
    )
    heavy = by_hand.board(stiff, mass=1e12)
    level = dataclasses.replace(heavy, feet=dataclasses.replace(heavy.feet, arm=np.zeros((2, 3))))
    bare = dataclasses.replace(by_hand.UPRIGHT.bar, supports=())
    model = assemble(
        by_hand.UPRIGHT.tines, by_hand.UPRIGHT.length, by_hand.UPRIGHT.trim, bar=bare, board=level
    )
    own = (np.abs(model.vectors[model.board_dof]).max(axis=0) < 0.5) & (model.frequency < 4000.0)
    count = np.sum(own)
    assert count > 30
    np.testing.assert_allclose(model.frequency[own], held.frequency[:count], rtol=1.0 * CENT)
    np.testing.assert_allclose(model.decay_rate[own], held.decay_rate[:count], rtol=2.0 * PERCENT, atol=1e-3)


def test_each_foot_is_pressed_by_its_own_bar_and_board_and_loses_at_its_own_rate(by_hand: ModuleType) -> None:
    """Two unlike feet off the middle of a flat bar: energy k u² and its loss, added up foot by foot, way by way."""
    draw = np.random.default_rng(7)
    bar = by_hand.supported(Straight(0.5), section=Section("rectangle", 0.060, 0.010, 0.0))
    solved = solve_bar(dataclasses.replace(bar, supports=()), highest_hz=3000.0)
    feet = Feet(
        position=np.array([0.11, 0.37]),
        arm=np.array([[0.0, 0.021, -0.005], [0.003, -0.013, -0.005]]),
        stiffness=draw.uniform(1e3, 1e5, (2, 6)),
        loss_factor=np.array([0.04, 0.23]),
    )
    hertz, loss = np.array([70.0, 190.0, 410.0]), np.diag([30.0, 50.0, 80.0])
    shape = draw.normal(size=(2, 6, 3))
    K, lost = host_structure(solved, StandingBoard(BoardModes(hertz, loss, shape), feet))
    count = len(solved.frequency)
    move = draw.normal(size=count + 3)
    b, q = move[:count], move[count:]
    energy = solved.stiffness @ b**2 + (2.0 * math.pi * hertz) ** 2 @ q**2
    heat = b @ solved.loss @ b + q @ loss @ q
    for j in (0, 1):
        axis, turn = np.split(solved.at(feet.position[j]) @ b, 2)
        end = np.concatenate([axis + np.cross(turn, feet.arm[j]), turn])
        pressed = feet.stiffness[j] @ (end - shape[j] @ q) ** 2
        energy, heat = energy + pressed, heat + feet.loss_factor[j] * pressed
    np.testing.assert_allclose([move @ K @ move, move @ lost @ move], [energy, heat], rtol=1e-9)
