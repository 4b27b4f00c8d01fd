"""The estimate of quarrels: near the full solution, and ranking changes as that does."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np
import pytest

from synth.design.change import Change, fits, in_design, in_instrument, start_mm
from synth.design.instrument import Bend, Instrument, Section, Straight, Support
from synth.design.resolve import resolve
from synth.vibration import estimate as estimates
from synth.vibration.estimate import FreeBar, _held, estimate, free_bar
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import find_quarrels
from synth.vibration.tuning import Row, tune

KEPT_LENGTHS = 0.15  # how far the totals of estimate and full solution may part, of the greater, and
STEPS = 2.5  # just noticed steps: a quarrel or two near the edge of being noticed


def full(instrument: Instrument, row: Row) -> float:
    return math.fsum(each.severity for each in find_quarrels(instrument, row))


@pytest.mark.parametrize("first", [0, 8, pytest.param(16, marks=pytest.mark.slow)])
def test_with_the_same_lengths_it_comes_to_what_the_full_solution_does(
    everyday: ModuleType, first: int
) -> None:
    for seed in range(first, first + 8):
        instrument, row, quarrels = everyday.solved(everyday.design_tree(seed))
        whole = math.fsum(each.severity for each in quarrels)
        found = estimate(instrument, row, free_bar(instrument.bar)).total()
        assert found == pytest.approx(whole, rel=0.06, abs=STEPS), seed


def test_more_bar_modes_bring_it_nearer(everyday: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Clamps, the worst case: the part of a clamp's spring that the kept modes miss is what is refined."""
    worst, solved = [], [everyday.solved(everyday.design_tree(seed)) for seed in (4, 12, 16, 28)]
    for highest in (4e3, 30e3):
        monkeypatch.setattr(estimates, "COUPLED_HZ", highest)
        off = []
        for instrument, row, quarrels in solved:
            assert {each.kind for each in instrument.bar.supports} == {"clamp"}
            whole = math.fsum(each.severity for each in quarrels)
            off.append(abs(estimate(instrument, row, free_bar(instrument.bar)).total() - whole) / whole)
        worst.append(max(off))
    assert worst[1] < 0.12
    assert worst[1] < worst[0]


def test_clamps_need_what_the_left_out_modes_yield(everyday: ModuleType) -> None:
    instrument, row, quarrels = everyday.solved(everyday.design_tree(16))
    free = free_bar(instrument.bar)
    stiff = dataclasses.replace(free, compliance=np.zeros_like(free.compliance))
    whole = math.fsum(each.severity for each in quarrels)
    assert abs(estimate(instrument, row, free).total() - whole) < 0.1 * whole
    assert abs(estimate(instrument, row, stiff).total() - whole) > 0.2 * whole


def test_what_is_left_out_yields_alike_on_both_sides_of_a_bend_in_the_bars_own_axes(
    everyday: ModuleType,
) -> None:
    """A quarter bend of a flat bar between two equal pieces: along is along and sideways is sideways on each."""
    bar = everyday.instrument_of(everyday.design_tree(2)).bar
    path = (Straight(0.15), Bend(math.pi / 2.0, 0.12, 0.0), Straight(0.15))
    free = free_bar(dataclasses.replace(bar, path=path, section=Section("rectangle", 0.06, 0.01, 0.0)))
    own = np.diagonal(free.compliance, axis1=1, axis2=2)
    np.testing.assert_allclose(own, own[::-1], rtol=1e-3, atol=1e-6 * own.max())
    assert own[3, 0] != pytest.approx(own[3, 1], rel=0.1)


@pytest.mark.slow
def test_it_ranks_changes_as_the_full_solution_of_the_retuned_design_does(everyday: ModuleType) -> None:
    """Kendall's tau over random changes of random designs: pairs ranked alike less pairs ranked otherwise."""
    draw = np.random.default_rng(3)
    alike, told, best = 0, 0, []
    for seed in range(100, 118):
        tree = everyday.design_tree(seed)
        instrument, row, _ = everyday.solved(tree)
        design, free = everyday.design_of(tree), free_bar(instrument.bar)
        tried = [
            changed
            for _ in range(60)
            if fits(instrument, in_instrument(instrument, changed := drawn(instrument, draw)))
        ]
        pairs = []
        for change in tried[:7]:
            new = resolve(in_design(design, change))
            whole = full(new, tune(new, mounting(new)))
            pairs.append((estimate(in_instrument(instrument, change), row, free).total(), whole))
        for index, (one, true_one) in enumerate(pairs):
            for other, true_other in pairs[:index]:
                if abs(true_one - true_other) > max(STEPS, KEPT_LENGTHS * max(true_one, true_other)):
                    told += 1
                    alike += (one - other) * (true_one - true_other) > 0.0
        if pairs:
            chosen = min(pairs)
            best.append(chosen[1] - min(true for _, true in pairs))
    assert told > 60
    assert alike > 0.9 * told
    assert np.median(best) < STEPS


def drawn(instrument: Instrument, draw: np.random.Generator) -> Change:
    """One group and one support somewhere else."""
    group = int(draw.integers(len(instrument.groups)))
    support = int(draw.integers(len(instrument.bar.supports)))
    start = round(start_mm(instrument, group) + draw.uniform(-25.0, 25.0))
    at = round(instrument.bar.supports[support].position * 1e3 + draw.uniform(-40.0, 40.0))
    return Change(starts=((group, float(start)),), supports=((support, float(at)),))


def held_up(everyday: ModuleType, compliance: float) -> tuple[Instrument, FreeBar, np.ndarray]:
    """A flat bar on two pads that push upwards only, unlike ones; it yields under each as if by a spring more."""
    made: Instrument = everyday.instrument_of(everyday.design_tree(2))
    pads = (
        Support(0.06, "rubber", 9e4, 0.0, 0.12, ("up",)),
        Support(0.31, "rubber", 2e5, 0.0, 0.05, ("up",)),
    )
    steel = dataclasses.replace(made.bar.material, loss_factor=3e-3)
    section = Section("rectangle", 0.06, 0.01, 0.0)
    bar = dataclasses.replace(made.bar, material=steel, path=(Straight(0.4),), section=section, supports=pads)
    free = free_bar(bar)
    yields = np.zeros_like(free.compliance)
    yields[:, 2, 2] = compliance
    up = free.modes.at([pad.position for pad in pads])[:, 2]
    return dataclasses.replace(made, bar=bar), dataclasses.replace(free, compliance=yields), up


@pytest.mark.parametrize("compliance", [0.0, 7e-6])
def test_a_pad_and_what_the_bar_yields_under_it_are_two_springs_each_with_its_own_loss(
    everyday: ModuleType, compliance: float
) -> None:
    """In series: k / (1 + k C), of whose energy the pad holds 1 / (1 + k C) and the bar's steel the rest."""
    instrument, free, up = held_up(everyday, compliance)
    stiffness, loss = _held(instrument.bar, free)
    K = np.diag(free.modes.stiffness)
    lost = 3e-3 * K
    for pad, row in zip(instrument.bar.supports, up, strict=True):
        own = 1.0 / (1.0 + pad.stiffness * compliance)
        spring = pad.stiffness * own * np.outer(row, row)
        K = K + spring
        lost = lost + (pad.loss_factor * own + 3e-3 * (1.0 - own)) * spring
    np.testing.assert_allclose(stiffness, K, rtol=1e-9, atol=1e-9 * np.abs(K).max())
    np.testing.assert_allclose(loss, lost, rtol=1e-6, atol=1e-12 * np.abs(lost).max())
