"""The air against the gas laws that its sources state."""

import math

import pytest

from synth.air import AIR_DENSITY, AIR_VISCOSITY, SOUND_SPEED

PRESSURE, KELVIN = 101_325.0, 293.15
MOLAR_MASS, GAS = 28.964420e-3, 8.31432  # kg/mol, J/(K mol): ICAO Doc 7488, section 1


def test_density_is_that_of_an_ideal_gas():
    assert pytest.approx(PRESSURE * MOLAR_MASS / (GAS * KELVIN), rel=1e-4) == AIR_DENSITY


def test_sound_is_as_fast_as_in_a_gas_of_two_atoms():
    assert pytest.approx(math.sqrt(1.4 * PRESSURE / AIR_DENSITY), rel=2e-4) == SOUND_SPEED


def test_viscosity_is_sutherlands():
    # ICAO Doc 7488: 1.458e-6 T^1.5 / (T + 110.4) Pa s
    dynamic = 1.458e-6 * KELVIN**1.5 / (KELVIN + 110.4)
    assert pytest.approx(dynamic / AIR_DENSITY, rel=5e-4) == AIR_VISCOSITY
