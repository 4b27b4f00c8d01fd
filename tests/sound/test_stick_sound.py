"""The stick's own sound, against the plain sum of its dipoles under every bin of force."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.playing.contact.stick import stick_line
from synth.playing.stroke import ForceTrace
from synth.sound.audio import RATE
from synth.sound.radiator import ears
from synth.sound.radiator.stick import stick_sound, weights_depend_on
from synth.sound.radiator.thickness import thickness
from synth.sound.render import ContactSettings, perform, scene

AIR, SPEED = 1.204, 343.2  # kg/m3, m/s at 20 degrees
DB = 1.0
TILT = 0.7


@pytest.fixture(scope="module")
def stick(boarded):
    return next(iter(boarded.instrument.sticks.values()))


def one_push(direction, *, tine=0, seconds=2e-3):
    """A smooth push of 1 mN s on the tine in one of (along, across, up), in bins of 4 microseconds."""
    time = 0.01 + (np.arange(round(seconds / 4e-6)) + 0.5) * 4e-6
    shape = np.sin(math.pi * (time - 0.01) / seconds) ** 2
    push = np.outer(shape / shape.sum() * 1e-3, direction)
    return ForceTrace(
        start=0.01,
        bin_s=4e-6,
        time=time,
        tine=np.full(len(time), tine),
        impulse=push[:, :2],
        push=push,
        turn=np.zeros((len(time), 2)),
    )


def plain_pressure(line, trace, tip, frame, ear, nearest, at):
    """Pa at times (T,): every piece of the stick a dipole, every bin a response, retarded by the travel time."""
    pushed = -trace.push
    share = np.gradient(line.position)
    share[[0, -1]] /= 2.0
    total = np.zeros(len(at))
    k = line.pole.imag / SPEED
    for direction in line.across:
        force = pushed @ direction
        swing = np.zeros(len(line.pole), complex)
        for position, length, residue in zip(line.position, share, line.residue.T, strict=True):
            away = ear - (tip + position * (line.axis @ frame))
            distance = np.linalg.norm(away)
            dipole = AIR * 2.0 * math.pi * (line.diameter / 2.0) ** 2 * length
            towards = (away / distance) @ (direction @ frame)
            air = dipole * towards * (1j * k + 1.0 / distance) / (4.0 * math.pi * distance)
            air = air * np.exp(-1j * k * (distance - nearest)) * thickness(k * line.diameter / 2.0)
            swing += residue * line.pole**2 * air
        for time, impulse in zip(trace.time[::5], force.reshape(-1, 5).sum(axis=1), strict=True):
            since = at - (time + 8e-6)
            ring = (swing[:, None] * np.exp(np.outer(line.pole, np.maximum(since, 0.0)))).real.sum(axis=0)
            total += impulse * ring * (since > 0.0)
    return total


@pytest.mark.parametrize("direction", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (0.5, -0.3, 0.8)])
@pytest.mark.parametrize(("sign", "passed"), [(1.0, (0,)), (-1.0, (0, 1))])
def test_a_push_on_a_tine_is_heard_of_the_stick_as_the_plain_sum_says(
    boarded, stick, direction, sign, passed
):
    """Of several tines that it passes, it is heard from the middle of their tips, turned as the middle one."""
    line = stick_line(stick, tilt=TILT, skew=0.2, sign=sign, beam_modes=4)
    model, instrument = boarded.model(), boarded.instrument
    trace = one_push(direction)
    trace = dataclasses.replace(trace, tine=np.repeat(passed, len(trace.time) // len(passed)))
    heard = stick_sound(line, trace, model, instrument, rate=RATE)
    bases, tine = model.bases, passed[len(passed) // 2]
    frame = np.stack([bases.along[tine], bases.across[tine], bases.pointing[tine]])
    reach = (model.tines.tip - model.tines.height[:, 0])[:, None] * bases.pointing
    tips = [model.bar.frame_at(bases.position[each])[0] + bases.arm[each] + reach[each] for each in passed]
    tip = np.mean(tips, axis=0)
    points = ears(instrument)
    # sound is timed from the bar's nearest point: it lies along x, from 0 to its length
    beside = np.clip(points[:, 0], 0.0, instrument.bar.length)
    nearest = float(
        np.min(np.linalg.norm(points - np.column_stack([beside, 0.0 * beside, 0.0 * beside]), axis=1))
    )
    frame_number = np.arange(
        round(0.0125 * RATE), round(0.03 * RATE)
    )  # from half a millisecond after the push on
    for channel, ear in enumerate(points):
        plain = plain_pressure(line, trace, tip, frame, ear, nearest, frame_number / RATE)
        found = heard.pressure[channel, frame_number - heard.frame]
        assert np.abs(found - plain).max() < 0.01 * np.abs(plain).max()


def test_the_stick_rings_on_as_the_bank_says_until_nothing_is_left(boarded, stick):
    """The same states in the bank that all other modes ring in; no end that is heard."""
    line = stick_line(stick, tilt=TILT, skew=0.2, sign=1.0, beam_modes=4)
    model, instrument = boarded.model(), boarded.instrument
    trace = one_push((0.5, -0.3, 0.8), seconds=30e-3)
    heard = stick_sound(line, trace, model, instrument, rate=RATE)
    after = heard.frame + round(0.05 * RATE)
    tail = heard.pressure[:, after - heard.frame :]
    assert np.abs(tail[:, -RATE // 100 :]).max() < 1e-4 * np.abs(heard.pressure).max()
    assert tail.shape[1] > RATE // 50  # a stick in fingers rings no longer
    time = np.arange(tail.shape[1]) / RATE
    swing = np.exp(np.multiply.outer(line.pole, time))  # what a free ring can be made of
    basis = np.concatenate([swing.real, swing.imag])
    for channel in tail:
        made = np.linalg.lstsq(basis.T, channel, rcond=None)[0] @ basis
        assert np.abs(channel - made).max() < 1e-6 * np.abs(channel).max()


def test_the_stick_sounds_the_same_through_everything_and_can_be_left_out(boarded):
    from synth.playing.stroke import Stroke

    instrument = boarded.instrument
    stroke = Stroke(group=0, stick=next(iter(instrument.sticks.values())), speed=0.3)
    alone = []
    for through in ("bar", "pickup", *instrument.boards):
        listening = scene(instrument, through)
        whole, without = (
            perform(listening, [stroke], seconds=0.4, settings=ContactSettings(stick=each)).sound()
            for each in (True, False)
        )
        alone.append(whole - without)
        assert np.abs(whole - without).max() > 0.0
    for other in alone[1:]:
        rest = np.abs(other - alone[0]).max()
        assert rest < 1e-3 * np.abs(alone[0]).max()


def test_a_stick_that_touches_nothing_is_silent(boarded, stick):
    trace = one_push((1.0, 0.0, 0.0))
    none = dataclasses.replace(trace, push=0.0 * trace.push)
    line = stick_line(stick, tilt=TILT, skew=0.0, sign=1.0, beam_modes=4)
    heard = stick_sound(line, none, boarded.model(), boarded.instrument, rate=RATE)
    assert np.abs(heard.pressure).max() == 0.0


def test_twice_the_push_is_six_decibels(boarded, stick):
    line = stick_line(stick, tilt=TILT, skew=0.0, sign=1.0, beam_modes=4)
    trace = one_push((1.0, 0.0, 0.0))
    double = dataclasses.replace(trace, push=2.0 * trace.push)
    one, two = (
        stick_sound(line, each, boarded.model(), boarded.instrument, rate=RATE).pressure
        for each in (trace, double)
    )
    assert 20.0 * math.log10(np.abs(two).max() / np.abs(one).max()) == pytest.approx(6.02, abs=0.01 * DB)


def test_a_stick_that_is_kept_is_known_by_all_that_its_sound_hangs_on(stick):
    """Every figure of the stick as it is held, and the tines that it passes, which say where it is heard from."""
    line = stick_line(stick, tilt=TILT, skew=0.1, sign=-1.0, beam_modes=4)
    passed = np.array([3, 4, 5])
    others = [(line, np.array([4, 5, 6])), (line, np.array([3, 4]))]
    for each in dataclasses.fields(line):
        others.append((dataclasses.replace(line, **{each.name: 1.001 * getattr(line, each.name)}), passed))
    keys = {weights_depend_on(*each) for each in [(line, passed), *others]}
    assert len(keys) == 1 + len(others)
    again = stick_line(stick, tilt=TILT, skew=0.1, sign=-1.0, beam_modes=4)
    assert weights_depend_on(again, passed.copy()) in keys
