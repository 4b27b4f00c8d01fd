"""The chain behind the live bank: filter, gain, limiter, tape; every number reaches what it is meant for."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from synth.sound.audio import FULL_SCALE
from synth.sound.clock import Clock
from synth.sound.limiter import CEILING_DB
from synth.sound.live_output import RECENT, LiveOutput, Meter
from synth.sound.livebank import LiveBank
from synth.sound.radiator import Direct
from synth.units import amplitude

RATE = 48_000
HZ = 500.0
BLOCK, BLOCKS = 256, 40
SINGLE = 1e-6  # of single precision's sums


@pytest.fixture
def make():
    """A voice of one undamped mode whose two ears hear its amplitude in pascals, the right one half as loud."""
    pole = np.array([-1e-9 + 2j * np.pi * HZ])
    radiator = Direct(np.array([[1.0], [0.5]], dtype=complex))

    def made(pascals, **more):
        voice = LiveOutput(LiveBank(pole, radiator.weights, rate=RATE), radiator, **more)
        voice.add(np.array([0.0]), np.array([[complex(pascals)]]))
        return voice

    return made


def played(voice):
    out = np.zeros((BLOCK * BLOCKS, voice.channels), np.float32)
    for first in range(0, len(out), BLOCK):
        voice.fill(out[first : first + BLOCK])
    return out


def test_full_scale_is_a_hundred_decibels_and_each_ear_has_its_own_channel(make):
    out = played(make(0.1 * FULL_SCALE))
    time = np.arange(len(out)) / RATE
    wave = 0.1 * np.cos(2.0 * np.pi * HZ * time)
    np.testing.assert_allclose(out, np.stack([wave, 0.5 * wave], axis=1), atol=1e-5)


@pytest.mark.parametrize("gain_db", [-20.0, 12.0])
def test_the_gain_is_heard_as_it_is_asked_for(make, gain_db):
    plain, turned = (played(make(0.01 * FULL_SCALE, **more)) for more in ({}, {"gain_db": gain_db}))
    np.testing.assert_allclose(turned, amplitude(gain_db) * plain, rtol=SINGLE, atol=1e-9)


@pytest.mark.parametrize("ceiling_db", [CEILING_DB, -20.0, -1.0])
def test_at_forty_decibels_too_much_no_sample_is_above_the_cap(make, ceiling_db):
    voice = make(0.5 * FULL_SCALE, gain_db=40.0, ceiling_db=ceiling_db)
    out = played(voice)
    assert np.abs(out).max() <= amplitude(ceiling_db)
    assert np.abs(out).max() > 0.99 * amplitude(ceiling_db)  # and it is not simply silent
    # the signal's peak stands 34 dB over full scale: the limiter took that down to its cap
    assert voice.report().deepest == pytest.approx(40.0 - 6.02 - ceiling_db, abs=0.01)


def test_the_cap_of_a_voice_that_says_nothing_is_six_decibels_below_full_scale(make):
    assert np.abs(played(make(10.0 * FULL_SCALE))).max() == pytest.approx(amplitude(-6.0), rel=1e-3)


def test_what_is_kept_is_what_was_played_after_the_limiter(make):
    voice = make(FULL_SCALE, gain_db=20.0)
    tape = voice.keep()
    out = played(voice)
    np.testing.assert_array_equal(np.concatenate(list(tape)), out)
    tape.clear()
    buffer = np.empty((BLOCK, 2), np.float32)  # a device gives the same memory again and again
    heard = []
    for _ in range(5):
        voice.fill(buffer)
        heard.append(buffer.copy())
    np.testing.assert_array_equal(np.concatenate(list(tape)), np.concatenate(heard))
    assert not np.array_equal(heard[0], heard[1])


def test_rehearsing_leaves_clock_meter_and_frames_as_if_nothing_had_been(make):
    voice = make(0.1 * FULL_SCALE)
    fresh = LiveOutput(voice.bank, Direct(np.array([[1.0], [0.5]], dtype=complex)))
    fresh.rehearse(BLOCK)
    assert fresh.bank.frame == 0
    assert fresh.report().blocks == 0
    assert fresh.second(5.0) == 0.0


def test_a_report_counts_blocks_of_the_device(make):
    voice = make(0.1 * FULL_SCALE)
    played(voice)
    report = voice.report()
    assert (report.blocks, report.late_count, report.deepest) == (BLOCKS, 0, 0.0)
    assert voice.meter.played == pytest.approx(BLOCKS * BLOCK / RATE)


def test_seconds_count_from_when_the_first_frame_was_asked_for_and_a_late_block_does_not_move_them():
    """Of 4800 frames a second: frame 9600 at 12 s, so frame 0 at 10; the next block comes 30 ms late."""
    clock = Clock(4800.0)
    assert clock.second(99.0) == 0.0
    clock.tick(9600, 12.0)
    assert clock.second(12.0) == pytest.approx(2.0)
    clock.tick(9600 + 480, 12.13)
    assert clock.second(12.5) == pytest.approx(2.5)
    clock.tick(9600 + 960, 12.19)  # early: frame 0 could have been asked for sooner than was thought
    assert clock.second(12.5) == pytest.approx(2.51)
    assert clock.second(9.0) == 0.0


def test_a_meter_tells_blocks_that_took_too_long_and_the_share_of_a_core_since_the_start_and_lately():
    meter = Meter()
    for _ in range(100):
        meter.note(0.2, 1.0)
    for took in (0.5, 1.5):
        meter.note(took, 0.5)
    assert (meter.blocks, meter.missed, meter.worst) == (102, 1, 3.0)  # just in time is in time
    assert meter.share == pytest.approx((100 * 0.2 + 2.0) / 101.0)
    assert meter.recent_share == pytest.approx((62 * 0.2 + 1.0 + 3.0) / 64.0)


def test_a_report_says_what_meter_bank_and_limiter_know(make):
    """Each figure has a value of its own."""
    voice = make(0.1 * FULL_SCALE)
    voice.meter = Meter()
    for _ in range(RECENT):
        voice.meter.note(3.0, 2.0)
    voice.meter.note(0.5, 4.0)
    voice.bank.late_count, voice.late_count, voice.limiter.deepest = 2, 3, 7.5
    assert dataclasses.asdict(voice.report()) == {
        "blocks": RECENT + 1, "missed": RECENT, "worst": 1.5, "late_count": 5, "deepest": 7.5,
        "share": pytest.approx((3.0 * RECENT + 0.5) / (2.0 * RECENT + 4.0)),
        "recent": pytest.approx((1.5 * (RECENT - 1) + 0.125) / RECENT),
    }  # fmt: skip


def test_the_clock_goes_by_the_block_that_was_asked_for_soonest():
    """Blocks of a tenth of a second asked for 0, 30 and 10 ms late: the first frame was due when none was late."""
    clock = Clock(1000.0)
    for frame, late in ((0, 0.03), (100, 0.0), (200, 0.01)):
        clock.tick(frame, 5.0 + frame / 1000.0 + late)
    assert clock.second(6.0) == pytest.approx(1.0)


def test_the_clock_forgets_what_was_so_long_ago():
    """A sound card that runs slow, and sound that was missed: after 128 blocks time is that of the last ones."""
    clock = Clock(1000.0)
    for n in range(300):
        clock.tick(10 * n, 5.0 + 0.01 * n + (0.2 if n >= 100 else 0.0))
        if n == 200:
            assert clock.start == pytest.approx(5.0)
    assert clock.start == pytest.approx(5.2)
    assert clock.second(8.2) == pytest.approx(3.0)
