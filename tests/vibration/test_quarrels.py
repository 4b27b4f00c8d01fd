"""Quarrels: what a bar mode does to a partial near it."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import Instrument, Section
from synth.design.resolve import resolve
from synth.vibration.modal_model import assemble, energy_share
from synth.vibration.quarrels import (
    NOTICED_DECAY,
    NOTICED_SHIFT,
    BarShapes,
    Quarrel,
    base_motion,
    find_quarrels,
    loaded_shapes,
    meet,
    motion_at,
    motion_of,
    sentence,
    worst_of_each,
)
from synth.vibration.tuning import Row, tune

CENT = math.log(2.0) / 1200.0
STIFF, FLAT = 60.0, 10.0  # the sides of the flat bar: its bending modes are as far apart
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
start_mm = {position}
[[group.tine]]
free_length_mm = {length}
"""


def instrument(
    tmp_path: Path, *, length: float, position: float = 500.0, kind: str = "cord", left: float = 269.0
) -> Instrument:
    path = tmp_path / "one.toml"
    path.write_text(DESIGN.format(length=length, position=position, kind=kind, left=left))
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
    one = beside_mode(tmp_path, cents_off, position=100.0)
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
    _, found = quarrels(beside_mode(tmp_path, 30.0, position=600.0))
    assert found
    assert [each.severity for each in found] == sorted((each.severity for each in found), reverse=True)
    for each in found:
        assert abs(math.log(each.shift)) > math.log(NOTICED_SHIFT) or each.decay_loss > NOTICED_DECAY


def test_across_the_row_a_tine_on_a_bar_modes_node_has_no_quarrel_with_it(tmp_path: Path) -> None:
    """A free bar's first bending mode is still at 0.2242 of its length (Thomson, app. D): no motion across."""

    def with_first_mode(position: float) -> list[Quarrel]:
        _, found = quarrels(beside_mode(tmp_path, 30.0, position=position))
        return [e for e in found if e.partial == 1 and e.plane == 1 and 70.0 < e.bar_hz < 110.0]

    assert with_first_mode(600.0)
    assert with_first_mode(0.2242 * 1200.0) == []


def test_what_is_met_is_told_partial_by_partial_and_adds_up(tmp_path: Path) -> None:
    one = beside_mode(tmp_path, 30.0, position=600.0)
    row, found = quarrels(one)
    shapes, bases = loaded_shapes(one, row)
    met = meet(row, shapes.frequency, shapes.loss_factor, base_motion(shapes, bases))
    assert met.total() == pytest.approx(math.fsum(each.severity for each in found))
    worst = worst_of_each(found)
    for key in ((0, p, n) for p in (0, 1) for n in (1, 2, 3)):
        assert met.worst(key) == pytest.approx(worst[key].severity if key in worst else 0.0)


def test_a_flat_bar_quarrels_in_the_plane_in_which_it_bends_at_that_pitch(tmp_path: Path) -> None:
    """60 x 10 lying, tines up: the bar's up and down bending turns them along the row, its sideways across."""
    flat = Section("rectangle", 0.060, 0.010, 0.0)
    one = instrument(tmp_path, length=150.0, position=260.0)
    one = dataclasses.replace(one, bar=dataclasses.replace(one.bar, section=flat))
    row = tune(one)
    shapes, bases = loaded_shapes(one, row)
    w = base_motion(shapes, bases)[0]
    up = np.abs(motion_at(shapes, bases.position)[0, 2]) > 10.0 * np.abs(
        motion_at(shapes, bases.position)[0, 1]
    )
    low = (shapes.frequency > 20.0) & (shapes.frequency < 200.0)
    assert np.sum(low & up) >= 2
    assert np.all(np.abs(w[1, low & up]) > 1e3 * np.abs(w[2:, low & up]).max())  # turns along, nothing across
    slow = STIFF / FLAT * shapes.frequency[low & up][0]
    sideways = np.flatnonzero(~up & (np.abs(w[2]) > 1e3 * np.abs(w[0])) & (shapes.frequency > 100.0))
    assert shapes.frequency[sideways[0]] == pytest.approx(slow, rel=0.1)


def test_it_is_told_in_words_with_the_figures(tmp_path: Path) -> None:
    one = beside_mode(tmp_path, 30.0, position=600.0)
    _, (worst, *_) = quarrels(one)
    words = sentence(one, worst)
    assert words.startswith("beside 1, partial ")
    assert f"{worst.bar_hz:.1f} Hz" in words
    assert f"{math.log(worst.shift) / CENT:+.0f} cents" in words


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "by hand 2, partial 3 across at 812.3 Hz meets bar mode 5 at 803.2 Hz: +7 cents"),
        ({"plane": 0}, "by hand 2, partial 3 along at 812.3 Hz meets bar mode 5 at 803.2 Hz: +7 cents"),
        ({"partial": 1}, "by hand 2, partial 1 across at 812.3 Hz meets bar mode 5 at 803.2 Hz: +7 cents"),
        ({"tine": 1}, "low A 2, partial 3 across at 812.3 Hz meets bar mode 5 at 803.2 Hz: +7 cents"),
        ({"bar_mode": 0}, "by hand 2, partial 3 across at 812.3 Hz meets bar mode 1 at 803.2 Hz: +7 cents"),
        ({"shift": 2.0 ** (-31.0 / 1200.0)}, "at 803.2 Hz: -31 cents"),
        ({"decay_loss": 1.04}, "at 803.2 Hz: +7 cents"),
        ({"decay_loss": 1.06}, "at 803.2 Hz: +7 cents, rings 1.1 times shorter"),
        ({"decay_loss": 3.44}, "at 803.2 Hz: +7 cents, rings 3.4 times shorter"),
    ],
)  # fmt: skip
def test_each_figure_of_a_quarrel_is_told_in_its_place(more: dict[str, float], said: str) -> None:
    of_two_groups = resolve(load(Path(__file__).parents[1] / "data" / "two-tines.toml"))
    one = Quarrel(
        tine=3, plane=1, partial=3, partial_hz=812.3, bar_mode=4, bar_hz=803.2,
        shift=2.0 ** (7.0 / 1200.0), decay_loss=1.0, severity=9.9,
    )  # fmt: skip
    told = sentence(of_two_groups, dataclasses.replace(one, **more))  # type: ignore[arg-type]
    assert told.endswith(said) if said.startswith("at") else told == said


def test_the_motion_of_one_mode_is_that_among_all():
    rng = np.random.default_rng(1)
    position = np.linspace(0.0, 0.6, 7)
    shapes = BarShapes(np.ones(5), np.ones(5), position, rng.normal(size=(7, 6, 5)), np.zeros((7, 3, 3)))
    places = rng.uniform(-0.1, 0.7, 20)
    for mode in range(5):
        np.testing.assert_array_equal(motion_of(shapes, mode, places), motion_at(shapes, places)[..., mode])
