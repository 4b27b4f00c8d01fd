"""How everything rings at a moment, against the plain sum of all that was added before it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from synth.sound.modal_state import ModalState

CHUNK = 256 / 48_000  # s
POLE = -np.geomspace(0.5, 4e4, 60) + 2j * np.pi * np.geomspace(30.0, 19_000.0, 60)


def ringing():
    return ModalState(SimpleNamespace(pole=POLE))


def added(dice, count):
    """Moments at which chunks end, some of them twice, and states."""
    time = np.sort(dice.integers(1, 60, count)) * CHUNK
    states = dice.standard_normal((count, len(POLE))) + 1j * dice.standard_normal((count, len(POLE)))
    return time, states.astype(np.complex64)


def plain(time, states, at):
    before = time <= at
    return np.sum(states[before] * np.exp(np.multiply.outer(at - time[before], POLE)), axis=0)


def test_it_is_the_plain_sum_at_any_moments_however_many_were_added_between():
    for seed in range(20):
        dice = np.random.default_rng(seed)
        ring, (time, states) = ringing(), added(dice, 40)
        ring.take(time, states)
        for at in np.sort(dice.uniform(0.0, 0.4, 6)):
            truth = plain(time, states, at)
            assert np.abs(ring.at(at) - truth).max() <= 1e-7 * np.abs(states).max()


def test_what_is_given_after_its_moment_rings_from_that_moment_on():
    dice = np.random.default_rng(3)
    ring, (time, states) = ringing(), added(dice, 30)
    ring.take(time[::2], states[::2])
    ring.at(0.2)
    ring.take(time[1::2], states[1::2])
    truth = plain(time, states, 0.33)
    assert np.abs(ring.at(0.33) - truth).max() <= 1e-7 * np.abs(states).max()


def test_what_was_told_stays_as_it_was_when_more_is_added_at_that_very_moment():
    dice = np.random.default_rng(4)
    ring, (time, states) = ringing(), added(dice, 5)
    ring.take(time, states)
    told = ring.at(0.3)
    kept = told.copy()
    ring.take(np.array([0.3]), states[:1])
    np.testing.assert_array_equal(ring.at(0.3), kept + states[0])
    np.testing.assert_array_equal(told, kept)


def test_those_of_one_moment_are_added_in_their_order():
    big = np.full((1, len(POLE)), 1.0 + 1e-16j, np.complex128)
    one, other = ringing(), ringing()
    for ring, order in ((one, (0, 1, 2)), (other, (2, 0, 1))):
        for k in order:
            ring.take(np.array([0.1]), big * (1e16, 1.0, -1e16)[k], order=k)
    np.testing.assert_array_equal(one.at(0.2), other.at(0.2))


def test_what_is_added_beforehand_is_the_same_to_the_last_digit():
    for seed in range(10):
        dice = np.random.default_rng(seed)
        one, other, (time, states) = ringing(), ringing(), added(dice, 40)
        for ring in (one, other):
            ring.take(time, states)
        assert one.all_added == time.max()
        for at in np.sort(dice.uniform(0.0, 0.4, 6)):
            one.add_until(at - 0.02)
            assert not one.waiting or one.waiting[0][0] > at - 0.02
            np.testing.assert_array_equal(one.at(at), other.at(at))
        one.add_until(1.0)
        assert one.all_added is None
