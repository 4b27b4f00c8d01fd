"""Instrument and listener in a room, as points about the instrument: one for each way from it to the ears.

In: a room of the design and the instrument. Out: its `Listener` with a point for every early reflection and a
sphere of points far off. A mirror image of the source as the listener meets it is the source as the mirrored
listener meets it, so the instrument's own radiator gives the directivity of every reflection; the sphere gives what
it radiates.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument, Listener
from synth.design.rooms import OCTAVES_HZ, MeasuredRoom, Room, ShoeboxRoom
from synth.errors import InputError
from synth.frozen import frozen
from synth.sound.radiator import bar_middle
from synth.sound.shoebox import Images, Shoebox, eyring_time, images
from synth.vibration.bar import path

REFLECTIONS: Final = 24  # counted singly, as many as the way holds on average: refined in the tests
AROUND: Final = 16  # points of the sphere: the power within 1 dB an octave, refined in the tests
FAR: Final = 20.0  # m, of the sphere: over three wavelengths of 63 Hz, so that no near field counts
GOLDEN: Final = math.pi * (3.0 - math.sqrt(5.0))  # rad between two points of Fibonacci's spiral on a sphere


@frozen
class EarlyWays:
    """The I reflections that are counted: images without the direct sound, and the way (I, 2) m to each ear."""

    images: Images
    way: Array
    reach: float  # m of way, beyond which nothing is counted


@frozen
class RoomWays:
    """The listener of a room, and the ways that its points stand for: the ears, reflections, the sphere."""

    listener: Listener
    early: EarlyWays | None


def shoebox_of(room: ShoeboxRoom) -> Shoebox:
    """The room as its energy sees it."""
    return Shoebox(np.array(room.size), np.array(room.absorption).reshape(3, 2, -1), np.array(room.air))


def room_words(room: ShoeboxRoom) -> str:
    """The room in a sentence: size, reverberation by octaves, how far the listener is."""
    times = ", ".join(
        f"{hertz:g} Hz {seconds:.1f} s"
        for hertz, seconds in zip(OCTAVES_HZ, eyring_time(shoebox_of(room)), strict=True)
        if 125.0 <= hertz <= 4000.0
    )
    length, width, height = room.size
    away = float(np.linalg.norm(np.array(room.listener) - np.array(room.instrument)))
    return (
        f"{room.name}: {length:g} x {width:g} x {height:g} m, the listener {away:.1f} m away; reverberation by "
        f"Eyring {times}."
    )


def sphere() -> Array:
    """Points (K, 3) spread evenly over the unit sphere (Fibonacci's spiral)."""
    n = np.arange(AROUND)
    z = 1.0 - (2.0 * n + 1.0) / AROUND
    across = np.sqrt(1.0 - z**2)
    return np.stack([across * np.cos(GOLDEN * n), across * np.sin(GOLDEN * n), z], axis=1)


def heard_in(room: Room, instrument: Instrument) -> RoomWays:
    """Where all is. Raises `InputError` where the bar does not fit in."""
    middle, given = bar_middle(instrument), instrument.listener
    around = middle + FAR * sphere()
    if isinstance(room, MeasuredRoom):
        listener = dataclasses.replace(given, distance=room.reference, also=_places(around))
        return RoomWays(listener, None)
    turn = _turn(room.bearing)
    _check_bar(room, instrument, middle, turn)
    source, seat = np.array(room.instrument), np.array(room.listener)
    listener = _looking((seat - source) @ turn, given)
    left = np.array([-math.cos(listener.azimuth), -math.sin(listener.azimuth), 0.0]) @ turn.T
    ears = seat + np.array([[0.5], [-0.5]]) * listener.spacing * left
    early, mirrored = _early(room, source, seat, ears)
    points = middle + (mirrored - source) @ turn
    return RoomWays(dataclasses.replace(listener, also=_places(np.concatenate([points, around]))), early)


def _early(room: ShoeboxRoom, source: Array, seat: Array, ears: Array) -> tuple[EarlyWays, Array]:
    """The reflections, and the listener (I, 3) as each one's mirrors show him."""
    box = shoebox_of(room)
    direct = float(np.linalg.norm(seat - source))
    reach = max((0.75 * REFLECTIONS * box.volume / math.pi) ** (1.0 / 3.0), direct + 2.0)
    found = images(box, source, seat, within=reach)
    found = Images(found.position[1:], found.distance[1:], found.flipped[1:], found.energy[1:])
    sign = np.where(found.flipped, -1.0, 1.0)
    shift = found.position - sign * source
    ways = np.stack([np.linalg.norm(found.position - ear, axis=1) for ear in ears], axis=1)
    return EarlyWays(found, ways, reach), sign * (seat - shift)


def _looking(away: Array, given: Listener) -> Listener:
    """A listener at a place (3,) from the bar's middle, in the bar's axes."""
    distance = float(np.linalg.norm(away))
    if distance < given.spacing:
        raise InputError(
            "the listener stands in the instrument", remedy="move listener_at_m", location="room"
        )
    return Listener(
        distance, math.acos(float(away[2]) / distance), math.atan2(away[0], -away[1]), given.spacing
    )


def _turn(bearing: float) -> Array:
    """(3, 3): its columns are the bar's axes in the room."""
    c, s = math.cos(bearing), math.sin(bearing)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _check_bar(room: ShoeboxRoom, instrument: Instrument, middle: Array, turn: Array) -> None:
    along, _ = path(instrument.bar, np.linspace(0.0, instrument.bar.length, 101))
    there = np.array(room.instrument) + (along - middle) @ turn.T
    out = float(np.max(np.maximum(-there, there - np.array(room.size))))
    if out > 0.0:
        raise InputError(
            f"the bar reaches {out:.2f} m through a wall",
            remedy="move instrument_at_m (the bar's middle), or turn bearing_deg",
            location=f"room.{room.name}",
            file=instrument.file,
        )


def _places(points: Array) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(x), float(y), float(z)) for x, y, z in points)
