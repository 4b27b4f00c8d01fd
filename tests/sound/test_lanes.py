"""Steps of eight numbers at a time, and the transforms made of them, against plain sums."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import numpy as np
import pytest

from synth.compiled import njit
from synth.sound import lane_transform, lanes
from synth.sound.lane_transform import transform_plan
from synth.sound.lanes import LANES, ROW

SIZES = [
    4,
    8,
    16,
    32,
    64,
    128,
    512,
    1024,
    2048,
    8192,
]  # each kind of first step, with steps after it and without
SINGLE = 2.0**-24  # rounding of single precision


@njit()
def _modes_added(bins, real, imag, weights, first, states, x, y, count):
    lanes.add_modes(bins, real, imag, weights, first, states, x, y, count)


@pytest.mark.parametrize("count", [0, 1, 2, 37])
def test_modes_are_added_to_their_bins_and_nothing_else_is_touched(count):
    rng = np.random.default_rng(count)
    bins, weights, states = (
        rng.normal(size=each).astype(np.float32) for each in ((2, 40), (50, 2, ROW), (9, 90))
    )
    first, real, imag, x, y = 3, 5, 40 + 11, 2 * 90 + 4, 4 * 90 + 17
    found = bins.copy()
    _modes_added(found, real, imag, weights, 2 * ROW * first, states, x, y, count)
    state = (states.ravel()[x : x + count] + 1j * states.ravel()[y : y + count]).astype(complex)
    line = weights[first : first + count].astype(complex)
    added = state @ (line[:, 0] + 1j * line[:, 1])
    wanted = bins.astype(float)
    wanted[0, real : real + ROW] += added.real
    wanted[1, imag - 40 : imag - 40 + ROW] += added.imag
    np.testing.assert_allclose(found, wanted, rtol=0.0, atol=200 * SINGLE)
    beside = np.ones(bins.shape, bool)
    beside[0, real : real + ROW] = beside[1, imag - 40 : imag - 40 + ROW] = False
    np.testing.assert_array_equal(found[beside], bins[beside])


@njit()
def _transform(rows, place, first, turns, half_turns):
    lane_transform.transform(rows, place, first, turns, half_turns)


def _samples(spectra):
    """(LANES, 2 H) of half spectra (LANES, H + 1), through the rows."""
    points = spectra.shape[1] - 1
    it = transform_plan(points)
    rows = np.full((it.place.max() + 1, ROW), np.nan, np.float32)
    rows[it.place, :LANES], rows[it.place, LANES:] = spectra.T.real, spectra.T.imag
    _transform(rows, it.place, it.first, it.turns, it.half_turns)
    at = np.arange(points)
    at += at // (lane_transform.RADIX * it.first)
    return np.stack([rows[at, :LANES], rows[at, LANES:]], axis=1).reshape(2 * points, LANES).T


def _spectra(points, seed):
    rng = np.random.default_rng(seed)
    return (rng.standard_normal((LANES, points + 1, 2)) @ [1, 1j]).astype(np.complex64)


@pytest.mark.parametrize("points", [size for size in SIZES if size <= 512])
def test_a_transform_is_the_sum_that_defines_it(points):
    spectra = _spectra(points, points)
    weight = np.where(np.arange(points + 1) % points == 0, 1.0, 2.0)
    turns = np.exp(1j * np.pi / points * np.outer(np.arange(points + 1), np.arange(2 * points)))
    truth = ((spectra * weight).astype(complex) @ turns).real
    doublings = np.log2(2 * points)
    assert np.abs(_samples(spectra) - truth).max() < 2 * doublings * SINGLE * np.sqrt(4 * points)


@pytest.mark.parametrize("points", SIZES)
def test_its_rounding_is_that_of_single_precision(points):
    """Grows with the root of the number of doublings (as of any such transform), with no bin worse than others."""
    spectra = _spectra(points, 1)
    truth = np.fft.irfft(spectra.astype(complex), norm="forward")
    error = np.sqrt(np.mean((_samples(spectra) - truth) ** 2) / np.mean(truth**2))
    assert error < SINGLE * np.sqrt(np.log2(2 * points))


@pytest.mark.parametrize("points", [8, 16, 32, 512])
def test_each_bin_is_its_own_wave_in_its_own_lane_alone(points):
    for k in range(points + 1):
        spectra = np.zeros((LANES, points + 1), np.complex64)
        lane = k % LANES
        spectra[lane, k] = np.exp(0.3j)
        wave = (1.0 if k in (0, points) else 2.0) * np.cos(0.3 + np.pi / points * k * np.arange(2 * points))
        if k in (0, points):
            wave = np.cos(0.3) * np.cos(np.pi / points * k * np.arange(2 * points))
        found = _samples(spectra)
        assert np.abs(found[lane] - wave).max() < 1e-6
        assert not np.delete(found, lane, axis=0).any()


def test_bins_stand_each_in_a_row_of_its_own():
    for points in SIZES:
        place = transform_plan(points).place
        assert len(set(place.tolist())) == points + 1
        assert place.min() == 0
        assert place.argmax() == points


@pytest.mark.parametrize("points", [0, 1, 2, 3, 12, 513])
def test_a_length_that_no_step_fits_is_refused(points):
    with pytest.raises(ValueError, match=f"{points} is no power of two"):
        transform_plan(points)


@njit()
def _transposed(source, starts, first, more, target, to, stride):
    lanes.transpose(source, starts, first, more, target, to, stride)


def test_rows_become_columns():
    source = np.arange(400, dtype=np.float32)
    starts = np.array([390, 0, 40, 7, 99, 200, 13, 300, 64])
    target = np.full(400, -1.0, np.float32)
    _transposed(source, starts, 1, 5, target, 3, 20)
    truth = np.full(400, -1.0)
    for lane, start in enumerate(starts[1:]):
        for j in range(LANES):
            truth[3 + 20 * j + lane] = source[start + 5 + j]
    assert (target == truth).all()


@njit()
def _run_added(x, rows, at, weights, begin, end, states, factors, k):
    lanes.add_run(x, rows, at, weights, begin, end, states, factors, k)


@pytest.mark.parametrize(("begin", "end"), [(2, 2), (2, 3), (0, 6)])
def test_a_run_adds_products_of_state_factor_and_weight_to_its_rows_alone(begin, end):
    rng = np.random.default_rng(2)
    x, states, factors = (rng.standard_normal((9, ROW)).astype(np.float32) for _ in range(3))
    weights = (rng.standard_normal((6, 2)) @ [1, 1j]).astype(np.complex64)
    rows = np.array([8, 3, 5, 1, 0, 7, 2, 4])
    truth, before = _complex(x), x.copy()
    for j in range(begin, end):
        truth[rows[1 + j - begin]] += weights[j] * _complex(states)[4] * _complex(factors)[4]
    _run_added(x, rows, 1, weights, begin, end, states, factors, 4)
    assert np.abs(_complex(x) - truth).max() < 1e-5
    others = np.setdiff1d(np.arange(9), rows[1 : 1 + end - begin])
    assert (x[others] == before[others]).all()


@njit()
def _run_summed(x, real, imag, stride, weights, begin, end, sums, to_real, to_imag):
    lanes.sum_run(x, real, imag, stride, weights, begin, end, sums, to_real, to_imag)


@pytest.mark.parametrize(("begin", "end"), [(2, 2), (2, 3), (0, 6)])
def test_a_run_is_summed_with_its_weights_and_nothing_beside_it_is_written(begin, end):
    rng = np.random.default_rng(5)
    x, stride, lane = rng.standard_normal(400).astype(np.float32), 19, np.arange(LANES)
    weights = (rng.standard_normal((6, 2)) @ [1, 1j]).astype(np.complex64)
    sums = np.full(40, -7.0, np.float32)
    truth = np.zeros(LANES, complex)
    for j in range(end - begin):
        truth += weights[begin + j] * (x[3 + stride * j + lane] + 1j * x[211 + stride * j + lane])
    _run_summed(x, 3, 211, stride, weights, begin, end, sums, 21, 4)
    assert np.abs(sums[21 + lane] + 1j * sums[4 + lane] - truth).max() < 1e-5
    others = np.setdiff1d(np.arange(40), [21 + lane, 4 + lane])
    assert (sums[others] == -7.0).all()


@njit()
def _between_added(x, at, weights, row, now, later):
    lanes.add_between(x, at, weights, row, now, later)


def test_two_rows_of_weights_are_added_where_they_are_meant_alone():
    rng = np.random.default_rng(6)
    x, weights = rng.standard_normal((3, 40)), rng.standard_normal((5, ROW))
    truth = x.copy()
    truth[1, 7 : 7 + ROW] += weights[2] * 0.3 - weights[3] * 1.7
    _between_added(x, 47, weights, 2, 0.3, -1.7)
    np.testing.assert_allclose(x[1, 7 : 7 + ROW], truth[1, 7 : 7 + ROW], rtol=0.0, atol=1e-15)
    x[1, 7 : 7 + ROW] = truth[1, 7 : 7 + ROW]
    assert (x == truth).all()


def _complex(rows):
    return rows[:, :LANES].astype(complex) + 1j * rows[:, LANES:]


BANK = """
import numpy as np
from synth.sound import bank
rng = np.random.default_rng(1)
pole = -rng.uniform(1.0, 30.0, 200) + 2j * np.pi * rng.uniform(20.0, 20000.0, 200)
t = np.arange(20000) / 48000.0
truth = np.exp(np.multiply.outer(t, pole)).real.sum(axis=1)
sound = bank.render(pole, np.ones(200), [(0.0, np.ones(200))], rate=48000.0, frames=len(t))[0]
assert np.abs(sound - truth).max() < 1e-6 * np.abs(truth).max(), np.abs(sound - truth).max()
"""


@pytest.mark.slow
@pytest.mark.skipif(platform.machine() != "x86_64", reason="names processors of one kind")
@pytest.mark.parametrize("processor", ["x86-64", "haswell", "skylake-avx512"])
def test_a_processor_with_shorter_registers_makes_the_same_sum(processor, tmp_path):
    words = {"NUMBA_CPU_NAME": processor, "NUMBA_CPU_FEATURES": "", "NUMBA_CACHE_DIR": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", BANK], env={**os.environ, **words}, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
