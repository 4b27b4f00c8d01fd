"""Force on the coupled modes, against the plain sum of every impulse on every mode."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from synth.sound.bandlimit import REACH, SPREAD, limited_rings, low_pass, spread_weights
from synth.sound.bank import render
from synth.sound.drive import Drive, Force, _blocks, joined_inputs, reciprocal
from synth.sound.drive_parts import FIRST
from synth.sound.overlay import Overlay

RATE = 48_000
HIGHEST = 20_000.0  # Hz, up to which the sound is exact
FRAMES = 12_000


def modes(seed, count=300, signals=2):
    """Poles (M,), weights (P, M) that carry s^2, and a shape (Q, M): damped a little, some of them complex."""
    rng = np.random.default_rng(seed)
    hz = np.sort(np.exp(rng.uniform(math.log(2.0), math.log(19_900.0), count)))
    pole = -math.pi * hz * rng.uniform(2e-4, 2e-2, count) + 2j * math.pi * hz
    shape = rng.standard_normal((4, count)) * 6.0 + 0.2j * rng.standard_normal((4, count))
    weights = rng.standard_normal((signals, count)) + 1j * rng.standard_normal((signals, count))
    return pole, weights * np.abs(pole) ** 2 * 1e-3, shape


def chatter(seed, *, start=0.013, count=1500):
    """Impulses of two touches, the second after a pause, on four inputs."""
    rng = np.random.default_rng(seed)
    half = count // 2
    time = np.concatenate([start + 0.02 * rng.random(half), start + 0.05 + 0.006 * rng.random(count - half)])
    return Force(time, rng.integers(0, 4, count), 3e-5 + 1e-5 * rng.standard_normal(count))


def heard(drive, driven, frames=FRAMES):
    """The whole sound: the bank's ring with the touch on top."""
    events = list(zip((driven.ends / drive.rate).tolist(), driven.states, strict=True))
    sound = render(drive.pole, drive.weights, events, rate=drive.rate, frames=frames).astype(float)
    touch = Overlay(len(sound))
    touch.add(driven.frame, driven.signals)
    touch.onto(sound, 0)
    return sound


@functools.cache
def plainly_heard(seed, frames=FRAMES):
    """Modes, force, signals heard at once, and the plain sum below 20 kHz, of what is cut in several ways."""
    (pole, weights, shape), force, immediate = modes(seed), chatter(seed + 10), np.array([True, False])
    plain = plain_spectrum(pole, weights, shape, force, at=contour(frames), immediate=immediate)
    return pole, weights, shape, force, immediate, plain


def contour(frames):
    """The damped contour (F,) below 20 kHz, 1/s, of a sound so long."""
    frequency = np.fft.rfftfreq(frames, 1.0 / RATE)
    return math.log(1e9) * RATE / frames + 2j * math.pi * frequency[frequency < HIGHEST]


def plain_spectrum(pole, weights, shape, force, *, at, immediate):
    """The pressure's Laplace transform (P, F) at `at` (F,): every impulse on every mode, one after the other."""
    total = np.zeros((len(weights), len(at)), complex)
    rings, mirrored = (0.5 / (at[:, None] - each) for each in (pole, pole.conj()))
    for q in np.unique(force.source):
        mine = force.source == q
        pushed = np.exp(-np.outer(at, force.time[mine])) @ force.impulse[mine]
        added = weights * (-1j * shape[q] / pole.imag)
        for p, each in enumerate(added):
            ringing = rings @ each + mirrored @ each.conj()
            total[p] += (ringing + (each / pole).real.sum() * immediate[p]) * pushed
    return total


def error_db(sound, pole, weights, shape, force, immediate):
    """The energy of what differs from the plain sum below 20 kHz over that of the sum (P,), on a damped contour."""
    at = contour(sound.shape[1])
    return apart_db(sound, plain_spectrum(pole, weights, shape, force, at=at, immediate=immediate))


def apart_db(sound, plain):
    at, frame = contour(sound.shape[1]), np.arange(sound.shape[1])
    found = np.fft.rfft(sound * np.exp(-at[0].real * frame / RATE), axis=1)[:, : len(at)] / RATE
    return 10.0 * np.log10((np.abs(found - plain) ** 2).sum(1) / (np.abs(plain) ** 2).sum(1))


@pytest.mark.parametrize("chunk", [128, 256, 1024])
@pytest.mark.parametrize("seed", range(3))
def test_the_whole_sound_is_the_plain_sum_however_time_is_cut(seed, chunk):
    pole, weights, shape, force, immediate, plain = plainly_heard(seed)  # an acceleration and a displacement
    drive = Drive(pole, weights, immediate=immediate, rate=RATE, chunk=chunk)
    sound = heard(drive, drive(drive.inputs(reciprocal(pole, shape)), force))
    assert apart_db(sound, plain).max() < -80.0


def test_a_finer_chatter_at_every_phase_of_a_frame_is_heard_alike():
    pole, weights, shape = modes(7, count=120)
    drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE)
    inputs = drive.inputs(reciprocal(pole, shape))
    for phase in np.linspace(0.0, 1.0, 9):
        force = Force(np.array([0.02 + phase / RATE]), np.array([1]), np.array([1e-4]))
        sound = heard(drive, drive(inputs, force))
        assert error_db(sound, pole, weights, shape, force, [True, True]).max() < -80.0


@pytest.mark.parametrize("chunk", [256, 2048])
def test_what_is_told_begins_as_the_first_force_is_heard_wherever_that_is_in_its_chunk(chunk):
    """A player hears of silence before it as of sound that came too late."""
    pole, weights, shape = modes(8, count=50)
    drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE, chunk=chunk)
    inputs = drive.inputs(reciprocal(pole, shape))
    for frame in (2 * chunk + 1, 2 * chunk + 100, 3 * chunk - 20, 3 * chunk - 1):
        force = Force(np.array([frame, frame + 30.5]) / RATE, np.array([1, 2]), np.array([1e-4, 2e-4]))
        driven = drive(inputs, force)
        assert frame - REACH - SPREAD <= driven.frame <= frame - REACH
        assert driven.frame + driven.signals.shape[1] >= (frame // chunk + 1) * chunk


def test_after_the_last_touch_it_is_the_plain_ring():
    for seed in range(3):
        pole, weights, shape = modes(seed + 20)
        drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE)
        force = chatter(seed)
        sound = heard(drive, drive(drive.inputs(reciprocal(pole, shape)), force))
        last = float(force.time.max())
        state = np.zeros(len(pole), complex)
        for time, source, impulse in zip(force.time, force.source, force.impulse, strict=True):
            state += -1j * shape[source] / pole.imag * impulse * np.exp(pole * (last - time))
        first = math.ceil(last * RATE) + REACH
        time = np.arange(first, FRAMES) / RATE - last
        ring = ((weights * state) @ np.exp(np.outer(pole, time))).real
        rest = sound[:, first:] - ring
        assert (10.0 * np.log10((rest**2).sum(1) / (ring**2).sum(1))).max() < -80.0


def test_a_force_held_and_let_go_is_heard_by_its_release_alone():
    """Built up over 30 periods and let go at once: what rings is the static shape, psi / omega^2 a newton."""
    pole = np.array([-0.02 + 2j * math.pi * 200.0])
    shape = np.array([[3.0 + 0.0j]])
    drive = Drive(pole, pole**2 * np.ones((1, 1)), immediate=np.array([True]), rate=RATE)
    time = np.arange(0.0, 0.15, 4e-6) + 2e-6
    rising = 0.5 - 0.5 * np.cos(math.pi * time / 0.15)
    driven = drive(
        drive.inputs(reciprocal(pole, shape)), Force(time, np.zeros(len(time), int), 4e-6 * rising * 2.0)
    )
    sound = heard(drive, driven)[0]
    held = slice(int(0.02 * RATE), int(0.145 * RATE))
    let_go = np.abs(sound[int(0.151 * RATE) :]).max()
    assert let_go == pytest.approx(3.0 * 2.0, rel=0.01)  # omega^2 times psi F / omega^2: the acceleration
    assert np.abs(sound[held]).max() < 0.01 * let_go


def test_modes_that_cannot_be_sampled_are_driven_and_not_heard():
    """Of 30 kHz at 48,000 frames a second 18 kHz would be heard."""
    pole, weights, shape = modes(4)
    high = np.full(300, -200.0) + 2j * math.pi * np.linspace(25e3, 40e3, 300)
    both = Drive(np.r_[pole, high], np.c_[weights, weights], immediate=np.ones(2, bool), rate=RATE)
    low = Drive(pole, weights, immediate=np.ones(2, bool), rate=RATE)
    drive, force = reciprocal(both.pole, np.c_[shape, shape]), chatter(3)
    one, other = both(both.inputs(drive), force), low(low.inputs(drive[:, :300]), force)
    assert one.frame == other.frame
    np.testing.assert_allclose(one.signals, other.signals, atol=1e-5 * np.abs(other.signals).max())
    np.testing.assert_allclose(one.states[:, :300], other.states, atol=1e-6 * np.abs(other.states).max())
    assert np.abs(one.states[:, 300:]).max() > 0.0


def test_strokes_add_whatever_their_order():
    pole, weights, shape = modes(4, count=80)
    drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE)
    one, other = drive.inputs(reciprocal(pole, shape[:2])), drive.inputs(reciprocal(pole, shape[2:]))
    force = chatter(3)
    both = heard(drive, drive(joined_inputs([one, other]), force))
    apart = np.zeros_like(both)
    for n, inputs in enumerate((one, other)):
        mine = force.source // 2 == n
        apart += heard(
            drive, drive(inputs, Force(force.time[mine], force.source[mine] % 2, force.impulse[mine]))
        )
    assert np.abs(both - apart).max() < 1e-5 * np.abs(both).max()


def test_an_impulse_of_two_parts_is_two_impulses_on_inputs_that_follow_each_other():
    pole, weights, shape = modes(8, count=120)
    drive = Drive(pole, weights, immediate=np.array([True, False]), rate=RATE)
    inputs, rng = drive.inputs(reciprocal(pole, shape)), np.random.default_rng(21)
    time = np.sort(0.01 + 0.03 * rng.random(700))  # several between two half frames, some over a chunk's end
    first, parts = np.where(rng.random(700) < 0.4, 0, 2), rng.standard_normal((700, 2))
    together = drive(inputs, Force(time, first, parts))
    apart = Force(np.tile(time, 2), np.concatenate([first, first + 1]), parts.T.ravel())
    one_by_one = drive(inputs, apart)
    assert together.frame == one_by_one.frame
    np.testing.assert_array_equal(together.ends, one_by_one.ends)
    np.testing.assert_array_equal(together.states, one_by_one.states)
    np.testing.assert_array_equal(together.signals, one_by_one.signals)
    alone = drive(inputs, Force(time, first, parts[:, 0]))
    assert np.abs(alone.states - together.states).max() > 0.1 * np.abs(together.states).max()


def test_a_force_before_the_first_frame_rings_on():
    pole, weights, shape = modes(5, count=60)
    drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE)
    inputs = drive.inputs(reciprocal(pole, shape))
    early = heard(drive, drive(inputs, chatter(2, start=-0.1)))
    later = heard(drive, drive(inputs, chatter(2, start=0.1)), frames=FRAMES + 9600)
    assert np.abs(early - later[:, 9600:]).max() < 1e-4 * np.abs(early).max()


def test_nothing_is_heard_of_no_force_and_a_time_must_be_a_number():
    pole, weights, shape = modes(6, count=20)
    drive = Drive(pole, weights, immediate=np.array([True, True]), rate=RATE)
    inputs = drive.inputs(reciprocal(pole, shape))
    driven = drive(inputs, Force(np.zeros(0), np.zeros(0, int), np.zeros(0)))
    assert driven.signals.shape == (2, 0)
    assert driven.states.shape == (0, 20)
    with pytest.raises(ValueError, match="finite"):
        drive(inputs, Force(np.array([math.nan]), np.array([0]), np.array([1.0])))


def test_the_low_pass_passes_twenty_kilohertz_and_stops_twenty_eight():
    fine = np.arange(-REACH * 64, REACH * 64 + 1) / 64.0
    for hz, least, most in ((0.0, 0.9999, 1.0001), (20_000.0, 0.9999, 1.0001), (28_000.0, 0.0, 1e-4)):
        passed = abs(np.sum(low_pass(fine) * np.exp(2j * math.pi * hz / RATE * fine)) / 64.0)
        assert least <= passed <= most


def test_weights_on_half_frames_pass_twenty_kilohertz_and_stop_what_folds_onto_it():
    table = spread_weights()
    points = np.arange(table.shape[1]) - (table.shape[1] // 2 - 1)
    for hz in (0.0, 5_000.0, 20_000.0):
        for row in (0, 300, 1024, 1800):
            turn = np.exp(2j * math.pi * hz / (2 * RATE) * (points - row / 2048.0))
            assert abs(table[row] @ turn - 1.0) < 1e-4


@pytest.mark.parametrize("chunk", [16, 64, 256])
def test_every_impulse_is_on_the_half_frames_about_it_by_its_weights(chunk):
    """Each by itself, in chunks that begin anywhere among its weights, two inputs at once."""
    rng = np.random.default_rng(4)
    time = 0.2 + rng.uniform(0.0, 500.0, 900) / (2.0 * RATE)
    time[:3] = np.array([19_200.0, 19_201.0, 19_455.0]) / (2.0 * RATE)  # on a half frame
    source, impulse = 2 * rng.integers(0, 3, len(time)), rng.standard_normal((len(time), 2))
    blocks = _blocks(Force(time, source, impulse), RATE, chunk)
    begin, plain = 19_000, np.zeros((6, 1000))
    for at, q, some in zip(time * 2.0 * RATE, source, impulse, strict=True):
        first = math.floor(at) - (SPREAD // 2 - 1) - begin
        weight = spread_weights_at(at - math.floor(at))
        for a in range(2):
            plain[q + a, first : first + SPREAD] += some[a] * weight
    found = np.zeros_like(plain)
    for n, q, row in zip(blocks.chunk, blocks.source, blocks.force, strict=True):
        at = 2 * chunk * n - begin
        found[q, max(at, 0) : at + 2 * chunk] += row[max(-at, 0) :][: max(1000 - at, 0)]
    assert np.abs(found - plain).max() < 1e-12 * np.abs(plain).max()


def spread_weights_at(fraction):
    """(SPREAD,) of the table, read linearly."""
    table = spread_weights()
    place = fraction * (len(table) - 1)
    row = min(int(place), len(table) - 2)
    return table[row] + (place - row) * (table[row + 1] - table[row])


def test_low_passed_rings_are_those_of_a_direct_integral():
    turn = np.array([-0.01 + 0.3j, -0.5 + 2.5j, -0.001 + 0.0j])
    past = (np.arange(400_000) + 0.5) * 2e-4  # frames
    for offset in (-3.0, 0.0, 0.5, 8.5):
        direct = (low_pass(offset - past)[:, None] * np.exp(np.outer(past, turn))).sum(axis=0) * 2e-4
        assert limited_rings(turn, np.array([offset]))[0] == pytest.approx(direct, abs=1e-7)


def test_parts_sound_together_as_the_whole_and_leave_its_very_states_from_what_reaches_them_alone():
    pole, weights, shape = modes(31)
    drive = Drive(pole, weights, immediate=np.array([True, False]), rate=RATE)
    inputs = drive.inputs(reciprocal(pole, shape))
    force = chatter(31)
    left = drive.left(inputs.drive, force)
    whole_from, whole = drive.heard(inputs, left)
    together, parts = np.zeros_like(whole), []
    for part in drive.parts(force.time.min()):
        if part.since_s > force.time.max():
            break
        here = (force.time >= part.since_s) & (force.time < part.until_s)
        near = Force(force.time[here], force.source[here], force.impulse[here])
        parts.append(drive.left(inputs.drive, near, part))
        begin, signals = drive.heard(inputs, parts[-1])
        together[:, begin - whole_from : begin - whole_from + signals.shape[1]] += signals
    assert len(parts) > 1
    assert len(parts[0].ends) <= FIRST
    np.testing.assert_allclose(together, whole, atol=1e-6 * np.abs(whole).max())
    np.testing.assert_array_equal(np.concatenate([part.states for part in parts]), left.states)
    np.testing.assert_array_equal(np.concatenate([part.ends for part in parts]), left.ends)
