"""What is compiled of the tuner's fits, against the same written down plainly (`plain_fits`)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from synth.recording import line_fit, sinusoids
from synth.recording.beside_line import nearest_beside, orthogonal_parts
from synth.recording.damped_sinusoid_fit import FittedModes, inverse_diagonal, sounding
from synth.recording.plane_band import PlaneBand
from synth.recording.plane_pitch import ROUNDS
from tests.recording import plain_fits

RATE, LENGTH = 48_000.0, 27_840
TIME = np.arange(LENGTH) / RATE
BINS = np.arange(215, 296)


def drawn(seed: int, count: int, *, apart: float = 0.0) -> tuple[Any, Any, Any]:
    """A spectrum's values around 440 Hz, and its amplitudes and poles: some within a bin of each other, or some Hz
    apart; the poles are a little off."""
    dice = np.random.default_rng([31, seed])
    hertz = 440.0 + (dice.uniform(-0.3, 0.3, count) if apart else dice.uniform(-5.0, 5.0, count))
    hertz = hertz + apart * (np.arange(count) - 0.5 * (count - 1))
    pole = -(10.0 ** dice.uniform(-0.5, 0.7 if apart else 1.3, count)) + 2j * np.pi * hertz
    amplitude = dice.normal(size=(count, 2)) @ np.array([1.0, 1j])
    sound = np.real(amplitude @ np.exp(pole[:, None] * TIME)) + 0.01 * dice.normal(size=LENGTH)
    off = (2.0 if apart else 0.4) * dice.normal(size=count)
    return np.fft.rfft(sound)[BINS], amplitude, pole + off


@pytest.mark.parametrize("count", [1, 2, 4])
def test_lines_are_those_of_the_plain_exponential(count: int) -> None:
    _, amplitude, pole = drawn(9, count)
    given = (BINS, LENGTH, RATE)
    np.testing.assert_allclose(
        line_fit.each_line(*given, pole), plain_fits.each_line(*given, pole), rtol=1e-9
    )
    whole = plain_fits.all_lines(*given, amplitude, pole)
    np.testing.assert_allclose(line_fit.all_lines(*given, amplitude, pole), whole, rtol=1e-8)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_gauss_newton_goes_where_the_plain_one_goes(count: int) -> None:
    for seed in range(12):
        values, amplitude, pole = drawn(seed, count)
        mine = line_fit.nearest(values, BINS, LENGTH, RATE, amplitude, pole)
        plain = plain_fits.nearest(values, BINS, LENGTH, RATE, amplitude, pole)
        np.testing.assert_allclose(mine[0], plain[0], rtol=1e-5)
        np.testing.assert_allclose(mine[1], plain[1], atol=1e-5)
        assert mine[2] == pytest.approx(plain[2], rel=1e-9)


def test_the_fit_stops_where_more_steps_would_hardly_move_it() -> None:
    """A step that gains a tenth of what is left is not the last one: it once could be, and no test told."""
    slow = 0
    for seed in range(20):
        values, amplitude, pole = drawn(seed, 2, apart=2.0)
        given = (values, BINS, LENGTH, RATE, amplitude, pole)
        _, far, error = plain_fits.nearest(*given, rounds=200, enough=1e-13)
        moved, found, _ = line_fit.nearest(*given)
        normal, scale = line_fit.tangent(BINS, LENGTH, RATE, moved, found)
        noise = error / (len(BINS) - 4)
        deviation = (np.sqrt(0.5 * noise * inverse_diagonal(normal)) / scale)[2:]
        assert np.all(np.abs(found - far) < 2e-4 * deviation), seed
        _, early, _ = plain_fits.nearest(*given, enough=0.1)
        slow += bool(np.any(np.abs(early - far) > 1e-3 * deviation))
    assert slow >= 3  # the case is met


def test_how_lines_move_is_told_as_their_columns_have_it() -> None:
    _, amplitude, pole = drawn(3, 3)
    normal, scale = line_fit.tangent(BINS, LENGTH, RATE, amplitude, pole)
    moves = plain_fits.columns(BINS, LENGTH, RATE, amplitude, pole)
    length = np.linalg.norm(moves, axis=0)
    np.testing.assert_allclose(scale, length, rtol=1e-8)
    np.testing.assert_allclose(normal, np.conj(moves / length).T @ (moves / length), atol=1e-8)


@pytest.mark.parametrize("count", [1, 2, 4])
def test_amplitudes_and_inverses_are_those_of_plain_linear_algebra(count: int) -> None:
    values, amplitude, pole = drawn(2, count)
    lines = 0.5 * line_fit.each_line(BINS, LENGTH, RATE, pole)
    plain = np.linalg.lstsq(lines.T, values, rcond=None)[0]
    np.testing.assert_allclose(orthogonal_parts(lines, values.copy()), plain, rtol=1e-8)
    normal, _ = line_fit.tangent(BINS, LENGTH, RATE, amplitude, pole)
    np.testing.assert_allclose(line_fit.inverse(normal), np.linalg.inv(normal), rtol=1e-7, atol=1e-7)


def planes(seconds: float, hum: bool) -> PlaneBand:
    """3 cents apart at 440 Hz; hum that rang before makes the whitening complex."""
    time = np.arange(round(seconds * RATE)) / RATE
    omega = 2.0 * np.pi * 440.0
    sound = 0.7 * np.exp(-1.2 * time) * np.cos(omega * 2.0 ** (3.0 / 1200.0) * time + 0.4)
    sound += np.exp(-0.8 * time) * np.cos(omega * time)
    sound += 0.01 * np.random.default_rng(5).normal(size=len(time))
    told = [np.array([each]) for each in (0.016 + 0j, 0.01 + 2j * np.pi * 442.0, 0.2, 0.05, 1e-6)]
    before = {"before": FittedModes(*told)} if hum else {}
    band = PlaneBand(sound, RATE, complex(-1.0, omega), **before)
    band.listen_for(np.array([[-1.2 + 3j * k / 12.0, -0.8 - 1j * k / 12.0] for k in range(12)]))
    assert np.iscomplexobj(band.noise.whiten) is hum
    return band


@pytest.mark.parametrize("seconds", [0.58, 2.0])
@pytest.mark.parametrize("hum", [False, True])
def test_the_likelihood_of_planes_is_the_plain_one_row_by_row(seconds: float, hum: bool) -> None:
    band, dice = planes(seconds, hum), np.random.default_rng(6)
    shape = 12, 23
    middle, split = 2.0 * dice.normal(size=shape), 4.0 * dice.random(shape)
    log_fall, differ = np.log(1.0 + 0.3 * dice.random(shape)), 0.3 * dice.normal(size=(12, 1))
    plain = plain_fits.likelihood(band, middle, log_fall, split, differ)
    np.testing.assert_allclose(
        plain_fits.compiled_likelihood(band, middle, log_fall, split, differ), plain, rtol=1e-8
    )


@pytest.mark.parametrize("zooms", [1, 3])
@pytest.mark.parametrize("seconds", [0.58, 2.0])
@pytest.mark.parametrize("hum", [False, True])
def test_middles_and_decays_settle_row_by_row_as_the_plain_ones_do(
    seconds: float, hum: bool, zooms: int
) -> None:
    """What stands beside a row has no say in how far it is followed; rows not asked for stay as they were."""
    band = planes(seconds, hum)
    split, differ = np.linspace(0.0, 5.0, 12), np.linspace(-0.3, 0.3, 12)
    reach = np.array([-2.0, 4.0]) + np.zeros((12, 1))
    bounds = np.where(
        np.arange(12)[:, None] % 3 == 0, np.array([0.3, 0.6]), reach
    )  # what is likely is cut off
    log_fall, rows = np.full((12, 9), np.log(1.3)), np.arange(11)
    found = band.zoomed(reach, bounds, split, differ, log_fall, rows, zooms=zooms, rounds=ROUNDS)
    noise = band.noise
    for row in rows.tolist():
        band.noise, one = noise.rows(np.array([row])), slice(row, row + 1)
        given = reach[row], bounds[row], split[row], differ[row], log_fall[one]
        plain = plain_fits.zoomed(band, *given, zooms, ROUNDS)
        np.testing.assert_allclose(found.middle[one], plain[0], atol=1e-9)
        np.testing.assert_allclose(found.log_fall[one], plain[1], atol=1e-4)
        np.testing.assert_allclose(found.value[one], plain[2], atol=1e-4)
        np.testing.assert_allclose(found.share[one], plain[3], atol=1e-4)
        np.testing.assert_allclose(found.again[row], plain[4], atol=1e-9)
    assert not np.any(found.value[11])
    assert np.array_equal(found.log_fall[11], log_fall[11])


@pytest.mark.parametrize("start", [2j * np.pi * 0.4 - 0.3, -2j * np.pi - 0.3])
def test_a_pole_beside_a_steady_line_goes_where_plain_least_squares_lead_it(start: complex) -> None:
    for seed in range(10):
        dice = np.random.default_rng([33, seed])
        time = np.arange(int(dice.integers(16, 40))) / 30.0
        values = 1.0 + 0.3 * np.exp((-0.7 + 2j * np.pi * dice.uniform(-2.0, 2.0)) * time)
        values = values + 0.02 * dice.normal(size=(len(time), 2)) @ np.array([1.0, 1j])
        left, pole = nearest_beside(values, 1.0 / 30.0, start)
        plain = plain_fits.nearest_beside(values, 1.0 / 30.0, start)
        assert left == pytest.approx(plain[0], rel=1e-8)
        assert pole == pytest.approx(plain[1], abs=1e-6)


def test_a_pole_on_the_steady_line_leaves_what_one_line_leaves() -> None:
    """Two columns that are one: neither is divided by nothing."""
    values = np.full(20, 1.0 + 0.5j) + 0.01 * np.random.default_rng(1).normal(size=20)
    left, pole = nearest_beside(values, 1.0 / 30.0, 0j)
    assert left <= np.sum(np.abs(values - np.mean(values)) ** 2) * (1.0 + 1e-12)
    assert np.isfinite(pole)


@pytest.mark.parametrize("noise", [1e-6, 1e-2])
def test_poles_by_the_square_of_the_matrix_are_those_by_its_singular_values(noise: float) -> None:
    """A strong one, one of a hundredth of it, both within a bin; the third is below what is asked for."""
    dice, at = np.random.default_rng(7), np.arange(152)
    samples = np.exp((-0.01 + 0.2j) * at) + 0.05 * np.exp((-0.02 + 0.23j) * at)
    samples = samples + 1e-3 * np.exp((-0.01 + 1.2j) * at)
    samples = samples + noise * dice.normal(size=(152, 2)) @ np.array([1.0, 1j])
    mine, plain = (np.sort_complex(each(samples, noise)) for each in (sinusoids.esprit, plain_fits.esprit))
    np.testing.assert_allclose(mine, plain, rtol=1e-7)


def test_waves_by_runs_are_plain_exponentials() -> None:
    dice = np.random.default_rng(8)
    pole = np.array([-0.3 + 2j * np.pi * 97.3, -40.0 + 2j * np.pi * 9000.0, 0.1 + 2j * np.pi * 50.0])
    amplitude = dice.normal(size=(3, 2)) @ np.array([1.0, 1j])
    for count in (1, 255, 256, 257, LENGTH):
        plain = np.real(amplitude @ np.exp(pole[:, None] * TIME[:count]))
        np.testing.assert_allclose(sounding(amplitude, pole, count, RATE), plain, atol=1e-10)


def test_a_first_measurement_tells_that_it_compiles(monkeypatch, capsys):
    """What takes seconds, once, is not a program that hangs."""
    from numba import njit

    from synth.recording import partials, taps_on_file

    @njit
    def doubled(value):
        return 2 * value

    monkeypatch.setattr(partials, "_measured", lambda take: doubled(take))
    assert partials.measure_taps(2) == 4
    assert capsys.readouterr().err.startswith("compiling the fit of partials;")

    class Deaf:
        seconds = 1.0

        def __init__(self, targets, rate):
            pass

        def feed(self, samples):
            return [] if doubled(2.5) else samples

        def finish(self):
            return []

    monkeypatch.setattr(taps_on_file, "Listener", Deaf)
    monkeypatch.setattr(taps_on_file, "tap_message", lambda *words, **named: {})
    take = SimpleNamespace(rate=48_000, samples=(), file="a.wav")
    assert taps_on_file.messages_of(take, None, None, announced=None, within=3.0) == [{"file": "a.wav"}]
    assert capsys.readouterr().err.startswith("compiling the tuner's ear;")
