"""From how far one still hears a stroke in a room, over its noise.

In: a stroke, and the room of a design. Out: metres, octave by octave, and a sentence. The direct sound falls by
6 dB a doubling of the way in the listener's direction; what the room sends back follows from the radiated power
(M. Barron and L.-J. Lee 1988, as in `synth.sound.shoebox`). A stroke counts as heard where, over the 125 ms of its
attack, an octave stands above the noise and above what is heard at all: below that it may still be made out by one
who waits for it, so the figure is no more than an estimate.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.design.rooms import RoomNoise, ShoeboxRoom
from synth.frozen import frozen
from synth.playing.stroke import Stroke
from synth.sound.audio import RATE
from synth.sound.bands import NOMINAL_HZ, window_levels
from synth.sound.ear import ATTACK, THRESHOLD_DB
from synth.sound.radiator import EARS
from synth.sound.render import ContactSettings, perform, scene
from synth.sound.room_noise import noise_octaves
from synth.sound.room_points import AROUND, FAR, shoebox_of
from synth.sound.shoebox import late_density
from synth.sound.surroundings import Surroundings

NEAREST: Final = 0.3  # m, an ear at the tines
UNTOLD: Final = RoomNoise(dba=30.0)  # a quiet room, where the design says nothing of the noise


@frozen
class Carrying:
    """How far a stroke carries: `metres`, at most the room's diagonal; the octave that does it, in Hz."""

    metres: float
    octave_hz: int
    diagonal: float
    direct_db: Array  # (8,) dB SPL at 1 m in the listener's direction, over the attack
    power_db: Array  # (8,) the same at 1 m, all directions' mean power


def carrying(
    instrument: Instrument, through: str, room: ShoeboxRoom, stroke: Stroke, settings: ContactSettings
) -> Carrying:
    """How far this stroke is heard in this room. Raises `InputError`."""
    there = scene(instrument, through, surroundings=Surroundings(room.name))
    apart = dataclasses.replace(there, response=None)  # each way by itself
    pressure = perform(apart, [stroke], seconds=stroke.start + 2.0 * ATTACK, settings=settings).sound()

    def levels(rows: NDArray[Any]) -> Array:
        window = window_levels(rows, RATE, since=stroke.start, until=stroke.start + ATTACK)
        return np.array(window.octaves_db, dtype=np.float64)

    direct = levels(pressure[:EARS]) + 20.0 * math.log10(there.instrument.listener.distance)
    power = levels(pressure[-AROUND:]) + 20.0 * math.log10(FAR)
    return heard_up_to(room, direct, power)


def heard_up_to(room: ShoeboxRoom, direct_db: Array, power_db: Array) -> Carrying:
    """The distance from levels (8,) at 1 m: in the listener's direction, and of the mean power."""
    noise = np.maximum(noise_octaves(noise_of(room)), THRESHOLD_DB)
    diagonal = float(np.linalg.norm(room.size))

    def over(metres: float) -> Array:
        return np.asarray(level_at(room, direct_db, power_db, metres) - noise)

    low, high = NEAREST, diagonal
    loudest = int(np.argmax(over(high)))
    if np.max(over(high)) <= 0.0:
        if np.max(over(low)) <= 0.0:
            return Carrying(0.0, NOMINAL_HZ[int(np.argmax(over(low)))], diagonal, direct_db, power_db)
        for _ in range(40):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if np.max(over(middle)) > 0.0 else (low, middle)
        loudest = int(np.argmax(over(low)))
    else:
        low = diagonal
    return Carrying(low, NOMINAL_HZ[loudest], diagonal, direct_db, power_db)


def level_at(room: ShoeboxRoom, direct_db: Array, power_db: Array, metres: float) -> Array:
    """The mean level (8,) over the attack at a distance: direct sound, and what the room has sent back by then."""
    density, rate = late_density(shoebox_of(room), metres)
    grown = rate * ATTACK
    late = 4.0 * math.pi * density / rate * (1.0 - -np.expm1(-grown) / grown)
    energy = (
        10.0 ** (0.1 * direct_db) * np.exp(-np.array(room.air) * metres) / metres**2
        + 10.0 ** (0.1 * power_db) * late
    )
    return np.asarray(10.0 * np.log10(np.maximum(energy, 1e-30)))


def noise_of(room: ShoeboxRoom) -> RoomNoise:
    """The room's noise, that of a quiet room where nothing is said."""
    return UNTOLD if room.noise == RoomNoise() else room.noise


def noise_words(room: ShoeboxRoom) -> str:
    """What the noise is, in words."""
    if room.noise.nc is not None:
        return f"its noise, NC-{room.noise.nc:g}"
    if room.noise.dba is not None:
        return f"its noise, {room.noise.dba:g} dB(A)"
    return "the noise of a quiet room, 30 dB(A), since the design says nothing of it"


def carrying_words(room: ShoeboxRoom, found: Carrying) -> str:
    """A sentence."""
    over = noise_words(room)
    if found.metres <= 0.0:
        return f"In {room.name}, over {over}, such a stroke is lost even at {NEAREST:g} m."
    if found.metres >= found.diagonal:
        return f"In {room.name}, over {over}, such a stroke is heard everywhere ({found.diagonal:.0f} m at most)."
    return (
        f"In {room.name}, over {over}, such a stroke is heard up to {found.metres:.1f} m, "
        f"there by its octave of {found.octave_hz} Hz."
    )
