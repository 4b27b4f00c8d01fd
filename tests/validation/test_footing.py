"""How a hard foot presses a soft board: a rigid square punch on an elastic half-space, Boussinesq's solution.

For a square footing of half width B the formulas of A. Pais and E. Kausel, Soil Dyn. Earthq. Eng. 7 (1988) 213,
give K_z = 4.7 G B / (1 - nu) and K_r = 4.0 G B^3 / (1 - nu); from memory, good to some 5 %, and so computed here.
"""

import math

import numpy as np
import pytest

from synth.vibration.board import ROCKING

CELLS = 24  # a side


def punch(cells: int) -> tuple[float, float]:
    """K_z (1 - nu)/(G B) and K_r (1 - nu)/(G B^3): pressure in square cells, each sunk as the rigid face asks."""
    size = 2.0 / cells
    centre = (np.arange(cells) + 0.5) * size - 1.0
    x, y = (each.ravel() for each in np.meshgrid(centre, centre, indexing="ij"))

    def corner(u, v):  # the integral of 1/R over a rectangle from the origin
        return u * np.arcsinh(v / np.abs(u)) + v * np.arcsinh(u / np.abs(v))

    dx, dy = x[:, None] - x, y[:, None] - y
    over = sum(
        s * t * corner(dx + s * size / 2.0, dy + t * size / 2.0) for s in (1.0, -1.0) for t in (1.0, -1.0)
    )
    sink = over / (2.0 * math.pi)  # w = (1 - nu)/(2 pi G) int p / R dS
    upright, tilted = np.linalg.solve(sink, np.stack([np.ones_like(x), x], axis=1)).T
    return float(upright.sum() * size**2), float((tilted * x).sum() * size**2)


def test_a_hard_square_foot_on_a_half_space_has_the_published_stiffnesses():
    upright, rocking = punch(CELLS)
    assert upright == pytest.approx(4.7, rel=0.05)
    assert rocking == pytest.approx(4.0, rel=0.05)


def test_its_hold_against_roll_lies_between_even_pressure_and_two_edges_and_nearer_the_edges():
    upright, rocking = punch(CELLS)
    over = upright * 2.0**2 / rocking  # k b^2 over this, b = 2 B
    assert over == pytest.approx(4.5, abs=0.1)
    assert ROCKING["edges"] < over < ROCKING["flat"]
