"""What was played comes to the bank in the order of time, none of it lost, none sooner than it may."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.sound.drive import Driven
from synth.sound.modal_state import ModalState
from synth.sound.radiator.stick import StickPressure
from synth.sound.sounding import Sounded, Sounding
from synth.sound.stroke_sound import StrokeSound

POLE = np.array([-3.0 + 400.0j, -40.0 + 9000.0j])


def made(*times, known=math.inf, struck=None):
    rows = np.array([[time + 1.0, 2.0j * time] for time in times], np.complex64).reshape(-1, 2)
    return Sounded(np.array(times), rows, struck, known)


def silent(_):
    raise AssertionError("nothing was struck")


def test_events_of_overlapping_strokes_are_merged_by_time():
    sounding = Sounding(POLE, silent, channels=1, points=1)
    given = list(sounding.events([made(0.1, 0.3, 0.5, known=0.2), made(0.2, 0.4, known=0.35), made(0.6)]))
    assert [time for time, _ in given] == [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]
    for time, row in given:
        np.testing.assert_array_equal(row, np.array([time + 1.0, 2.0j * time], np.complex64))


def test_an_event_is_not_given_before_all_that_may_precede_it_is_made():
    waited = []

    def pieces():
        yield made(0.1, 0.3, known=0.2)
        waited.append("second")
        yield made(0.25, known=math.inf)

    order = []
    for time, _ in Sounding(POLE, silent, channels=1, points=1).events(pieces()):
        order.append((time, list(waited)))
    assert order == [(0.1, []), (0.25, ["second"]), (0.3, ["second"])]


def test_what_began_earlier_than_anyone_could_know_rings_on_as_if_it_had_been_there():
    sounding = Sounding(POLE, silent, channels=1, points=1)
    given = list(sounding.events([made(0.5, known=0.6), made(0.4)]))
    assert [time for time, _ in given] == [0.5, 0.5]
    np.testing.assert_allclose(given[1][1], [1.4, 0.8j] * np.exp(POLE * 0.1), rtol=1e-5)


def test_the_sound_of_a_touch_is_laid_before_the_events_after_it_are_given():
    def heard(struck):
        driven = SimpleNamespace(frame=48, signals=np.full((1, 3), struck))
        return SimpleNamespace(driven=driven, stick=StickPressure(50, np.full((2, 1), 10.0 * struck)))

    sounding = Sounding(POLE, heard, channels=2, points=1)
    assert next(sounding.events([made(0.01, struck=2.0)]))[0] == 0.01
    signals, pressure = np.zeros((1, 52)), np.zeros((2, 52))
    sounding.signals.onto(signals, 0)
    sounding.pressure.onto(pressure, 0)
    assert signals[0, 47:].tolist() == [0.0, 2.0, 2.0, 2.0, 0.0]
    assert pressure[:, 49:].tolist() == [[0.0, 20.0, 0.0]] * 2


@pytest.mark.parametrize("known", [-math.inf, math.inf])
def test_nothing_played_gives_nothing(known):
    assert list(Sounding(POLE, silent, channels=1, points=1).events([made(known=known)])) == []


def test_states_that_are_given_out_of_order_are_taken_in_at_their_own_times():
    """Two modes, four states: each turns by exp(s t) from its moment on, and none counts before it."""
    pole = np.array([-3.0 + 40.0j, -1.0 + 90.0j])
    ring = ModalState(SimpleNamespace(pole=pole))  # type: ignore[arg-type]
    times, states = np.array([0.3, 0.1, 0.4, 0.2]), np.arange(8.0).reshape(4, 2) + 1.0j
    ring.take(times[:2], states[:2])
    ring.take(times[2:], states[2:])
    for now in (0.05, 0.15, 0.35, 0.5):
        wanted = sum(
            (each * np.exp(pole * (now - at)) for at, each in zip(times, states, strict=True) if at <= now),
            start=np.zeros(2),
        )
        np.testing.assert_allclose(ring.at(now), wanted, rtol=1e-6, atol=1e-12)


def test_a_sound_that_is_put_off_is_later_in_all_its_parts_and_is_known_so_much_further():
    """480 frames of 48,000 a second; the samples and states are the same."""
    driven = Driven(100, np.ones((1, 5)), np.array([256, 512]), np.ones((2, 3), np.complex64))
    sound = StrokeSound(driven, StickPressure(90, np.full((2, 7), 2.0)), known=0.25)
    late = sound.later(480, 48_000.0)
    assert (sound.frame, late.frame) == (90, 570)
    assert (late.driven.frame, late.driven.ends.tolist(), late.stick.frame) == (580, [736, 992], 570)
    assert late.known == pytest.approx(0.26)
    assert late.driven.signals is driven.signals
    assert late.driven.states is driven.states
    assert late.stick.pressure is sound.stick.pressure
    assert sound.later(0, 48_000.0) is sound
    silent = StrokeSound(driven, StickPressure(0, np.zeros((2, 0))))
    assert silent.frame == 100
