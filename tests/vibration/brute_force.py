"""The plain truth for the assembly: the bar and every tine meshed as one frame, nothing left out or projected.

In: the bar, resolved tines, free lengths, nuts. Out: `Whole`, the undamped modes of it all. Slow on purpose. It
shares the beam elements with the program, and nothing else: the path is walked by rotation matrices, a tine is a
chain of elements on a rigid arm, with its axial and torsional give.

             pointing = cos(face) up + sin(face) side
       |  <- tip
       |       plane 0 = cos(axis) along + sin(axis) across,   along = the bar's tangent, across = pointing x along
       |
       o  clamp point: reach of the section + height of the base nut - added length, from the bar's axis
    ---+----------- bar's axis
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import eigsh
from scipy.spatial.transform import Rotation

from synth.arrays import Array
from synth.design.instrument import Bar, Bend, PlacedNut, Section, Straight, Tine
from synth.vibration.beam import elements_for, wave_number
from synth.vibration.frame import Frame, PointMass, Spring, matrices, solve
from synth.vibration.section import Properties, SectionGeometry, properties, rectangle, tube

DENSE = 500  # freedoms; above it the modes come from sparse shift-invert
SHIFT = -((2.0 * math.pi * 20.0) ** 2)  # s^-2, below every mode, so that a free bar can be factorised
SOFTEST = 0.01  # bending compliance left in a perfectly gripped piece
PRECISE = 2e-5  # of the highest frequency asked for, each tine's mesh: 0.03 cent
# What a sprung root does not let move: stiff beside a tine (1 micrometre of added length), yet not so stiff that
# the dense solution drowns in rounding.
UNMOVED = 1e10  # N/m
UNTURNED = 1e6  # N m/rad
SAME = 1e-7  # m


@dataclass(frozen=True)
class Whole:
    """Modes of the whole: M modes, R tines, B nodes of the bar, D freedoms. Shapes mass-normalised, kg^-1/2."""

    frequency: Array  # (M,) Hz
    tip: Array  # (R, 2, M) displacement of the tips, along and across
    shape: Array  # (D, M) global axes, the bar's nodes first
    bar_place: Array  # (B,) of the bar's nodes, along its axis; a ring's last node is its first
    bar_axes: Array  # (B, 3, 3) rows tangent, side, up
    tine_axes: Array  # (R, 3, 3) rows along, across, pointing
    tip_node: npt.NDArray[np.int64]  # (R,)
    frame: Frame
    owner: npt.NDArray[np.int64]  # (E,) whose element: a tine's number in R, -1 for the bar

    def bar_at(self, position: float) -> Array:
        """The bar's motion (6, M) at its node nearest to `place`, global axes."""
        node = nearest(self.bar_place, position)
        return self.shape[6 * node : 6 * node + 6]


def solve_whole(
    bar: Bar,
    tines: Sequence[Tine],
    length: Sequence[float],
    trim: Sequence[Sequence[PlacedNut]],
    *,
    highest_hz: float = 4000.0,
    step: float = 0.008,
    stretch: float = 1.0,
) -> Whole:
    """All modes up to `highest_hz`. `step` (m) is the bar's longest element; `stretch` multiplies the tines' axial
    and torsional stiffness, to tell what their give contributes."""
    position = _bar_places(bar, tines, step)
    point, axes = walk(bar, position)
    build = _Builder()
    build.add_bar(bar, position, point, axes)
    tine_axes, tips = [], []
    for number, (tine, free, nuts) in enumerate(zip(tines, length, trim, strict=True)):
        at = nearest(position, tine.position)
        own = pointing_axes(axes[at], tine.face)
        tine_axes.append(own)
        build.owned_by = number
        tips.append(build.add_tine(tine, free, nuts, own, at, point[at], bar.section, highest_hz, stretch))
    frame = build.frame()
    frequency, shape = modes(frame, highest_hz)
    tip = np.array(
        [own[:2] @ shape[6 * node : 6 * node + 3] for own, node in zip(tine_axes, tips, strict=True)]
    )
    tip = tip.reshape(len(tips), 2, len(frequency))
    return Whole(
        frequency,
        tip,
        shape,
        position,
        axes,
        np.array(tine_axes),
        np.array(tips),
        frame,
        np.array(build.owner),
    )


def modes(frame: Frame, highest_hz: float) -> tuple[Array, Array]:
    """Frequencies (M,) and shapes (D, M) up to `highest_hz`."""
    K, M = matrices(frame)
    if len(K) <= DENSE:
        found = solve(K, M, highest_hz=highest_hz)
        return found.frequency, found.shape
    stiffness, mass = csc_matrix(K), csc_matrix(M)
    count = 60
    while True:
        value, vector = eigsh(stiffness, k=count, M=mass, sigma=SHIFT)
        frequency = np.sqrt(np.maximum(value, 0.0)) / (2.0 * math.pi)
        order = np.argsort(frequency)
        if frequency.max() > highest_hz or count >= len(K) - 1:
            order = order[frequency[order] <= highest_hz]
            return frequency[order], vector[:, order]
        count = min(2 * count, len(K) - 1)


def poles(whole: Whole, bar: Bar, tine_loss: Sequence[float]) -> npt.NDArray[np.complex128]:
    """All damped modes' s = -sigma + j omega (D,), by one complex eigen-solution of K + jK', rising in omega.

    K' is every element's and spring's stiffness times its loss factor: the bar's material, each support's own, and
    `tine_loss` (R,), one for all partials of a tine, its root springs included. Dense: for small cases.
    """
    K, M = matrices(whole.frame)
    loss = np.where(whole.owner < 0, bar.material.loss_factor, np.append(tine_loss, 0.0)[whole.owner])
    beam = whole.frame.beam
    stiff = ("axial", "torsion", "bend_y", "bend_z", "shear_y", "shear_z")
    lossy = dataclasses.replace(beam, **{name: getattr(beam, name) * loss for name in stiff})
    own = [support.loss_factor for support in bar.supports]
    for spring in whole.frame.springs[
        len(own) :
    ]:  # a root's, in the order of the tines; its foot has one element on
        own.append(float(loss[np.flatnonzero(whole.frame.element[:, 0] == spring.node)[0]]))
    springs = tuple(
        dataclasses.replace(spring, stiffness=spring.stiffness * eta)
        for spring, eta in zip(whole.frame.springs, own, strict=True)
    )
    lost, _ = matrices(dataclasses.replace(whole.frame, beam=lossy, masses=(), springs=springs))
    squares = np.linalg.eigvals(np.linalg.solve(M, K + 1j * lost))
    s = 1j * np.sqrt(squares)
    return s[np.argsort(s.imag)]


def walk(bar: Bar, position: Array) -> tuple[Array, Array]:
    """Position (B, 3) and axes (B, 3, 3; rows tangent, side, up) at places along the axis, by rotation matrices."""
    point, axes = np.zeros((len(position), 3)), np.zeros((len(position), 3, 3))
    start, origin, here = 0.0, np.zeros(3), np.eye(3)
    for segment in bar.path:
        inside = np.flatnonzero((position >= start - SAME) & (position <= start + segment.length + SAME))
        for node in inside:
            point[node], axes[node] = _onward(segment, origin, here, position[node] - start)
        origin, here = _onward(segment, origin, here, segment.length)
        start += segment.length
    return point, axes


def pointing_axes(bar_axes: Array, face: float) -> Array:
    """Rows along, across, pointing (3, 3) of a tine of this face where the bar's axes are (3, 3)."""
    tangent, side, up = bar_axes
    pointing = math.cos(face) * up + math.sin(face) * side
    return np.stack([tangent, np.cross(pointing, tangent), pointing])


def reach(section: Section, face: float) -> float:
    """From the bar's axis to its surface in the direction of `face`."""
    if section.shape != "rectangle":
        return section.width / 2.0
    sizes = ((section.height, abs(math.cos(face))), (section.width, abs(math.sin(face))))
    return min(size / 2.0 / share for size, share in sizes if share > 1e-9)


def nearest(places: Array, position: float) -> int:
    return int(np.argmin(np.abs(places - position)))


@dataclass
class _Builder:
    """The lists that a `Frame` is made of."""

    node: list[Array] = field(default_factory=list)
    element: list[tuple[int, int]] = field(default_factory=list)
    up: list[Array] = field(default_factory=list)
    arm: list[Array] = field(default_factory=list)
    beam: list[Properties] = field(default_factory=list)
    masses: list[PointMass] = field(default_factory=list)
    springs: list[Spring] = field(default_factory=list)
    owner: list[int] = field(default_factory=list)
    bar_nodes: int = 0
    owned_by: int = -1

    def frame(self) -> Frame:
        names = [each.name for each in dataclasses.fields(Properties)]
        beam = Properties(**{name: np.array([getattr(each, name) for each in self.beam]) for name in names})
        return Frame(
            np.array(self.node), np.array(self.element), np.array(self.up), beam, np.array(self.arm),
            tuple(self.masses), tuple(self.springs),
        )  # fmt: skip

    def add_element(
        self, ends: tuple[int, int], up: Array, beam: Properties, arm: Array | None = None
    ) -> None:
        self.element.append(ends)
        self.up.append(up)
        self.beam.append(beam)
        self.owner.append(self.owned_by)
        self.arm.append(np.stack([np.zeros(3) if arm is None else arm, np.zeros(3)]))

    def add_bar(self, bar: Bar, position: Array, point: Array, axes: Array) -> None:
        ring = float(np.linalg.norm(point[-1] - point[0])) < 1e-6 * bar.length
        self.bar_nodes = len(position) - 1 if ring else len(position)
        self.node += list(point[: self.bar_nodes])
        beam = bar_beam(bar)
        for first in range(len(position) - 1):
            ends = (first, (first + 1) % self.bar_nodes)
            self.add_element(ends, axes[first, 2] + axes[first + 1, 2], beam)
        for support in bar.supports:
            at = nearest(position, support.position)
            turn = np.kron(np.eye(2), axes[at])  # global motion, then rotation, seen along, to the side, up
            stiffness = turn.T @ np.diag(support.springs) @ turn
            self.springs.append(Spring(at % self.bar_nodes, stiffness))

    def add_tine(
        self, tine: Tine, free: float, nuts: Sequence[PlacedNut], own: Array, at: int, foot: Array,
        section: Section, highest_hz: float, stretch: float,
    ) -> int:  # fmt: skip
        """Returns the tip's node."""
        at %= self.bar_nodes
        root = tine.root
        face = reach(section, tine.face) + root.base_nut_height  # where the free length starts
        height, beams = tine_mesh(tine, free, nuts, highest_hz, stretch)
        sprung = not math.isinf(root.rotation_stiffness) or not math.isinf(root.translation_stiffness)
        run = list(range(len(self.node), len(self.node) + len(height) - (0 if sprung else 1)))
        self.node += [foot + (face + z) * own[2] for z in (height if sprung else height[1:])]
        arm = (face + height[0]) * own[2]
        if sprung:
            self.springs.append(Spring(run[0], root_stiffness(tine, own), other=at, other_arm=arm))
        else:
            run = [at, *run]
        plane_0 = math.cos(tine.split_axis) * own[0] + math.sin(tine.split_axis) * own[1]
        for first, beam in enumerate(beams):
            self.add_element(
                (run[first], run[first + 1]), plane_0, beam, arm if first == 0 and not sprung else None
            )
        for placed in nuts:
            there = run[nearest(height, placed.position)]
            self.masses.append(PointMass(there, placed.nut.mass, placed.nut.rotary_inertia * np.eye(3)))
        return run[-1]


def bar_beam(bar: Bar) -> Properties:
    steel, section = bar.material, bar.section
    if section.shape == "rectangle":
        shape = rectangle(section.width, section.height, steel.poisson)
    elif section.shape == "round":
        shape = _solid(section.width, steel.poisson)
    else:
        shape = tube(section.width, section.wall, steel.poisson)
    return properties(shape, youngs=steel.youngs, shear=steel.shear, density=steel.density)


def split_ratios(tine: Tine) -> tuple[float, float]:
    """The two planes' frequencies over the round tine's; the sign of the axis says which is the higher."""
    upper = math.sqrt(tine.split)
    return (upper, 1.0 / upper) if tine.split_axis >= 0.0 else (1.0 / upper, upper)


def tine_beam(tine: Tine, stretch: float) -> Properties:
    """Stiff as the bending diameter, heavy as the mass diameter; local z is plane 0, so it bends about y."""
    rod, steel = tine.rod, tine.rod.material
    stiff = properties(
        _solid(rod.bend_diameter, steel.poisson),
        youngs=steel.youngs,
        shear=steel.shear,
        density=1.0,
    )
    heavy = properties(
        _solid(rod.mass_diameter, steel.poisson),
        youngs=1.0,
        shear=1.0,
        density=steel.density,
    )
    zero, one = (ratio**2 for ratio in split_ratios(tine))
    return dataclasses.replace(
        heavy,
        axial=stiff.axial * stretch,
        torsion=stiff.torsion * stretch,
        bend_y=stiff.bend_y * zero,
        shear_z=stiff.shear_z * zero,
        bend_z=stiff.bend_z * one,
        shear_y=stiff.shear_y * one,
    )


def tine_mesh(
    tine: Tine, free: float, nuts: Sequence[PlacedNut], highest_hz: float, stretch: float
) -> tuple[Array, list[Properties]]:
    """Heights of the nodes above the base nut's upper face, from the clamp point to the tip; a beam an element."""
    beam = tine_beam(tine, stretch)
    pieces = [(each, stiffened_length(tine, each)) for each in nuts]
    marks = {-tine.root.added_length, free}
    for each, piece in pieces:
        marks |= {each.position, each.position - piece / 2.0, each.position + piece / 2.0}
    sorted_marks = sorted(marks)
    k = float(wave_number(beam.bend_y, beam.mass, highest_hz))
    gyration = math.sqrt(float(beam.inertia_y) / float(beam.mass))
    height = [sorted_marks[0]]
    for low, high in itertools.pairwise(sorted_marks):
        count = int(elements_for(k, high - low, gyration=gyration, relative_error=PRECISE))
        height += list(np.linspace(low, high, count + 1)[1:])
    beams = []
    for low, high in itertools.pairwise(height):
        middle = (low + high) / 2.0
        left = [1.0 - each.nut.grip for each, piece in pieces if abs(middle - each.position) < piece / 2.0]
        compliance = max(min(left, default=1.0), SOFTEST)
        beams.append(
            dataclasses.replace(beam, bend_y=beam.bend_y / compliance, bend_z=beam.bend_z / compliance)
        )
    return np.array(height), beams


def stiffened_length(tine: Tine, placed: PlacedNut) -> float:
    """h - 0.42 d of a full nut (ISO 4032), h - 0.36 d of a thin one (ISO 4035), d the bending diameter."""
    lost = 0.36 if placed.nut.height < 0.37 * placed.nut.width else 0.42
    return max(placed.nut.height - lost * tine.rod.bend_diameter, 0.0)


def root_stiffness(tine: Tine, own: Array) -> Array:
    """The root's springs (6, 6), global axes; each plane's as much stiffer as the plane itself."""
    zero, one = (ratio**2 for ratio in split_ratios(tine))
    turn = Rotation.from_rotvec(tine.split_axis * own[2]).as_matrix()
    planes = np.stack([turn @ own[0], turn @ own[1], own[2]])
    shift = min(tine.root.translation_stiffness, UNMOVED)
    bend = min(tine.root.rotation_stiffness, UNTURNED)
    stiffness = np.zeros((6, 6))
    stiffness[:3, :3] = planes.T @ np.diag([shift * zero, shift * one, UNMOVED]) @ planes
    # bending in plane 0 turns the root about the other plane's direction
    stiffness[3:, 3:] = planes.T @ np.diag([bend * one, bend * zero, UNTURNED]) @ planes
    return stiffness


def _solid(diameter: float, poisson: float) -> SectionGeometry:
    return tube(diameter, diameter / 2.0, poisson)


def _bar_places(bar: Bar, tines: Sequence[Tine], step: float) -> Array:
    joints = np.cumsum([0.0, *(segment.length for segment in bar.path)])
    own = [*(each.position for each in tines), *(each.position for each in bar.supports)]
    wanted = np.sort([*joints, *own])
    fixed = wanted[np.concatenate([[True], np.diff(wanted) > SAME])]
    parts = [
        np.linspace(low, high, math.ceil((high - low) / step) + 1)[:-1]
        for low, high in itertools.pairwise(fixed)
    ]
    return np.concatenate([*parts, fixed[-1:]])


def _onward(segment: Straight | Bend, origin: Array, axes: Array, distance: float) -> tuple[Array, Array]:
    tangent, side, up = axes
    if isinstance(segment, Straight):
        return origin + distance * tangent, axes
    inward = math.cos(segment.plane) * side + math.sin(segment.plane) * up
    inward = inward if segment.angle > 0.0 else -inward
    turn = Rotation.from_rotvec(distance / segment.radius * np.cross(tangent, inward)).as_matrix()
    centre = origin + segment.radius * inward
    return centre + turn @ (origin - centre), axes @ turn.T
