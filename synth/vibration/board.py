"""A soundboard or a box as the bar feels it and as the air hears it.

In: a `Board` and the bar that stands on it. Out: a `SolvedBoard`: its modes at the feet for the assembly, and the
sources that stand for them in the air.

Up to its reach the board is solved: Ritz modes in vacuo, then in their coordinates the air's mass, the spring of a
closed box and the plug of a hole,

    (1 + M_air) q" + (W^2 + rho c^2/V [s; A][s; A]^T) q = f,      s = displaced volumes, A the hole's area

whose modes are the board's own. The air's mass and resistance vary with frequency; between two modes they are taken
at the geometric mean of the two frequencies, which keeps the matrices symmetric.
Above the reach the sum goes on with statistical modes (`synth.vibration.statistical_modes`). In its own plane the
board slides as a rigid body where its edges are free; a frame or a box that stands on the floor does not give way
sideways. Every part is passive, and so is the whole.

    z   bar            The board's middle plane is level under the bar. Its x and y are turned and shifted in the
    |  =====           level plane so that its feet stand under the bar's as well as they can.
    | foot  foot
    +----------- x
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.arrays import Array, Complex
from synth.cores import spread
from synth.design.instrument import Bar, Board, Foot
from synth.frozen import frozen
from synth.vibration.air_cells import CLASSES
from synth.vibration.bar import path, surface_distance
from synth.vibration.board_interface import BoardModes, Feet, StandingBoard
from synth.vibration.plate import Plate, PlateModes, orthotropic, solve_plate
from synth.vibration.plate_air import (
    CAVITY_LOSS,
    Radiation,
    air_rows,
    air_spring,
    displaced_volume,
    plug_mass,
    radiation,
)
from synth.vibration.statistical_modes import DiffuseModes, diffuse_modes, edge_efficiency

MOST_MODES: Final = 110  # that are solved one by one: to about 2 kHz on a board of 0.6 by 0.4 m
FEWEST: Final = 6  # that bend
HIGHEST: Final = 4000.0  # Hz, of these: beyond it a sheet is rarely as even as its drawing
STILL: Final = 0.1  # Hz: less is rounding about a motion that nothing holds
# A foot's stiffness against roll: k b^2 over this, b its width. Even pressure, as of a bedded pad, gives 12, two
# edges 4. A hard block on a thick soft board lies near the edges: 4.5, computed in the tests (validation, footing).
ROCKING: Final = {"flat": 12.0, "edges": 4.0}
FEW: Final = 100  # frequencies: for these a thread costs more than it saves
GAUSS: Final = (-math.sqrt(0.5), 0.0, math.sqrt(0.5))  # three points of equal weight (Chebyshev's quadrature)


@frozen
class Placement:
    """Where the board lies: global = origin + x ex + y ey + z ez, from the board's middle."""

    origin: Array  # (3,) m
    axes: Array  # (3, 3) rows ex, ey, ez

    def inward(self, point: Array) -> Array:
        """Points (..., 3) in the board's own coordinates, from its middle."""
        return np.asarray((point - self.origin) @ self.axes.T)


@frozen
class SolvedBoard:
    """A board's Mb modes in the order: solved (with the hole's plug), statistical, sliding sideways (3 or 0)."""

    standing: StandingBoard
    plate: Plate
    placement: Placement
    radiation: Radiation  # of the solved modes
    source: Array  # (Z, 2) m from the middle, where each statistical mode radiates from
    strength: Array  # (Z,) m2/kg^(1/2), its volume velocity per modal velocity, a monopole's

    @property
    def solved(self) -> int:
        """How many modes are solved one by one."""
        return len(self.radiation.parity)

    @property
    def reach(self) -> float:
        """Where the statistical modes take over, in Hz."""
        return float(self.standing.modes.frequency[self.solved - 1])

    def distance(self, ears: Array) -> float:
        """From the nearest point of the board to the nearest of the ears (C, 3), in m."""
        own = self.placement.inward(ears)
        half = np.array([self.plate.length / 2.0, self.plate.width / 2.0])
        beside = np.maximum(np.abs(own[:, :2]) - half, 0.0)
        return float(np.sqrt(np.sum(beside**2, axis=1) + own[:, 2] ** 2).min())

    def pressure(
        self, acceleration: Complex, frequency: Array, ears: Array, *, nearest: float | Array
    ) -> Complex:
        """The pressure (C, M) in Pa at `ears` (C, 3) of modal accelerations (Mb, M); see `transfer`.

        `nearest` (C,), or one for all.
        """
        since = np.broadcast_to(nearest, len(ears)).tolist()

        def heard(ear: int) -> Complex:
            each = self.transfer(frequency, ears[ear], nearest=since[ear])
            return np.asarray(np.einsum("bm,bm->m", each, acceleration))

        return np.stack(spread(heard, range(len(ears)), large=len(frequency) > FEW))

    def transfer(self, frequency: Array, ear: Array, *, nearest: float) -> Complex:
        """The pressure (Mb, M) in Pa at `ear` (3,) per acceleration of each mode at `frequency` (M,) Hz.

        e^(+jwt); the phase is that of the time nearest/c later.
        """
        own = self.placement.inward(ear)
        k = 2.0 * math.pi * frequency / SOUND_SPEED
        R = np.sqrt(np.sum((own[:2] - self.source) ** 2, axis=1) + own[2] ** 2)[:, None]
        scattered = (
            AIR_DENSITY * self.strength[:, None] * np.exp(-1j * k * (R - nearest)) / (4.0 * math.pi * R)
        )
        silent = len(self.standing.modes.frequency) - self.solved - len(self.source)
        sliding = np.zeros((silent, len(frequency)))
        return np.concatenate(
            [self.radiation.transfer(frequency, own, nearest=nearest), scattered, sliding], axis=0
        )


def solve_board(board: Board, bar: Bar) -> SolvedBoard:
    """The board's modes in air with its feet under the bar."""
    plate, position, feet = plate_of(board), lie(board, bar), len(board.feet)
    dry = bending_modes(plate)
    solved = _in_air(board, dry)
    shape = dry.at(*_under_feet(board)).reshape(feet, len(GAUSS) ** 2, 3, -1).mean(axis=1)
    faces = 2 if board.kind == "panel" else 1
    many = diffuse_modes(
        plate,
        above=float(solved.frequency[-1]),
        loss_factor=board.material.loss_factor,
        faces=faces,
        efficiency=_efficiency(plate, solved, faces),
        patch=np.array([math.sqrt(foot.width * foot.along) for foot in board.feet]),
    )
    upright = np.concatenate([shape @ solved.mix[: len(dry.frequency)], many.shape], axis=2)
    sliding = _sliding(board)
    modes = BoardModes(
        np.concatenate([solved.frequency, many.frequency, np.zeros(sliding.shape[2])]),
        _all_losses(solved, many, sliding.shape[2]),
        _turned(np.concatenate([_tilting(upright), sliding], axis=2), position.axes),
    )
    return SolvedBoard(
        StandingBoard(modes, feet_of(board, bar)),
        plate,
        position,
        solved.air.stored(),
        many.source,
        many.strength,
    )


def bending_modes(plate: Plate, *, highest: float = HIGHEST, most: int = MOST_MODES) -> PlateModes:
    """The modes in vacuo to `highest` Hz: of a small stiff board the `FEWEST` lowest, however high they are."""
    while True:
        modes = solve_plate(plate, highest=highest, most=most)
        if np.sum(modes.frequency > 0.0) >= FEWEST:
            return modes
        highest *= 2.0


def plate_of(board: Board) -> Plate:
    """The board's sheet as a plate."""
    return orthotropic(
        length=board.length,
        width=board.width,
        thickness=board.thickness,
        density=board.material.density,
        youngs_x=board.material.youngs_x,
        youngs_y=board.material.youngs_y,
        shear=board.material.shear,
        poisson_xy=board.material.poisson_xy,
        edges=(board.edges,) * 4,
    )


def feet_of(board: Board, bar: Bar) -> Feet:
    """The feet as springs under the bar: upright, sideways, and against roll and pitch by their width."""
    places = np.array([foot.bar_place for foot in board.feet])
    _, axes = path(bar, places)
    down = np.array([0.0, 0.0, -1.0])
    arm = np.array(
        [surface_distance(bar.section, math.atan2(each[1] @ down, each[2] @ down)) * down for each in axes]
    )
    stiffness = np.array([_springs(foot, each) for foot, each in zip(board.feet, axes, strict=True)])
    return Feet(places, arm, stiffness, np.array([foot.loss_factor for foot in board.feet]))


def lie(board: Board, bar: Bar) -> Placement:
    """Where the board lies so that its feet stand under the bar's: the best turn and shift in the level plane."""
    point, _ = path(bar, np.array([foot.bar_place for foot in board.feet]))
    under = point[:, :2]
    on = np.array([(foot.x - board.length / 2.0, foot.y - board.width / 2.0) for foot in board.feet])
    one, other = on - on.mean(axis=0), under - under.mean(axis=0)
    turn = math.atan2(
        float(np.sum(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])), float(np.sum(one * other))
    )
    ex, ey = np.array([math.cos(turn), math.sin(turn), 0.0]), np.array([-math.sin(turn), math.cos(turn), 0.0])
    axes = np.stack([ex, ey, [0.0, 0.0, 1.0]])
    depth = float(np.mean(point[:, 2])) - surface_distance(bar.section, math.pi)
    origin = np.append(under.mean(axis=0), depth) - np.append(on.mean(axis=0), 0.0) @ axes
    return Placement(origin, axes)


@frozen
class _InAir:
    """The solved modes: mixtures of the modes in vacuo and the plug."""

    frequency: Array  # (B,) Hz
    loss: Array  # (B, B) s^-2
    air: Radiation
    mix: Array  # (B, B), the plug's row last


def _in_air(board: Board, dry: PlateModes) -> _InAir:
    rows = air_rows(dry.plate, float(dry.frequency[-1]))
    air = radiation(dry, rows, faces="both" if board.kind == "panel" else "one")
    squared = (2.0 * math.pi * dry.frequency) ** 2
    volume, mass = displaced_volume(dry), np.ones(len(squared))
    if board.hole_diameter > 0.0:
        area = math.pi * board.hole_diameter**2 / 4.0
        air = air.with_hole(area)
        squared, volume = np.append(squared, 0.0), np.append(volume, area)
        mass = np.append(mass, plug_mass(area, board.thickness))
    spring = np.zeros((len(squared), len(squared)))
    if board.kind == "box":
        spring = air_spring(board.length * board.width * board.depth) * np.outer(volume, volume)
    frequency, mix = _modes(np.diag(squared) + spring, np.diag(mass), air)
    air = air.mixed(mix)
    both = np.sqrt(np.outer(frequency, frequency))
    loss = board.material.loss_factor * np.diag(squared) + CAVITY_LOSS * spring
    return _InAir(
        frequency, _not_negative(mix.T @ loss @ mix + 2.0 * math.pi * both * air.resistance(both)), air, mix
    )


def _modes(K: Array, mass: Array, air: Radiation) -> tuple[Array, Array]:
    """Frequencies (B,) in Hz and mass-normalised mixtures (B, B) with the air's mass, class by class."""
    alone = np.sqrt(K.diagonal() / mass.diagonal()) / (2.0 * math.pi)
    for _ in range(2):  # the air's mass lowers the frequency at which it is looked up
        M = mass + air.mass(np.sqrt(np.outer(alone, alone)))
        alone = np.sqrt(K.diagonal() / M.diagonal()) / (2.0 * math.pi)
    frequency, mix = np.zeros(len(K)), np.zeros_like(K)
    for signs in CLASSES:
        own = np.flatnonzero(np.all(air.parity == signs, axis=1))
        inverse = np.linalg.inv(np.linalg.cholesky(M[np.ix_(own, own)]))
        value, vector = np.linalg.eigh(inverse @ K[np.ix_(own, own)] @ inverse.T)
        frequency[own] = np.sqrt(np.maximum(value, 0.0)) / (2.0 * math.pi)
        mix[np.ix_(own, own)] = inverse.T @ vector
    frequency[frequency < STILL] = 0.0
    order = np.argsort(frequency, kind="stable")
    return frequency[order], mix[:, order]


def _efficiency(plate: Plate, solved: _InAir, faces: int) -> float:
    """The mean radiation efficiency of a face over the solved modes of the last half octave."""
    last = np.flatnonzero(solved.frequency > solved.frequency[-1] / math.sqrt(2.0))
    own = solved.frequency[last]
    resistance = solved.air.resistance(np.sqrt(np.outer(solved.frequency, solved.frequency))).diagonal()[last]
    sigma = resistance * plate.mass_per_area / (faces * AIR_DENSITY * SOUND_SPEED)
    trend = edge_efficiency(plate, own)
    return float(np.mean(sigma) / np.mean(trend) * edge_efficiency(plate, solved.frequency[-1:])[0])


def _not_negative(matrix: Array) -> Array:
    """A symmetric matrix without negative eigenvalues, of the same diagonal where that is positive.

    Entries that are taken at frequencies between two modes leave some eigenvalues a little below zero. Cut as they
    are, they would add to the smallest losses many times what these are (the fundamental of a thin metal sheet 17
    dB softer); so what is cut is how the modes go together, each by the root of its own loss.
    """
    own = np.sqrt(np.maximum(matrix.diagonal(), 0.0))
    size = np.where(own > 0.0, own, 1.0)
    value, vector = np.linalg.eigh((matrix + matrix.T) / (2.0 * np.outer(size, size)))
    held = (vector * np.maximum(value, 0.0)) @ vector.T
    share = own / np.sqrt(np.maximum(held.diagonal(), 1e-300))
    return np.asarray(held * np.outer(share, share))


def _all_losses(solved: _InAir, many: DiffuseModes, sliding: int) -> Array:
    count, every = len(solved.frequency), len(solved.frequency) + len(many.frequency)
    loss = np.zeros((every + sliding, every + sliding))
    loss[:count, :count] = solved.loss
    own = np.arange(count, every)
    loss[own, own] = many.loss_factor * (2.0 * math.pi * many.frequency) ** 2
    return loss


def _under_feet(board: Board) -> tuple[Array, Array]:
    """Points of equal weight under all feet, from the board's corner, foot by foot; none off the board."""
    s, t = np.meshgrid(GAUSS, GAUSS, indexing="ij")
    x = np.concatenate([foot.x + foot.along / 2.0 * s.ravel() for foot in board.feet])
    y = np.concatenate([foot.y + foot.width / 2.0 * t.ravel() for foot in board.feet])
    return np.clip(x, 0.0, board.length), np.clip(y, 0.0, board.width)


def _tilting(upright: Array) -> Array:
    """Displacement and slopes (J, 3, B) as motions (J, 6, B): w = theta_x y - theta_y x."""
    motion = np.zeros((len(upright), 6, upright.shape[2]))
    motion[:, 2], motion[:, 3], motion[:, 4] = upright[:, 0], upright[:, 2], -upright[:, 1]
    return motion


def _sliding(board: Board) -> Array:
    """The rigid motions in its own plane at the feet, (J, 6, 3), of a board that nothing holds by its edges."""
    if board.edges != "free":
        return np.zeros((len(board.feet), 6, 0))
    mass = board.material.density * board.thickness * board.length * board.width
    inertia = mass * (board.length**2 + board.width**2) / 12.0
    motion = np.zeros((len(board.feet), 6, 3))
    motion[:, 0, 0] = motion[:, 1, 1] = 1.0 / math.sqrt(mass)
    for j, foot in enumerate(board.feet):
        x, y = foot.x - board.length / 2.0, foot.y - board.width / 2.0
        motion[j, :, 2] = np.array([-y, x, 0.0, 0.0, 0.0, 1.0]) / math.sqrt(inertia)
    return motion


def _turned(motion: Array, axes: Array) -> Array:
    """Motions (J, 6, B) from the board's axes to the global ones."""
    halves = motion.reshape(len(motion), 2, 3, -1)
    return np.asarray(np.einsum("ba,jhbm->jham", axes, halves).reshape(motion.shape))


def _springs(foot: Foot, axes: Array) -> Array:
    """Six stiffnesses in global axes; the foot lies square to the bar, whose axes these are."""
    upright, side = foot.stiffness, foot.sideways
    roll, pitch = upright * foot.width**2 / ROCKING[foot.bears], upright * foot.along**2 / 12.0
    yaw = side * (foot.width**2 + foot.along**2) / 12.0
    share = axes[0, :2] ** 2 / max(float(np.sum(axes[0, :2] ** 2)), 1e-12)
    return np.array([side, side, upright, *(roll * share + pitch * (1.0 - share)), yaw])
