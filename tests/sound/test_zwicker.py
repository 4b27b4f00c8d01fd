"""Loudness over time: the compiled against the standard's steps taken one by one, and what must hold of any."""

from __future__ import annotations

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from synth.sound import zwicker_kernel as kernel
from synth.sound.zwicker import STEP, loudness_over_time, stationary_sone, third_octave_levels_db

plain = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("plain_zwicker.py"))))
RATE = 48_000
SONE = 1.0


def tone(hertz, level_db, seconds=0.6, rate=RATE):
    now = np.arange(round(seconds * rate)) / rate
    return math.sqrt(2.0) * 20e-6 * 10.0 ** (level_db / 20.0) * np.sin(2.0 * math.pi * hertz * now)


def bursts(seed, seconds=0.15):
    """Noise and tones that come and go: everything at once."""
    draw = np.random.default_rng(seed)
    sound = np.zeros(round(seconds * RATE))
    for _ in range(4):
        first = draw.integers(0, len(sound) // 2)
        now = np.arange(len(sound) - first) / RATE
        hertz, decay = 40.0 * 300.0 ** draw.random(), 10.0 ** draw.uniform(-2.0, 0.5)
        sound[first:] += 10.0 ** draw.uniform(-4.0, -0.5) * np.sin(hertz * 6.28 * now) * np.exp(-now / decay)
    return sound + 10.0 ** draw.uniform(-6.0, -2.0) * draw.normal(size=len(sound))


@pytest.mark.parametrize("seed", range(3))
def test_what_is_compiled_is_the_standard_step_by_step(seed):
    sound = bursts(seed)
    found = loudness_over_time(sound, RATE).sone
    assert found.max() > 0.5 * SONE
    assert found == pytest.approx(plain.loudness(sound, step=4e-3), rel=2e-3, abs=1e-3)


def test_the_filters_are_the_plain_ones():
    sound = bursts(7)
    out = np.empty((300, 28))
    kernel.intensities(sound, kernel.filters(), out)
    level = 10.0 * np.log10(out + kernel.TINY / kernel.REFERENCE)
    assert level == pytest.approx(plain.third_octave_levels(sound).T, abs=1e-6)


def random_core(draw, count):
    """Core loudness with gaps and steps; every range of the slopes is met."""
    return 10.0 ** draw.uniform(-2.5, 1.6, size=(count, 21)) * (draw.random((count, 21)) < 0.5)


def test_the_slopes_are_the_limit_of_small_steps():
    core = random_core(np.random.default_rng(3), 16)
    core[:, 20] = 0.0
    found, moment = np.empty(len(core)), np.empty(len(core))
    kernel.spread(core, kernel.SLOPE_TABLES, found, moment)
    coarse, (fine, weighted) = plain.areas(core, 2e-3)[0], plain.areas(core, 5e-4)
    assert moment == pytest.approx(weighted, rel=3e-3)
    assert np.all(np.abs(fine - found) <= 0.5 * np.abs(coarse - found) + 1e-3 * found)
    assert fine == pytest.approx(found, rel=2e-3)


def test_the_decay_is_the_plain_one_band_by_band_through_silence_and_back():
    draw = np.random.default_rng(5)
    core = np.repeat(random_core(draw, 12), 17, axis=0) * draw.uniform(0.9, 1.1, size=(204, 1))
    found = core.copy()
    kernel.decay(found, kernel.decay_constants())
    for band in range(21):
        assert found[:, band] == pytest.approx(plain.decay(core[:, band]), rel=1e-9, abs=1e-12)


def test_the_weighting_between_values_is_that_of_small_steps():
    values = np.random.default_rng(6).random(400)
    found = np.zeros(400)
    kernel.weigh(values, found)
    assert found == pytest.approx(plain.weighted(values), rel=1e-10)


def test_core_loudness_by_intensities_is_that_by_levels_in_every_range():
    levels = np.random.default_rng(8).uniform(-20.0, 119.0, size=(300, 28))
    found = np.empty((300, 21))
    kernel.core_loudness(10.0 ** (0.1 * levels), kernel.CORE_TABLES, found)
    assert found == pytest.approx(np.array([plain.core(each) for each in levels]), rel=1e-9, abs=1e-12)


def test_a_tone_at_one_ear_is_half_as_loud_as_at_both():
    sound = tone(500.0, 60.0)
    both = loudness_over_time(np.stack([sound, sound]), RATE)
    one = loudness_over_time(np.stack([sound, 0.0 * sound]), RATE)
    assert one.loudest_sone == pytest.approx(0.5 * both.loudest_sone, rel=1e-9)
    assert both.sone == pytest.approx(loudness_over_time(sound, RATE).sone, rel=1e-12)


def test_unequal_ears_count_by_their_own_loudness_and_not_by_their_mean_power():
    ears = np.stack([tone(500.0, 70.0), tone(500.0, 50.0)])
    each = [loudness_over_time(ear, RATE).loudest_sone for ear in ears]
    assert loudness_over_time(ears, RATE).loudest_sone == pytest.approx(np.mean(each), rel=1e-3)


def test_ten_decibels_are_twice_as_loud():
    sones = [loudness_over_time(tone(1000.0, level), RATE).loudest_sone for level in (50.0, 60.0, 70.0)]
    assert np.diff(np.log2(sones)) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_other_rates_of_samples_are_heard_alike(rate):
    found = loudness_over_time(tone(1000.0, 60.0, rate=rate), rate)
    assert found.loudest_sone == pytest.approx(4.019, rel=0.01)
    assert len(found.sone) == pytest.approx(0.6 / STEP, abs=2)


def test_a_value_is_told_at_its_time_and_none_after_the_end():
    silence = np.zeros(RATE // 2)
    found = loudness_over_time(np.concatenate([silence, tone(1000.0, 60.0, 0.5), silence]), RATE)
    assert found.at_sone(0.45) == 0.0
    assert found.at_sone(0.95) == pytest.approx(4.0, rel=0.02)
    assert 0.0 < found.at_sone(1.2) < 0.5 * SONE
    assert math.isnan(found.at_sone(1.6))
    assert math.isnan(found.at_sone(-0.1))


def test_n5_is_exceeded_in_a_twentieth_of_the_time():
    found = loudness_over_time(np.concatenate([tone(1000.0, 60.0, 0.5), np.zeros(RATE // 2)]), RATE)
    assert np.mean(found.sone > found.n5_sone) == pytest.approx(0.05, abs=0.005)


def test_silence_and_emptiness_have_no_loudness():
    for sound in (np.zeros((2, RATE)), np.zeros((2, 0)), np.zeros((0, 0))):
        found = loudness_over_time(sound, RATE)
        assert (found.loudest_sone, found.n5_sone) == (0.0, 0.0)
    assert stationary_sone(np.full(28, -100.0)) == 0.0


def test_levels_of_a_steady_tone_stand_in_its_band_and_fall_beside_it():
    levels = third_octave_levels_db(tone(1000.0, 60.0, 1.0), RATE)
    assert int(np.argmax(levels)) == 16
    assert levels[16] == pytest.approx(60.0, abs=0.2)
    assert levels[[15, 17]].max() < 60.0 - 15.0
    one, none = tone(1000.0, 60.0, 1.0), np.zeros(RATE)
    both, alone = (third_octave_levels_db(np.stack(ears), RATE)[16] for ears in ((one, one), (none, one)))
    assert (both, alone) == (pytest.approx(levels[16]), pytest.approx(levels[16] - 3.01, abs=0.01))


def test_steady_loudness_wants_all_bands():
    with pytest.raises(ValueError, match="28"):
        stationary_sone(np.zeros(27))


def test_two_ears_that_hear_the_same_hear_it_as_sharp_as_one_and_of_two_sounds_the_louder_counts_more():
    """Sharpness is a mean over both ears' loudness: a dull sound at one ear dulls a sharp one at the other."""
    now = np.arange(RATE) / RATE
    sharp, dull = (0.02 * np.sqrt(2.0) * np.sin(2.0 * np.pi * hertz * now) for hertz in (5000.0, 250.0))
    acum = {
        name: loudness_over_time(np.stack(ears), RATE).acum[300]
        for name, ears in (
            ("one", [sharp]),
            ("both", [sharp, sharp]),
            ("dull", [dull]),
            ("mixed", [sharp, dull]),
        )
    }
    assert acum["both"] == pytest.approx(acum["one"], rel=1e-6)
    sone = [loudness_over_time(each[None], RATE).sone[300] for each in (sharp, dull)]
    mean = (sone[0] * acum["one"] + sone[1] * acum["dull"]) / sum(sone)
    assert acum["mixed"] == pytest.approx(mean, rel=1e-6)
    assert acum["dull"] < acum["mixed"] < acum["one"]
