"""What errors do: against closed forms, against builds at random, and as a retuned instrument."""

import dataclasses
import json
import math

import numpy as np
import pytest

from synth.doors.cli import run
from synth.units import CENTS_PER_OCTAVE, MM
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import tune
from synth.workshop.tolerance import CAUSES, Limits, careful, careless, draw, scattered, trials

CENT = math.log(2.0) / CENTS_PER_OCTAVE
CUT, BASE, TRIM, ROD, MODULUS = range(len(CAUSES))


@pytest.fixture
def solved(made, straight):
    """The row on its bar, which takes the pitches of the first group 11 and 27 cents from those in a vice."""
    instrument = made(straight)
    return instrument, tune(instrument, mounting(instrument))


def test_a_cut_costs_3462_cents_over_the_length(solved):
    # d ln f = -2 dL / L for a cantilever (closed form), 2 x 1731.2 = 3462.5 cents; L counts from the clamp point
    instrument, row = solved
    found = scattered(instrument, row, Limits())
    for n in (0, 2, 3):  # the tines without trim nuts
        whole = row.length[n] + instrument.tines[n].root.added_length
        assert found.pitch[n, CUT] == pytest.approx(-3462.5 * 0.5 * MM / whole, rel=2e-3)
        assert found.pitch[n, BASE] == pytest.approx(3462.5 * 0.2 * MM / whole, rel=2e-3)


def test_modulus_moves_the_pitch_by_its_root_and_a_plain_rod_by_its_diameter(solved):
    instrument, row = solved
    found = scattered(instrument, row, Limits())
    assert found.pitch[:, MODULUS] == pytest.approx(0.5 * 0.03 / CENT, rel=1e-3)  # f goes with sqrt(E)
    plain = instrument.tines[2].rod.diameter
    assert found.pitch[2, ROD] == pytest.approx(0.02 * MM / plain / CENT, rel=1e-2)  # f goes with d


def test_without_trim_nuts_cut_and_base_nut_leave_nothing(solved):
    instrument, row = solved
    found = scattered(instrument, row, Limits())
    assert np.abs(found.stays[[0, 2, 3]][:, [CUT, BASE]]).max() < 1e-6
    assert (
        np.abs(found.stays[[0, 2, 3]]).max() < 2.0
    )  # the Timoshenko terms, a cent or so of the third partial
    assert abs(found.stays[1, CUT, 0]) > 0.5  # a trim nut sits at another share of a longer rod


def partials(instrument, length, position):
    """ln of the first three partials of the tine with a trim nut, its nut at a place, solved outright."""
    tine = instrument.tines[1]
    placed = dataclasses.replace(tine.trim[0], position=position)
    return np.log(solve_tines([tine], [length], [(placed,)]).frequency[0, 0, :3])


def test_a_base_nut_that_is_turned_up_leaves_the_trim_nut_where_it_sits_on_the_rod(solved):
    """Up by e: the free length and the trim nut's height over the base nut are both e less; the tip stays."""
    instrument, row = solved
    found, step = scattered(instrument, row, Limits()), 0.02 * MM
    length, height = row.length[1], row.trim[1][0].position

    def slope(by_length, by_height):
        low, high = (
            partials(instrument, length + side * by_length * step, height + side * by_height * step)
            for side in (-1.0, 1.0)
        )
        return (high - low) / (2.0 * step) / CENT

    cut, base, trim = slope(1.0, 0.0), slope(-1.0, -1.0), slope(0.0, 1.0)
    assert found.pitch[1, CUT] == pytest.approx(cut[0] * 0.5 * MM, rel=2e-3)
    assert found.pitch[1, BASE] == pytest.approx(base[0] * 0.2 * MM, rel=2e-3)
    assert found.pitch[1, TRIM] == pytest.approx(abs(trim[0]) * 0.2 * MM, rel=2e-3)
    assert found.base_slope[1] == pytest.approx(base[0], rel=2e-3)
    for each, other, size in ((CUT, cut, 0.5 * MM), (TRIM, trim, 0.2 * MM)):
        left = (other - base * other[0] / base[0])[
            1:
        ] * size  # what stays once the base nut has mended the pitch
        stays = found.stays[1, each] if each == CUT else found.stays[1, each] * np.sign(left)
        assert stays == pytest.approx(left, rel=5e-3, abs=1e-3)


def test_a_careless_build_is_off_by_its_own_errors(solved):
    """Each length, nut, diameter and modulus of the build is the design's and what was drawn for it."""
    instrument, row = solved
    errors = draw(instrument, row, Limits(), np.random.default_rng(7))
    built = careless(instrument, row, Limits(), 7)
    for n, (tine, before) in enumerate(zip(built.tines, instrument.tines, strict=True)):
        assert tine.goal.length == pytest.approx(row.length[n] + errors.cut[n] - errors.base[n])
        assert tine.rod.diameter == pytest.approx(before.rod.diameter + errors.rod[n])
        assert tine.rod.material.youngs == pytest.approx(
            before.rod.material.youngs * (1.0 + errors.modulus[n])
        )
    moved = built.tines[1].trim[0].position - row.trim[1][0].position
    assert moved == pytest.approx(errors.trim[1, 0] - errors.base[1])


def test_first_order_and_builds_at_random_agree(solved):
    instrument, row = solved
    limits, count = Limits(), 1200
    found = scattered(instrument, row, limits)
    tried = list(trials(instrument, row, limits, count=count, seed=5))
    pitch, stays = (np.concatenate([getattr(each, name) for each in tried]) for name in ("pitch", "stays"))
    assert pitch.shape == (count, 4)
    # the sampling error of a standard deviation is at most 1 / sqrt(2 n), here 2 %: three of them, 2 % of curvature
    assert pitch.std(axis=0) == pytest.approx(found.deviation, rel=0.08)
    assert stays[:, 1].std(axis=0) == pytest.approx(found.overtone_deviation[1], rel=0.08)
    assert np.abs(pitch).max(axis=0) == pytest.approx(found.worst, rel=0.35)
    assert np.all(np.abs(pitch).max(axis=0) < 1.05 * found.worst)


def test_the_same_seed_gives_the_same_builds(solved):
    instrument, row = solved
    first, second = (next(trials(instrument, row, Limits(), count=4, seed=3)).pitch for _ in range(2))
    assert np.array_equal(first, second)


def test_rods_of_one_stock_share_their_errors(solved):
    instrument, row = solved
    errors = draw(instrument, row, Limits(), np.random.default_rng(1))
    assert errors.rod[0] == errors.rod[1] != errors.rod[2] == errors.rod[3]
    assert len(set(errors.cut)) == 4
    assert np.all(np.abs(errors.trim) <= 0.2 * MM)


def test_the_nut_travels_as_far_as_the_worst_pitch_asks(solved):
    instrument, row = solved
    found = scattered(instrument, row, Limits())
    assert found.travel == pytest.approx(found.worst / np.abs(found.pitch[:, BASE]) * 0.2 * MM)


def test_a_careful_build_is_in_tune_and_a_careless_one_is_not(solved):
    instrument, row = solved
    assert np.all(np.abs(np.log(row.mounted_hz[:2] / row.clamped_hz[:2]) / CENT) > 10.0)
    built = {build: build(instrument, row, Limits(), 2) for build in (careful, careless)}
    tuned = {build: tune(each, mounting(each)) for build, each in built.items()}
    assert np.abs(np.log(tuned[careful].mounted_hz / row.mounted_hz) / CENT).max() < 1.01
    cents = np.log(tuned[careless].clamped_hz / row.clamped_hz) / CENT
    assert np.abs(cents).max() > 5.0
    assert np.all(np.abs(cents) < 1.05 * scattered(instrument, row, Limits()).worst)
    on_the_bar = np.log(tuned[careless].mounted_hz / row.mounted_hz) / CENT
    assert on_the_bar == pytest.approx(
        cents, rel=0.25, abs=0.5
    )  # the bar turns an error into another, not far


def test_a_careful_builder_makes_a_fifth_of_the_errors(solved):
    instrument, row = solved
    errors = draw(instrument, row, Limits(0.1e-3, 0.04e-3, 0.004e-3, 0.006), np.random.default_rng(4))
    built = careful(instrument, row, Limits(), 4)
    for n, (tine, before) in enumerate(zip(built.tines, instrument.tines, strict=True)):
        assert tine.rod.diameter == pytest.approx(before.rod.diameter + errors.rod[n], abs=1e-12)
        assert tine.rod.material.youngs == pytest.approx(
            before.rod.material.youngs * (1.0 + errors.modulus[n])
        )
        assert abs(math.log(tine.goal.frequency / row.mounted_hz[n])) <= 1.0001 * CENT
    moved = built.tines[1].trim[0].position - row.trim[1][0].position
    assert moved == pytest.approx(errors.trim[1, 0] - errors.base[1])


def test_no_errors_change_nothing(solved):
    instrument, row = solved
    nothing = Limits(0.0, 0.0, 0.0, 0.0)
    found = scattered(instrument, row, nothing)
    assert np.all(found.worst == 0.0)
    assert np.all(found.overtone_deviation == 0.0)
    built = tune(careless(instrument, row, nothing, 1))
    assert built.clamped_hz == pytest.approx(row.clamped_hz, rel=1e-12)


def test_the_command_prints_data_and_writes_three_sounds(tmp_path, straight, capsys):
    path = tmp_path / "a.toml"
    path.write_text(straight, encoding="utf-8")
    words = [
        "tolerance",
        str(path),
        "--trials",
        "8",
        "--json",
        "--audio",
        str(tmp_path / "builds"),
        "--seconds",
        "0.3",
    ]
    assert run(words) == 0
    data = json.loads(capsys.readouterr().out)
    assert len(data["tines"]) == 4
    assert set(data["tines"][0]["cents"]) == set(CAUSES)
    written = sorted(each.name for each in (tmp_path / "builds").iterdir())
    assert written == ["as-designed.wav", "careful.wav", "careless.wav"]
    sounds = [(tmp_path / "builds" / name).read_bytes() for name in written]
    assert len(set(sounds)) == 3


@pytest.mark.parametrize("words", ["--cut-mm=nan", "--nut-mm=-1", "--modulus-percent=inf", "--gain-db=nan"])
def test_a_limit_that_is_no_number_is_refused(tmp_path, straight, words, capsys):
    path = tmp_path / "a.toml"
    path.write_text(straight, encoding="utf-8")
    assert run(["tolerance", str(path), words]) == 2
    assert words.split("=")[0] in capsys.readouterr().err
