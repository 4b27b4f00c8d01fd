"""The coupled instrument against the plainly meshed one, against formulas, and against what physics forbids."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from types import ModuleType

import numpy as np
import pytest

from synth.design.instrument import (
    Bar,
    Bend,
    FixedLength,
    Material,
    Nut,
    Rod,
    Root,
    Section,
    Straight,
    Support,
    Tine,
)
from synth.design.instrument import PlacedNut as Placed
from synth.vibration.assembly import (
    ModalModel,
    assemble,
    bar_shape,
    energy_share,
    project,
    solve_structure,
    tine_state,
    tip_shape,
)
from synth.vibration.axial import solve_axial
from synth.vibration.bar import solve_bar
from synth.vibration.eigen import complex_modes
from synth.vibration.feet import BoardModes, Feet, StandingBoard
from synth.vibration.mounting import mounted_hz
from synth.vibration.structure import Structure, couple, nut_inertia, stand
from synth.vibration.tine import solve_tines

CENT = math.log(2.0) / 1200.0
PERCENT = 0.01
STEEL = Material(
    name="test steel",
    density=7900.0,
    youngs=193e9,
    poisson=0.29,
    loss_factor=0.0,
    expansion=17e-6,
    heat_capacity=500.0,
    conductivity=16.0,
    modulus_slope=0.0,
    yield_stress=4e8,
    tensile_strength=7e8,
    endurance=2e8,
    magnetic="no",
    source="invented for this test, near AISI 304",
    confidence="test",
)
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
    for number, (place, d, length, face, split, axis) in enumerate(tines, start=1):
        rod = Rod("rod", "", d, 0.0, d, d, d, STEEL)
        root = dataclasses.replace(ROOT, loss_factor=loss)
        standing.append(Tine(0, number, rod, FixedLength(length), (), None, root, split, axis, place, face))
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
CASES = {"upright": UPRIGHT, "sideways": SIDEWAYS, "bent": BENT, "ring": RING}


def without_loss(case: Case) -> Structure:
    return parts(case)[0]


def parts(case: Case):
    modes = solve_tines(case.tines, case.length, case.trim)
    axial = solve_axial(case.tines, case.length, case.trim)
    bar = solve_bar(case.bar, [each.place for each in case.tines], highest_hz=20_000.0)
    bases = stand(case.tines, modes, case.bar, bar)
    nuts = nut_inertia(case.tines, case.bar, bases)
    return couple(modes, axial, bar, bases, nuts=nuts), modes, bar, bases, nuts


def full(structure: Structure) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """K, M and K' as whole matrices, carrier first."""
    carriers, tines = structure.coupling.shape
    K, M, loss = np.zeros((3, carriers + tines, carriers + tines))
    K[:carriers, :carriers], K[carriers:, carriers:] = structure.carrier_stiffness, structure.tine_stiffness
    M[:carriers, :carriers], M[carriers:, carriers:] = structure.carrier_mass, np.eye(tines)
    M[:carriers, carriers:], M[carriers:, :carriers] = structure.coupling, structure.coupling.T
    loss[:carriers, :carriers], loss[carriers:, carriers:] = (
        structure.carrier_loss,
        np.diag(structure.tine_loss),
    )
    return K, M, loss


@pytest.mark.parametrize("name", CASES)
def test_frequencies_to_4_khz_and_tips_are_those_of_the_whole_mesh(
    name: str, brute_force: ModuleType
) -> None:
    """Every mode within 1 cent. Tips within 1 %: sums over modes too close to tell apart of tip times tip, which
    do not depend on how such modes are mixed."""
    each = CASES[name]
    whole = brute_force.solve_whole(each.bar, each.tines, each.length, each.trim, highest_hz=4000.0)
    model = each.model()
    tips = tip_shape(model).real
    sounding = whole.frequency > 1.0
    expected, wanted = whole.frequency[sounding], whole.tip[:, :, sounding]
    found = np.flatnonzero((model.frequency > 1.0) & (model.frequency < expected[-1] * (1.0 + CENT)))
    assert len(found) == len(expected)
    np.testing.assert_allclose(model.frequency[found], expected, rtol=1.0 * CENT)
    starts = np.flatnonzero(np.diff(expected, prepend=0.0) > 10.0 * CENT * expected)
    for group in np.split(np.arange(len(expected)), starts[1:]):
        ours, theirs = (t.reshape(-1, len(group)) for t in (tips[:, :, found[group]], wanted[:, :, group]))
        theirs = theirs @ theirs.T
        np.testing.assert_allclose(ours @ ours.T, theirs, atol=2.0 * PERCENT * np.abs(theirs).max())


@pytest.mark.parametrize("name", CASES)
def test_mass_and_stiffness_are_symmetric_and_positive(name: str) -> None:
    K, M, loss = full(without_loss(CASES[name]))
    for matrix in (K, M, loss):
        np.testing.assert_allclose(matrix, matrix.T, atol=1e-9 * np.abs(matrix).max())
    assert np.linalg.eigvalsh(M)[0] > 0.0
    assert np.linalg.eigvalsh(K)[0] > -1e-12 * K.max()
    assert np.linalg.eigvalsh(loss)[0] > -1e-12 * loss.max()


def test_a_bar_of_infinite_mass_gives_the_clamped_tines() -> None:
    heavy = dataclasses.replace(STEEL, density=1e9 * STEEL.density, youngs=1e9 * STEEL.youngs)
    each = dataclasses.replace(UPRIGHT, bar=dataclasses.replace(UPRIGHT.bar, material=heavy))
    model = each.model()
    clamped = np.sort(
        model.tines.frequency[np.broadcast_to(model.tines.exists[:, None], model.tine_dof.shape)]
    )
    tines, _ = energy_share(model)
    found = model.frequency[tines.sum(axis=(1, 2)) > 0.5]
    np.testing.assert_allclose(found, clamped, rtol=0.01 * CENT)


def test_far_from_bar_modes_the_small_coupling_formula_holds() -> None:
    """sigma = omega² g^T Re(Y) g / 2, d omega / omega = -(omega / 2) g^T Im(Y) g, Y the loaded bar's admittance.

    One upright tine, its first two partials, in the row's plane; within 2 %.
    """
    each = case(supported(Straight(1.0), loss=0.1), (0.38, 3e-3, 0.150, 0.0, 1.0, 0.0), loss=0.0)
    each = dataclasses.replace(each, trim=((),))
    structure, *_ = parts(each)
    model = each.model()
    shares, _ = energy_share(model)
    lossless = solve_structure(
        dataclasses.replace(structure, tine_loss=np.zeros_like(structure.tine_loss)), *parts(each)[1:4]
    )
    for partial in (0, 1):
        dof = structure.tine_dof[0, 0, partial]
        squared = structure.tine_stiffness[dof, dof]
        mode = int(np.argmin(np.abs(lossless.frequency - math.sqrt(squared) / (2.0 * math.pi))))
        mode = max((mode - 1, mode, mode + 1), key=lambda m: shares[m, 0, 0])
        omega = math.sqrt(squared)
        others = np.setdiff1d(structure.tine_dof[0], [dof, -1])
        # the carrier as the partial meets it: bar, rigid tine, its other partials following
        K, M, loss = full(structure)
        kept = np.concatenate([np.arange(len(structure.carrier_mass)), len(structure.carrier_mass) + others])
        loss[len(structure.carrier_mass) :] = 0.0
        b = M[kept, len(structure.carrier_mass) + dof]
        at = np.ix_(kept, kept)
        flexible = b @ np.linalg.solve(K[at] + 1j * loss[at] - omega**2 * M[at], b)
        Y = 1j * omega * flexible
        sigma, shift = omega**2 * Y.real / 2.0, -omega / 2.0 * Y.imag
        assert lossless.decay_rate[mode] == pytest.approx(sigma, rel=2.0 * PERCENT)
        found = 2.0 * math.pi * lossless.frequency[mode] / omega - 1.0
        assert found == pytest.approx(shift, rel=2.0 * PERCENT)


@pytest.mark.parametrize("kind", ["cord", "rubber"])
@pytest.mark.parametrize("losses", [(1e-3, 1e-3, 1e-3), (3e-4, 2e-3, 1e-3)], ids=["alike", "unlike"])
def test_poles_are_those_of_the_full_complex_solution(kind: str, losses: tuple[float, ...]) -> None:
    """Unison tines on a lossy suspension: decay within 1 %, frequency within a hundredth of a pole's width or
    half a cent, whichever is more."""
    bar = supported(Straight(1.2), loss=0.15, kind=kind)
    each = case(bar, *[(0.5 + 0.012 * r, 3e-3, 0.118, math.pi / 2.0, 1.0002, 0.3 * r) for r in range(3)])
    each = dataclasses.replace(each, trim=((),) * 3)
    each = dataclasses.replace(
        each,
        tines=tuple(
            dataclasses.replace(t, root=dataclasses.replace(t.root, loss_factor=eta))
            for t, eta in zip(each.tines, losses, strict=True)
        ),
    )
    K, M, loss = full(without_loss(each))
    exact = 1j * np.sqrt(np.linalg.eigvals(np.linalg.solve(M, K + 1j * loss)))
    model = each.model()
    ours = model.pole[(model.frequency > 0.5) & (model.frequency < 4000.0)]
    exact = np.sort_complex(1j * exact)[::-1] / 1j
    exact = exact[(exact.imag > math.pi) & (exact.imag < 2.0 * math.pi * 4000.0)]
    assert len(exact) == len(ours)
    left = list(exact)
    for pole in ours:
        partner = left.pop(int(np.argmin(np.abs(np.array(left) - pole))))
        assert pole.real == pytest.approx(partner.real, rel=1.0 * PERCENT)
        assert abs(pole.imag - partner.imag) < max(0.01 * abs(partner.real), 0.5 * CENT * partner.imag)


def test_shares_of_energy_alone_would_miss_the_decay_of_unison_tines() -> None:
    """That clusters are solved whole matters: two unison tines with unlike losses, hardly coupled by the bar."""
    squared = np.array([1e6, 1e6 * (1.0 + 1e-5)])
    turn = np.array([[1.0, 1.0], [1.0, -1.0]]) / math.sqrt(2.0)
    D = turn @ np.diag([1e6 * 2e-4, 1e6 * 2e-3]) @ turn
    value, vectors = complex_modes(squared, D)
    exact = np.linalg.eigvals(np.diag(squared) + 1j * D)
    np.testing.assert_allclose(np.sort(value.imag), np.sort(exact.imag), rtol=1e-9)
    assert np.max(value.imag) > 1.5 * np.max(D.diagonal())
    np.testing.assert_allclose(vectors.T @ vectors, np.eye(2), atol=1e-9)


def test_two_poles_that_coincide_exactly_still_get_usable_vectors() -> None:
    """omega² apart by exactly twice the coupling: the matrix has one vector only, until it is told apart."""
    D = np.array([[3.0, 1.0], [1.0, 3.0]])
    value, vectors = complex_modes(np.array([99.0, 101.0]), D)
    assert np.all(np.abs(value - (100.0 + 3.0j)) < 0.02)
    assert np.abs(vectors).max() < 1e3
    np.testing.assert_allclose(vectors @ vectors.T, np.eye(2), atol=1e-6)


def test_every_pole_decays() -> None:
    bar = supported(Straight(1.2), loss=0.3, kind="rubber")
    for each in (dataclasses.replace(SIDEWAYS, bar=bar), dataclasses.replace(UPRIGHT, bar=bar)):
        assert np.all(each.model().pole.real < 0.0)


def test_energy_never_rises_after_a_pluck() -> None:
    """Kinetic and potential energy of all freedoms over two seconds, seen every 1.7 ms, may not grow."""
    bar = supported(Straight(1.2), loss=0.1, kind="rubber")
    each = dataclasses.replace(SIDEWAYS, bar=bar)
    K, M, _ = full(without_loss(each))
    model = each.model()
    q = np.zeros((1, 2, model.tine_dof.shape[2]))
    q[0, :, 0] = 1e-4
    a = project(model, [1], q, 0.0 * q)[0]
    time = np.arange(0.0, 2.0, 1.7e-3)
    turning = np.exp(model.pole[:, None] * time) * a[:, None]
    x = (model.vectors.astype(complex) @ turning).real
    v = (model.vectors.astype(complex) @ (model.pole[:, None] * turning)).real
    energy = 0.5 * (np.einsum("dt,de,et->t", v, M, v) + np.einsum("dt,de,et->t", x, K, x))
    assert np.all(np.diff(energy) < 1e-3 * energy[:-1])
    assert energy[-1] < 0.5 * energy[0]
    assert energy[0] == pytest.approx(
        0.5 * 1e-8 * np.sum((2.0 * math.pi * model.tines.frequency[1, :, 0]) ** 2), rel=0.05
    )


def test_a_tap_on_one_tip_moves_any_other_as_the_other_would_move_it() -> None:
    """Reciprocity: an impulse at a tip enters through the tine's own partials, and is read at the other tip.

    Partials above 18 kHz are missed in the tap but not in the tip: they would pass on a tenth of it at once.
    """
    model = BENT.model()
    tips = tip_shape(model)

    def heard(struck: int, plane: int, at: int, in_plane: int) -> np.ndarray:
        shape = model.tines.at(np.zeros(3))[struck]
        velocity = np.zeros((1, 2, shape.size))
        turn = model.tines.axis[struck]
        share = ((math.cos(turn), -math.sin(turn)), (math.sin(turn), math.cos(turn)))[plane]
        velocity[0] = np.outer(share, shape)
        a = project(model, [struck], 0.0 * velocity, velocity)[0]
        time = np.arange(0.0, 0.05, 1e-4)
        low = (
            model.frequency < 5000.0
        )  # above, the partials left out are missed in the tap but not in the tip
        return ((tips[at, in_plane] * a)[low] @ np.exp(np.outer(model.pole[low], time))).real

    for one, other in (((0, 0), (2, 1)), ((1, 1), (2, 0)), ((0, 1), (1, 0))):
        there, back = heard(*one, *other), heard(*other, *one)
        np.testing.assert_allclose(there, back, atol=10.0 * PERCENT * np.abs(back).max())


def test_moving_everything_as_a_rigid_body_excites_nothing() -> None:
    each = dataclasses.replace(BENT, bar=dataclasses.replace(BENT.bar, supports=()))
    structure, modes, bar, bases, _ = parts(each)
    model = solve_structure(structure, modes, bar, bases)
    _, M, _ = full(structure)
    moved = np.zeros((len(M), 6))
    moved[: len(bar.frequency)][bar.frequency < 0.1] = np.eye(6)
    heard = np.abs(model.vectors.astype(complex).T @ M @ moved)
    assert model.frequency[0] > 20.0
    assert heard.max() < 1e-5  # of amplitudes of 1: the rigid motions are mass-normalised


def test_a_state_of_one_tine_is_what_the_modes_show_at_once() -> None:
    model = SIDEWAYS.model()
    rng = np.random.default_rng(4)
    exists = model.tine_dof[[2]] >= 0
    q = rng.standard_normal(exists.shape) * exists * 1e-4
    v = rng.standard_normal(exists.shape) * exists * 1e-1
    a = project(model, [2], q, v)[0]
    shown, moving = tine_state(model, a, [2])
    near = (
        model.tines.frequency[[2]] < 8000.0
    ) & exists  # above, what the list of modes leaves off begins to tell
    np.testing.assert_allclose(shown[near], q[near], atol=0.02 * np.abs(q).max())
    np.testing.assert_allclose(moving[near], v[near], atol=0.02 * np.abs(v).max())


def test_a_slow_push_let_go_leaves_fast_modes_what_the_static_shape_says() -> None:
    """All held still by a force at a tip, then free: each mode's amplitude is shape times force over omega²."""
    each = case(supported(Straight(0.6)), (0.15, 3e-3, 0.150, 0.0, 1.0, 0.0), loss=0.0)
    each = dataclasses.replace(each, trim=((),))
    model = each.model()
    tip = tip_shape(model)[0, 0].real
    static = tip / (2.0 * math.pi * model.frequency) ** 2
    shape = model.tines.at(np.zeros(1))[0]
    q = np.zeros((1, 2, shape.size))
    q[0, 0] = shape / (2.0 * math.pi * model.tines.frequency[0, 0]) ** 2
    found = project(model, [0], q, 0.0 * q)[0].real
    _, bar = energy_share(model)
    own = (bar < 0.2) & (model.frequency < 4000.0) & (np.abs(static) > 1e-9)
    np.testing.assert_allclose(found[own], static[own], rtol=2.0 * PERCENT)
    bars = (bar > 0.8) & (model.frequency > 300.0) & (model.frequency < 4000.0) & (np.abs(tip) > 1e-2)
    assert np.sum(bars) > 3
    assert np.all(np.abs(found[bars]) < 2.0 * np.abs(static[bars]))


def test_mounted_pitch_is_the_dense_solution_with_the_other_tines_locked() -> None:
    bar = supported(Straight(1.2))
    each = case(
        bar, *[(0.4 + 0.012 * r, 3e-3, 0.150 + 0.001 * r, 0.4, 1.002, 0.3 - 0.1 * r) for r in range(5)]
    )
    structure, modes, bars, bases, nuts = parts(each)
    quick = mounted_hz(modes, bars, bases, nuts=nuts)
    K, M, _ = full(structure)
    carriers = len(structure.carrier_mass)
    for r in range(5):
        own = structure.tine_dof[r].ravel()
        kept = np.concatenate([np.arange(carriers), carriers + own[own >= 0]])
        at = np.ix_(kept, kept)
        square, vector = np.linalg.eig(np.linalg.solve(M[at], K[at]))
        first, count = carriers, int(np.sum(structure.tine_dof[r, 0] >= 0))
        axis = each.tines[r].split_axis
        norm = np.einsum("im,ij,jm->m", vector, M[at], vector)
        along = (math.cos(axis) * vector[first] - math.sin(axis) * vector[first + count]) ** 2 / norm
        expected = math.sqrt(square[np.argmax(along)].real) / (2.0 * math.pi)
        assert quick[r] == pytest.approx(expected, rel=0.005 * CENT)


def test_unison_tines_on_a_bar_that_rolls_split_far_and_along_it_hardly() -> None:
    """Two of 146.78 Hz, 12 mm apart: cents along the bar, a semitone across it, as in the whole mesh."""
    each = case(supported(Straight(1.2)), *[(0.5 + 0.012 * r, 3e-3, 0.1179, 0.0, 1.0, 0.0) for r in range(2)])
    each = dataclasses.replace(each, trim=((),) * 2)
    model = each.model()
    tips = np.abs(tip_shape(model))
    near = np.flatnonzero((model.frequency > 130.0) & (model.frequency < 170.0))
    along = [model.frequency[m] for m in near if tips[:, 0, m].max() > tips[:, 1, m].max()]
    across = [model.frequency[m] for m in near if tips[:, 1, m].max() > tips[:, 0, m].max()]
    assert 0.5 < math.log(along[1] / along[0]) / CENT < 3.0
    assert 60.0 < math.log(across[1] / across[0]) / CENT < 150.0


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


def test_feet_without_stiffness_leave_bar_and_board_alone() -> None:
    alone = assemble(UPRIGHT.tines, UPRIGHT.length, UPRIGHT.trim, bar=UPRIGHT.bar, places=[0.25, 0.4])
    both = assemble(UPRIGHT.tines, UPRIGHT.length, UPRIGHT.trim, bar=UPRIGHT.bar, board=board(1e-9))
    expected = np.sort(np.concatenate([alone.frequency, [60.0, 210.0]]))
    np.testing.assert_allclose(both.frequency, expected, rtol=0.01 * CENT)
    assert both.board_count == 2


def test_a_board_of_infinite_mass_holds_the_bar_as_springs_to_the_ground() -> None:
    stiff = 260.0  # N/m and N m/rad: soft one way, a hard foot the other
    grounded = tuple(Support(place, "rubber", stiff, stiff, 0.05) for place in (0.25, 0.4))
    held = assemble(
        UPRIGHT.tines, UPRIGHT.length, UPRIGHT.trim, bar=dataclasses.replace(UPRIGHT.bar, supports=grounded)
    )
    heavy = board(stiff, mass=1e12)
    level = dataclasses.replace(heavy, feet=dataclasses.replace(heavy.feet, arm=np.zeros((2, 3))))
    bare = dataclasses.replace(UPRIGHT.bar, supports=())
    model = assemble(UPRIGHT.tines, UPRIGHT.length, UPRIGHT.trim, bar=bare, board=level)
    own = (np.abs(model.vectors[model.board_dof]).max(axis=0) < 0.5) & (model.frequency < 4000.0)
    count = np.sum(own)
    assert count > 30
    np.testing.assert_allclose(model.frequency[own], held.frequency[:count], rtol=1.0 * CENT)
    np.testing.assert_allclose(model.decay_rate[own], held.decay_rate[:count], rtol=2.0 * PERCENT, atol=1e-3)


def test_the_bar_moves_where_the_model_says_a_tine_stands_on_it() -> None:
    """The foot of a tine, read as a tip at full depth, is the bar's axis moved by the rigid arm between them."""
    model = UPRIGHT.model()
    deep = model.tines.tip - model.tines.height[:, 0]
    feet = tip_shape(model, deep)
    motion = bar_shape(model, UPRIGHT.tines[0].place)
    arm = model.bases.arm[0]
    moved = motion[:3] + np.cross(motion[3:].T, arm).T
    np.testing.assert_allclose(feet[0, 0], model.bases.along[0] @ moved, atol=1e-5)
    np.testing.assert_allclose(feet[0, 1], model.bases.across[0] @ moved, atol=1e-5)
