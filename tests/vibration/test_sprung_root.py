"""A tine whose clamp gives: what the springs at its root take of the energy is what they take of the stiffness.

Stiffer by a share d, a spring raises the squared pitch by d times its share of the energy (Rayleigh's quotient is
stationary): so a difference of two pitches tells the share, and says nothing of how the program adds it up.
"""

from dataclasses import replace

import numpy as np
import pytest

from synth.vibration.tine import loss_shares, solve_tines

OWN = 1e-3  # loss factor of the rod's steel, alone in having any
STEP = 0.01


@pytest.fixture
def tine(bench):
    steel = replace(bench.steel, loss_factor=OWN, expansion=0.0)
    rod = replace(bench.threaded(4.0, 0.7), material=steel)
    root = replace(bench.root(added=0.0, rotation=40.0, translation=2e5), loss_factor=0.0)
    return bench.tine(rod, length=140.0, root=root)


def squared(tine, **changes):
    root = replace(tine.root, **changes)
    return solve_tines([replace(tine, root=root)], [0.14], [()]).frequency[0, 0, :4] ** 2


def share_of(tine, spring):
    """Of the energy in a spring at the root, by stiffening it a little."""
    stiff, soft = (
        squared(tine, **{spring: getattr(tine.root, spring) * (1.0 + side * STEP)}) for side in (1, -1)
    )
    return (stiff - soft) / (2.0 * STEP) / squared(tine)


@pytest.mark.parametrize(
    "which",
    [("rotation_stiffness",), ("translation_stiffness",), ("rotation_stiffness", "translation_stiffness")],
)
def test_the_steel_loses_by_the_energy_that_is_not_in_the_springs_of_the_root(tine, which):
    others = {each for each in ("rotation_stiffness", "translation_stiffness") if each not in which}
    tine = replace(tine, root=replace(tine.root, **dict.fromkeys(others, float("inf"))))
    modes = solve_tines([tine], [0.14], [()])
    held = sum(share_of(tine, spring) for spring in which)
    assert held.max() > 0.05  # or it would not matter
    material = (loss_shares([tine], modes)["material"] * modes.loss_factor)[0, :, :4]
    np.testing.assert_allclose(material, np.tile(OWN * (1.0 - held), (2, 1)), rtol=2e-3)


def test_a_rigid_clamp_leaves_all_energy_to_the_steel(tine):
    clamped = replace(
        tine, root=replace(tine.root, rotation_stiffness=float("inf"), translation_stiffness=float("inf"))
    )
    modes = solve_tines([clamped], [0.14], [()])
    material = (loss_shares([clamped], modes)["material"] * modes.loss_factor)[0, :, :4]
    np.testing.assert_allclose(material, OWN)
