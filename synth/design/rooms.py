"""The rooms of a design: a box with surfaces, or what was measured in one; where instrument and listener are.

In: the [room.NAME] tables. Out: a `ShoeboxRoom` or a `MeasuredRoom`, SI. Octaves are the eight from 63 Hz to 8 kHz:
tables and measurements know 125 Hz to 4 kHz, and the ones beyond take their neighbour's absorption.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from synth.air import SOUND_SPEED, air_attenuation
from synth.design import catalogue, schema
from synth.design.schema_place import Room as RoomTable
from synth.errors import InputError, nearest
from synth.frozen import frozen
from synth.units import DEGREE, KELVIN_AT_0_C

OCTAVES_HZ: Final = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
TOLD_HZ: Final = OCTAVES_HZ[1:7]  # those that a design gives
WALLS: Final = ("wall_x0", "wall_x1", "wall_y0", "wall_y1", "floor", "ceiling")
MOST: Final = 0.99  # absorption; more would be a hole into the open
OF_A_BOX: Final = ("length_m", "width_m", "height_m", "instrument_at_m", "listener_at_m", "reverberation_s",
                   "floor", "ceiling", "walls", *WALLS[:4])  # fmt: skip
Spot = tuple[float, float, float]


@frozen
class RoomNoise:
    """A room's noise: a level in dB(A), or an NC curve; at most one of them is there."""

    dba: float | None = None
    nc: float | None = None


@frozen
class ShoeboxRoom:
    """A box with a corner at the origin; `absorption` of the walls at x 0, x 1, y 0, y 1, floor and ceiling."""

    name: str
    size: Spot
    absorption: tuple[tuple[float, ...], ...]  # (6, 8)
    instrument: Spot  # the bar's middle
    bearing: float  # rad, of the bar from the room's x towards its y
    listener: Spot
    air: tuple[float, ...]  # (8,) 1/m, what the air takes of the energy
    humidity: float  # per cent
    temperature: float  # K
    noise: RoomNoise


@frozen
class MeasuredRoom:
    """An impulse response; its direct sound is that of a source at `reference` m."""

    name: str
    response: Path
    reference: float
    noise: RoomNoise


Room = ShoeboxRoom | MeasuredRoom


def make_rooms(design: schema.Design, file: str) -> dict[str, Room]:
    """Every room of the design. Raises `InputError`."""
    return {name: _room(design, name, file) for name in design.room}


def _room(design: schema.Design, name: str, file: str) -> Room:
    given, location = design.room[name], f"room.{name}"
    if given.noise_dba is not None and given.noise_nc is not None:
        raise InputError("noise_dba and noise_nc exclude each other", remedy="keep one", location=location)
    noise = RoomNoise(given.noise_dba, given.noise_nc)
    if given.impulse_response is not None:
        return _measured(given, name, file, location, noise)
    if given.reference_m is not None:
        raise InputError(
            "reference_m belongs to an impulse_response, and there is none",
            remedy="leave it out, or name the file",
            location=location,
        )
    return _box(design, name, location, noise)


def _measured(given: RoomTable, name: str, file: str, location: str, noise: RoomNoise) -> MeasuredRoom:
    assert given.impulse_response is not None
    extra = next((key for key in OF_A_BOX if getattr(given, key) is not None), "")
    if extra:
        raise InputError(
            f"impulse_response and {extra} exclude each other",
            remedy="a measured room has all of that in its file; make two rooms of it",
            location=location,
        )
    if given.reference_m is None:
        raise InputError(
            "the key 'reference_m' is missing",
            remedy="how far from the source the response was measured: its direct sound is that of this distance",
            location=location,
        )
    return MeasuredRoom(name, Path(file).parent / given.impulse_response, given.reference_m, noise)


def _box(design: schema.Design, name: str, location: str, noise: RoomNoise) -> ShoeboxRoom:
    given = design.room[name]
    for key in ("length_m", "width_m", "height_m", "instrument_at_m", "listener_at_m"):
        if getattr(given, key) is None:
            raise InputError(
                f"the key '{key}' is missing",
                remedy="a room has length_m, width_m, height_m, instrument_at_m and listener_at_m, "
                "or an impulse_response",
                location=location,
            )
    size = (given.length_m or 0.0, given.width_m or 0.0, given.height_m or 0.0)
    temperature = design.tuning.temperature_c + KELVIN_AT_0_C
    air = tuple(
        air_attenuation(hertz, humidity=given.humidity_percent, temperature=temperature)
        for hertz in OCTAVES_HZ
    )
    return ShoeboxRoom(
        name=name,
        size=size,
        absorption=_absorption(given, size, air, location),
        instrument=_inside(given.instrument_at_m, size, f"{location}.instrument_at_m"),
        bearing=given.bearing_deg * DEGREE,
        listener=_inside(given.listener_at_m, size, f"{location}.listener_at_m"),
        air=air,
        humidity=given.humidity_percent,
        temperature=temperature,
        noise=noise,
    )


def _inside(place: Sequence[float] | None, size: Spot, location: str) -> Spot:
    assert place is not None
    for found, whole, axis in zip(place, size, ("length", "width", "height"), strict=True):
        if not 0.0 < found < whole:
            raise InputError(
                f"{found:g} m is not inside the room",
                remedy=f"along its {axis} it goes from 0 to {whole:g} m",
                location=location,
            )
    return (place[0], place[1], place[2])


def _absorption(
    given: RoomTable, size: Spot, air: Sequence[float], location: str
) -> tuple[tuple[float, ...], ...]:
    told = {wall: getattr(given, wall) for wall in WALLS}
    for wall in WALLS[:4]:
        told[wall] = given.walls if told[wall] is None else told[wall]
    if given.reverberation_s is not None:
        extra = next((key for key in (*WALLS, "walls") if getattr(given, key) is not None), "")
        if extra:
            raise InputError(
                f"reverberation_s and {extra} exclude each other", remedy="keep one", location=location
            )
        return (_beyond(_from_times(given.reverberation_s, size, air[1:7], location)),) * 6
    missing = next((wall for wall in WALLS if told[wall] is None), "")
    if missing:
        raise InputError(
            f"nothing is said of its {missing.removeprefix('wall_') if missing in WALLS[4:] else 'walls'}",
            remedy="give floor, ceiling and walls, or reverberation_s",
            location=location,
        )
    return tuple(_beyond(_surface(told[wall], f"{location}.{wall}")) for wall in WALLS)


def _surface(told: str | Sequence[float], location: str) -> Sequence[float]:
    if not isinstance(told, str):
        return told
    row = catalogue.surfaces().find(told)
    if row is None:
        raise InputError(
            f"there is no surface '{told}'",
            remedy=nearest(told, catalogue.surfaces().names),
            location=location,
        )
    return row.octaves


def _from_times(times: Sequence[float], size: Spot, air: Sequence[float], location: str) -> list[float]:
    """The even absorption that gives these times by Eyring's formula with the air's own loss."""
    length, width, height = size
    volume, surface = length * width * height, 2.0 * (length * width + length * height + width * height)
    found = []
    for hertz, seconds, loss in zip(TOLD_HZ, times, air, strict=True):
        exponent = (24.0 * math.log(10.0) / SOUND_SPEED / seconds - 4.0 * loss) * volume / surface
        absorbed = -math.expm1(-exponent)
        if not 0.0 < absorbed <= MOST:
            longest = 24.0 * math.log(10.0) / SOUND_SPEED / (4.0 * loss)
            raise InputError(
                f"{seconds:g} s at {hertz:g} Hz cannot be in a room of {length:g} x {width:g} x {height:g} m",
                remedy=f"the air alone makes it shorter than {longest:.1f} s"
                if absorbed <= 0.0
                else "it is shorter than with open windows all round",
                location=f"{location}.reverberation_s",
            )
        found.append(absorbed)
    return found


def _beyond(told: Sequence[float]) -> tuple[float, ...]:
    """Six octaves as eight."""
    return (told[0], *told, told[-1])
