"""Tines against three-dimensional elasticity, solved by scikit-fem: a plain rod, and a rod with a collar.

A quarter of the rod is meshed with 27-node bricks: mirror symmetric about y = 0, antisymmetric about x = 0, so
that only bending in one plane is left. A 3-D clamp also keeps the section from shrinking, and the collar's edge
is a singularity of stress: both make the solid a little stiffer than its beam, 0.05 to 0.2 % here.

    section, before the nodes are moved        side view
    2 +-------+-------+                              _______
      | ring   \\     /|                        clamp |collar |
    1 +--------+\\   / |                       ///|==|=======|===========  rod, z
      |  core  |  \\/  |                             |_______|
    0 +--------+------+ 2
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from synth.arrays import Array
from synth.design.instrument import FixedLength, Material, Nut, PlacedNut, Rod, Root, Tine
from synth.vibration.tine import solve_tines

skfem = pytest.importorskip("skfem", reason="scikit-fem, the outside solver, is not installed")

Quad = list[tuple[float, float]]

PERCENT = 0.01
STEEL = Material(
    name="test steel",
    density=7900.0,
    youngs=193e9,
    poisson=0.29,
    loss_factor=1e-4,
    expansion=17e-6,
    heat_capacity=500.0,
    conductivity=16.0,
    modulus_slope=0.0,
    yield_stress=4e8,
    tensile_strength=7e8,
    endurance=2e8,
    magnetic="no",
    source="invented for this test, near AISI 304",
    confidence="test",
)
DIAMETER = 2.47e-3  # as stiff as an M3 rod
LENGTH = 120e-3
COLLAR_HEIGHT, COLLAR_DIAMETER = 2.4e-3, 5.78e-3  # as high, and of as much section, as an M3 hex nut
BIG, FINE = 3e-3, 0.1e-3  # brick heights: along the rod, and at the clamp and the collar's ends
CORNERS = [(1, 1, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1), (1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 0, 0)]


@pytest.mark.slow
def test_a_plain_rods_partials_are_those_of_the_solid() -> None:
    solid = solid_partials(levels(0.0, LENGTH), collar=None)
    np.testing.assert_allclose(beam_partials(None, grip=0.0), solid, rtol=0.3 * PERCENT)


@pytest.mark.slow
@pytest.mark.parametrize("middle", [0.5 * LENGTH, 0.78 * LENGTH])
def test_a_gripping_collar_acts_as_a_mass_and_a_rigid_piece(middle: float) -> None:
    """With `grip` 1 all partials agree; mass alone leaves one of them more than 1 % flat, so the check can fail."""
    below, above = middle - COLLAR_HEIGHT / 2.0, middle + COLLAR_HEIGHT / 2.0
    solid = solid_partials(levels(0.0, below, above, LENGTH), collar=(below, above))
    np.testing.assert_allclose(beam_partials(middle, grip=1.0), solid, rtol=0.3 * PERCENT)
    assert np.min(beam_partials(middle, grip=0.0) / solid) < 1.0 - 1.0 * PERCENT


def beam_partials(collar: float | None, grip: float) -> Array:
    """The first four partials (4,) of the tine model, ideally clamped."""
    rod = Rod("rod", "", DIAMETER, 0.0, DIAMETER, DIAMETER, DIAMETER, STEEL)
    placed = () if collar is None else (PlacedNut(collar_as_nut(grip), collar),)
    tine = Tine(
        group=0,
        number=1,
        rod=rod,
        goal=FixedLength(LENGTH),
        trim=placed,
        wish=None,
        root=Root(0.0, math.inf, math.inf, 0.0, 0.0),
        split=1.0,
        split_axis=0.0,
        position=0.0,
        face=0.0,
    )
    return solve_tines([tine], [LENGTH], [placed]).frequency[0, 0, :4]


def collar_as_nut(grip: float) -> Nut:
    mass = STEEL.density * math.pi / 4.0 * (COLLAR_DIAMETER**2 - DIAMETER**2) * COLLAR_HEIGHT
    rotary = mass / 12.0 * (0.75 * (COLLAR_DIAMETER**2 + DIAMETER**2) + COLLAR_HEIGHT**2)
    return Nut("collar", mass, COLLAR_HEIGHT, 5.5e-3, rotary, grip, "")


def solid_partials(z: Array, collar: tuple[float, float] | None) -> Array:
    """The first four bending frequencies (4,) in Hz of the solid."""
    from scipy.sparse.linalg import eigsh
    from skfem.helpers import dot
    from skfem.models.elasticity import lame_parameters, linear_elasticity

    basis = skfem.Basis(mesh(z, collar), skfem.ElementVector(skfem.ElementHex2()), intorder=5)
    K = linear_elasticity(*lame_parameters(STEEL.youngs, STEEL.poisson)).assemble(basis)
    M = skfem.BilinearForm(lambda u, v, w: STEEL.density * dot(u, v)).assemble(basis)
    root, mirror, middle = (basis.get_dofs(lambda p, i=i: p[i] < 1e-9) for i in (2, 1, 0))
    held = [root.all(), mirror.all("u^2"), middle.all(["u^2", "u^3"])]
    K, M, *_ = skfem.condense(K, M, D=np.unique(np.concatenate(held)))
    value = eigsh(K, k=4, M=M, sigma=0.0, return_eigenvectors=False)
    return np.sqrt(np.sort(value)) / (2.0 * math.pi)


def mesh(z: Array, collar: tuple[float, float] | None) -> object:
    """Bricks between the levels; where the collar is, its ring is added. Mid-nodes are moved onto the circles."""
    bricks = []
    for low, high in itertools.pairwise(z):
        inside = collar is not None and collar[0] < (low + high) / 2.0 < collar[1]
        for quad in core() + (ring(2) if inside else []):
            bricks.append([(*quad[2 * a + b], (low, high)[c]) for a, b, c in CORNERS])
    corners = np.round(np.array(bricks).reshape(-1, 3), 12)
    point, number = np.unique(corners, axis=0, return_inverse=True)
    straight = skfem.MeshHex(point.T.copy(), number.reshape(-1, 8).T.copy())
    curved = skfem.MeshHex2.from_mesh(straight)
    square = curved.doflocs[:2]
    side = np.maximum(square.max(axis=0), 1.0)
    radius = DIAMETER / 2.0 + (side - 1.0) * (COLLAR_DIAMETER - DIAMETER) / 2.0
    curved.doflocs[:2] = radius * square / side * np.sqrt(1.0 - (square[::-1] / side) ** 2 / 2.0)
    return curved


def core() -> list[Quad]:
    """The quarter of the rod's section as one square; its four corners."""
    return [[(a, b) for a in (0.0, 1.0) for b in (0.0, 1.0)]]


def ring(layers: int) -> list[Quad]:
    """The quarter of the collar as trapezoids around the square, sides 1 to 2."""
    s = np.linspace(1.0, 2.0, layers + 1)
    right = [[(s[i + a], s[i + a] * b) for a in (0, 1) for b in (0.0, 1.0)] for i in range(layers)]
    top = [[(s[i + b] * a, s[i + b]) for a in (0.0, 1.0) for b in (0, 1)] for i in range(layers)]
    return right + top


def levels(*ends: float) -> Array:
    """Heights of the brick layers between `ends`, graded towards all of them but the last, the free tip."""
    layers = [[0.0]]
    for number, (low, high) in enumerate(itertools.pairwise(ends), start=2):
        free = number == len(ends)
        graded = [FINE * (2**i - 1) for i in range(1, 20) if FINE * (2**i - 1) < min(BIG, (high - low) / 2.0)]
        start = low + np.array([0.0, *graded])
        stop = np.array([high]) if free else high - np.array([0.0, *graded])[::-1]
        between = np.linspace(start[-1], stop[0], max(math.ceil((stop[0] - start[-1]) / BIG), 1) + 1)
        layers.append([*start[1:], *between[1:-1], *stop])
    return np.unique(np.round(np.concatenate(layers), 9))
