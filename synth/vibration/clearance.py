"""Whether tines of known length have room to swing.

In: the instrument, the tines' lengths, nuts and modes. Out: words on what is unwise. Refused: tines that touch
when they ring. The rule, for the distance between two tines at any height z:

    refused   distance < thickness + RING (bend_1(z) + bend_2(z))      both ring, in opposite phase
    warned    distance < thickness + max(bend_1(z), bend_2(z))         the held tine meets its neighbour

where `bend` is what HOLD at the tip does: the push of a wooden stick that overlaps by 2 mm, about 2 N whatever the
tine (the stick gives, not the tine), and thickness the two radii, across corners where there is a nut.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.instrument import Bend, Instrument, PlacedNut
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import length_said
from synth.vibration.bar import path, surface_distance
from synth.vibration.tine import TineModes

HOLD: Final = 2.0  # N
RING: Final = 0.3  # of the bend, left as ringing by an unhurried stroke: the release takes its time (-10 dB)
_HEIGHTS: Final = 13  # along each tine, besides its nuts
_NEAR: Final = 0.15  # m along a straight bar; nothing swings further


@frozen
class _Standing:
    """R tines in space, S heights on each."""

    base: Array  # (R, 3) at the base nut's upper face
    toward: Array  # (R, 3)
    length: Array  # (R,)
    bend: Array  # (R,) of the tip
    radius: Array  # (R,) of the rod
    nut: Array  # (R, J, 3): middle, half height, radius
    height: Array  # (R, S)


def check_clearance(
    instrument: Instrument, length: Array, trim: Sequence[Sequence[PlacedNut]], modes: TineModes
) -> tuple[str, ...]:
    """Warnings, one a group, of tines that a stick presses against their neighbours. Raises `InputError`."""
    standing = _standing(instrument, length, trim, modes)
    one, other = _pairs(instrument)
    pairs = np.concatenate([np.stack([one, other]), np.stack([other, one])], axis=1)
    room, bends = _room(standing, pairs)
    ringing = np.min(room - RING * np.sum(bends, axis=0), axis=1)
    held = np.min(room - np.max(bends, axis=0), axis=1)
    if pairs.size and np.min(ringing) < 0.0:
        worst = int(np.argmin(ringing))
        _refuse(instrument, pairs[:, worst], room[worst], (RING * np.sum(bends, axis=0))[worst])
    return _warnings(instrument, pairs[:, held < 0.0], standing.bend)


def _standing(
    instrument: Instrument, length: Array, trim: Sequence[Sequence[PlacedNut]], modes: TineModes
) -> _Standing:
    tines = instrument.tines
    face = np.array([tine.face for tine in tines])
    point, axes = path(instrument.bar, np.array([tine.position for tine in tines]))
    toward = np.cos(face)[:, None] * axes[:, 2] + np.sin(face)[:, None] * axes[:, 1]
    off = surface_distance(instrument.bar.section, face) + np.array(
        [tine.root.base_nut_height for tine in tines]
    )
    omega = 2.0 * math.pi * np.where(modes.exists, modes.frequency[:, 0], np.inf)
    most = max((len(nuts) for nuts in trim), default=0)
    # A nut that is not there sits nowhere near.
    nut = np.full((len(tines), most, 3), (-1.0, 0.0, 0.0))
    for row, nuts in enumerate(trim):
        for column, each in enumerate(nuts):
            nut[row, column] = each.position, each.nut.height / 2.0, each.nut.width / math.sqrt(3.0)
    even = length[:, None] * np.linspace(0.0, 1.0, _HEIGHTS)
    return _Standing(
        base=point + off[:, None] * toward,
        toward=toward,
        length=length,
        bend=HOLD * np.sum(modes.at(0.0) ** 2 / omega**2, axis=1),
        radius=np.array([tine.rod.diameter / 2.0 for tine in tines]),
        nut=nut,
        height=np.concatenate([even, np.clip(nut[:, :, 0], 0.0, length[:, None])], axis=1),
    )


def _pairs(instrument: Instrument) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """All pairs that could meet: neighbours on a straight bar, any two where the bar bends."""
    position = np.array([tine.position for tine in instrument.tines])
    straight = not any(isinstance(segment, Bend) for segment in instrument.bar.path)
    near = np.abs(position[:, None] - position) < (_NEAR if straight else np.inf)
    one, other = np.nonzero(np.triu(near, k=1))
    return one, other


def _room(tines: _Standing, pairs: NDArray[np.int64]) -> tuple[Array, Array]:
    """Free distance (P, S) at the first tine's heights, and both tines' bends (2, P, S) where they are nearest."""
    one, other = pairs
    height = tines.height[one]
    point = tines.base[one][:, None] + height[..., None] * tines.toward[one][:, None]
    across = point - tines.base[other][:, None]
    facing = np.clip(np.einsum("psx,px->ps", across, tines.toward[other]), 0.0, tines.length[other][:, None])
    apart = np.linalg.norm(across - facing[..., None] * tines.toward[other][:, None], axis=-1)
    thick = _radius(tines, one, height) + _radius(tines, other, facing)
    bends = np.stack([_bend(tines, one, height), _bend(tines, other, facing)])
    return apart - thick, bends


def _radius(tines: _Standing, rows: NDArray[np.int64], height: Array) -> Array:
    middle, half, wide = np.moveaxis(tines.nut[rows], 2, 0)
    inside = np.abs(height[..., None] - middle[:, None, :]) <= half[:, None, :]
    nuts = np.max(np.where(inside, wide[:, None, :], 0.0), axis=2, initial=0.0)
    return np.asarray(np.maximum(nuts, tines.radius[rows][:, None]))


def _bend(tines: _Standing, rows: NDArray[np.int64], height: Array) -> Array:
    """The cantilever's deflection under a force at its tip: x² (3 - x) / 2 of the tip's."""
    x = height / tines.length[rows][:, None]
    return np.asarray(tines.bend[rows][:, None] * x**2 * (3.0 - x) / 2.0)


def _refuse(instrument: Instrument, pair: NDArray[np.int64], room: Array, swing: Array) -> None:
    where, units = int(np.argmin(room - swing)), instrument.tines[0].written.units
    one, other = sorted(pair)
    free = (
        f"leave {length_said(room[where], units, figures=2)} between them" if room[where] > 0.0 else "touch"
    )
    raise InputError(
        f"{_name(instrument, one)} and {_name(instrument, other)} {free}",
        remedy=f"they swing by {length_said(swing[where], units, figures=2)} together: space them wider, or turn "
        "their faces apart",
        location=instrument.tines[one].written.spacing,
    )


def _warnings(instrument: Instrument, pairs: NDArray[np.int64], bend: Array) -> tuple[str, ...]:
    close = sorted({(min(pair), max(pair)) for pair in pairs.T.tolist()})
    count = Counter(instrument.tines[one].group for one, _ in close)
    words = []
    units = instrument.tines[0].written.units
    for group, number in count.items():
        one, other = next(pair for pair in close if instrument.tines[pair[0]].group == group)
        more = f" (and {number - 1} more such pairs)" if number > 1 else ""
        held, met = (one, other) if bend[one] >= bend[other] else (other, one)
        words.append(
            f"group[{group + 1}]: {_name(instrument, held)}, held by {HOLD:g} N, bends "
            f"{length_said(bend[held], units, figures=2)} and meets {_name(instrument, met)}{more}"
        )
    return tuple(words)


def _name(instrument: Instrument, index: int) -> str:
    tine = instrument.tines[index]
    return f"tine {tine.number} of '{instrument.groups[tine.group].name}'"
