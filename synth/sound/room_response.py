"""A room between the instrument's points and the two ears: early reflections, the late field, what was measured.

In: pressure (P, n) in Pa at the points of `room_points`. Out: pressure (2, n) at the ears, block after block. The
direct sound passes as it is, so it is that of the free field. A reflection comes when its way says, less what the
walls took, with the smallest phase that such a loss can have. The late field is noise that falls as Eyring's time
says, as much of it as the diffuse field holds of the radiated power: each point of the sphere drives noise of its
own, so that their energies add.
"""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.air import SOUND_SPEED, air_attenuation
from synth.arrays import Array, Complex
from synth.design.rooms import OCTAVES_HZ, MeasuredRoom, Room, ShoeboxRoom
from synth.frozen import frozen
from synth.sound.convolution import Convolver
from synth.sound.measured_room import measured_tail
from synth.sound.radiator import EARS, Stream
from synth.sound.room_points import AROUND, FAR, EarlyWays, RoomWays, shoebox_of
from synth.sound.shoebox import late_density

Filters = NDArray[np.float32]
EARLY: Final = 8192  # samples at least of a reflection's own filter
FALL_DB: Final = 60.0  # of the late field, then it ends
LONGEST: Final = 12.0  # s of it
SEED: Final = 19  # of its noise, the same in every room: two rooms then differ by what they are
TAPER: Final = (
    0.75  # of the highest frequency, from which a reflection fades: it rings less about its arrival
)
LEAST: Final = 1e-12  # of an energy, against the logarithm of nothing


@frozen
class RoomResponse:
    """`early` (2, I, N) and `late` (2, K, L): filters from the points behind the ears to the ears, per sample."""

    early: Filters
    late: Filters

    def stream(self) -> Stream:
        """From pressure at all points (P, n) to the ears (2, n), keeping its state."""
        reflections = self.early.shape[1]
        early = Convolver(self.early) if reflections else None
        late = Convolver(self.late)

        def heard(pressure: Array) -> Array:
            out = pressure[:EARS].astype(np.float64)
            if early is not None:
                out = out + early(pressure[EARS : EARS + reflections])
            return np.asarray(out + late(pressure[EARS + reflections :]))

        return heard


def room_response(room: Room, heard: RoomWays, *, nearest: float, rate: int) -> RoomResponse:
    """What lies between the points and the ears; the direct sound is timed after a way of `nearest` m.

    Raises `InputError` for a bad measurement.
    """
    if isinstance(room, MeasuredRoom):
        return RoomResponse(np.zeros((EARS, 0, 1), np.float32), measured_tail(room, AROUND, FAR, rate=rate))
    assert heard.early is not None
    early = early_filters(room, heard.early, nearest=nearest, rate=rate)
    since = heard.early.reach
    late = late_filters(room, since=since, nearest=nearest, spacing=heard.listener.spacing, rate=rate)
    return RoomResponse(early, late)


def early_filters(room: ShoeboxRoom, ways: EarlyWays, *, nearest: float, rate: int) -> Filters:
    """(2, I, N) of the reflections. Walls count at once, the air beyond the direct sound's way."""
    further = ways.way - nearest
    count = 1 << math.ceil(math.log2(float(further.max(initial=0.0)) / SOUND_SPEED * rate + EARLY))
    frequency: Array = np.asarray(np.fft.rfftfreq(count, 1.0 / rate))
    air = _air_between(room, frequency)
    end = 0.5 + 0.5 * np.cos(math.pi * np.clip((frequency / (0.5 * rate) - TAPER) / (1.0 - TAPER), 0.0, 1.0))
    out = np.empty((EARS, len(further), count), np.float32)
    for n, energy in enumerate(ways.images.energy):
        walls = np.log(np.maximum(between_octaves(energy, frequency), LEAST))
        filtered = minimum_phase(0.5 * (walls - air * max(float(further[n].mean()), 0.0)))
        out[:, n] = np.fft.irfft(
            end * filtered * np.exp(-2j * math.pi * frequency * further[n][:, None] / SOUND_SPEED), count
        )
    return out


def _air_between(room: ShoeboxRoom, frequency: Array) -> Array:
    """What the air takes of the energy, 1/m at `frequency` (F,)."""
    known = np.geomspace(10.0, float(frequency[-1]), 80)
    losses = [air_attenuation(f, humidity=room.humidity, temperature=room.temperature) for f in known]
    return np.interp(frequency, known, losses)


def between_octaves(values: Array, frequency: Array) -> Array:
    """Values of the eight octaves (..., 8) at `frequency` (F,) Hz, in proportion to its logarithm, held beyond."""
    return np.interp(np.log(np.maximum(frequency, 1.0)), np.log(OCTAVES_HZ), values)


def minimum_phase(log_amplitude: Array) -> Complex:
    """The spectrum (F,) of that amplitude that comes soonest (Oppenheim and Schafer, real cepstrum)."""
    cepstrum = np.fft.irfft(log_amplitude)
    half = len(cepstrum) // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(np.exp(np.fft.rfft(cepstrum)))


@functools.lru_cache(maxsize=4)
def late_filters(room: ShoeboxRoom, *, since: float, nearest: float, spacing: float, rate: int) -> Filters:
    """(2, K, L): noise that begins when a way of `since` m has been gone, beside a direct sound of `nearest` m."""
    start = round((since - nearest) / SOUND_SPEED * rate)
    density, falls = late_density(shoebox_of(room), since)
    seconds = min(LONGEST, FALL_DB / 10.0 * math.log(10.0) / float(falls.min()))
    count = math.ceil(seconds * rate)
    # (4 pi FAR^2 / K) sum p_k^2 is rho c times the power: each point's noise holds its share
    share = np.sqrt(density * 4.0 * math.pi * FAR**2 / AROUND / rate)
    time = np.arange(count) / rate
    out = np.zeros((EARS, AROUND, start + count), np.float32)
    rng = np.random.default_rng(SEED)
    size = 1 << math.ceil(math.log2(count))
    frequency: Array = np.asarray(np.fft.rfftfreq(size, 1.0 / rate))
    weights = octave_weights(frequency)
    falling = [np.exp(-0.5 * fall * time) * part for fall, part in zip(falls, share, strict=True)]
    same = coherence(frequency, spacing)
    for k in range(AROUND):
        pair = alike_noise(rng, same, size)
        for band, fall in zip(weights, falling, strict=True):
            out[:, k, start:] += np.fft.irfft(pair * band, size)[:, :count] * fall
    return out


def octave_weights(frequency: Array) -> Array:
    """(8, F) amplitudes that add to 1 everywhere: each octave fades into the next, of one and the same noise."""
    octave = np.log2(np.maximum(frequency, 1.0) / np.array(OCTAVES_HZ)[:, None])
    octave[0], octave[-1] = np.maximum(octave[0], 0.0), np.minimum(octave[-1], 0.0)
    return np.asarray(np.cos(0.5 * math.pi * np.clip(octave, -1.0, 1.0)) ** 2)


def coherence(frequency: Array, spacing: float) -> Array:
    """Of two points `spacing` m apart in a diffuse field at `frequency` (F,) Hz.

    It is sin(kd)/(kd) (R. K. Cook et al., J. Acoust. Soc. Am. 27, 1955, 1072).
    """
    return np.asarray(np.sinc(2.0 * frequency * spacing / SOUND_SPEED))


def alike_noise(rng: np.random.Generator, same: Array, size: int) -> Complex:
    """Spectra (2, F) of unit white noise of `size` samples at two points whose coherence is `same` (F,)."""
    one, other = np.fft.rfft(rng.standard_normal((2, size)))
    return np.stack([one, same * one + np.sqrt(1.0 - same**2) * other])
