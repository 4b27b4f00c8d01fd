"""The air that all of it stands in: dry, 20 degrees, 101 325 Pa. SI.

Density and viscosity by the formulas of the ICAO standard atmosphere (Doc 7488: ideal gas, Sutherland), the speed
of sound as in ISO 9613-1. In warmer air a sound is a little faster and thinner: 0.2 % a kelvin, not followed.
"""

from __future__ import annotations

import math
from typing import Final

AIR_DENSITY: Final = 1.2041  # kg/m3
AIR_VISCOSITY: Final = 1.506e-5  # m2/s, kinematic
SOUND_SPEED: Final = 343.2  # m/s


def air_attenuation(frequency: float, *, humidity: float, temperature: float) -> float:
    """What air takes of a sound's energy, 1/m, at `frequency` Hz, `humidity` in per cent, `temperature` in K.

    ISO 9613-1:1993, equations 3 to 5, B.2 and B.3 (from memory), at 101 325 Pa. 4.343 times it is dB/m.
    """
    relative = temperature / 293.15
    saturated = 10.0 ** (-6.8346 * (273.16 / temperature) ** 1.261 + 4.6151)
    vapour = humidity * saturated  # molar concentration in per cent
    oxygen = 24.0 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour)
    nitrogen = relative**-0.5 * (9.0 + 280.0 * vapour * math.exp(-4.170 * (relative ** (-1.0 / 3.0) - 1.0)))
    relaxing = 0.01275 * math.exp(-2239.1 / temperature) / (oxygen + frequency**2 / oxygen)
    relaxing += 0.1068 * math.exp(-3352.0 / temperature) / (nitrogen + frequency**2 / nitrogen)
    return float(2.0 * frequency**2 * (1.84e-11 * relative**0.5 + relative**-2.5 * relaxing))
