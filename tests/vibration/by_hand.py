"""Shared by the tests of this room: bars with tines on them, from plain numbers, and their coupled matrices."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.file import load
from synth.design.instrument import (
    Bar,
    Bend,
    FixedLength,
    Nut,
    Rod,
    Root,
    Section,
    Straight,
    Support,
    Tine,
)
from synth.design.instrument import PlacedNut as Placed
from synth.design.resolve import resolve
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, solve_bar
from synth.vibration.board_interface import BoardModes, Feet, StandingBoard
from synth.vibration.coupling import Structure, base_frames, couple, nut_inertia
from synth.vibration.modal_model import (
    ModalModel,
    assemble,
    generalized_momentum,
)
from synth.vibration.tine import solve_tines

TWO_TINES = Path(__file__).parents[1] / "data" / "two-tines.toml"
# an austenitic steel without loss
STEEL = dataclasses.replace(resolve(load(TWO_TINES)).tines[0].rod.material, loss_factor=0.0)
SQUARE = Section("rectangle", 0.025, 0.025, 0.0)
ROOT = Root(0.9e-3, math.inf, math.inf, 1e-3, 2.4e-3)
NUT = Nut("nut", 0.4e-3, 2.4e-3, 5.5e-3, 1e-9, 0.7, "")


@dataclass(frozen=True)
class Case:
    """A bar and its tines."""

    bar: Bar
    tines: tuple[Tine, ...]
    length: tuple[float, ...]
    trim: tuple[tuple[Placed, ...], ...]

    def model(self) -> ModalModel:
        return assemble(self.tines, self.length, self.trim, bar=self.bar)


def case(bar: Bar, *tines: tuple[float, float, float, float, float, float], loss: float = 1e-3) -> Case:
    """Tines as (place, diameter, length, face, split, axis), in m and rad; the last one carries a nut."""
    standing = []
    for number, (position, d, length, face, split, axis) in enumerate(tines, start=1):
        rod = Rod("rod", "", d, 0.0, d, d, d, STEEL)
        root = dataclasses.replace(ROOT, loss_factor=loss)
        standing.append(
            Tine(0, number, rod, FixedLength(length), (), None, root, split, axis, position, face)
        )
    trim = [()] * (len(tines) - 1) + [(Placed(NUT, 0.6 * tines[-1][2]),)]
    return Case(bar, tuple(standing), tuple(each[2] for each in tines), tuple(trim))


def supported(
    *path: Straight | Bend, section: Section = SQUARE, loss: float = 0.0, kind: str = "cord"
) -> Bar:
    length = sum(each.length for each in path)
    k, turn = {"cord": (4e3, 0.0), "rubber": (1.25e5, 6.5)}[kind]
    supports = tuple(Support(share * length, "cord", k, turn, loss) for share in (0.224, 0.776))
    return Bar(STEEL, section, path, supports)


UPRIGHT = case(
    supported(Straight(0.6)),
    (0.15, 3e-3, 0.150, 0.0, 1.002, 0.3),
    (0.162, 3e-3, 0.150, 0.0, 1.002, -0.5),
    (0.174, 3e-3, 0.110, 0.0, 1.0, 0.0),
)
SIDEWAYS = case(
    supported(Straight(1.2)),
    (0.50, 3e-3, 0.118, math.pi / 2.0, 1.002, 0.3),
    (0.512, 3e-3, 0.118, math.pi / 2.0, 1.002, 0.1),
    (0.524, 3e-3, 0.118, math.pi / 2.0, 1.0, 0.0),
)
BENT = case(
    supported(Straight(0.2), Bend(1.5, 0.1, 0.6), Straight(0.25), section=Section("round", 0.02, 0.02, 0.0)),
    (0.15, 3e-3, 0.150, 0.0, 1.002, 0.3),
    (0.28, 3e-3, 0.150, 0.7, 1.0, 0.0),
    (0.45, 4e-3, 0.240, 2.0, 1.003, -0.6),
)
SLIM = case(  # heavy tines on a slim bar: the hardest on what the list of the bar's modes leaves out
    supported(Straight(0.6), section=Section("round", 0.012, 0.012, 0.0)),
    (0.15, 6e-3, 0.150, 0.0, 1.002, 0.3),
    (0.18, 6e-3, 0.150, 0.0, 1.002, -0.5),
    (0.30, 6e-3, 0.110, 0.5, 1.0, 0.0),
)
RING = case(
    Bar(
        STEEL,
        Section("tube", 0.025, 0.025, 0.003),
        (Bend(2.0 * math.pi, 0.15, 0.0),),
        (Support(0.1, "cord", 4e3, 0.0, 0.0),),
    ),
    (0.05, 3e-3, 0.150, 0.0, 1.002, 0.3),
    (0.35, 3e-3, 0.150, 1.2, 1.0, 0.0),
)
FLAT = case(  # each plane with numbers of its own, and tines on two faces of it
    supported(
        Straight(0.18), Bend(0.8, 0.08, 0.5), Straight(0.1), section=Section("rectangle", 0.040, 0.012, 0.0)
    ),
    (0.10, 3e-3, 0.130, 0.0, 1.002, 0.3),
    (0.13, 3e-3, 0.120, math.pi / 2.0, 1.0, 0.0),
    (0.28, 3e-3, 0.110, math.pi, 1.002, -0.4),
)
CASES = {"flat": FLAT, "upright": UPRIGHT, "sideways": SIDEWAYS, "bent": BENT, "ring": RING, "slim": SLIM}


def without_loss(case: Case) -> Structure:
    return parts(case)[0]


def parts(case: Case, highest_hz: float = 18_000.0):
    modes = solve_tines(case.tines, case.length, case.trim, highest_hz)
    axial = solve_axial(case.tines, case.length, case.trim)
    bar = solve_bar(case.bar, [each.position for each in case.tines], highest_hz=COUPLED_HZ)
    bases = base_frames(case.tines, case.bar, bar)
    nuts = nut_inertia(case.tines, case.bar, bases)
    return couple(modes, axial, bar, bases, nuts=nuts), modes, bar, bases, nuts


def full(structure: Structure) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """K, M and K' as whole matrices, host first."""
    host_count, tines = structure.coupling.shape
    K, M, loss = np.zeros((3, host_count + tines, host_count + tines))
    K[:host_count, :host_count], K[host_count:, host_count:] = (
        structure.host_stiffness,
        structure.tine_stiffness,
    )
    M[:host_count, :host_count], M[host_count:, host_count:] = structure.host_mass, np.eye(tines)
    M[:host_count, host_count:], M[host_count:, :host_count] = structure.coupling, structure.coupling.T
    loss[:host_count, :host_count], loss[host_count:, host_count:] = (
        structure.host_loss,
        np.diag(structure.tine_loss),
    )
    return K, M, loss


def board(stiffness: float, mass: float = 1.0) -> StandingBoard:
    """Two modes of a board that two feet press upwards on."""
    shape = np.zeros((2, 6, 2))
    shape[:, 2] = np.array([[1.0, 0.7], [1.0, -0.7]]) / math.sqrt(mass)
    square = (2.0 * math.pi * np.array([60.0, 210.0])) ** 2
    modes = BoardModes(np.array([60.0, 210.0]), np.diag(2e-4 * square), shape)
    feet = Feet(
        np.array([0.25, 0.4]),
        np.array([[0.0, 0.0, -0.0125]] * 2),
        np.full((2, 6), stiffness),
        np.full(2, 0.05),
    )
    return StandingBoard(modes, feet)


def project(
    model: ModalModel, tine: list[int], displacement: Array, velocity: Array
) -> NDArray[np.complex128]:
    """Modal amplitudes (S, M) of states of tines (S,) in their own modes (S, 2, N), the rest at rest, at once."""
    amplitude = np.zeros((len(tine), len(model.pole)), dtype=np.complex128)
    omega, sigma = model.pole.imag, -model.pole.real
    for s, r in enumerate(tine):
        u, own = generalized_momentum(model, r), model.tine_dof[r] >= 0
        moved = displacement[s][own] @ u
        amplitude[s] = moved - 1j * (velocity[s][own] @ u + sigma * moved) / omega
    return amplitude
