"""Tines that stretch and twist, against the uniform rod's closed forms."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.optimize import brentq

from synth.design.instrument import PlacedNut
from synth.vibration.axial import solve_axial

if TYPE_CHECKING:
    from tests.conftest import Workbench

CENT = math.log(2.0) / 1200.0


def test_a_uniform_rod_stretches_and_twists_at_odd_quarters_of_its_waves(bench: Workbench) -> None:
    """(2n - 1) c / 4 L (Rayleigh, Theory of Sound I, articles 150 and 159)."""
    tine = bench.tine(bench.plain(3.0), length=600.0)
    modes = solve_axial([tine], [0.6], [()])
    steel = bench.steel
    for kind, modulus in enumerate((steel.youngs, steel.shear)):
        n = np.arange(np.sum(modes.exists[0, kind]))
        expected = (2 * n + 1) * math.sqrt(modulus / steel.density) / (4.0 * 0.6)
        np.testing.assert_allclose(modes.frequency[0, kind, n], expected, rtol=0.5 * CENT)
        assert expected[-1] + 2 * expected[0] > 10_000.0


def test_their_momenta_are_those_of_quarter_sines_and_never_more_than_the_whole(bench: Workbench) -> None:
    """int phi dm = (8 m)^(1/2) / ((2n - 1) pi) for phi = (2/m)^(1/2) sin; the mesh costs 1 % of the fourth."""
    rod = bench.plain(3.0)
    modes = solve_axial([bench.tine(rod, length=600.0)], [0.6], [()])
    mass = bench.steel.density * math.pi / 4.0 * rod.diameter**2 * 0.6
    assert modes.inertia[0, 0] == pytest.approx(mass)
    assert modes.inertia[0, 1] == pytest.approx(mass * rod.diameter**2 / 8.0)
    for kind in (0, 1):
        count = int(np.sum(modes.exists[0, kind]))
        odd = 2 * np.arange(count) + 1
        whole = modes.inertia[0, kind]
        np.testing.assert_allclose(
            np.abs(modes.momentum[0, kind, :count]), math.sqrt(8.0 * whole) / (odd * math.pi), rtol=1e-2
        )
        assert np.sum(modes.momentum[0, kind] ** 2) < whole


def test_a_rising_clamp_loss_counts_for_them_too(bench: Workbench) -> None:
    tine = bench.tine(bench.plain(3.0), length=300.0)
    rising = dataclasses.replace(tine, root=dataclasses.replace(tine.root, loss_slope=0.5))
    flat, steep = (solve_axial([each], [0.3], [()]) for each in (tine, rising))
    there = flat.exists
    more = tine.root.loss_factor * (np.sqrt(flat.frequency[there] / 1000.0) - 1.0)
    np.testing.assert_allclose(steep.loss_factor[there] - flat.loss_factor[there], more, rtol=1e-9)


def test_a_nut_slows_both_and_a_short_tine_keeps_its_first_of_each(bench: Workbench) -> None:
    tine = bench.tine(bench.plain(3.0), length=40.0)
    nut = (PlacedNut(bench.nut("M3"), 0.03),)
    bare, loaded = (solve_axial([tine], [0.04], [trim]) for trim in ((), nut))
    assert bare.exists.tolist() == [[[True], [True]]]
    assert np.all(loaded.frequency < bare.frequency)
    assert loaded.inertia[0, 0] - bare.inertia[0, 0] == pytest.approx(nut[0].nut.mass)


@pytest.mark.parametrize(
    "at", [0.0, 0.30, 0.58], ids=["beside the base nut", "in the middle", "near the tip"]
)
def test_a_threaded_tine_with_a_nut_is_a_rod_with_a_weight_on_it(bench: Workbench, at: float) -> None:
    """Stiff as the bending diameter, heavy as the mass diameter, as long as root and rod; u = sin kx below the
    weight, A cos k(L - x) above: EA k (cos ka - A sin k(L - a)) = M omega² sin ka, and so with GJ for the twist."""
    rod = bench.threaded(4.0, 0.7)
    steel = dataclasses.replace(rod.material, loss_factor=7e-4)
    root = dataclasses.replace(bench.root(added=20.0), loss_slope=0.3, loss_factor=1.3e-3)
    tine = bench.tine(dataclasses.replace(rod, material=steel), root=root)
    nut = bench.nut("M4")
    nut = dataclasses.replace(nut, mass=4e-3, rotary_inertia=3.5e-9)
    modes = solve_axial([tine], [0.6], [(PlacedNut(nut, at),)])
    whole, a = 0.62, at + 0.02
    area, polar = math.pi / 4.0, math.pi / 32.0
    parts = (
        (steel.youngs * area * rod.bend_diameter**2, steel.density * area * rod.mass_diameter**2, nut.mass),
        (
            steel.shear * polar * rod.bend_diameter**4,
            steel.density * polar * rod.mass_diameter**4,
            nut.rotary_inertia,
        ),
    )
    for kind, (stiffness, line, weight) in enumerate(parts):

        def off(omega: float, stiff: float = stiffness, line: float = line, weight: float = weight) -> float:
            k = omega * math.sqrt(line / stiff)
            up = k * (whole - a)
            below = math.cos(k * a) * math.cos(up) - math.sin(k * a) * math.sin(up)
            return stiff * k * below - weight * omega**2 * math.sin(k * a) * math.cos(up)

        grid = np.linspace(10.0, 2.0 * math.pi * 10_000.0, 4000)
        sign = np.sign([off(each) for each in grid])
        roots = [brentq(off, grid[i], grid[i + 1]) for i in np.flatnonzero(sign[1:] != sign[:-1])]
        hertz = np.array(roots) / (2.0 * math.pi)
        own = modes.frequency[0, kind, modes.exists[0, kind]]
        np.testing.assert_allclose(own[0], hertz[0], rtol=0.5 * CENT)
        np.testing.assert_allclose(own[1], hertz[1], rtol=2e-3)  # the weight lies within an element
        loss = 7e-4 + 1.3e-3 * np.maximum(own / 1000.0, 1.0) ** 0.3
        np.testing.assert_allclose(modes.loss_factor[0, kind, : len(own)], loss)
        assert modes.inertia[0, kind] == pytest.approx(line * whole + weight)
