"""The air that a rectangle carries, by a two-dimensional panel method (J. L. Hess and A. M. O. Smith, 1967).

Sources on the section's outline make the flow about it as it moves; the kinetic energy of that flow is the carried
mass. Panels grow finer towards the corners.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from synth.design.instrument import Section
from synth.sound.radiator.bar import equivalent_radius

PERCENT = 1e-2


def outline(width, height, count):
    """Ends of panels round a rectangle (N + 1, 2), crowded at its corners."""
    share = 0.5 - 0.5 * np.cos(np.linspace(0.0, math.pi, count + 1))
    x, y = width / 2.0, height / 2.0
    corners = np.array([[x, -y], [x, y], [-x, y], [-x, -y], [x, -y]])
    sides = [a + share[:-1, None] * (b - a) for a, b in itertools.pairwise(corners)]
    return np.concatenate([*sides, corners[:1]])


def carried_area(width, height, *, count=120):
    """Carried mass over the density of the fluid, m2, of a rectangle that moves along y, square on to its width."""
    ends = outline(width, height, count)
    middle = (ends[1:] + ends[:-1]) / 2.0
    edge = ends[1:] - ends[:-1]
    length = np.linalg.norm(edge, axis=1)
    tangent = edge / length[:, None]
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    away = middle[:, None] - middle[None]
    # in a panel's own frame: along it and off it, from its middle
    along = np.einsum("ijk,jk->ij", away, tangent)
    off = np.einsum("ijk,jk->ij", away, normal)
    half = length / 2.0
    near, far = along + half, along - half
    off = np.where(np.abs(off) < 1e-15, 1e-15, off)
    angle = np.arctan(near / off) - np.arctan(far / off)
    np.fill_diagonal(angle, math.pi)
    stretch = 0.5 * np.log((near**2 + off**2) / (far**2 + off**2))
    across = (
        np.einsum("ik,jk->ij", normal, normal) * angle + np.einsum("ik,jk->ij", normal, tangent) * stretch
    )
    strength = np.linalg.solve(across / (2.0 * math.pi), normal[:, 1])
    potential = 0.5 * (near * np.log(near**2 + off**2) - far * np.log(far**2 + off**2)) - length + off * angle
    potential = potential @ strength / (2.0 * math.pi)
    return -float(np.sum(potential * normal[:, 1] * length))


def test_the_panel_method_knows_the_circle_and_the_plate():
    """A slender rectangle approaches the plate's pi b^2/4 (H. Lamb, Hydrodynamics, art. 71)."""
    assert carried_area(1.0, 0.002, count=300) == pytest.approx(math.pi / 4.0, rel=3.0 * PERCENT)


@pytest.mark.parametrize(
    ("width", "height"),
    [(25, 25), (60, 10), (10, 60), (40, 12), (12, 40), (50, 5), (5, 50), (30, 20), (20, 30)],
)
def test_a_bar_that_moves_up_pushes_air_with_its_width_and_sideways_with_its_height(width, height):
    section = Section("rectangle", width * 1e-3, height * 1e-3, 0.0)
    area = width * height * 1e-6
    up = 2.0 * math.pi * equivalent_radius(section, section.width) ** 2 - area
    sideways = 2.0 * math.pi * equivalent_radius(section, section.height) ** 2 - area
    assert up == pytest.approx(carried_area(width * 1e-3, height * 1e-3), rel=2.0 * PERCENT)
    assert sideways == pytest.approx(carried_area(height * 1e-3, width * 1e-3), rel=2.0 * PERCENT)
