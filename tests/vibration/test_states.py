"""States of single tines in the modes of the whole, and the mounted pitch."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import (
    Straight,
)
from synth.design.resolve import resolve
from synth.vibration.coupling import rigid_inertia
from synth.vibration.modal_model import (
    energy_share,
    tine_state,
)
from synth.vibration.modal_projection import Projection
from synth.vibration.mounted_pitch import mounted_hz, mounting
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import tune

TWO_TINES = Path(__file__).parents[1] / "data" / "two-tines.toml"
CENT = math.log(2.0) / 1200.0
PERCENT = 0.01


def test_a_state_of_one_tine_is_what_the_modes_show_at_once(by_hand: ModuleType) -> None:
    model = by_hand.SIDEWAYS.model()
    rng = np.random.default_rng(4)
    exists = model.tine_dof[[2]] >= 0
    q = rng.standard_normal(exists.shape) * exists * 1e-4
    v = rng.standard_normal(exists.shape) * exists * 1e-1
    a = by_hand.project(model, [2], q, v)[0]
    shown, moving = tine_state(model, a, [2])
    near = (
        model.tines.frequency[[2]] < 8000.0
    ) & exists  # above, what the list of modes leaves off begins to tell
    np.testing.assert_allclose(shown[near], q[near], atol=0.02 * np.abs(q).max())
    np.testing.assert_allclose(moving[near], v[near], atol=0.02 * np.abs(v).max())


def test_mounted_pitch_is_the_dense_solution_with_the_other_tines_locked(by_hand: ModuleType) -> None:
    """On a bar with base nuts of 3 to 19 g, which weigh on it beside the tines."""
    bar = by_hand.supported(Straight(1.2))
    each = by_hand.case(
        bar, *[(0.4 + 0.012 * r, 3e-3, 0.150 + 0.001 * r, 0.4, 1.002, 0.3 - 0.1 * r) for r in range(5)]
    )
    heavy = [dataclasses.replace(by_hand.NUT, mass=3e-3 + 4e-3 * r, rotary_inertia=1e-7) for r in range(5)]
    roots = [dataclasses.replace(t.root, base_nut=nut) for t, nut in zip(each.tines, heavy, strict=True)]
    tines = [dataclasses.replace(t, root=root) for t, root in zip(each.tines, roots, strict=True)]
    each = dataclasses.replace(each, tines=tuple(tines))
    structure, modes, bars, bases, nuts = by_hand.parts(each)
    quick = mounted_hz(modes, bars, bases, nuts=nuts)
    light = mounted_hz(modes, bars, bases, nuts=np.zeros_like(nuts))
    assert np.max(np.abs(np.log(light / quick))) > 0.05 * CENT
    K, M, _ = by_hand.full(structure)
    host_count = len(structure.host_mass)
    for r in range(5):
        own = structure.tine_dof[r].ravel()
        kept = np.concatenate([np.arange(host_count), host_count + own[own >= 0]])
        at = np.ix_(kept, kept)
        square, vector = np.linalg.eig(np.linalg.solve(M[at], K[at]))
        first, count = host_count, int(np.sum(structure.tine_dof[r, 0] >= 0))
        axis = each.tines[r].split_axis
        norm = np.einsum("im,ij,jm->m", vector, M[at], vector)
        along = (math.cos(axis) * vector[first] - math.sin(axis) * vector[first + count]) ** 2 / norm
        expected = math.sqrt(square[np.argmax(along)].real) / (2.0 * math.pi)
        assert quick[r] == pytest.approx(expected, rel=0.005 * CENT)


def test_a_rising_clamp_loss_shortens_high_partials_of_the_whole_by_as_much(by_hand: ModuleType) -> None:
    """A mode's decay rate grows by pi f times what the clamp loses more, on the tine's share of its energy."""
    flat = by_hand.UPRIGHT
    steep = dataclasses.replace(
        flat,
        tines=tuple(
            dataclasses.replace(each, root=dataclasses.replace(each.root, loss_slope=0.7))
            for each in flat.tines
        ),
    )
    before, after = flat.model(), steep.model()
    share, _ = energy_share(before)
    f = before.frequency
    own = (share.sum(axis=(1, 2)) > 0.98) & (f > 1200.0) & (f < 5000.0)
    assert own.sum() >= 8
    more = math.pi * f * 1e-3 * ((f / 1000.0) ** 0.7 - 1.0)
    np.testing.assert_allclose((after.decay_rate - before.decay_rate)[own], more[own], rtol=3.0 * PERCENT)
    low = (share.sum(axis=(1, 2)) > 0.98) & (f < 990.0)
    np.testing.assert_allclose(after.decay_rate[low], before.decay_rate[low], rtol=1.0 * PERCENT)


def test_the_bar_moves_a_tines_pitch_alike_whether_asked_about_it_alone_or_with_all() -> None:
    instrument = resolve(load(TWO_TINES))
    row = tune(instrument)
    rigid = rigid_inertia(row.modes)
    ask = mounting(instrument)
    every = np.arange(len(row.length))
    together = ask(row.modes, every, rigid)
    for r in every:
        alone = solve_tines([instrument.tines[r]], row.length[[r]], [row.trim[r]])
        assert ask(alone, every[[r]], rigid)[0] == pytest.approx(together[r], rel=1e-4 * CENT)
    assert np.abs(np.log(together)).max() > 0.01 * CENT


def test_states_are_the_plain_double_sums_and_a_palm_spares_modes_faster_than_the_partial(
    by_hand: ModuleType,
) -> None:
    model = by_hand.SIDEWAYS.model()
    rng = np.random.default_rng(5)
    modes, tines = len(model.pole), np.array([2, 0, 2])
    a = rng.standard_normal((3, modes)) + 1j * rng.standard_normal((3, modes))
    shown = tine_state(model, a, tines)
    each = [
        (model.vectors[np.maximum(model.tine_dof[r], 0)].astype(complex), model.tine_dof[r] >= 0)
        for r in tines
    ]
    for found, turned in zip(shown, (a, a * model.pole), strict=True):
        plain = np.array([(rows @ b).real * there for (rows, there), b in zip(each, turned, strict=True)])
        np.testing.assert_allclose(found, plain, atol=1e-12 * np.abs(plain).max())
    np.testing.assert_array_equal(tine_state(model, a[0], [2])[0], shown[0][:1])
    omega = model.pole.imag
    for r in tines:  # one partial at a time: near it and below as it is, far above by its frequency squared
        own = np.argwhere(model.tine_dof[r] >= 0)
        for plane, n in own[:: len(own) // 4]:
            q, v = rng.standard_normal((2, 1, *model.tine_dof.shape[1:])) * 0.0
            q[0, plane, n], v[0, plane, n] = 1.0, 1e4
            exact, quick = by_hand.project(model, [r], q, v)[0], Projection(model)(np.array([r]), q, v)[0]
            ratio = omega / (2.0 * math.pi * model.tines.frequency[r, plane, n])
            same = ratio < 1.02
            np.testing.assert_allclose(quick[same], exact[same], atol=2e-3 * np.abs(exact).max())
            far = ratio > 10.0
            np.testing.assert_allclose(
                quick[far], exact[far] / ratio[far] ** 2, atol=2e-6 * np.abs(exact).max(), rtol=0.02
            )
