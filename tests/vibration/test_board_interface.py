"""A bar on a board's feet: the limits of no foot and of an immovable board."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np

from synth.design.instrument import (
    Support,
)
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
