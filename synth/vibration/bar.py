"""The bar: its path through space, its mesh, its modes.

In: a `Bar` and the places that matter (tines, feet, pickup). Out: `BarModes`, the free vibrations of the bare bar
on its supports, suspension included, with the loss each carries.

    up   toward = side cos(plane) + up sin(plane)
     |  /       A bend turns tangent, side and up together about tangent x toward, so that the section goes
     | /        through the bend untwisted, as a roller bends a bar. A path that comes back to its start in
     o---side   its own direction is a ring: its ends are joined.

Springs lose energy, and so does the material: as loss factors, K becomes K + jK'. In the bar's own modes

    K' = eta Omega² + sum over supports of (eta_s - eta) Phi_s^T k_s Phi_s

whose diagonal gives each mode's loss factor, the energy-weighted mean of its parts (E. E. Ungar and
E. M. Kerwin, J. Acoust. Soc. Am. 34 (1962) 954), and whose other entries couple modes through a lossy support.
"""

from __future__ import annotations

import contextlib
import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from synth.arrays import Array
from synth.cores import LARGE, all_cores, each_in_halves, spread
from synth.design.instrument import Bar, Bend, Straight, Support
from synth.design.instrument import Section as BarSection
from synth.errors import InputError
from synth.frozen import frozen
from synth.vibration.beam import elements_for, wave_number
from synth.vibration.frame import Entries, Frame, Spring, entries, solve
from synth.vibration.section import Properties, SectionGeometry, properties, rectangle, tube

HIGHEST_HZ: Final = (
    10_000.0  # beyond it a bar 25 mm thick is no slender beam and its modes are many and faint
)
# What tines are coupled to goes on to three times that. The modes left out yield as springs, and do not feel the
# tines' weight: with 6 mm tines on a 12 mm bar modes to 20 kHz leave 1.9 cents below 4 kHz, to 30 kHz 0.7.
COUPLED_HZ: Final = 30_000.0
MESH_ERROR: Final = 2e-3  # of the highest mode's frequency; at 4 kHz it leaves 0.1 cent
ARC: Final = math.radians(4.0)  # of a bend per straight element: a ring's modes then stand within 0.05 %
# Of the mesh: ten metres of 25 mm square take 524, three of 60 x 5 take 374; a bent one of so many is solved in a
# minute or two and a gigabyte.
MOST_NODES: Final = 1000
CLOSED: Final = 1e-6  # of the bar's length: ends nearer than this are one
SNAP: Final = 1e-7  # m, places nearer than this share a node
COUPLED: Final = 1e-12  # of the largest entry: less is rounding


@frozen
class BarModes:
    """The bar's own vibrations, bare, on its supports. B nodes, Mb modes, S asked-for places.

    `shape` is mass-normalised (kg^-1/2), in global axes: displacement, then rotation. `loss` is K' (s^-2) between
    the modes; zero-frequency modes are the rigid motions of a bar that nothing holds. `higher` are all modes above
    the last one at the asked-for places, each over its omega: their products are what they still yield there.
    """

    position: Array  # (B,) m along the axis, rising
    point: Array  # (B, 3) m
    axes: Array  # (B, 3, 3) rows tangent, side, up
    frequency: Array  # (Mb,) Hz, rising
    loss_factor: Array  # (Mb,)
    loss: Array  # (Mb, Mb) s^-2
    shape: Array  # (B, 6, Mb)
    higher: Array  # (S, 6, H) s kg^-1/2
    closed: bool  # a ring

    @property
    def stiffness(self) -> Array:
        """The squared angular frequencies (Mb,), s^-2."""
        return np.asarray((2.0 * math.pi * self.frequency) ** 2)

    @property
    def compliance(self) -> Array:
        """What `higher` modes yield per force and moment between the asked-for places (S, 6, S, 6), global axes."""
        flat = self.higher.reshape(-1, self.higher.shape[2])
        with all_cores() if len(flat) > LARGE else contextlib.nullcontext():
            return np.asarray((flat @ flat.T).reshape(2 * self.higher.shape[:2]))

    @property
    def own_compliance(self) -> Array:
        """The same of each place by itself (S, 6, 6), for much less."""
        return np.asarray(self.higher @ self.higher.swapaxes(-1, -2))

    def at(self, position: npt.ArrayLike) -> Array:
        """The modes' motion (..., 6, Mb) at places along the axis; between nodes by the beam's cubic."""
        wanted = np.asarray(position, dtype=float)
        right = np.clip(np.searchsorted(self.position, wanted, side="left"), 1, len(self.position) - 1)
        left = right - 1
        span = self.position[right] - self.position[left]
        s = np.clip((wanted - self.position[left]) / span, 0.0, 1.0)
        from_left, from_right = _cubic(self.axes[left, 0], self.axes[right, 0], s, span)
        return np.asarray(from_left @ self.shape[left] + from_right @ self.shape[right])

    def frame_at(self, position: npt.ArrayLike) -> tuple[Array, Array]:
        """Position (..., 3) and axes (..., 3, 3) of the nearest node."""
        middles = (self.position[1:] + self.position[:-1]) / 2.0
        nearest = np.searchsorted(middles, np.asarray(position, dtype=float))
        return self.point[nearest], self.axes[nearest]


def solve_bar(
    bar: Bar, places: Sequence[float] = (), *, more: Sequence[float] = (), highest_hz: float = HIGHEST_HZ
) -> BarModes:
    """The bar's modes up to `highest_hz`, with a node at each of `places` (m along the axis), and at `more`.

    The mesh serves 10 kHz; modes above are kept for the shapes they give to those below. The last few bars are
    remembered (pitches, quarrels and assembly ask for one after the other), so the arrays cannot be written to.
    Raises `InputError` for a bar that would take more than MOST_NODES.
    """
    return _solved(bar, tuple(map(float, places)), tuple(map(float, more)), highest_hz)


@functools.lru_cache(maxsize=4)
def _solved(bar: Bar, places: tuple[float, ...], more: tuple[float, ...], highest_hz: float) -> BarModes:
    beam = beam_of(bar)
    position = mesh(bar, beam, [*places, *more], min(highest_hz, HIGHEST_HZ))
    if len(position) > MOST_NODES:
        raise InputError(
            f"a bar so long and flat takes {len(position)} nodes to follow its twist and bending to 10 kHz",
            remedy=f"shorten it or make its section less flat: {MOST_NODES} nodes are possible",
            location="bar",
        )
    point, axes = path(bar, position)
    closed = _is_closed(bar, point, axes)
    node = np.arange(len(position))
    node[-1] = 0 if closed else node[-1]
    frequency, shape = _all_modes(_frame(bar, beam, position, point, axes, node))
    shape = shape.reshape(-1, 6, len(frequency))
    shape = shape[node] if closed else shape
    kept = int(np.searchsorted(frequency, highest_hz))
    asked = np.searchsorted(position, np.asarray(places, dtype=float) - SNAP)
    higher = shape[asked, :, kept:] / (2.0 * math.pi * frequency[kept:])
    held = np.searchsorted(position, _support_places(bar) - SNAP)
    loss = _loss(bar, frequency[:kept], shape[held, :, :kept], axes[held])
    modes = BarModes(
        position, point, axes, frequency[:kept], _loss_factor(loss, frequency[:kept]), loss,
        np.ascontiguousarray(shape[:, :, :kept]), higher, closed,
    )  # fmt: skip
    for each in fields(modes):
        if each.name != "closed":
            getattr(modes, each.name).flags.writeable = False
    return modes


def standing_on(bar: Bar, feet: npt.ArrayLike) -> Bar:
    """The bar as it stands on a board's feet (J,): they take the place of supports at or of feet, others stay.

    "At" is within the bar's thickness: a drawing has the same supports and feet at much the same places.
    """
    near = max(bar.section.width, bar.section.height)
    places = np.asarray(feet, dtype=float)
    kept = [s for s in bar.supports if s.kind != "foot" and np.all(np.abs(places - s.position) > near)]
    return replace(bar, supports=tuple(kept))


def support_springs(support: Support, axes: Array) -> Array:
    """A support's stiffness (6, 6) in global axes, where the bar's own are `axes` (3, 3)."""
    k = np.array(support.springs)
    stiffness = np.zeros((6, 6))
    stiffness[:3, :3], stiffness[3:, 3:] = (axes.T * k[:3]) @ axes, (axes.T * k[3:]) @ axes
    return stiffness


def beam_of(bar: Bar) -> Properties:
    """What the bar carries per unit length."""
    steel = bar.material
    return properties(
        section_of(bar.section, steel.poisson), youngs=steel.youngs, shear=steel.shear, density=steel.density
    )


def section_of(section: BarSection, poisson: float) -> SectionGeometry:
    """The cross-section as the beam sees it."""
    if section.shape == "rectangle":
        return rectangle(section.width, section.height, poisson)
    return tube(section.width, section.wall or section.width / 2.0, poisson)


def surface_distance(section: BarSection, face: npt.ArrayLike) -> Array:
    """From the bar's axis to its surface in the direction `face` (rad, from up towards side), in m."""
    up, side = np.abs(np.cos(face)), np.abs(np.sin(face))
    if section.shape != "rectangle":
        return np.full(np.shape(face), section.width / 2.0)
    near = 1e-9
    to_top = section.height / 2.0 / np.maximum(up, near)
    return np.asarray(np.minimum(to_top, section.width / 2.0 / np.maximum(side, near)))


def path(bar: Bar, position: Array) -> tuple[Array, Array]:
    """Position (B, 3) and axes (B, 3, 3; rows tangent, side, up) at places (B,) along the bar's axis."""
    point, axes = np.zeros((len(position), 3)), np.zeros((len(position), 3, 3))
    for start, origin, at_start, segment in _segments(bar):
        here = position >= start - SNAP
        point[here], axes[here] = _along(segment, origin, at_start, position[here] - start)
    return point, axes


def mesh(bar: Bar, beam: Properties, places: Sequence[float], highest_hz: float) -> Array:
    """The places of the nodes: ends, joints of the path, supports, `places`, and enough between them."""
    joints = np.cumsum([0.0, *(segment.length for segment in bar.path)])
    given = np.sort(np.concatenate([joints, _support_places(bar), np.clip(places, 0.0, joints[-1])]))
    fixed = given[np.concatenate([[True], np.diff(given) > SNAP])]
    span = np.diff(fixed)
    count = _for_waves(beam, span, highest_hz)
    middle = (fixed[1:] + fixed[:-1]) / 2.0
    segment = np.clip(np.searchsorted(joints, middle) - 1, 0, len(bar.path) - 1)
    turn = np.array([abs(each.angle) / each.length if isinstance(each, Bend) else 0.0 for each in bar.path])
    count = np.maximum(count, np.ceil(turn[segment] * span / ARC).astype(int))
    parts = [start + step * np.arange(n) / n for start, step, n in zip(fixed[:-1], span, count, strict=True)]
    return np.concatenate([*parts, fixed[-1:]])


def _for_waves(beam: Properties, span: Array, highest_hz: float) -> npt.NDArray[np.int64]:
    """Elements over each span that serve bending in either plane, each with its own wave and gyration, and twist.

    A rod element of length h is wrong by (k h)⁴ / 480. In a flat bar twist runs slower than in a square one.
    """
    count = np.ones(len(span), dtype=np.int64)
    for bend, inertia in ((beam.bend_y, beam.inertia_y), (beam.bend_z, beam.inertia_z)):
        wave = wave_number(bend, beam.mass, highest_hz)
        gyration = np.sqrt(inertia / beam.mass)
        wanted = elements_for(wave, span, gyration=gyration, relative_error=MESH_ERROR)
        count = np.maximum(count, wanted)
    twist = 2.0 * math.pi * highest_hz * math.sqrt(float(beam.inertia_x) / float(beam.torsion))
    return np.asarray(
        np.maximum(count, np.ceil(twist * span / (480.0 * MESH_ERROR) ** 0.25).astype(np.int64))
    )


def _segments(bar: Bar) -> Iterator[tuple[float, Array, Array, Straight | Bend]]:
    """Each piece of the path with where it starts: place, point, axes."""
    start, origin, axes = 0.0, np.zeros(3), np.eye(3)
    for segment in bar.path:
        yield start, origin, axes, segment
        ends = _along(segment, origin, axes, np.array([segment.length]))
        start, origin, axes = start + segment.length, ends[0][0], ends[1][0]


def _along(segment: Straight | Bend, origin: Array, axes: Array, distance: Array) -> tuple[Array, Array]:
    """Position (n, 3) and axes (n, 3, 3) at distances (n,) into a piece that starts at `origin` with `axes`."""
    tangent, side, up = axes
    if isinstance(segment, Straight):
        return origin + distance[:, None] * tangent, np.broadcast_to(axes, (len(distance), 3, 3))
    toward = math.copysign(1.0, segment.angle) * (
        math.cos(segment.plane) * side + math.sin(segment.plane) * up
    )
    angle = (distance / segment.radius)[:, None]
    point = origin + segment.radius * (np.sin(angle) * tangent + (1.0 - np.cos(angle)) * toward)
    return point, _turned(axes, np.cross(tangent, toward), angle[:, 0])


def _turned(axes: Array, about: Array, angle: Array) -> Array:
    """The axes (n, 3, 3) turned by angles (n,) about the unit vector `about` (Rodrigues' formula)."""
    c, s = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    return np.asarray(c * axes + s * np.cross(about, axes) + (1.0 - c) * np.outer(axes @ about, about))


def mode_name(index: int, hz: float) -> str:
    """A mode of the bar with all its tines, by the one name it has everywhere: counted from the lowest."""
    return f"bar mode {index + 1} at {hz:.1f} Hz"


def is_closed(bar: Bar) -> bool:
    """Whether the bar's ends are joined: a ring."""
    return _is_closed(bar, *path(bar, np.array([0.0, bar.length])))


def _is_closed(bar: Bar, point: Array, axes: Array) -> bool:
    gap = float(np.linalg.norm(point[-1] - point[0]))
    return gap < CLOSED * bar.length and float(axes[-1, 0] @ axes[0, 0]) > 1.0 - CLOSED


def _frame(
    bar: Bar, beam: Properties, position: Array, point: Array, axes: Array, node: npt.NDArray[np.int64]
) -> Frame:
    springs = []
    for support, at in zip(bar.supports, np.searchsorted(position, _support_places(bar) - SNAP), strict=True):
        springs.append(Spring(int(node[at]), support_springs(support, axes[at])))
    up = axes[:-1, 2] + axes[1:, 2]
    return Frame(
        point[: node.max() + 1], np.stack([node[:-1], node[1:]], axis=-1), up, beam, springs=tuple(springs)
    )


def _all_modes(frame: Frame) -> tuple[Array, Array]:
    """All modes of the mesh: Hz (D,), shapes (D, D); directions that do not couple are solved apart, for speed."""
    every = entries(frame)
    sets = _uncoupled(every)
    on_cores = spread if every.size > LARGE else each_in_halves
    found = on_cores(lambda own: solve(*every.within(own)), sets)
    frequency = np.concatenate([modes.frequency for modes in found])
    order = np.argsort(frequency, kind="stable")
    column = np.split(np.argsort(order), np.cumsum([len(own) for own in sets])[:-1])
    shape = np.zeros((every.size, every.size))
    for modes, own, to in zip(found, sets, column, strict=True):
        shape[np.ix_(own, to)] = modes.shape
    return frequency[order], shape


def _uncoupled(every: Entries) -> list[npt.NDArray[np.int64]]:
    """The freedoms, parted into sets between which no entries stand: a straight bar's four motions."""
    linked = np.zeros((6, 6), dtype=bool)
    own = every.row == every.column
    for value in (every.stiffness, every.mass):
        size = np.sqrt(np.abs(np.bincount(every.row[own], value[own], every.size)))
        large = np.abs(value) > COUPLED * size[every.row] * size[every.column]
        linked[every.row[large] % 6, every.column[large] % 6] = True
    joined = np.linalg.matrix_power(linked.astype(int), 6) > 0
    sets = {tuple(np.flatnonzero(row)) for row in joined}
    return [np.flatnonzero(np.isin(np.arange(every.size) % 6, each)) for each in sorted(sets)]


def _support_places(bar: Bar) -> Array:
    return np.clip([support.position for support in bar.supports], 0.0, bar.length)


def _loss(bar: Bar, frequency: Array, held: Array, axes: Array) -> Array:
    """K' between the modes (Mb, Mb); `held` (supports, 6, Mb) is their motion at the supports, of these axes."""
    material = bar.material.loss_factor
    loss = np.diag(material * (2.0 * math.pi * frequency) ** 2)
    for support, shape, own in zip(bar.supports, held, axes, strict=True):
        loss += (support.loss_factor - material) * shape.T @ support_springs(support, own) @ shape
    return loss


def _loss_factor(loss: Array, frequency: Array) -> Array:
    energy = (2.0 * math.pi * frequency) ** 2
    return np.divide(loss.diagonal(), energy, out=np.zeros_like(energy), where=energy > 0.0)


def _cubic(tangent_left: Array, tangent_right: Array, s: Array, span: Array) -> tuple[Array, Array]:
    """What takes the motions of an element's ends to that at the share s (...) of it: (..., 6, 6) for either end.

    Displacement across the axis by Hermite's cubic with the ends' rotations as slopes, theta x t, and along it with
    the chord's, which no rotation gives; rotation linear.
    """
    s, span = s[..., None, None], span[..., None, None]
    along_left, along_right = (t[..., :, None] * t[..., None, :] for t in (tangent_left, tangent_right))
    chord = s**2 * (3.0 - 2.0 * s) * np.eye(3) + s * (1.0 - s) * ((1.0 - s) * along_left - s * along_right)
    left, right = np.zeros((2, *chord.shape[:-2], 6, 6))
    left[..., :3, :3], right[..., :3, :3] = np.eye(3) - chord, chord
    left[..., :3, 3:] = span * s * (1.0 - s) ** 2 * _slope(tangent_left)
    right[..., :3, 3:] = -span * s**2 * (1.0 - s) * _slope(tangent_right)
    left[..., 3:, 3:], right[..., 3:, 3:] = (1.0 - s) * np.eye(3), s * np.eye(3)
    return left, right


def _slope(tangent: Array) -> Array:
    """The matrix (..., 3, 3) that takes a rotation theta to theta x tangent (..., 3)."""
    slope = np.zeros((*tangent.shape, 3))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        slope[..., i, j], slope[..., i, k] = tangent[..., k], -tangent[..., j]
    return slope
