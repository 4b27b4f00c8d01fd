"""A bent bar with masses against OpenSees (openseespy): frames in space by a program of other hands.

Its elasticTimoshenkoBeam with `-cMass` is the plain consistent element of Friedman and Kosmatka, without our
correction, so it gets a finer mesh; both meshes are polygons in the same two quarter circles. It takes the inertia
against twisting from the torsion constant, which is right for round bars only: it is given the polar moment for
torsion constant, and a shear modulus as much lower (with shear areas as much larger).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.arrays import Array
from synth.vibration.frame import Frame, PointMass, Spring, matrices, solve
from synth.vibration.section import properties, rectangle

try:
    import openseespy.opensees as ops
except (ImportError, RuntimeError) as reason:  # it wraps a missing system library into a RuntimeError
    pytest.skip(
        f"openseespy does not load here ({reason}): it has wheels for Linux on x86-64 only, and there it needs the "
        "system's libblas3 and liblapack3",
        allow_module_level=True,
    )

PERCENT = 0.01
YOUNGS, SHEAR, DENSITY = 203e9, 203e9 / 2.58, 7850.0
SECTION = rectangle(0.030, 0.020, 0.29)
STRAIGHT, RADIUS = 0.5, 0.25  # m
ARC = math.pi / 2.0 * RADIUS
BODIES = {
    0.25: (0.4, 2e-4),
    0.5: (0.15, 5e-5),
    0.9: (0.3, 1e-4),
}  # kg and kg m², by the share of the bar's length
SUPPORTS = {0.0: (4e4, 20.0), 1.0: (2e4, 5.0)}  # N/m in each direction and N m/rad about each axis
MODES = 20


def test_a_bent_bar_with_masses_has_opensees_first_twenty_modes() -> None:
    np.testing.assert_allclose(ours(80), theirs(240), rtol=0.2 * PERCENT)


def test_the_comparison_would_notice_a_section_lying_on_its_side() -> None:
    """Turned by 90 degrees, the 30 mm x 20 mm bar misses most of the same modes by more than ten times that."""
    off = np.abs(ours(80, flat=True) / theirs(240) - 1.0)
    assert np.sum(off > 2.0 * PERCENT) > MODES / 2


def bent_bar(count: int) -> tuple[Array, Array]:
    """Nodes (count + 1, 3) and the sections' up (count, 3): straight along x, a level quarter turn to y, then a
    quarter turn that rises from y to z. Up is z until the bar rises, then what was behind it, -y, at the end."""
    position = np.linspace(0.0, STRAIGHT + 2.0 * ARC, count + 1)
    first = np.clip(position - STRAIGHT, 0.0, ARC) / RADIUS
    second = np.clip(position - STRAIGHT - ARC, 0.0, ARC) / RADIUS
    x = np.minimum(position, STRAIGHT) + RADIUS * np.sin(first)
    y = RADIUS * (1.0 - np.cos(first)) + RADIUS * np.sin(second)
    z = RADIUS * (1.0 - np.cos(second))
    up = np.stack([0.0 * second, -np.sin(second), np.cos(second)], axis=-1)
    return np.stack([x, y, z], axis=-1), up[1:] + up[:-1]


def ours(count: int, *, flat: bool = False) -> Array:
    """The first modes (MODES,) in Hz; `flat` lays the section on its other side."""
    node, up = bent_bar(count)
    element = np.stack([np.arange(count), np.arange(1, count + 1)], axis=-1)
    beam = properties(
        rectangle(0.020, 0.030, 0.29) if flat else SECTION, youngs=YOUNGS, shear=SHEAR, density=DENSITY
    )
    masses = tuple(PointMass(round(at * count), m, J * np.eye(3)) for at, (m, J) in BODIES.items())
    springs = tuple(Spring(round(at * count), np.diag([k] * 3 + [q] * 3)) for at, (k, q) in SUPPORTS.items())
    return solve(
        *matrices(Frame(node, element, up, beam, masses=masses, springs=springs)), count=MODES
    ).frequency


def theirs(count: int) -> Array:
    """The same bar in OpenSees; node and element tags count from 0, the ground's nodes from 10,000."""
    node, up = bent_bar(count)
    A, polar = float(SECTION.area), float(SECTION.about_y) + float(SECTION.about_z)
    lower = float(SECTION.torsion) / polar
    sheared = float(SECTION.shear_y) * A / lower
    ops.wipe()
    ops.model("basic", "-ndm", 3, "-ndf", 6)
    for tag, position in enumerate(node):
        ops.node(tag, *position.tolist())
    for tag in range(count):
        ops.geomTransf("Linear", tag, *up[tag].tolist())
        stiff = (YOUNGS, SHEAR * lower, A, polar, SECTION.about_y, SECTION.about_z, sheared, sheared)
        ops.element("elasticTimoshenkoBeam", tag, tag, tag + 1, *stiff, tag, "-mass", DENSITY * A, "-cMass")
    for at, (m, J) in BODIES.items():
        ops.mass(round(at * count), m, m, m, J, J, J)
    for number, (at, (k, q)) in enumerate(SUPPORTS.items()):
        ground, held = 10_000 + number, round(at * count)
        ops.node(ground, *node[held].tolist())
        ops.fix(ground, 1, 1, 1, 1, 1, 1)
        ops.uniaxialMaterial("Elastic", 2 * number + 1, k)
        ops.uniaxialMaterial("Elastic", 2 * number + 2, q)
        springs = [2 * number + 1] * 3 + [2 * number + 2] * 3
        ops.element("zeroLength", ground, ground, held, "-mat", *springs, "-dir", 1, 2, 3, 4, 5, 6)
    value = np.array(ops.eigen(MODES))
    ops.wipe()
    return np.sqrt(value) / (2.0 * math.pi)
