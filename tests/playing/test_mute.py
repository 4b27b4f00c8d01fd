"""A palm and a resting stick: how fast they take the ring, said in periods and in decibels, and at what moments."""

import numpy as np
import pytest

from synth.playing.mute import moments, rates, taken
from synth.playing.stroke import Hold

PALM = Hold(group=0, start=0.4, seconds=0.3, by="palm")
TOUCH = Hold(group=0, start=0.4, seconds=0.05, by="touch")


def decibels_in(rate, seconds):
    return 20.0 * np.log10(np.exp(-rate * seconds))


def test_a_palm_takes_twenty_decibels_in_three_periods_of_each_partial():
    hertz = np.array([110.0, 440.0, 2750.0])
    np.testing.assert_allclose(decibels_in(rates(PALM, hertz), 3.0 / hertz), -20.0)


def test_a_stick_that_stays_takes_seven_tenths_of_a_decibel_a_millisecond_from_all():
    np.testing.assert_allclose(decibels_in(rates(TOUCH, np.array([110.0, 2750.0])), 1e-3), -0.7)


@pytest.mark.parametrize("hold", [PALM, TOUCH])
def test_it_acts_from_its_start_to_its_end_closely_at_first(hold):
    times = moments(hold)
    assert (times[0], times[-1]) == (hold.start, hold.start + hold.seconds)
    steps = np.diff(times)
    assert np.all(steps > 0.0)
    assert steps[0] == pytest.approx(2e-3)
    assert steps.max() <= 20e-3 + 1e-12


def test_what_is_taken_leaves_what_the_rate_says_of_displacement_and_velocity(contact_row):
    tine = np.array([1, 5])
    rng = np.random.default_rng(1)
    shape = contact_row.tines.frequency[tine].shape
    state = rng.standard_normal(shape), rng.standard_normal(shape)
    moved, moving = taken(PALM, contact_row.tines, tine, seconds=0.005, state=state)
    left = np.exp(-rates(PALM, contact_row.tines.frequency[tine]) * 0.005)
    np.testing.assert_allclose(state[0] + moved, left * state[0], atol=1e-12)
    np.testing.assert_allclose(state[1] + moving, left * state[1], atol=1e-12)
