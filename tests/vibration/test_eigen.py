"""Losses: poles against full complex solutions, clusters, energy."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np
import pytest

from synth import cores
from synth.design.instrument import (
    Straight,
)
from synth.vibration import eigen
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, solve_bar
from synth.vibration.coupling import base_frames, couple
from synth.vibration.eigen import complex_modes
from synth.vibration.modal_model import (
    solve_structure,
)
from synth.vibration.tine import solve_tines

CENT = math.log(2.0) / 1200.0
PERCENT = 0.01


@pytest.mark.parametrize("kind", ["cord", "rubber"])
@pytest.mark.parametrize("losses", [(1e-3, 1e-3, 1e-3), (3e-4, 2e-3, 1e-3)], ids=["alike", "unlike"])
def test_poles_are_those_of_the_full_complex_solution(
    by_hand: ModuleType, kind: str, losses: tuple[float, ...]
) -> None:
    """Unison tines on a lossy suspension: decay within 1 %, frequency within a hundredth of a pole's width or
    half a cent, whichever is more."""
    bar = by_hand.supported(Straight(1.2), loss=0.15, kind=kind)
    each = by_hand.case(
        bar, *[(0.5 + 0.012 * r, 3e-3, 0.118, math.pi / 2.0, 1.0002, 0.3 * r) for r in range(3)]
    )
    each = dataclasses.replace(each, trim=((),) * 3)
    each = dataclasses.replace(
        each,
        tines=tuple(
            dataclasses.replace(t, root=dataclasses.replace(t.root, loss_factor=eta))
            for t, eta in zip(each.tines, losses, strict=True)
        ),
    )
    K, M, loss = by_hand.full(by_hand.without_loss(each))
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


def test_poles_are_those_of_the_whole_mesh_with_its_losses(
    by_hand: ModuleType, brute_force: ModuleType
) -> None:
    """Every element and spring of the whole mesh with its own loss factor, one complex solution: decays within 2 %.

    Two unison tines side by side, one with four times the other's loss, on rubber.
    """
    bar = by_hand.supported(Straight(0.5), loss=0.15, kind="rubber")
    bar = dataclasses.replace(bar, material=dataclasses.replace(by_hand.STEEL, loss_factor=3e-4))
    each = by_hand.case(bar, *[(0.2 + 0.012 * r, 3e-3, 0.130, 0.3, 1.0, 0.0) for r in range(2)])
    each = dataclasses.replace(each, trim=((), ()))
    own = np.array([5e-4, 2e-3])
    whole = brute_force.solve_whole(each.bar, each.tines, each.length, each.trim, highest_hz=2000.0)
    expected = brute_force.poles(whole, each.bar, own.tolist())
    expected = expected[(expected.imag > 2.0 * math.pi * 3.0) & (expected.imag < 2.0 * math.pi * 2000.0)]
    modes = solve_tines(each.tines, each.length, each.trim)
    modes = dataclasses.replace(modes, loss_factor=np.where(modes.frequency > 0.0, own[:, None, None], 0.0))
    axial = solve_axial(each.tines, each.length, each.trim)
    axial = dataclasses.replace(axial, loss_factor=np.where(axial.exists, own[:, None, None], 0.0))
    bars = solve_bar(each.bar, [tine.position for tine in each.tines], highest_hz=COUPLED_HZ)
    bases = base_frames(each.tines, each.bar, bars)
    structure = couple(modes, axial, bars, bases, nuts=np.zeros((2, 6, 6)))
    model = solve_structure(structure, modes, bars, bases)
    ours = model.pole[(model.frequency > 3.0) & (model.frequency < 2000.0)]
    assert len(ours) == len(expected) > 15
    left = list(expected)
    for pole in ours:
        partner = left.pop(int(np.argmin(np.abs(np.array(left) - pole))))
        assert pole.imag == pytest.approx(partner.imag, rel=1.0 * CENT)
        assert pole.real == pytest.approx(partner.real, rel=2.0 * PERCENT)


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


def test_every_pole_decays(by_hand: ModuleType) -> None:
    bar = by_hand.supported(Straight(1.2), loss=0.3, kind="rubber")
    for each in (
        dataclasses.replace(by_hand.SIDEWAYS, bar=bar),
        dataclasses.replace(by_hand.UPRIGHT, bar=bar),
    ):
        assert np.all(each.model().pole.real < 0.0)


def test_energy_never_rises_after_a_pluck(by_hand: ModuleType) -> None:
    """Kinetic and potential energy of all freedoms over two seconds, seen every 1.7 ms, may not grow."""
    bar = by_hand.supported(Straight(1.2), loss=0.1, kind="rubber")
    each = dataclasses.replace(by_hand.SIDEWAYS, bar=bar)
    K, M, _ = by_hand.full(by_hand.without_loss(each))
    model = each.model()
    q = np.zeros((1, 2, model.tine_dof.shape[2]))
    q[0, :, 0] = 1e-4
    a = by_hand.project(model, [1], q, 0.0 * q)[0]
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


def test_losses_are_corrected_alike_by_one_core_and_by_two(
    by_hand: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    each = dataclasses.replace(
        by_hand.SIDEWAYS, bar=by_hand.supported(Straight(1.2), loss=0.3, kind="rubber")
    )
    one = each.model()
    monkeypatch.setattr(eigen, "LARGE", 1)
    monkeypatch.setattr(eigen, "STRIP", 16)
    monkeypatch.setattr(cores, "threads_allowed", lambda: 2)
    two = each.model()
    assert np.array_equal(one.pole, two.pole)
    np.testing.assert_allclose(two.vectors, one.vectors, rtol=0.0, atol=2e-6 * np.abs(one.vectors).max())


def test_each_mode_of_another_cluster_lends_its_motion_by_the_first_order_of_losses() -> None:
    """j D_km / (lambda_m - lambda_k) of mode k, one after the other in double precision; real and complex modes."""
    draw = np.random.default_rng(4)
    count, freedoms = 40, 7
    squared = np.sort(draw.uniform(1.0, 9.0, count)) * 1e6
    alone = squared * (1.0 + 1j * draw.uniform(1e-4, 2e-2, count))
    values = alone * (1.0 + 1e-4 * (draw.normal(size=count) + 1j * draw.normal(size=count)))
    host = draw.normal(size=(freedoms, count)) * np.where(
        draw.random(count) < 0.2, 1e-3, 0.5
    )  # some move no host
    mixed = (host + 1j * draw.normal(size=host.shape) * (draw.random(count) < 0.5)).astype(np.complex64)
    root = draw.normal(size=(freedoms, freedoms))
    loss = 2e4 * root @ root.T
    named = np.arange(count)
    named[5:8], named[20] = 5, 19
    wanted = np.zeros((freedoms, count), dtype=complex)
    for m in range(count):
        for k in range(count):
            if named[k] != named[m] and np.sum(host[:, k] ** 2) > 1e-3:
                D = host[:, k] @ loss @ mixed[:, m].astype(complex)
                wanted[:, m] += 1j * D / (values[m] - alone[k]) * host[:, k]
    found = eigen._damping_correction(alone, values, host, mixed, loss, named)
    np.testing.assert_allclose(found, wanted, rtol=0.0, atol=3e-6 * np.abs(wanted).max())
