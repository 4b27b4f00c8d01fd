"""Where a nut must sit for an overtone to stand in a wished ratio to the fundamental.

In: tines with a wish, their lengths without the wished nut, their pitches (nan: the length is given). Out: for each
all places of the nut, the most forgiving first. Each is where, in two unknowns, the length and the nut's share x
of it,

    ln f_1(length, x) = ln pitch   (or length = the given one),      ln f_p / f_1 (length, x) = ln ratio.

Candidates come from a cheap picture of the ratio along the tine (the bare tine's own modes, loaded with the nut:
Rayleigh and Ritz), and are then brought home by Newton's method on the full model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import PlacedNut, Tine, TrimWish
from synth.errors import InputError
from synth.units import CENTS_PER_OCTAVE
from synth.vibration.rod import Array, Indices, RodModes, Rods, cubic, lowest_frequencies, solve_rods
from synth.vibration.tine import plane_ratios, rods_of, stiffened_length

_GRID: Final = 65  # places looked at along a tine
_LENGTH_ROUNDS: Final = 2  # to bring the loaded tine back to pitch, in the cheap picture
_FURTHEST: Final = 0.05  # of a Newton step, in ln length and in share
_EXTRA: Final = 5  # modes above the wished partial in the cheap picture
_ROUNDS: Final = 8
_STEP: Final = 1e-4  # of the differences: far above the mesh's own steps (1e-8), far below the curve's bends
_REACHED: Final = 1e-5  # of a ratio, 0.02 cent


@dataclass(frozen=True)
class NutPlace:
    """One answer: the nut, the free length that goes with it, and how the interval reacts."""

    placed: PlacedNut
    length: float  # m
    cents_per_metre: float  # of the interval, when the nut moves and the length keeps the pitch; signed


@dataclass(frozen=True)
class _Picture:
    """Per tine W and grid place G: what the nut would do."""

    share: Array  # (W, G) of the length
    scale: Array  # (W, G) length over the bare length
    interval: Array  # (W, G) ln f_p / f_1
    allowed: NDArray[np.bool_]  # (W, G)


def nut_places(tines: Sequence[Tine], length: Array, pitch: Array) -> list[list[NutPlace]]:
    """All places (W lists, none empty) of the nuts that these tines wish for. Raises `InputError`."""
    results = _places(tines, length, pitch, _picture(tines, length, pitch))
    # The cheap picture is a little off near the ends of what can be had: look again, thoroughly, before refusing.
    for row in [row for row, places in enumerate(results) if not places]:
        alone = [tines[row]], length[row : row + 1], pitch[row : row + 1]
        picture = _full_picture(*alone)
        results[row] = _places(*alone, picture)[0]
        if not results[row]:
            raise _out_of_reach(tines[row], picture)
    return results


def _places(tines: Sequence[Tine], length: Array, pitch: Array, picture: _Picture) -> list[list[NutPlace]]:
    row, start = _candidates(picture, np.log([_wish(tine).ratio for tine in tines]), length)
    results: list[list[NutPlace]] = [[] for _ in tines]
    if not len(row):
        return results
    x, slope, there = _newton([tines[index] for index in row.tolist()], length[row], pitch[row], start)
    whole = np.exp(x[0])
    for index, place, tall, cents, good in zip(row.tolist(), x[1] * whole, whole, slope, there, strict=True):
        found = NutPlace(PlacedNut(_wish(tines[index]).nut, float(place)), float(tall), float(cents))
        if good and _fits(tines[index], found):
            results[index].append(found)
    for places in results:
        places.sort(key=lambda each: abs(each.cents_per_metre))
    return results


def _picture(tines: Sequence[Tine], length: Array, pitch: Array) -> _Picture:
    """The ratio along each tine, in the bare tine's lowest modes; a change of length scales them all alike."""
    partial = np.array([_wish(tine).partial for tine in tines])
    rods = rods_of(tines, length, [tine.trim for tine in tines])
    # Enough modes for the wished partial and `_EXTRA` more: the n-th has k L = (n - 1/2) pi.
    highest = lowest_frequencies(rods)[:, 0] * ((partial + _EXTRA) * math.pi / 1.875) ** 2
    modes = solve_rods(rods, highest)
    share = _shares(tines, length)
    loads = _loads(tines, rods, modes, share * length[:, None])
    omega = 2.0 * math.pi * np.where(modes.exists, modes.frequency, 1e7)
    scale = np.ones_like(share)
    for _ in range(_LENGTH_ROUNDS):
        squares = _loaded(omega, loads, scale)
        pull = np.sqrt(np.sqrt(squares[..., 0]) / omega[:, :1])
        scale = np.where(np.isnan(pitch)[:, None], 1.0, scale * pull)
    squares = _loaded(omega, loads, scale)
    upper = np.take_along_axis(
        squares, np.broadcast_to((partial - 1)[:, None, None], (*share.shape, 1)), axis=2
    )
    allowed = _allowed(tines, share * length[:, None] * scale)
    return _Picture(share, scale, 0.5 * np.log(upper[..., 0] / squares[..., 0]), allowed)


def _full_picture(tines: Sequence[Tine], length: Array, pitch: Array) -> _Picture:
    """The same by the full model, brought to pitch by its slope of about -2 in the logarithms."""
    share = _shares(tines, length)
    row = np.repeat(np.arange(len(tines)), _GRID)
    system = _System([tines[index] for index in row.tolist()], length[row], pitch[row])
    x = np.stack([np.log(length[row]), share.ravel()])
    for _ in range(_ROUNDS):
        error = system.miss(x)
        x[0] += np.where(system.fixed, 0.0, error[0] / 2.0)
    interval = (error[1] + system.interval).reshape(share.shape)
    scale = np.exp(x[0]).reshape(share.shape) / length[:, None]
    return _Picture(share, scale, interval, _allowed(tines, share * length[:, None] * scale))


def _shares(tines: Sequence[Tine], length: Array) -> Array:
    """Places (W, G) from one end to the other at which the whole nut is on the rod, as shares of the length."""
    half = np.array([_wish(tine).nut.height / 2.0 for tine in tines])[:, None] / length[:, None]
    return np.asarray(half + (1.0 - 2.0 * half) * np.linspace(0.0, 1.0, _GRID))


def _loads(tines: Sequence[Tine], rods: Rods, modes: RodModes, place: Array) -> tuple[Array, Array, Array]:
    """What a nut at each place adds to the modes' matrices: vectors (W, G, N) whose squares are mass, rotary
    inertia and stiffness. A gripped piece of length h takes h grip M² / 2 E I out of the compliance."""
    value, turn, bend = cubic(modes.height, modes.shape, modes.slope, place)
    nuts = [_wish(tine).nut for tine in tines]
    mass = np.sqrt([nut.mass for nut in nuts])
    inertia = np.sqrt([nut.rotary_inertia for nut in nuts])
    piece = [
        stiffened_length(nut, t.rod.bend_diameter) * nut.grip for t, nut in zip(tines, nuts, strict=True)
    ]
    stiff = np.sqrt(rods.bend * np.array(piece))
    scaled = [
        each * weight[:, None, None] for each, weight in ((value, mass), (turn, inertia), (bend, stiff))
    ]
    first, second, third = (each.transpose(0, 2, 1) for each in scaled)
    return first, second, third


def _loaded(omega: Array, loads: tuple[Array, Array, Array], scale: Array) -> Array:
    """Squared frequencies (W, G, N), rising, of modes whose lengths are `scale` times what they were."""
    mass, inertia, stiff = loads
    s = scale[..., None, None]
    M = np.eye(omega.shape[1]) + _square(mass) / s + _square(inertia) / s**3
    K = omega[:, None, :, None] ** 2 * np.eye(omega.shape[1]) / s**4 + _square(stiff) / s**5
    back = np.linalg.inv(np.linalg.cholesky(K))
    return np.asarray(1.0 / np.linalg.eigvalsh(back @ M @ back.swapaxes(-1, -2))[..., ::-1])


def _square(vector: Array) -> Array:
    return vector[..., :, None] * vector[..., None, :]


def _allowed(tines: Sequence[Tine], place: Array) -> NDArray[np.bool_]:
    """Where (W, G) the nut meets none that is there already."""
    allowed = np.ones(place.shape, dtype=bool)
    for row, tine in enumerate(tines):
        for each in tine.trim:
            room = (each.nut.height + _wish(tine).nut.height) / 2.0
            allowed[row] &= np.abs(place[row] - each.position) >= room
    return allowed


def _candidates(picture: _Picture, target: Array, length: Array) -> tuple[Indices, Array]:
    """Where the picture crosses the wish: rows (C,), and ln length and share (2, C) there."""
    off = picture.interval - target[:, None]
    both = picture.allowed[:, 1:] & picture.allowed[:, :-1]
    row, left = np.nonzero(both & (np.sign(off[:, 1:]) != np.sign(off[:, :-1])))
    t = off[row, left] / (off[row, left] - off[row, left + 1])
    share, scale = (
        each[row, left] + t * (each[row, left + 1] - each[row, left])
        for each in (picture.share, picture.scale)
    )
    return row, np.stack([np.log(length[row] * scale), share])


class _System:
    """The two equations of the module's head for C tines, in x = ln length and the nut's share (2, C)."""

    def __init__(self, tines: Sequence[Tine], length: Array, pitch: Array) -> None:
        wishes = [_wish(tine) for tine in tines]
        self.fixed = np.isnan(pitch)
        self.interval = np.log([wish.ratio for wish in wishes])
        own = np.where(self.fixed, 1.0, pitch) / plane_ratios(tines)[:, 0]
        self._wanted = np.where(self.fixed, np.log(length), np.log(own))
        self._partial = np.array([wish.partial for wish in wishes]) - 1
        # The wished nut stands in the first column.
        trim = [(PlacedNut(wish.nut, 0.0), *tine.trim) for tine, wish in zip(tines, wishes, strict=True)]
        self._rods = rods_of(tines, length, trim)

    def miss(self, x: Array) -> Array:
        """By how much (2, C) each equation is missed."""
        length = np.exp(x[0])
        height = np.column_stack([x[1] * length, self._rods.nut_height[:, 1:]])
        rods = replace(self._rods, length=length, nut_height=height)
        frequency = np.log(lowest_frequencies(rods, int(self._partial.max()) + 1))
        upper = frequency[np.arange(len(self._partial)), self._partial]
        first = np.where(self.fixed, x[0], frequency[:, 0]) - self._wanted
        return np.stack([first, upper - frequency[:, 0] - self.interval])


def _newton(
    tines: Sequence[Tine], length: Array, pitch: Array, start: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """From candidates (2, C) to solutions (2, C), the interval's cents per metre (C,), and which arrived (C,)."""
    system, x = _System(tines, length, pitch), start
    for _ in range(_ROUNDS):
        error = system.miss(x)
        by_length, by_share = (
            (system.miss(x + _STEP * unit) - error) / _STEP for unit in np.eye(2)[:, :, None]
        )
        if np.max(np.abs(error)) < 0.1 * _REACHED:
            break
        slopes = np.stack([by_length, by_share]).transpose(2, 1, 0)
        step = np.linalg.solve(slopes, error.T[..., None])[..., 0].T
        x = x - np.clip(step, -_FURTHEST, _FURTHEST)
    dodge = by_share[0] / by_length[0]  # how the length answers the nut
    slope = (by_share[1] - by_length[1] * dodge) / (np.exp(x[0]) * (1.0 - x[1] * dodge))
    return x, slope * CENTS_PER_OCTAVE / math.log(2.0), np.max(np.abs(error), axis=0) < _REACHED


def _fits(tine: Tine, found: NutPlace) -> bool:
    half = found.placed.nut.height / 2.0
    inside = half <= found.placed.position <= found.length - half
    return inside and all(
        abs(found.placed.position - each.position) >= half + each.nut.height / 2.0 for each in tine.trim
    )


def _out_of_reach(tine: Tine, picture: _Picture) -> InputError:
    wish, within = _wish(tine), np.exp(picture.interval[picture.allowed])
    place = f"group[{tine.group + 1}]"
    brings = f"brings partial {wish.partial} to {wish.ratio:g}"
    finding = f"tine {tine.number}: no place of the nut '{wish.nut.name}' {brings}"
    if not len(within):
        return InputError(finding, remedy="its other nuts leave it no room", place=place)
    reach = f"{within.min():.4g} to {within.max():.4g} times the fundamental can be had"
    return InputError(finding, remedy=f"{reach}; more needs a heavier nut or a second one", place=place)


def _wish(tine: Tine) -> TrimWish:
    assert tine.wish is not None
    return tine.wish
