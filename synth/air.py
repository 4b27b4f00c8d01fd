"""The air that all of it stands in: dry, 20 degrees, 101 325 Pa. SI.

Density and viscosity by the formulas of the ICAO standard atmosphere (Doc 7488: ideal gas, Sutherland), the speed
of sound as in ISO 9613-1. In warmer air a sound is a little faster and thinner: 0.2 % a kelvin, not followed.
"""

from __future__ import annotations

from typing import Final

AIR_DENSITY: Final = 1.2041  # kg/m3
AIR_VISCOSITY: Final = 1.506e-5  # m2/s, kinematic
SOUND_SPEED: Final = 343.2  # m/s
