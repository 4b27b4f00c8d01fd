"""A thread has four diameters, and each does its own part: stiff, heavy, wide in the air, thin where it breaks.

Plain rod cannot tell them apart. Here they are as unlike as no thread's, so that a wrong one shows at once.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from synth.vibration import damping
from synth.vibration.axial import solve_axial
from synth.vibration.tine import loss_shares, rods_of, solve_tines

LENGTH = 0.150
OUTSIDE, BEND, MASS, CORE = 4.0e-3, 2.8e-3, 3.4e-3, 2.4e-3


@pytest.fixture
def tine(bench):
    steel = replace(bench.steel, loss_factor=2e-4)
    rod = replace(
        bench.threaded(4.0, 0.7), bend_diameter=BEND, mass_diameter=MASS, root_diameter=CORE, material=steel
    )
    return bench.tine(rod, length=1e3 * LENGTH, root=replace(bench.root(), loss_factor=5e-4))


def losses(tine):
    """Each mechanism's loss factor (N,) of the first partials along the row, and those partials' pitches."""
    modes = solve_tines([tine], [LENGTH], [()])
    total = modes.loss_factor[0, 0, :4]
    return {k: v[0, 0, :4] * total for k, v in loss_shares([tine], modes).items()}, modes.frequency[0, 0, :4]


def other(tine, **diameters):
    return replace(tine, rod=replace(tine.rod, **diameters))


def test_it_bends_as_its_bending_diameter_and_weighs_as_its_mass_diameter(tine):
    """Euler and Bernoulli's cantilever, 1.8751^2/(2 pi L^2) sqrt(E I/rho A), less a little for shear."""
    steel, modes = tine.rod.material, solve_tines([tine], [LENGTH], [()])
    stiff = steel.youngs * math.pi * BEND**4 / 64.0
    line = steel.density * math.pi * MASS**2 / 4.0
    slender = 1.8751040687**2 / (2.0 * math.pi * LENGTH**2) * math.sqrt(stiff / line)
    assert modes.frequency[0, 0, 0] == pytest.approx(slender, rel=2e-3)
    assert modes.mass[0] == pytest.approx(line * LENGTH)
    assert modes.first_moment[0] == pytest.approx(line * LENGTH**2 / 2.0)
    rods = rods_of([tine], [LENGTH], [()])
    assert rods.rotary[0] == pytest.approx(steel.density * math.pi * MASS**4 / 64.0)
    cowper = 6.0 * (1.0 + steel.poisson) / (7.0 + 6.0 * steel.poisson)
    assert rods.shear[0] == pytest.approx(cowper * steel.shear * math.pi * BEND**2 / 4.0)


def test_it_stretches_and_twists_as_its_bending_diameter_and_weighs_as_its_mass_diameter(tine):
    """(2n - 1) c/4L with c^2 = E A/(rho A'), and G J/(rho J') in twist (Rayleigh)."""
    steel = tine.rod.material
    found = solve_axial([tine], [LENGTH], [()], highest_hz=40e3)
    n = np.array([1.0, 3.0])
    stretch = n * math.sqrt(steel.youngs / steel.density) * BEND / MASS / (4.0 * LENGTH)
    twist = n * math.sqrt(steel.shear / steel.density) * (BEND / MASS) ** 2 / (4.0 * LENGTH)
    np.testing.assert_allclose(found.frequency[0, 0, :2], stretch, rtol=1e-3)
    np.testing.assert_allclose(found.frequency[0, 1, :2], twist, rtol=1e-3)
    line = steel.density * math.pi / 4.0 * MASS**2
    assert found.inertia[0] == pytest.approx([line * LENGTH, line * LENGTH * MASS**2 / 8.0])
    # int phi dm of a quarter wave: (2/pi) sqrt(2 m), in mass-normalised form
    assert abs(found.momentum[0, 0, 0]) == pytest.approx(
        2.0 / math.pi * math.sqrt(2.0 * line * LENGTH), rel=1e-3
    )
    np.testing.assert_allclose(found.loss_factor[0, :, 0], 2e-4 + 5e-4)  # the steel's and the clamp's


def test_a_nut_hangs_on_the_stretching_and_twisting_rod_where_it_sits_above_the_clamp(tine, bench):
    """Rayleigh: a small mass m at z lowers w^2 by m phi(z)^2, phi^2 = 2/M sin^2(pi z/2L), z from the clamp."""
    added = 6e-3
    tine = replace(tine, root=replace(tine.root, added_length=added))
    nut = replace(bench.nut("M4"), mass=1e-6, rotary_inertia=1e-12)
    bare = solve_axial([tine], [LENGTH], [()])
    whole = LENGTH + added
    for at in (0.03, 0.09, 0.14):
        with_nut = solve_axial([tine], [LENGTH], [(_placed(nut, at),)])
        square = np.sin(math.pi * (at + added) / (2.0 * whole)) ** 2
        for kind, (own, moved) in enumerate(((1e-6, bare.inertia[0, 0]), (1e-12, bare.inertia[0, 1]))):
            lowered = 1.0 - (with_nut.frequency[0, kind, 0] / bare.frequency[0, kind, 0]) ** 2
            assert lowered == pytest.approx(own * 2.0 / moved * square, rel=0.02)


def _placed(nut, at):
    from synth.design.instrument import PlacedNut

    return PlacedNut(nut, at)


def test_heat_flows_across_the_bent_diameter_and_air_round_the_outside(tine):
    found, hertz = losses(tine)
    steel = tine.rod.material
    strength = steel.youngs * steel.expansion**2 * 293.15 / (steel.density * steel.heat_capacity)
    chi = steel.conductivity / (steel.density * steel.heat_capacity)
    heat = damping.thermoelastic(hertz, BEND / 2.0, strength=strength, diffusivity=chi)
    np.testing.assert_allclose(found["thermoelastic"], heat, rtol=1e-6)
    line = steel.density * math.pi * MASS**2 / 4.0
    drag = damping.air_drag(hertz, OUTSIDE / 2.0, 1.0 / line)
    np.testing.assert_allclose(
        found["air_drag"][:2], drag[:2], rtol=0.02
    )  # a mode's swept length, near enough
    np.testing.assert_allclose(found["material"], 2e-4)
    np.testing.assert_allclose(found["clamp"], 5e-4)
    assert np.all(found["air_radiation"] > 0.0)


@pytest.mark.parametrize(
    ("changed", "touched"),
    [
        ({"diameter": 1.1 * OUTSIDE}, {"air_drag", "air_radiation"}),
        ({"root_diameter": 1.1 * CORE}, set()),
    ],
)
def test_a_diameter_touches_only_what_is_its_own(tine, changed, touched):
    before, hertz = losses(tine)
    after, same = losses(other(tine, **changed))
    np.testing.assert_array_equal(hertz, same)
    assert {name for name in before if not np.allclose(before[name], after[name], rtol=1e-9)} == touched
    if touched:  # the volume that is pushed, and as much again, both go as the square of the width
        np.testing.assert_allclose(after["air_radiation"] / before["air_radiation"], 1.1**4, rtol=1e-6)


def test_what_a_trim_nut_stiffens_counts_from_the_bending_diameter(tine, bench):
    """h - 0.42 d of a full nut, 0.36 d of a thin one; what is left under a gripping nut does not bend."""
    from synth.vibration.tine import stiffened_length

    for form, share, height in (("hex", 0.42, 2.275), ("thin hex", 0.36, 1.675)):
        nut = bench.nut("M3", grip=1.0, form=form)
        assert stiffened_length(nut, 2.0e-3) == pytest.approx(height * 1e-3 - share * 2.0e-3)
        assert rods_of([tine], [LENGTH], [(_placed(nut, 0.05),)]).nut_piece[0, 0] == pytest.approx(
            max(height * 1e-3 - share * BEND, 0.0)
        )
        assert rods_of([tine], [LENGTH], [(_placed(replace(nut, grip=0.3), 0.05),)]).nut_compliance[0, 0] == (
            pytest.approx(0.7)
        )
