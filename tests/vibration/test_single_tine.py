"""One tine free, the others locked: against dense solutions, of thousands of tines set beside bar modes."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np
import pytest

from synth.design.instrument import Section, Straight
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, solve_bar, standing_on
from synth.vibration.coupling import (
    added_mass,
    base_frames,
    beside_board,
    couple,
    host_structure,
    nut_inertia,
    spinning,
)
from synth.vibration.host import FreeTines, Host, damped_host, free_tines, own_residual
from synth.vibration.single_tine import along_row, fullest_squared, partial_modes
from synth.vibration.tine import solve_tines

CENT = math.log(2.0) / 1200.0
PERCENT = 0.01
FLAT = Section("rectangle", 0.060, 0.010, 0.0)
RATIOS = np.array([1.0, 6.267, 17.55])  # of a clamped rod
MOMENTUM, MOMENT = (
    np.array([0.783, 0.434, 0.254]),
    np.array([0.0567, 0.0091, 0.0032]),
)  # per sqrt(mass), of 100 mm


def drawn(rng: np.random.Generator, *, tines: int, modes: int, lossy: bool) -> tuple[Host, FreeTines]:
    """Tines of 1 to 10 g, each set 1e-5 to 10 % beside a mode of a host whose modes lie anywhere."""
    kappa = np.sort((2.0 * math.pi * np.geomspace(20.0, 8000.0, modes) * rng.uniform(0.8, 1.2, modes)) ** 2)
    kappa[modes // 2] = kappa[modes // 2 - 1] * (1.0 + 1e-9)
    w = rng.normal(size=(tines, 6, modes)) * np.array([1.0, 8.0, 1.0, 8.0, 1.0, 8.0])[:, None]
    beside = rng.choice(kappa[2:-4], tines) * np.exp(
        rng.normal(size=tines) * 10.0 ** rng.uniform(-5, -1, tines)
    )
    split = np.exp(rng.uniform(-15.0, 15.0, tines) * CENT)
    squared = beside[:, None, None] * RATIOS**2 * np.stack([split, 1.0 / split], axis=1)[..., None]
    squared = squared.reshape(tines, 6)
    g = np.zeros((tines, 6, 2, 3))
    for p in (0, 1):
        g[:, 2 * p, p], g[:, 2 * p + 1, p] = MOMENTUM, MOMENT
    g = g.reshape(tines, 6, 6) * np.sqrt(10.0 ** rng.uniform(-3.0, -2.0, tines))[:, None, None]
    pulled = np.linalg.norm(g.swapaxes(-1, -2) @ w, ord=2, axis=(1, 2)).max()
    w *= rng.uniform(0.1, 0.75) / pulled  # a whole mass matrix is positive
    if lossy:
        kappa = kappa * (1.0 + 1j * 10.0 ** rng.uniform(-4.0, -1.5, modes))
        squared = squared * (1.0 + 1j * 10.0 ** rng.uniform(-3.5, -2.5, (tines, 1)))
    basis = np.broadcast_to(np.eye(6).reshape(1, 2, 3, 6), (tines, 2, 3, 6))
    return Host(kappa, w), FreeTines(squared, g, basis)


def dense(host: Host, tines: FreeTines) -> tuple[np.ndarray, np.ndarray]:
    """All omega² (R, F + K) and the fundamental's planes in them (R, F + K, 2), mass-normalised."""
    B = tines.reaction.swapaxes(-1, -2) @ host.motion
    F, K = B.shape[1:]
    M = np.broadcast_to(np.eye(F + K), (len(B), F + K, F + K)).astype(B.dtype)
    M[:, :F, F:], M[:, F:, :F] = B, B.swapaxes(-1, -2)
    squared = np.concatenate([tines.squared, np.broadcast_to(host.squared, (len(B), K))], axis=1)
    value, vector = np.linalg.eig(np.linalg.inv(M) * squared[:, None, :])
    mass = np.einsum("sim,sij,sjm->sm", vector, M, vector, optimize=True)
    return value, np.stack([vector[:, 0], vector[:, 3]], axis=-1) / np.sqrt(mass)[..., None]


@pytest.mark.parametrize(
    ("lossy", "hosts"),
    [
        pytest.param(False, 3, id="without losses"),
        pytest.param(True, 2, id="with losses"),
        pytest.param(False, 7, id="more without losses", marks=pytest.mark.slow),
        pytest.param(True, 4, id="more with losses", marks=pytest.mark.slow),
    ],
)
def test_no_mode_is_missed_of_thousands_of_tines_beside_host_modes(lossy: bool, hosts: int) -> None:
    rng = np.random.default_rng(11)
    for _ in range(hosts):
        host, tines = drawn(rng, tines=300, modes=40, lossy=lossy)
        found = partial_modes(host, tines, 0)
        value, planes = dense(host, tines)
        share = np.sum(np.abs(planes) ** 2, axis=-1) * np.abs(found.start)[:, None] / np.abs(value)
        most = np.argsort(-share, axis=1)[:, :2]
        if not lossy:
            np.testing.assert_allclose(share.sum(axis=1), 2.0, rtol=1e-4)  # of 15 cents between planes
        np.testing.assert_allclose(found.share[:, :2], np.take_along_axis(share, most, axis=1), atol=1e-6)
        np.testing.assert_allclose(found.squared[:, :2], np.take_along_axis(value, most, axis=1), rtol=1e-9)
        if lossy:
            assert np.all(found.pole[:, :2].real < 0.0)
        nearest = np.argmin(np.abs(found.squared[:, :, None] - value[:, None]), axis=2)
        for own, there in zip(nearest, found.share > 0.0, strict=True):
            assert len(set(own[there].tolist())) == np.sum(there)  # none is told twice


def test_a_mode_in_each_gap_between_poles_and_none_besides() -> None:
    """With one freedom the modes interlace with the host's: one below, one in every gap, one above (Cauchy)."""
    rng = np.random.default_rng(3)
    host, tines = drawn(rng, tines=300, modes=12, lossy=False)
    basis = np.stack([np.ones((300, 1, 1)), np.zeros((300, 1, 1))], axis=1)
    one = FreeTines(tines.squared[:, :1], tines.reaction[:, :, :1], basis)
    edges = np.concatenate([host.squared, [np.inf]])
    found = partial_modes(host, one, 0)
    there = np.abs(found.planes[..., 0]) > 1e-4
    assert there.sum() > 500
    b = (one.reaction.swapaxes(-1, -2) @ host.motion)[:, 0]
    for r in range(300):
        gaps = np.searchsorted(edges, found.squared[r, there[r]])
        assert len(set(gaps.tolist())) == len(gaps)
        lam = found.squared[r, there[r], None]
        secular = one.squared[r, 0] - lam - lam**2 * (b[r] ** 2 / (host.squared - lam))[..., None].sum(axis=1)
        slope = 1.0 / np.abs(found.planes[r, there[r], :1]) ** 2  # of the secular function: the mode's mass
        assert np.all(np.abs(secular / slope) < 1e-9 * lam)


def everyday(by_hand: ModuleType, rng: np.random.Generator):
    """A bar as bars are, and tines in two groups that may point anywhere."""
    sections = [
        by_hand.SQUARE,
        FLAT,
        Section("round", 0.016, 0.016, 0.0),
        Section("tube", 0.025, 0.025, 0.003),
    ]
    bar = by_hand.supported(
        Straight(rng.uniform(0.3, 0.9)),
        section=sections[rng.integers(len(sections))],
        loss=rng.uniform(0.02, 0.2),
        kind=str(rng.choice(["cord", "rubber"])),
    )
    tines = []
    for start, face in zip((0.15, 0.6), rng.uniform(-0.6, 0.6, 2), strict=True):
        for n in range(3):
            position = start * bar.length + 0.012 * n
            row = (position, rng.uniform(2.5e-3, 5e-3), rng.uniform(0.06, 0.2), face)
            tines.append((*row, float(np.exp(rng.uniform(0, 15) * CENT)), rng.uniform(-0.8, 0.8)))
    return by_hand.case(bar, *tines)


def whole(case, board=None):
    """Parts of the coupled model, and the host with its tines as `single_tine` has them."""
    bar = case.bar if board is None else standing_on(case.bar, board.feet.position)
    feet = [] if board is None else board.feet.position.tolist()
    modes = solve_tines(case.tines, case.length, case.trim)
    axial = solve_axial(case.tines, case.length, case.trim)
    bars = solve_bar(bar, [each.position for each in case.tines], more=feet, highest_hz=COUPLED_HZ)
    bases = base_frames(case.tines, bar, bars)
    nuts = nut_inertia(case.tines, bar, bases)
    structure = couple(modes, axial, bars, bases, nuts=nuts, board=board)
    motion = beside_board(bars.at(bases.position), board)
    K, loss = host_structure(bars, board)
    kappa, v = damped_host(K, loss, added_mass(motion, bases, modes, nuts + spinning(axial, bases)))
    host = Host(kappa, bases.rows() @ motion @ v)
    return structure, modes, host, free_tines(modes, own_residual(bars, bases), axial=axial, lossy=True)


def locked(by_hand: ModuleType, structure, tine: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """omega², vectors (freedoms, modes) and freedoms of the coupled model, all other tines' struck out."""
    K, M, loss = by_hand.full(structure)
    host_count = len(structure.host_mass)
    own = np.concatenate([structure.tine_dof[tine].ravel(), structure.axial_dof[tine].ravel()])
    kept = np.concatenate([np.arange(host_count), host_count + own[own >= 0]])
    at = np.ix_(kept, kept)
    value, vector = np.linalg.eig(np.linalg.solve(M[at], (K + 1j * loss)[at]))
    return value, vector / np.sqrt(np.einsum("im,ij,jm->m", vector, M[at], vector)), kept


def agree(by_hand: ModuleType, case, board=None, *, highest_hz: float = 12_000.0) -> tuple[float, float]:
    """The largest differences in cents and in relative decay between the two ways, partials of both planes."""
    structure, modes, host, tines = whole(case, board)
    host_count, cents, decays = len(structure.host_mass), [0.0], [0.0]
    some = range(1, len(case.tines), 3)
    dense_modes = {r: locked(by_hand, structure, r) for r in some}
    for n in range(modes.frequency.shape[2]):
        found = partial_modes(host, tines, n)
        both = found.both_planes(along_row(modes.axis))
        for r in some:
            if not 0.0 < modes.frequency[r, 0, n] < highest_hz:
                continue
            value, vector, kept = dense_modes[r]
            rows = [np.flatnonzero(kept == host_count + structure.tine_dof[r, p, n])[0] for p in (0, 1)]
            share = np.sum(np.abs(vector[rows]) ** 2, axis=0) * np.abs(
                found.start[r] / np.where(np.abs(value) > 1.0, value, 1e9)
            )
            most = np.argsort(-share)[:3]
            if share[most[1]] - share[most[2]] < 0.01:
                continue  # which is the second is a matter of digits
            mine = np.sort_complex(found.pole[r, both[r]])
            theirs = np.sort_complex(1j * np.sqrt(value[most[:2]]))
            mine, theirs = mine[np.argsort(mine.imag)], theirs[np.argsort(theirs.imag)]
            cents.append(float(np.max(np.abs(np.log(mine.imag / theirs.imag)))) / CENT)
            decays.append(float(np.max(np.abs(mine.real / theirs.real - 1.0))))
    return max(cents), max(decays)


def test_every_partial_is_the_whole_models_with_the_other_tines_locked(by_hand: ModuleType) -> None:
    rng = np.random.default_rng(5)
    for _ in range(4):
        cents, decay = agree(by_hand, everyday(by_hand, rng))
        assert cents < 0.01
        assert decay < 1.0 * PERCENT


@pytest.mark.slow
def test_so_it_is_on_a_flat_bar_and_on_a_board_whose_feet_stand_off_the_middle(by_hand: ModuleType) -> None:
    flat = by_hand.case(
        by_hand.supported(Straight(0.6), section=FLAT, loss=0.1),
        *[(0.15 + 0.09 * r, 4e-3, 0.10 + 0.012 * r, 0.5 * (r % 2), 1.003, 0.4 - 0.3 * r) for r in range(4)],
    )
    board = by_hand.board(3e5, mass=0.4)
    feet = dataclasses.replace(board.feet, arm=np.array([[0.0, 0.022, -0.005], [0.0, -0.013, -0.005]]))
    for each in (None, dataclasses.replace(board, feet=feet)):
        cents, decay = agree(by_hand, flat, each)
        assert cents < 0.01
        assert decay < 1.0 * PERCENT


def test_partials_above_the_third_leave_the_fundamental_alone(by_hand: ModuleType) -> None:
    rng = np.random.default_rng(8)
    off = {2: 0.0, 3: 0.0, 5: 0.0}
    for _ in range(3):
        case = everyday(by_hand, rng)
        modes = solve_tines(case.tines, case.length, case.trim)
        bars = solve_bar(case.bar, [each.position for each in case.tines], highest_hz=COUPLED_HZ)
        bases = base_frames(case.tines, case.bar, bars)
        load = added_mass(bars.at(bases.position), bases, modes, nut_inertia(case.tines, case.bar, bases))
        kappa, v = damped_host(np.diag(bars.stiffness), bars.loss, load)
        host = Host(kappa, bases.rows() @ bars.at(bases.position) @ v)
        found = {
            count: partial_modes(
                host, free_tines(modes, own_residual(bars, bases), partials=count, lossy=True), 0
            )
            for count in (None, *off)
        }
        every = np.where(found[None].share > 1e-3, found[None].pole.imag, np.nan)
        for count in off:
            pole = np.where(found[count].share > 0.3, found[count].pole.imag, np.nan)
            apart = np.abs(
                np.log(pole[:, :2, None] / every[:, None])
            )  # whichever of two halves is the fuller
            off[count] = max(off[count], float(np.nanmax(np.nanmin(apart, axis=2))) / CENT)
    assert off[5] < off[3] < off[2]
    assert off[3] < 0.01


@pytest.mark.parametrize("hosts", [2, pytest.param(12, marks=pytest.mark.slow)])
def test_the_mode_followed_alone_is_the_fullest_of_all(hosts: int) -> None:
    """Whichever way the swing is asked for; beside host modes, where none holds half, others are followed too."""
    rng = np.random.default_rng(17)
    hard = 0
    for _ in range(hosts):
        host, tines = drawn(rng, tines=300, modes=40, lossy=False)
        swing = along_row(rng.uniform(-1.6, 1.6, 300))
        value, planes = dense(host, tines)
        held = np.einsum("rmp,rp->rm", planes.real, swing) ** 2 / value.real
        best, second = np.sort(held, axis=1)[:, ::-1][:, :2].T
        clear = best > second * (1.0 + 1e-6)
        hard += np.sum(best < 0.5 * held.sum(axis=1))
        truth = np.take_along_axis(value.real, np.argmax(held, axis=1)[:, None], axis=1)[:, 0]
        np.testing.assert_allclose(fullest_squared(host, tines, 0, swing)[clear], truth[clear], rtol=1e-9)
        found = partial_modes(host, tines, 0)
        own = found.squared[np.arange(300), found.fullest(swing)]
        np.testing.assert_allclose(fullest_squared(host, tines, 0, swing)[clear], own[clear], rtol=1e-11)
    assert hard > 5 * hosts
