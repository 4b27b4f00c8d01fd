"""The noise of a room: its octaves, and as sound to lay under.

In: a level in dB(A) or an NC curve. Out: octave levels (8,) in dB SPL; steady noise of those levels at two ears,
alike as far as a diffuse field is. Its shape is that of the NC curves (`synth.sound.quiet_room`), whatever the real
noise's.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.rooms import RoomNoise
from synth.errors import InputError
from synth.sound.audio import RATE, REFERENCE_PRESSURE
from synth.sound.bands import OCTAVES, band_edges
from synth.sound.quiet_room import nc_curve, room_spectrum
from synth.sound.room_response import alike_noise, coherence

LOOP: Final = 1 << 19  # samples, 11 s, after which the noise comes again
SEED: Final = 29


def noise_octaves(noise: RoomNoise) -> Array:
    """The octaves (8,) in dB SPL. Raises `InputError` where the design says nothing of it."""
    if noise.nc is not None:
        return nc_curve(noise.nc)
    if noise.dba is not None:
        return room_spectrum(noise.dba)
    raise InputError(
        "this room has no noise", remedy="give it noise_dba or noise_nc", location="--room-noise"
    )


def noise_stream(octaves_db: Array, spacing: float) -> Callable[[int], Array]:
    """What gives the next so many samples (2, n) in Pa."""
    frequency: Array = np.asarray(np.fft.rfftfreq(LOOP, 1.0 / RATE))
    pair = alike_noise(np.random.default_rng(SEED), coherence(frequency, spacing), LOOP)
    low, high = band_edges(OCTAVES).T
    power = np.zeros(len(frequency))  # mean square per hertz
    for first, last, level in zip(low, high, octaves_db, strict=True):
        inside = (frequency >= first) & (frequency < last)
        power[inside] = REFERENCE_PRESSURE**2 * 10.0 ** (0.1 * level) / (last - first)
    loop = np.fft.irfft(pair * np.sqrt(power * RATE / 2.0), LOOP)
    at = 0

    def following(count: int) -> Array:
        nonlocal at
        picked = (at + np.arange(count)) % LOOP
        at = (at + count) % LOOP
        return np.asarray(loop[:, picked])

    return following
