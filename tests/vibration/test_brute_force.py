"""The brute-force model itself: on what it must agree with closed cases before it may judge the assembly."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import (
    Bar,
    Bend,
    FixedLength,
    Material,
    Nut,
    PlacedNut,
    Rod,
    Root,
    Section,
    Straight,
    Support,
    Tine,
)
from synth.design.resolve import resolve
from synth.units import cents
from synth.vibration.tine import solve_tines

CENT = 1.0
TWO_TINES = Path(__file__).parents[1] / "data" / "two-tines.toml"
STEEL = dataclasses.replace(resolve(load(TWO_TINES)).tines[0].rod.material, loss_factor=1e-4)
CLAMP = Root(0.9e-3, math.inf, math.inf, 1e-3, 2.4e-3)
SOFT = dataclasses.replace(CLAMP, rotation_stiffness=800.0, translation_stiffness=1e6)
NUT = PlacedNut(Nut("nut", 0.4e-3, 2.4e-3, 5.5e-3, 1e-9, 0.7, ""), 0.09)


def bar(steel: Material = STEEL, *, soft: float = 2e3) -> Bar:
    supports = tuple(Support(position, "cord", soft, 0.0, 0.1) for position in (0.27, 0.93))
    return Bar(steel, Section("rectangle", 0.025, 0.025, 0.0), (Straight(1.2),), supports)


def tine(position: float, *, root: Root = CLAMP, split: float = 1.0, axis: float = 0.0) -> Tine:
    rod = Rod("rod", "", 3e-3, 0.0, 3e-3, 3e-3, 3e-3, STEEL)
    return Tine(0, 1, rod, FixedLength(0.118), (), None, root, split, axis, position, 0.0)


@pytest.mark.parametrize("root", [CLAMP, SOFT], ids=["clamped", "sprung"])
def test_on_an_immovable_bar_a_tine_rings_as_the_tine_model_says(brute_force: ModuleType, root: Root) -> None:
    heavy = dataclasses.replace(STEEL, density=1e7 * STEEL.density, youngs=1e7 * STEEL.youngs)
    one = tine(0.5, root=root, split=1.003, axis=0.4)
    whole = brute_force.solve_whole(bar(heavy), [one], [0.118], [[NUT]])
    clamped = solve_tines([one], [0.118], [[NUT]], 4000.0)
    for plane in (0, 1):
        for expected in clamped.frequency[0, plane, clamped.exists[0]]:
            mode = int(np.argmin(np.abs(whole.frequency - expected)))
            assert abs(cents(whole.frequency[mode] / expected)) < 0.05 * CENT
            along, across = whole.tip[0, :, mode]
            turned = math.atan2(across, along) - clamped.axis[0] - plane * math.pi / 2.0
            assert abs(math.sin(turned)) < 1e-3


def test_unison_tines_split_far_where_the_bar_rolls_and_hardly_along_it(brute_force: ModuleType) -> None:
    """The order of magnitude is the trade-off the assembly is for: cents along the bar, a semitone across it."""
    whole = brute_force.solve_whole(bar(), [tine(0.5), tine(0.512)], [0.118] * 2, [()] * 2, highest_hz=200.0)
    found = whole.frequency > 120.0
    share = np.sum(whole.tip[:, :, found] ** 2, axis=0)
    along = whole.frequency[found][share[0] > share[1]]
    across = whole.frequency[found][share[0] < share[1]]
    assert 0.3 * CENT < cents(along[1] / along[0]) < 3.0 * CENT
    assert 60.0 * CENT < cents(across[1] / across[0]) < 150.0 * CENT


def test_equal_losses_everywhere_give_every_mode_the_same_loss_factor(brute_force: ModuleType) -> None:
    """K + jK' = (1 + j eta) K: s = j omega (1 + j eta)^(1/2), each omega that of the undamped mode."""
    eta = 0.004
    lossy = bar(dataclasses.replace(STEEL, loss_factor=eta))
    lossy = dataclasses.replace(
        lossy, supports=tuple(dataclasses.replace(each, loss_factor=eta) for each in lossy.supports)
    )
    whole = brute_force.solve_whole(
        lossy, [tine(0.5), tine(0.512, root=SOFT)], [0.118] * 2, [()] * 2, highest_hz=1000.0, step=0.05
    )
    found = brute_force.poles(whole, lossy, [eta, eta])[: len(whole.frequency)]
    expected = 2j * math.pi * whole.frequency * np.sqrt(1.0 + 1j * eta)
    shaking = whole.frequency > 50.0  # below, the free roll is lost in rounding
    np.testing.assert_allclose(found[shaking], expected[shaking], rtol=1e-5)


def test_sparse_and_dense_solutions_are_the_same(
    brute_force: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = brute_force.solve_whole(bar(), [tine(0.5)], [0.118], [()], highest_hz=50.0, step=0.05).frame
    sparse = brute_force.modes(model, 2000.0)[0]
    monkeypatch.setattr(brute_force, "DENSE", 10_000)
    dense = brute_force.modes(model, 2000.0)[0]
    assert len(sparse) == len(dense)
    np.testing.assert_allclose(sparse[2:], dense[2:], rtol=1e-7, atol=1e-3)


def test_a_whole_turn_comes_back_to_its_start(brute_force: ModuleType) -> None:
    ring = Bar(STEEL, Section("round", 0.01, 0.01, 0.0), (Bend(2.0 * math.pi, 0.2, 0.7),), ())
    position, axes = brute_force.walk(ring, np.array([0.0, ring.length / 2.0, ring.length]))
    np.testing.assert_allclose(position[2], position[0], atol=1e-12)
    np.testing.assert_allclose(axes[2], axes[0], atol=1e-12)
    inward = np.array([0.0, math.cos(0.7), math.sin(0.7)])
    np.testing.assert_allclose(position[1], 2.0 * 0.2 * inward, atol=1e-12)
