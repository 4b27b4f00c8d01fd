"""The limiter: no sample above the ceiling, no change below it, no delay."""

import numpy as np
import pytest

from synth.sound.limiter import ATTACK, RELEASE, Limiter, limiter_words
from synth.units import amplitude, decibels

RATE = 48_000
CEILING_DB = -6.0
CAP = amplitude(CEILING_DB)


@pytest.fixture
def noise():
    return np.random.default_rng(5).standard_normal((2, RATE)).astype(np.float32)


def limited(sound, block=256):
    limiter = Limiter(RATE, CEILING_DB)
    blocks = [limiter(sound[:, at : at + block]) for at in range(0, sound.shape[1], block)]
    return np.concatenate(blocks, axis=1), limiter


@pytest.mark.parametrize("block", [1, 64, 256, 1000])
@pytest.mark.parametrize("level", [0.1, 1.0, 100.0])
def test_no_sample_leaves_above_the_cap(noise, block, level):
    out, _ = limited(level * noise[:, : RATE // 4], block)
    assert np.abs(out).max() <= CAP


def test_what_stays_below_the_cap_passes_untouched(noise):
    quiet = 0.999 * CAP * noise / np.abs(noise).max()
    out, limiter = limited(quiet)
    np.testing.assert_array_equal(out, quiet)
    assert limiter.deepest == 0.0


def test_both_channels_get_one_gain(noise):
    out, _ = limited(3.0 * noise)
    np.testing.assert_allclose(out[0] * noise[1], out[1] * noise[0], atol=1e-5)


def test_a_peak_in_the_block_is_come_down_to_and_left_by_the_slopes():
    sound = np.full((1, 1024), 0.01, np.float32)
    sound[0, 500] = 4.0 * CAP
    gain = np.array([decibels(abs(each)) for each in limited(sound, 1024)[0][0] / sound[0]])
    assert gain[500] == pytest.approx(decibels(0.25), abs=1e-4)
    np.testing.assert_allclose(np.diff(gain[480:501]), -ATTACK / RATE, atol=1e-4)
    np.testing.assert_allclose(np.diff(gain[500:]), RELEASE / RATE, atol=1e-4)
    assert gain[460] == pytest.approx(0.0, abs=1e-4)  # 12 dB at 20 dB/ms take 0.6 ms: 29 samples


def test_the_gain_comes_back_to_one_exactly():
    loud = np.full((1, 256), 2.0 * CAP, np.float32)
    quiet = np.full((1, 256), 0.1, np.float32)
    limiter = Limiter(RATE, CEILING_DB)
    limiter(loud)
    assert limiter.deepest == pytest.approx(-decibels(0.5), abs=1e-4)
    for _ in range(round(decibels(2.0) / RELEASE * RATE / 256) + 2):
        out = limiter(quiet)
    np.testing.assert_array_equal(out, quiet)


@pytest.mark.parametrize("block", [256, 2048])
def test_quiet_after_loud_comes_back_by_the_slope_and_never_at_a_jump(block):
    """A quiet block after a loud one is still turned down: its gain rises from where the loud one left it."""
    sound = np.full((1, RATE // 2), 0.1, np.float32)
    sound[:, :2048] = 10.0 * CAP  # 20 dB too high: half a second to come back at 40 dB/s
    out, limiter = limited(sound, block)
    gain = np.array([decibels(each) for each in out[0, 2047:].astype(float) / sound[0, 2047:]])
    assert gain[0] == pytest.approx(-20.0, abs=1e-3)
    np.testing.assert_allclose(np.diff(gain), RELEASE / RATE, atol=2e-4)
    assert limiter.gain == pytest.approx(gain[-1], abs=1e-3)


def test_what_is_not_a_number_is_silence():
    broken = np.array([[0.1, np.nan], [np.inf, 0.0]], np.float32)
    np.testing.assert_array_equal(Limiter(RATE)(broken), 0.0)


def test_the_ceiling_is_told_under_full_scale_and_in_the_air():
    words = limiter_words(-9.0, 103.0)
    assert words == "limiter: nothing above -9 dBFS, 94 dB SPL where full scale is 103"


def test_the_most_that_was_taken_is_told_whatever_came_after():
    """20 dB too high in one ear, then 6 in the other, then nothing."""
    limiter = Limiter(RATE, CEILING_DB)
    for left, right in ((10.0 * CAP, 0.0), (0.0, 2.0 * CAP), (0.0, 0.0)):
        out = limiter(np.outer([left, right], np.ones(64)).astype(np.float32))
        assert np.abs(out).max() <= CAP
    assert limiter.deepest == pytest.approx(20.0, abs=1e-3)
