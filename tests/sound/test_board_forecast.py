"""The board's forecast: one verdict a tine, and no ring without end beside a bar mode."""

import math
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.sound.board_forecast import Foretold, changes, foretell, sentences
from synth.units import cents
from synth.vibration.bar import solve_bar
from synth.vibration.board import solve_board
from synth.vibration.modal_model import tip_shape
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune


def test_a_board_does_one_thing_to_a_tine_and_says_fundamental(boarded):
    """Whatever levels and rings come out, no tine is both killed and boosted."""
    instrument, row = boarded.instrument, boarded.row
    bar = foretell(instrument, row, None)
    rng = np.random.default_rng(2)
    told = set()
    for _ in range(300):
        level = bar.level + rng.choice([-9.0, 12.0, 40.0], 2)
        board = type(bar)(bar.frequency, bar.decay * rng.choice([0.1, 0.9], 2), level)
        said = sentences(instrument, "panel", bar, board)
        assert all("the fundamental of tine 1" in each for each in said)
        groups = [each.split("'")[3] for each in said]
        assert len(groups) == len(set(groups))  # a tine a group here
        told |= {each.split("' ")[-1].split(" the fundamental")[0] for each in said}
        assert all("gains" in each and "instead of" in each for each in said if "spends" in each)
    assert told == {"spends", "kills", "boosts", "drowns"}


@pytest.fixture(scope="module")
def four():
    """Two groups of two tines."""
    path = Path(__file__).parents[1] / "data" / "two-tines.toml"
    return resolve(load(path), str(path))


def test_what_a_board_does_to_a_group_is_the_mean_of_its_tines(four):
    """Decibels as they are, seconds by their logarithms; the lowest fundamental names the group."""
    bar = Foretold(
        np.array([100.0, 150.0, 310.0, 300.0]),
        np.array([4.0, 9.0, 3.0, 3.0]),
        np.array([20.0, 30.0, 0.0, 0.0]),
    )
    board = Foretold(
        np.array([101.0, 151.0, 311.0, 301.0]),
        np.array([1.0, 4.0, 3.0, 1.5]),
        np.array([32.0, 50.0, 5.0, -9.0]),
    )
    one, other = changes(four, bar, board)
    assert (one.group, one.hz, one.level_db, one.gain_db) == (four.groups[0].name, 101.0, 41.0, 16.0)
    assert (one.decay_s, one.ring_ratio) == pytest.approx((2.0, math.sqrt(1.0 / 4.0 * 4.0 / 9.0)))
    assert (other.group, other.hz, other.level_db, other.gain_db) == (four.groups[1].name, 301.0, -2.0, -2.0)
    assert (other.decay_s, other.ring_ratio) == pytest.approx((math.sqrt(4.5), math.sqrt(0.5)))


def test_of_the_tines_that_a_board_does_something_to_the_worst_is_told_with_its_figures(four):
    """Less than half the ring kills; 10 dB over the median gain boosts; 6 dB less than the bar alone drowns."""
    bar = Foretold(np.array([100.0, 150.0, 300.0, 310.0]), np.full(4, 4.0), np.full(4, 20.0))

    def said(decay, gain):
        board = Foretold(bar.frequency + 1.0, np.array(decay), bar.level + gain)
        return [each.split(", group ")[1] for each in sentences(four, "lid", bar, board)]

    one, other = (f"'{each.name}'" for each in four.groups)
    assert said([1.9, 0.5, 2.1, 4.0], [3.0, 3.0, 3.0, 3.0]) == [
        f"{one} kills the fundamental of tines 1, 2: 151 Hz rings 0.5 s instead of 4.0 s"
    ]
    assert said([4.0, 4.0, 4.0, 4.0], [2.0, 4.0, 13.5, 12.5]) == []  # the median is 8.25
    assert said([4.0, 4.0, 4.0, 4.0], [2.0, 4.0, 4.0, 14.5]) == [
        f"{other} boosts the fundamental of tine 2: 311 Hz gains 14 dB where the others gain 4"
    ]
    assert said([4.0, 4.0, 4.0, 4.0], [-6.5, -9.0, 0.0, 0.0]) == [
        f"{one} drowns the fundamental of tines 1, 2: 151 Hz loses 9 dB"
    ]
    assert said([1.0, 4.0, 4.0, 4.0], [15.0, 2.0, 2.0, 2.0]) == [
        f"{one} spends the fundamental of tine 1: 101 Hz gains 15 dB where the others gain 2 and rings 1.0 s "
        "instead of 4.0 s"
    ]


@pytest.mark.parametrize(("swing", "plane"), [("along", 0), ("across", 1)])
def test_the_pitch_that_is_foretold_is_of_the_swing_that_is_asked_for(boarded, swing, plane):
    """That of the mode of the whole in which the tip swings most that way; the bar twists under the other way."""
    told, model = foretell(boarded.instrument, boarded.row, None, swing=swing), boarded.model()
    for r in (0, 1):
        near = np.abs(np.log2(model.frequency / boarded.row.modes.frequency[r, 0, 0])) < 0.1
        most = np.argmax(np.where(near, np.abs(tip_shape(model)[r, plane]), 0.0))
        other = np.argmax(np.where(near, np.abs(tip_shape(model)[r, 1 - plane]), 0.0))
        assert cents(told.frequency[r] / model.frequency[most]) == pytest.approx(0.0, abs=3.0)
        assert abs(cents(told.frequency[r] / model.frequency[other])) > 20.0


BESIDE = """
[bar]
section = {{ shape = "{shape}" }}
path = [{{ straight_mm = 640.0 }}]
supports = [{{ at_mm = 137.0, kind = "{kind}" }}, {{ at_mm = 503.0, kind = "cord" }}]
[tines]
seed = {seed}
[stock.rod]
kind = "plain"
diameter_mm = 3.0
[[group]]
name = "one"
stock = "rod"
start_mm = 60.0
spacing_mm = 13.0
"""


@pytest.mark.parametrize(
    "section", ['rectangle", width_mm = 60.0, height_mm = 10.0', 'round", diameter_mm = 20.0']
)
@pytest.mark.parametrize("kind", ["cord", "rubber"])
def test_nothing_with_a_clamp_loss_rings_for_ever_beside_a_bar_mode(tmp_path, section, kind):
    """Forty tines at and around the bar's own modes: each rings no longer than its least lossy part would."""
    text = BESIDE.replace('"{shape}"', f'"{section}').format(kind=kind, seed=3)
    lengths = "[[group.tine]]\nfree_length_mm = {:.4f}\n"

    def made(words):
        path = tmp_path / "design.toml"
        path.write_text(words, encoding="utf-8")
        return resolve(load(path), str(path))

    plain = made(text + lengths.format(150.0))
    modes = solve_bar(plain.bar, [0.3], highest_hz=3000.0).frequency
    modes = modes[(modes > 90.0) & (modes < 900.0)]
    one = tune(plain).modes.frequency[0, 0, 0]
    rng = np.random.default_rng(4)
    pitch = rng.choice(modes, 40) * np.exp(rng.normal(size=40) * 10.0 ** rng.uniform(-5.0, -1.5, 40))
    instrument = made(text + "".join(lengths.format(150.0 * math.sqrt(one / each)) for each in pitch))
    row = tune(instrument)
    found = foretell(instrument, row, None)
    least = min(float(row.modes.loss_factor[:, :, 0].min()), instrument.bar.material.loss_factor)
    longest = math.log(1000.0) / (math.pi * found.frequency * least)
    assert np.all(np.isfinite(found.level))
    assert np.all(found.decay > 0.0)
    assert np.all(found.decay < 1.05 * longest)
    assert np.abs(np.log(found.frequency / row.modes.frequency[:, 0, 0])).max() < math.log(1.5)


@pytest.mark.slow
def test_on_a_board_that_floats_the_forecast_stands_still_as_the_host_is_refined(monkeypatch):
    """A free sheet and a bar that nothing else holds share drifts at 0 Hz; leaning shapes cost 25 dB here once."""
    path = Path(__file__).parents[2] / "designs" / "quay-rail.toml"
    instrument = resolve(load(path), str(path))
    row = tune(instrument, mounting(instrument))
    board = solve_board(instrument.boards["steel"], instrument.bar)
    coarse = foretell(instrument, row, board)
    monkeypatch.setattr("synth.sound.board_forecast.CARRIER_HZ", 30_000.0)
    fine = foretell(instrument, row, board)
    assert np.median(np.abs(coarse.level - fine.level)) < 0.1
    assert np.max(np.abs(coarse.level - fine.level)) < 1.0
    assert np.max(np.abs(np.log(coarse.decay / fine.decay))) < 0.003
