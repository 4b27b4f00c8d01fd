"""A quiet room as a spectrum: which octaves of a sound stand above its noise, and for how long.

In: levels of a sound in octaves over time (`synth.sound.bands`). Out: seconds. The noise of rooms has the shape of
the NC curves (Beranek 1957; ANSI/ASA S12.2-2019, Table 1, from memory), loud where the ear is dull: one number in
dB(A) would hide that a low tine is lost in it and a high one is not.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.sound.bands import BandHistory, a_weighted_db
from synth.sound.loudness import QUIET_ROOM

# NC number: dB SPL in the octaves from 63 Hz to 8 kHz
NC_CURVES: Final = {
    15: (47.0, 36.0, 29.0, 22.0, 17.0, 14.0, 12.0, 11.0),
    20: (51.0, 40.0, 33.0, 26.0, 22.0, 19.0, 17.0, 16.0),
    25: (54.0, 44.0, 37.0, 31.0, 27.0, 24.0, 22.0, 21.0),
    30: (57.0, 48.0, 41.0, 35.0, 31.0, 29.0, 28.0, 27.0),
    35: (60.0, 52.0, 45.0, 40.0, 36.0, 34.0, 33.0, 32.0),
    40: (64.0, 56.0, 50.0, 45.0, 41.0, 39.0, 38.0, 37.0),
    45: (67.0, 60.0, 54.0, 49.0, 46.0, 44.0, 43.0, 42.0),
    50: (71.0, 64.0, 58.0, 54.0, 51.0, 49.0, 48.0, 47.0),
    55: (74.0, 67.0, 62.0, 58.0, 56.0, 54.0, 53.0, 52.0),
    60: (77.0, 71.0, 67.0, 63.0, 61.0, 59.0, 58.0, 57.0),
    65: (80.0, 75.0, 71.0, 68.0, 66.0, 64.0, 63.0, 62.0),
}


def nc_curve(number: float) -> Array:
    """The octave levels (8,) in dB SPL of an NC curve, between the tabulated ones in proportion; 15 to 65."""
    if not min(NC_CURVES) <= number <= max(NC_CURVES):
        raise ValueError(f"NC-{number:g} is not between NC-{min(NC_CURVES)} and NC-{max(NC_CURVES)}")
    table = np.array(list(NC_CURVES.values()))
    return np.array([np.interp(number, list(NC_CURVES), column) for column in table.T])


def room_spectrum(level_dba: float = QUIET_ROOM) -> Array:
    """The octave levels (8,) in dB SPL of a room's noise of so many dB(A): the NC curve next to it, shifted."""
    numbers = np.array(list(NC_CURVES), dtype=np.float64)
    heard = [a_weighted_db(nc_curve(number)) for number in numbers]
    curve = nc_curve(float(np.interp(level_dba, heard, numbers)))
    return curve + (level_dba - a_weighted_db(curve))


def seconds_above(history: BandHistory, noise_db: Array, *, since: float = 0.0) -> Array:
    """How long after `since` each octave (8,) last stands above the noise (8,) in dB SPL; 0 where it never does.

    A sound that is cut off while it stands above gives the time until there: it may be longer.
    """
    above = (history.level_db > np.asarray(noise_db)[:, None]) & (history.time >= since)
    return np.asarray(np.where(above, history.time - since, 0.0).max(axis=1, initial=0.0))
