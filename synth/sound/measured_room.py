"""An impulse response that someone measured, as the tail behind the direct sound.

In: a sound file of one or two channels, and how far its source was. Out: what follows the direct sound, scaled by
it: a source at `reference` m. What the file cannot know is the instrument's directivity: the direct sound is the
instrument's own, the rest is driven by all that it radiates, each direction by itself, a few milliseconds apart, so
that their energies add.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.rooms import MeasuredRoom
from synth.errors import InputError
from synth.files import for_libsndfile
from synth.sound.radiator import EARS

DIRECT: Final = 2.5e-3  # s of the direct sound: the floor's reflection comes later at most seats
FADE: Final = 0.5e-3  # s at its end
ONSET: Final = 0.1  # of the peak, where it begins (ISO 3382-1:2009, A.2.1 asks for 20 dB below it)
SPREAD: Final = 5e-3  # s over which directions are laid apart
LONGEST: Final = 20.0  # s that are kept
SEED: Final = 23


def measured_tail(room: MeasuredRoom, points: int, far: float, *, rate: int) -> NDArray[np.float32]:
    """(2, K, L): filters from `points` points at `far` m around the instrument. Raises `InputError`."""
    response = _read(room, rate)
    peak = float(np.max(np.abs(response), initial=0.0))
    begins = int(np.argmax(np.max(np.abs(response), axis=0) >= ONSET * peak))
    heard = response[:, begins:]
    time = np.arange(heard.shape[1]) / rate
    direct = 0.5 + 0.5 * np.cos(math.pi * np.clip((time - DIRECT) / FADE, 0.0, 1.0))
    energy = float(np.mean(np.sum((heard * direct) ** 2, axis=1)))
    tail = heard * (1.0 - direct) / math.sqrt(energy)
    tail = np.repeat(tail, EARS, axis=0) if len(tail) == 1 else tail
    rng = np.random.default_rng(SEED)
    later = rng.integers(0, round(SPREAD * rate) + 1, points)
    share = rng.choice([-1.0, 1.0], points) * far / room.reference / math.sqrt(points)
    out = np.zeros((EARS, points, tail.shape[1] + int(later.max())), np.float32)
    for k in range(points):
        out[:, k, later[k] : later[k] + tail.shape[1]] = share[k] * tail
    return out


def _read(room: MeasuredRoom, rate: int) -> Array:
    """The response (1 or 2, N) at `rate`."""
    import soundfile

    where = {"location": f"room.{room.name}.impulse_response", "file": str(room.response)}
    try:
        sound, own = soundfile.read(for_libsndfile(room.response), always_2d=True, dtype="float64")
    except (soundfile.LibsndfileError, OSError, TypeError) as failure:
        raise InputError(
            f"cannot be read as a sound ({failure})",
            remedy="give a WAV or FLAC file beside the design",
            **where,
        ) from failure
    if sound.shape[1] > EARS:
        raise InputError(
            f"has {sound.shape[1]} channels", remedy="give one, or two: left and right ear", **where
        )
    if not np.all(np.isfinite(sound)) or not np.any(sound):
        raise InputError("is silent or holds what is no number", remedy="give an impulse response", **where)
    sound = sound[: round(LONGEST * own)].T
    if own == rate:
        return np.asarray(sound)
    from scipy.signal import resample_poly

    common = math.gcd(own, rate)
    return np.asarray(resample_poly(sound, rate // common, own // common, axis=1))
