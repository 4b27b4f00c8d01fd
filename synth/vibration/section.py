"""Cross-sections and what a beam of them carries per unit length.

In: the shape's sizes in metres and an isotropic material. Out: a `SectionGeometry` and a `Properties`:
the stiffnesses, masses and inertias that the beam elements ask for, as numbers or arrays of one shape.

    z (up)        Local axes: x along the beam, y to the side, z up. "About y" bends the beam in the plane of
    |             x and z, "about z" in the plane of x and y. `shear_y` resists a shear force along y.
    o--- y
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen

PerElement = Array | float  # one beam, or one number an element

_TORSION_TERMS: Final = 41  # the series falls as n^-5: the last term is below 1e-8 of the sum


@frozen
class SectionGeometry:
    """A cross-section's geometry: m², m⁴, and the shear coefficients, which depend on Poisson's ratio."""

    area: PerElement
    about_y: PerElement  # second moment of area
    about_z: PerElement
    torsion: PerElement  # Saint-Venant's constant; the polar moment only where the section is round
    shear_y: PerElement  # the share of the area that carries shear along y
    shear_z: PerElement


@frozen
class Properties:
    """A beam per unit length, SI; a shear stiffness of infinity leaves shear out, a rotary inertia of 0 that."""

    axial: PerElement  # N, E A
    torsion: PerElement  # N m², G times the torsion constant
    bend_y: PerElement  # N m², E times the second moment about y
    bend_z: PerElement
    shear_y: PerElement  # N, shear coefficient times G A, for shear along y
    shear_z: PerElement
    mass: PerElement  # kg/m
    inertia_x: PerElement  # kg m, about the beam's axis
    inertia_y: PerElement  # kg m, rotary inertia about y
    inertia_z: PerElement


def rectangle(width: float, height: float, poisson: float) -> SectionGeometry:
    """A solid rectangle, `width` along y and `height` along z.

    Shear: G. R. Cowper, J. Appl. Mech. 33 (1966) 335, table 1. Torsion: Timoshenko and Goodier, Theory of
    Elasticity, article on the torsion of rectangular bars.
    """
    shear = 10.0 * (1.0 + poisson) / (12.0 + 11.0 * poisson)
    about_y, about_z = width * height**3 / 12.0, height * width**3 / 12.0
    return SectionGeometry(width * height, about_y, about_z, _rectangle_torsion(width, height), shear, shear)


def tube(diameter: float, wall: float, poisson: float) -> SectionGeometry:
    """A ring of outside `diameter`; a wall of the radius is a solid rod. Shear: Cowper 1966, table 1."""
    inner = max(diameter - 2.0 * wall, 0.0)
    area = math.pi / 4.0 * (diameter**2 - inner**2)
    second = math.pi / 64.0 * (diameter**4 - inner**4)
    m = inner / diameter
    thick = (1.0 + m**2) ** 2
    shear = 6.0 * (1.0 + poisson) * thick / ((7.0 + 6.0 * poisson) * thick + (20.0 + 12.0 * poisson) * m**2)
    return SectionGeometry(area, second, second, 2.0 * second, shear, shear)


def properties(
    section: SectionGeometry, *, youngs: PerElement, shear: PerElement, density: PerElement
) -> Properties:
    """What a beam of this section and of an isotropic material carries, Timoshenko's assumptions."""
    return Properties(
        axial=youngs * section.area,
        torsion=shear * section.torsion,
        bend_y=youngs * section.about_y,
        bend_z=youngs * section.about_z,
        shear_y=section.shear_y * shear * section.area,
        shear_z=section.shear_z * shear * section.area,
        mass=density * section.area,
        inertia_x=density * (section.about_y + section.about_z),
        inertia_y=density * section.about_y,
        inertia_z=density * section.about_z,
    )


def _rectangle_torsion(width: float, height: float) -> float:
    long, short = max(width, height), min(width, height)
    n = np.arange(1, 2 * _TORSION_TERMS, 2, dtype=float)
    series = float(np.sum(np.tanh(n * math.pi * long / (2.0 * short)) / n**5))
    return long * short**3 / 3.0 * (1.0 - 192.0 / math.pi**5 * short / long * series)
