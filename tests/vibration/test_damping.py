"""The five losses: how they add, and the limits each must meet. Section numbers of books are from memory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ive, jve, kve

from synth.air import AIR_DENSITY, AIR_VISCOSITY, SOUND_SPEED
from synth.vibration import damping

FREQUENCY = np.array([50.0, 400.0, 3000.0])


def losses(**given: float) -> damping.Losses:
    names = ("material", "thermoelastic", "air_drag", "air_radiation", "clamp")
    return damping.Losses(**{name: np.array([given.get(name, 0.0)]) for name in names})


def test_a_partial_falls_by_60_db_in_its_decay_time() -> None:
    frequency, eta = 440.0, 2e-3
    seconds = damping.decay_time(frequency, eta)
    # energy of a lossy oscillation: exp(-eta omega t)
    assert math.exp(-eta * 2.0 * math.pi * frequency * seconds) == pytest.approx(1e-6, rel=1e-12)


def test_nothing_lost_rings_for_ever() -> None:
    assert math.isinf(damping.decay_time(440.0, 0.0))


def test_loss_factors_add_and_their_shares_make_a_whole() -> None:
    all_five = losses(material=1e-4, thermoelastic=5e-5, air_drag=4e-5, air_radiation=1e-8, clamp=1e-3)
    assert all_five.total == pytest.approx(1.19001e-3)
    assert sum(share[0] for share in all_five.shares().values()) == pytest.approx(1.0)
    assert max(all_five.shares(), key=lambda name: all_five.shares()[name][0]) == "clamp"


def test_a_rod_without_loss_has_no_largest_one() -> None:
    assert all(share[0] == 0.0 for share in losses().shares().values())


def test_the_clamp_is_flat_in_frequency_and_the_metal_loses_by_its_share_of_the_strain() -> None:
    assert np.all(damping.clamp(1e-3, FREQUENCY) == 1e-3)
    np.testing.assert_allclose(
        damping.clamp(1e-3, [90.0, 1000.0, 2000.0, 4000.0], 0.5), [1e-3, 1e-3, 1e-3 * 2.0**0.5, 2e-3]
    )
    assert damping.material(2e-4, np.array([1.0, 0.5])) == pytest.approx([2e-4, 1e-4])


def test_what_does_not_expand_does_not_heat() -> None:
    strength = damping.relaxation_strength(youngs=2e11, expansion=0.0, density=7900.0, heat_capacity=500.0)
    assert damping.thermoelastic(FREQUENCY, 1e-3, strength=strength, diffusivity=4e-6) == pytest.approx(0.0)


def test_the_ratios_of_bessel_functions_are_those_of_a_library() -> None:
    """Rods of 0.1 mm in radius to 20 mm over all that is heard: moduli from 0.3 to 3000, all at 45 degrees."""
    size = np.geomspace(0.3, 3000.0, 400)
    turned = (1.0 + 1.0j) / math.sqrt(2.0) * size
    np.testing.assert_allclose(
        damping._first_over_zeroth(turned), kve(1, turned) / kve(0, turned), rtol=1e-12
    )
    np.testing.assert_allclose(
        damping._second_over_zeroth(turned), ive(2, turned) / ive(0, turned), rtol=1e-13
    )
    for each in np.split(turned, 400):  # each by itself takes its own number of terms
        first, second = damping._first_over_zeroth(each), damping._second_over_zeroth(each)
        np.testing.assert_allclose(first, kve(1, each) / kve(0, each), rtol=1e-12)
        np.testing.assert_allclose(second, ive(2, each) / ive(0, each), rtol=1e-13)


def test_the_losses_are_those_that_a_library_of_bessel_functions_gives() -> None:
    frequency, radius = np.geomspace(20.0, 18_000.0, 30), np.array([[0.2e-3], [1.5e-3], [6e-3]])
    z = (1.0 - 1.0j) * radius * np.sqrt(2.0 * math.pi * frequency / (2.0 * 4e-6))
    slope = (jve(0, z) - jve(2, z)) / 2.0
    heat = 4e-3 * np.abs(np.imag(4.0 * jve(2, z) / (z**2 * slope)))
    np.testing.assert_allclose(
        damping.thermoelastic(frequency, radius, strength=4e-3, diffusivity=4e-6), heat, rtol=1e-11
    )
    z = radius * np.sqrt(2.0j * math.pi * frequency / AIR_VISCOSITY)
    moved, displaced = 1.0 + 4.0 * kve(1, z) / (z * kve(0, z)), AIR_DENSITY * math.pi * radius**2 * 20.0
    drag = -displaced * moved.imag / (1.0 + displaced * moved.real)
    np.testing.assert_allclose(damping.air_drag(frequency, radius, 20.0), drag, rtol=1e-11)


def test_the_swept_length_is_exact_for_a_cubic() -> None:
    z = np.array([[0.0, 0.02, 0.05, 0.1]])
    shape, slope = z**3 - 0.05 * z**2, 3.0 * z**2 - 0.1 * z
    exact = 0.1**7 / 7.0 - 0.1 * 0.1**6 / 6.0 + 0.0025 * 0.1**5 / 5.0
    assert damping.swept_length(z, shape[:, None], slope[:, None])[0, 0] == pytest.approx(exact, rel=1e-12)


def test_a_short_rod_radiates_as_a_point_force_on_the_air() -> None:
    """P = k² |F|² / (24 pi rho c), Morse & Ingard, Theoretical Acoustics (1968) 7.1, peak amplitudes; F moves the
    rod's own volume of air and as much again."""
    radius, length, weight = 1.5e-3, 0.02, 20.0
    z = np.linspace(0.0, length, 9)[None]
    shape = np.full((1, 1, 9), weight)
    frequency = np.array([[30.0]])
    omega = 2.0 * math.pi * 30.0
    force = omega * AIR_DENSITY * 2.0 * math.pi * radius**2 * weight * length  # per unit speed of the mode
    power = (omega / SOUND_SPEED) ** 2 * force**2 / (24.0 * math.pi * AIR_DENSITY * SOUND_SPEED)
    expected = power / (omega * 0.5)
    got = damping.air_radiation(frequency, np.array([radius]), z, shape, np.zeros_like(shape))
    assert got[0, 0] == pytest.approx(expected, rel=1e-4)


def test_a_long_rod_that_moves_as_one_radiates_as_the_infinite_cylinder() -> None:
    """(pi/2)(rho_a/rho_s)(k a)², the dipole cylinder of Morse & Ingard (1968) 7.3 for k a << 1; its ends' share is
    about 1/(k L)."""
    radius, length, mass = 1.5e-3, 0.3, 0.05584
    z = np.linspace(0.0, length, 200)[None]
    shape = np.full((1, 1, 200), 1.0 / math.sqrt(mass * length))
    k = 17.0 / length
    frequency = np.array([[k * SOUND_SPEED / (2.0 * math.pi)]])
    flat = math.pi**2 / 2.0 * AIR_DENSITY * radius**4 * k**2 / mass
    got = damping.air_radiation(frequency, np.array([radius]), z, shape, np.zeros_like(shape))
    assert got[0, 0] == pytest.approx(flat, rel=2.0 / 17.0)


@pytest.mark.parametrize("k_length", [0.5, 3.0, 9.0])
def test_a_shape_on_a_few_uneven_nodes_radiates_as_the_integral_over_it(k_length: float) -> None:
    """eta = (pi/4) rho a⁴ k³ int |int phi exp(-i k mu z) dz|² (1 - mu²) dmu, summed plainly over 2000 slices."""
    radius, length = 2e-3, 0.12
    nodes = length * np.array([[0.0, 0.07, 0.19, 0.3, 0.46, 0.55, 0.71, 0.83, 0.92, 1.0]])
    x = nodes / length
    shape, slope = 30.0 * (x**3 - 1.2 * x**2), 30.0 * (3.0 * x**2 - 2.4 * x) / length
    k = k_length / length
    frequency = np.array([[k * SOUND_SPEED / (2.0 * math.pi)]])
    found = damping.air_radiation(frequency, np.array([radius]), nodes, shape[:, None], slope[:, None])
    z = (np.arange(2000) + 0.5) * length / 2000
    phi = 30.0 * ((z / length) ** 3 - 1.2 * (z / length) ** 2)
    mu = (np.arange(400) + 0.5) / 200.0 - 1.0
    sent = np.abs(np.exp(-1j * k * np.outer(mu, z)) @ phi * length / 2000) ** 2
    wanted = math.pi / 4.0 * AIR_DENSITY * radius**4 * k**3 * np.sum(sent * (1.0 - mu**2)) / 200.0
    assert found[0, 0] == pytest.approx(wanted, rel=2e-3)
