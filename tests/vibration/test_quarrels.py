"""Quarrels: what a bar mode does to a partial near it, and whether what is advised helps."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.vibration.assembly import assemble, energy_share
from synth.vibration.quarrels import (
    NOTICED_DECAY,
    NOTICED_SHIFT,
    Quarrel,
    find_quarrels,
    loaded_shapes,
    sentence,
)
from synth.vibration.tuning import Row, tune

CENT = math.log(2.0) / 1200.0
DESIGN = """
name = "one tine beside a bar mode"
[bar]
material = "mild steel"
section = {{ shape = "rectangle", width_mm = 25.0, height_mm = 25.0 }}
path = [ {{ straight_mm = 1200.0 }} ]
supports = [ {{ at_mm = {left}, kind = "{kind}" }}, {{ at_mm = 931.0, kind = "{kind}" }} ]
[tines]
split_cents = 0.0
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"
[[group]]
name = "beside"
stock = "rod3"
start_mm = {place}
[[group.tine]]
free_length_mm = {length}
"""


def instrument(
    tmp_path: Path, *, length: float, place: float = 500.0, kind: str = "cord", left: float = 269.0
) -> Instrument:
    path = tmp_path / "one.toml"
    path.write_text(DESIGN.format(length=length, place=place, kind=kind, left=left))
    found = resolve(load(path))
    straight = tuple(
        dataclasses.replace(tine, split_axis=0.0) for tine in found.tines
    )  # planes along and across
    return dataclasses.replace(found, tines=straight)


def quarrels(one: Instrument) -> tuple[Row, tuple[Quarrel, ...]]:
    row = tune(one)
    return row, find_quarrels(one, row)


def beside_mode(tmp_path: Path, cents_off: float, **more: float | str) -> Instrument:
    """A tine whose fundamental stands so many cents above the bar's first bending mode, near 90 Hz."""
    row, _ = quarrels(instrument(tmp_path, length=150.0, **more))  # type: ignore[arg-type]
    one = instrument(tmp_path, length=150.0, **more)  # type: ignore[arg-type]
    shapes, _ = loaded_shapes(one, row)
    target = shapes.frequency[(shapes.frequency > 70.0)][0] * math.exp(cents_off * CENT)
    length = 150.0
    for _ in range(8):
        one = instrument(tmp_path, length=length, **more)  # type: ignore[arg-type]
        length *= math.sqrt(float(tune(one).clamped_hz[0]) / target)
    return instrument(tmp_path, length=length, **more)  # type: ignore[arg-type]


def test_a_tine_far_from_every_bar_mode_has_no_quarrel_with_its_fundamental(tmp_path: Path) -> None:
    _, found = quarrels(instrument(tmp_path, length=118.0))
    assert not [each for each in found if each.partial == 1]


@pytest.mark.parametrize("cents_off", [20.0, -30.0])
def test_shift_and_loss_of_decay_are_those_of_the_coupled_solution(tmp_path: Path, cents_off: float) -> None:
    """Along the row other bar modes pull little: the pair alone meets the whole assembly within 1.5 cents."""
    one = beside_mode(tmp_path, cents_off, place=100.0)
    row, found = quarrels(one)
    (own,) = [
        e
        for e in found
        if (e.partial, e.plane) == (1, 0) and abs(math.log(e.bar_hz / e.partial_hz)) < 100 * CENT
    ]
    model = assemble(one.tines, row.length, row.trim, bar=one.bar)
    share, _ = energy_share(model)
    mode = int(np.argmax(share[:, 0, 0] * (np.abs(np.log(model.frequency / own.partial_hz)) < 0.1)))
    assert own.shift == pytest.approx(float(model.frequency[mode] / own.partial_hz), rel=1.5 * CENT)
    alone = math.pi * row.modes.loss_factor[0, 0, 0] * own.partial_hz
    assert own.decay_loss == pytest.approx(max(float(model.decay_rate[mode]) / alone, 1.0), rel=0.05)


def test_the_worst_comes_first_and_all_are_noticed(tmp_path: Path) -> None:
    _, found = quarrels(beside_mode(tmp_path, 30.0, place=600.0))
    assert found
    assert [each.severity for each in found] == sorted((each.severity for each in found), reverse=True)
    for each in found:
        assert abs(math.log(each.shift)) > math.log(NOTICED_SHIFT) or each.decay_loss > NOTICED_DECAY


def test_moving_the_group_as_advised_at_least_halves_the_quarrel(tmp_path: Path) -> None:
    one = beside_mode(tmp_path, 30.0, place=560.0)
    _, found = quarrels(one)
    advised = [each for each in found if not math.isnan(each.move) and each.room]
    assert advised
    for each in advised[:3]:
        moved = dataclasses.replace(one.tines[0], place=one.tines[0].place + each.move)
        _, after = quarrels(dataclasses.replace(one, tines=(moved,)))
        assert severity_of(after, each) < 0.6 * each.severity


def test_another_bar_frequency_as_advised_at_least_halves_the_quarrel(tmp_path: Path) -> None:
    """A stiffer steel moves every bending mode by the same factor, and leaves masses alone."""
    one = beside_mode(tmp_path, 30.0, place=600.0)
    _, found = quarrels(one)
    (each, *_) = [e for e in found if not math.isnan(e.bar_factor)]
    steel = dataclasses.replace(one.bar.material, youngs=one.bar.material.youngs * each.bar_factor**2)
    _, after = quarrels(dataclasses.replace(one, bar=dataclasses.replace(one.bar, material=steel)))
    assert severity_of(after, each) < 0.6 * each.severity


def test_a_support_that_eats_the_ring_is_sent_where_the_mode_is_still(tmp_path: Path) -> None:
    one = beside_mode(tmp_path, 5.0, place=600.0, kind="rubber", left=420.0)
    _, found = quarrels(one)
    (each, *_) = [e for e in found if e.support >= 0]
    assert each.decay_loss > NOTICED_DECAY
    supports = list(one.bar.supports)
    supports[each.support] = dataclasses.replace(supports[each.support], place=each.support_place)
    moved = dataclasses.replace(one, bar=dataclasses.replace(one.bar, supports=tuple(supports)))
    before, _ = loaded_shapes(one, tune(one))
    after, _ = loaded_shapes(moved, tune(moved))
    near = int(np.argmin(np.abs(np.log(after.frequency / each.bar_hz))))
    assert after.loss_factor[near] < 0.7 * before.loss_factor[each.bar_mode]


def test_it_is_told_in_words_with_the_figures(tmp_path: Path) -> None:
    one = beside_mode(tmp_path, 30.0, place=600.0)
    _, (worst, *_) = quarrels(one)
    words = sentence(one, worst)
    assert words.startswith("beside 1, partial ")
    assert f"{worst.bar_hz:.1f} Hz" in words
    assert f"{math.log(worst.shift) / CENT:+.0f} cents" in words


def severity_of(found: tuple[Quarrel, ...], before: Quarrel) -> float:
    """How bad the same partial's quarrel with the bar modes near the old one is now; 0 when no longer noticed."""
    same = [
        each.severity
        for each in found
        if (each.plane, each.partial, each.bar_mode) == (before.plane, before.partial, before.bar_mode)
    ]
    return max(same, default=0.0)
