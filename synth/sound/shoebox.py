"""A rectangular room: reverberation times, mirror images of a source, levels, and decay measures of a response.

In: sizes in m, absorption of the six surfaces in octave bands. Out: arrivals and mean squares. One idea: a flat
wall answers as a mirror image whose energy it has taken its part of (Allen and Berkley, J. Acoust. Soc. Am. 65,
1979, 943); what is too late to count singly is a diffuse field fed by the radiated power (Kuttruff, Room
Acoustics).
"""

from __future__ import annotations

import numpy as np

from synth.air import SOUND_SPEED
from synth.arrays import Array
from synth.frozen import frozen

# Sabine's constant 24 ln 10 / c, in s/m
SABINE = 24.0 * np.log(10.0) / SOUND_SPEED


@frozen
class Shoebox:
    """A room with a corner at the origin: `size` (3,) in m, `absorption` (3, 2, F) of the walls at 0 and at `size`.

    Absorption is the part of the energy that a wall keeps from a diffuse field, 0 to below 1, in F octaves; `air`
    (F,) or one for all, in 1/m, is what the air takes of it.
    """

    size: Array
    absorption: Array
    air: Array | float = 0.0

    def __post_init__(self) -> None:
        if self.size.shape != (3,) or not np.all(self.size > 0.0):
            raise ValueError("a room has three lengths above 0 m")
        if self.absorption.shape[:2] != (3, 2) or not np.all((self.absorption >= 0) & (self.absorption < 1)):
            raise ValueError("absorption is (3, 2, F), from 0 to below 1")

    @property
    def volume(self) -> float:
        """In m3."""
        return float(np.prod(self.size))

    @property
    def walls(self) -> Array:
        """Areas (3,) in m2 of one of the two walls at right angles to each axis."""
        return np.asarray(self.volume / self.size)

    @property
    def surface(self) -> float:
        """All six walls, in m2."""
        return 2.0 * float(self.walls.sum())

    @property
    def mean_absorption(self) -> Array:
        """Weighed by area, (F,)."""
        return np.asarray(np.einsum("i,ijf->f", self.walls, self.absorption) / self.surface)


@frozen
class Images:
    """Mirror images of a source as a listener meets them, nearest first; I of them.

    `position` (I, 3) in m, `distance` (I,) in m, `delay` (I,) in s, `flipped` (I, 3) where an axis of the source is
    mirrored, `energy` (I, F) what the walls have left of 1.
    """

    position: Array
    distance: Array
    flipped: Array
    energy: Array

    @property
    def delay(self) -> Array:
        return np.asarray(self.distance / SOUND_SPEED)


def sabine_time(room: Shoebox) -> Array:
    """Seconds (F,) for 60 dB in a live room (Sabine 1900; ISO 354:2003, 8.1.2: A + 4 m V)."""
    return np.asarray(SABINE * room.volume / (room.surface * room.mean_absorption + _of_air(room)))


def eyring_time(room: Shoebox) -> Array:
    """Seconds (F,) for 60 dB, in a dead room as well (Eyring, J. Acoust. Soc. Am. 1, 1930, 217)."""
    return np.asarray(
        SABINE * room.volume / (-room.surface * np.log1p(-room.mean_absorption) + _of_air(room))
    )


def _of_air(room: Shoebox) -> Array | float:
    """The air's share of the absorption area, m2."""
    return 4.0 * room.air * room.volume


def late_density(room: Shoebox, since: float) -> tuple[Array, Array]:
    """The diffuse field a second over rho c times an impulse's energy, after `since` m of way; how it falls.

    Images at distances r to r + dr are 4 pi r^2 dr / V, each of 1/(4 pi r^2) and what S/4V walls a metre have left:
    c/V exp(-13.8 r/(c T)), T Eyring's time. Its sum over all r beyond a seat's is the late field of M. Barron and
    L.-J. Lee, J. Acoust. Soc. Am. 84 (1988) 618, so that it takes on what counted images
    leave off. Two of (F,), in 1/(m2 s) and 1/s.
    """
    rate = 6.0 * np.log(10.0) / eyring_time(room)
    return SOUND_SPEED / room.volume * np.exp(-rate * since / SOUND_SPEED), rate


def images(room: Shoebox, source: Array, listener: Array, *, within: float) -> Images:
    """All images of `source` (3,) nearer than `within` metres to `listener` (3,); first the source itself."""
    for place in (source, listener):
        if not np.all((place > 0.0) & (place < room.size)):
            raise ValueError("source and listener stand inside the room")
    axes = [_along(axis, room, source, within) for axis in range(3)]
    grid = np.stack(np.meshgrid(*(np.arange(len(axis[0])) for axis in axes), indexing="ij"), -1).reshape(
        -1, 3
    )
    position = np.stack([axes[i][0][grid[:, i]] for i in range(3)], -1)
    distance = np.linalg.norm(position - listener, axis=-1)
    order = np.argsort(distance, kind="stable")
    order = order[distance[order] < within]
    grid = grid[order]
    return Images(
        position=position[order],
        distance=distance[order],
        flipped=np.stack([axes[i][1][grid[:, i]] for i in range(3)], -1),
        energy=np.asarray(axes[0][2][grid[:, 0]] * axes[1][2][grid[:, 1]] * axes[2][2][grid[:, 2]]),
    )


def _along(axis: int, room: Shoebox, source: Array, within: float) -> tuple[Array, Array, Array]:
    """Places (n,), flips (n,) and energies (n, F) of the images on one axis.

    With n rooms of 2 L between, an image at 2 n L + x has met both walls |n| times; one at 2 n L - x the wall at 0
    |n - 1| times and the far one |n| times.
    """
    length, x = float(room.size[axis]), float(source[axis])
    count = int(np.ceil(within / (2.0 * length))) + 1
    n = np.arange(-count, count + 1)
    near, far = 1.0 - room.absorption[axis]
    kept = [near ** np.abs(m)[:, None] * far ** np.abs(n)[:, None] for m in (n, n - 1)]
    flips = np.repeat([False, True], len(n))
    return np.concatenate([2 * n * length + x, 2 * n * length - x]), flips, np.concatenate(kept)


def direct_gain(distance: float) -> float:
    """Mean square pressure over rho c times power at so many metres from a source alike on all sides, in 1/m2."""
    return float(1.0 / (4.0 * np.pi * distance**2))


def diffuse_gain(room: Shoebox) -> Array:
    """The same (F,) of the reverberant field: 4 (1 - a) / (S a), in 1/m2.

    Beranek, Acoustics, 1954, ch. 10 (from memory). An even field: a seat far off in a dead room has less.
    """
    a = room.mean_absorption
    return np.asarray(4.0 * (1.0 - a) / (room.surface * a))


def decay_db(squared: Array) -> Array:
    """Schroeder's curve (T,) in dB of a squared response (T,): what is still to come (ISO 3382-1:2009, 5.3.3)."""
    left = np.cumsum(squared[::-1])[::-1]
    return np.asarray(10.0 * np.log10(np.maximum(left / left[0], 1e-30)))


def reverberation_time(
    squared: Array, rate: float, *, top_db: float = -5.0, bottom_db: float = -35.0
) -> float:
    """Seconds for 60 dB from the line between two levels; T30 as given, T20 to -25, EDT from 0 to -10 dB."""
    curve = decay_db(squared)
    inside = np.flatnonzero((curve <= top_db) & (curve >= bottom_db))
    if len(inside) < 2:
        raise ValueError("the response does not fall through these levels")
    return float(-60.0 / (np.polyfit(inside / rate, curve[inside], 1)[0]))


def clarity_db(squared: Array, rate: float, *, early: float = 0.08) -> float:
    """C80 in dB: before `early` seconds over after (ISO 3382-1:2009, A.2.3); it starts with the direct sound."""
    split = round(early * rate)
    return float(10.0 * np.log10(squared[:split].sum() / squared[split:].sum()))
