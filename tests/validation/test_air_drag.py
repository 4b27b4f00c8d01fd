"""The drag of air round a swinging cylinder, against G. G. Stokes (1851) in his limits, and against the flow
itself, solved on a grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.sparse as sparse
import scipy.sparse.linalg as solver

from synth.air import AIR_DENSITY, AIR_VISCOSITY
from synth.arrays import Array
from synth.vibration import damping

RADIUS, DENSITY = 1.5e-3, 7900.0
SWEPT = 1.0 / (DENSITY * math.pi * RADIUS**2)


def stokes_number(frequency: Array) -> Array:
    return RADIUS * np.sqrt(2.0 * math.pi * frequency / AIR_VISCOSITY)


def moved_air_on_a_grid(squared: float) -> complex:
    """Gamma from the flow's equations: stream function f(r) sin(angle) round a cylinder of radius 1 and speed 1,

        y = f'' + f'/r - f/r²,   y'' + y'/r - y/r² = i s y,   s = omega a² / nu,   f(1) = f'(1) = 1,

    far off f falls as 1/r and y is nothing. The pressure's slope along the surface and the friction there give the
    force - i omega rho pi Gamma with Gamma = -1 + (y'(1) - y(1)) / (i s). In x = ln r both operators are
    (f_xx - f) / r².
    """
    x = np.linspace(0.0, math.log(400.0), 8001)
    h, r, n = x[1] - x[0], np.exp(x), len(x)
    second = (sparse.diags([1.0, -2.0, 1.0], [-1, 0, 1], shape=(n, n)) / h**2 - sparse.identity(n)).tocsr()
    scale = sparse.diags(r**2).tocsr()
    A = sparse.bmat([[second, -scale], [None, second - 1.0j * squared * scale]]).tolil()
    b = np.zeros(2 * n, dtype=complex)
    for row in (0, n - 1, n, 2 * n - 1):
        A[row] = 0.0
    A[0, 0] = b[0] = 1.0
    A[n - 1, n - 1], A[n - 1, n - 2] = 1.0 / h + 0.5, -1.0 / h + 0.5  # f_x = -f
    A[n, 0], A[n, 1], A[n, 2] = -1.5 / h, 2.0 / h, -0.5 / h  # f_x
    b[n] = 1.0
    A[2 * n - 1, 2 * n - 1] = 1.0
    y = solver.spsolve(A.tocsc(), b)[n:]
    slope = (-1.5 * y[0] + 2.0 * y[1] - 0.5 * y[2]) / h
    return complex(-1.0 + (slope - y[0]) / (1.0j * squared))


@pytest.mark.parametrize("frequency", [5.0, 92.2])
def test_drag_and_carried_air_are_those_of_the_flow(frequency: float) -> None:
    gamma = moved_air_on_a_grid(float(stokes_number(np.array([frequency]))[0]) ** 2)
    displaced = AIR_DENSITY / DENSITY
    heavy = damping.air_drag(frequency, RADIUS, SWEPT)
    assert heavy == pytest.approx(-displaced * gamma.imag / (1.0 + displaced * gamma.real), rel=1e-3)
    weightless = damping.air_drag(frequency, RADIUS, 1e9 * SWEPT)  # all mass is air: eta = |Im| / Re
    assert weightless == pytest.approx(-gamma.imag / gamma.real, rel=1e-3)


def test_the_worked_example_of_a_3_mm_rod() -> None:
    """To a percent: the source's viscosity of air is not stated."""
    frequency = np.array([92.2, 577.8, 1617.8, 3170.0])
    assert damping.air_drag(frequency, RADIUS, SWEPT) == pytest.approx(
        [4.99e-5, 1.91e-5, 1.13e-5, 8.01e-6], rel=0.01
    )


def test_thin_boundary_layers_follow_stokes_expansion() -> None:
    """eta = (rho_a/rho_s)(2 sqrt(2)/S + 2/S²), within 0.2 % beyond S = 9."""
    frequency = np.array([100.0, 1000.0, 10_000.0])
    S = stokes_number(frequency)
    assert S.min() > 9.0
    expected = AIR_DENSITY / DENSITY * (2.0 * math.sqrt(2.0) / S + 2.0 / S**2)
    assert damping.air_drag(frequency, RADIUS, SWEPT) == pytest.approx(expected, rel=0.002)


def test_the_loss_goes_with_the_share_of_the_mass_that_sweeps_the_air() -> None:
    frequency = np.array([500.0])
    half = damping.air_drag(frequency, RADIUS, SWEPT / 2.0)
    assert half == pytest.approx(damping.air_drag(frequency, RADIUS, SWEPT) / 2.0, rel=2e-4)
