"""The tuner's ear by hand: which blow is listened to, when it is told, what is left out; no sound is fitted."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import tap_listener, taps_on_file
from synth.recording.audio_input import Recording
from synth.recording.onsets import Strike
from synth.recording.tap_listener import ALONE, LOOKS, Answer, Listener
from synth.recording.tap_watch import TapWatch
from synth.recording.tapped_pitch import DROWNED, EITHER, Verdict, nothing

RATE = 8000
TARGETS = SimpleNamespace(frequency=np.array([90.0, 220.0, 500.0])[:, None, None] * np.ones((1, 2, 3)))


def ear(*, seconds=0.0):
    listener = Listener(TARGETS, RATE)
    listener.feed(np.zeros(round(seconds * RATE)))
    return listener


def blow(listener, *strikes):
    """These blows come with the next samples."""
    listener._watch.add = lambda _: [Strike(time, free, 99.0) for time, free in strikes]
    listener._hear(np.zeros(0))
    return listener._tap


def figure(tine=1, cents=-3.0, sd=0.4, **more):
    hertz = 220.0
    return Verdict(tine, (tine,), hertz, hertz * (2.0 ** (sd / 1200.0) - 1.0), cents, (hertz,), "", **more)


def test_a_blow_is_of_what_was_announced_when_it_came_and_free_fifty_milliseconds_later_at_most():
    listener = ear()
    listener.announced, listener.following = 2, 1
    tap = blow(listener, (0.5, 0.506))
    assert (tap.time, tap.free, tap.announced, tap.following, tap.looks) == (0.5, 0.506, 2, 1, list(LOOKS))
    assert blow(listener, (0.5, 0.53)) is tap
    assert tap.free == 0.53
    assert blow(listener, (0.5, 0.7)) is tap
    assert tap.free == pytest.approx(0.55)
    listener.announced = 0
    assert blow(listener, (0.5, 0.506)).announced == 2
    later = blow(listener, (0.61, 0.9))
    assert (later.time, later.free, later.announced) == (0.61, pytest.approx(0.66), 0)


def test_a_tap_that_was_looked_at_is_not_moved_by_what_is_found_again():
    listener = ear()
    tap = blow(listener, (0.5, 0.506))
    tap.looks.pop(0)
    assert blow(listener, (0.5, 0.54)).free == 0.506


def test_its_own_sound_is_no_tap_and_spoils_what_rings_meanwhile():
    listener = ear(seconds=1.0)
    blow(listener, (0.9, 0.906))
    listener.deafen(0.7)
    assert listener._tap.looks == []
    assert blow(listener, (1.2, 1.206)).time == 0.9
    assert blow(listener, (1.69, 1.7)).time == 0.9
    assert blow(listener, (1.71, 1.72)).time == 1.71


def test_where_samples_were_lost_nothing_from_just_before_to_a_while_after_is_a_tap():
    """Lost at 1.0 s, with a quarter of a block waiting: a line before the seam is none of a tap after it."""
    listener = ear(seconds=1.0)
    blow(listener, (0.8, 0.806))
    listener._waiting = np.zeros(round(0.02 * RATE))
    (told,) = listener.lost()
    assert (told.time, told.spoken, told.look) == pytest.approx((0.8, 1.02, 0.214))
    assert (told.verdict.tine, "sound was lost" in told.verdict.reason) == (None, True)
    assert listener.lost() == []  # said once
    for time, heard in ((1.0, True), (1.012, False), (1.16, False), (1.18, True)):
        listener._tap = None
        assert (blow(listener, (time, time + 0.006)) is not None) is heard, time
    assert listener._span_before(SimpleNamespace(time=1.2)) == pytest.approx((1.02, 1.19))
    assert listener._span_before(SimpleNamespace(time=2.0)) == pytest.approx((1.6, 1.99))


def test_a_tap_of_which_a_figure_was_told_is_not_spoilt_by_a_gap():
    listener = ear(seconds=1.0)
    blow(listener, (0.8, 0.806)).known = 0.5
    assert listener.lost() == []


@pytest.mark.parametrize(
    ("tines", "look", "due"),
    [((1, 2), 0.3, False), ((1, 2), 0.58, True), ((2, 0), 0.58, False), ((0,), 1.05, True), ((), 0.58, True)],
)
def test_an_answer_is_due_after_six_tenths_of_a_second_and_of_a_low_tine_after_one(tines, look, due):
    assert ear()._due(tines, look) is due


@pytest.mark.parametrize(
    ("free", "look", "due"),
    [
        (0.506, 0.3, 0.806),
        (0.506, 0.58, 1.086),
        (0.55, 0.3, 0.85),
        (0.55, 0.58, 1.1),  # not 1.13: 0.6 s after the tap, so that 0.7 s are kept
        (0.55, 1.05, 1.6),
    ],
)
def test_the_look_of_which_an_answer_is_due_waits_for_no_sound_that_comes_too_late(free, look, due):
    tap = tap_listener._Tap(0.5, free, None, None, [look])
    assert ear()._due_at(tap) == math.ceil(due * RATE - 1e-6)
    tap.looks.clear()
    assert ear()._due_at(tap) == 0


def test_a_look_comes_when_the_tap_has_rung_so_long_and_ends_once_a_figure_is_fine(monkeypatch):
    asked = []
    monkeypatch.setattr(
        Listener, "_answered", lambda _, tap, look, *, ended: asked.append((look, ended)) or []
    )
    listener = ear(seconds=1.0)
    tap = blow(listener, (0.75, 0.756))
    assert listener._look() == []
    tap.free = 0.7
    listener._look()
    listener._look()
    assert (asked, tap.looks) == ([(0.3, False)], list(LOOKS[1:]))
    tap.free = 0.4
    tap.known = 0.24
    assert listener._look() == []
    assert tap.looks == []
    tap.looks, tap.known, tap.free = [0.5], math.inf, 0.75
    assert listener.finish() == []  # too short a ring even for the first look
    tap.free = 0.6
    listener.finish()
    assert asked[1:] == [(pytest.approx(0.4), True)]


def test_a_lone_fundamental_is_told_once_at_the_second_look_that_finds_it_of_those_it_may_be():
    listener = ear(seconds=1.0)
    tap = blow(listener, (0.4, 0.406))
    assert listener._alone(tap, (1, 2), 0.3) == []
    assert listener._alone(tap, (), 0.58) == []
    assert listener._alone(tap, (2, 1), 0.58) == []  # the look before found none
    (told,) = listener._alone(tap, (2, 1), 0.58)
    assert (told.time, told.spoken, told.look) == (0.4, 1.0, 0.58)
    assert (told.verdict.reason, told.verdict.candidates) == (ALONE, (2, 1))
    assert listener._alone(tap, (2, 1), 1.05) == []
    tap.told, tap.announced = False, 1
    assert listener._alone(tap, (2, 1), 1.05)[0].verdict.candidates == (1,)


def test_a_figure_is_taken_back_by_none_that_is_less_sure():
    tap = tap_listener._Tap(0.0, 0.0, None, None, list(LOOKS))
    assert [tap.better(figure(sd=each)) for each in (0.9, 0.8, 0.8, 1.0)] == [True, True, False, False]
    assert not tap.better(nothing("too soft", (1,)))
    fresh = tap_listener._Tap(0.0, 0.0, None, None, list(LOOKS))
    assert fresh.better(nothing("too soft", (1,)))
    assert fresh.better(figure(sd=3.0))
    either = replace(figure(sd=0.4), tine=None, guesses=(figure(0), figure(1)))
    assert fresh.better(either)  # of either the figure is as sure
    assert not fresh.better(figure(sd=0.5))


def test_of_a_tap_on_file_the_last_of_the_answers_that_say_most_is_told(monkeypatch):
    """A figure says more than a choice of two, and that more than a reason; 30 s into the second tap."""
    guess = replace(nothing("cannot tell which of 2", (0, 1)), guesses=(figure(0), figure(1)))
    said = [
        (0.5, 0.3, nothing("soft", (1,))),
        (0.5, 0.5, figure(1, -3.0)),
        (0.5, 1.05, figure(1, -2.0)),
        (0.5, 1.8, guess),
        (2.5, 0.5, guess),
        (2.5, 1.05, replace(guess, candidates=(1, 2))),
        (2.5, 1.8, nothing("soft", (1,))),
    ]
    answers = [Answer(time, time + look, look, verdict) for time, look, verdict in said]

    class Ear:
        seconds, announced = 7.0, None

        def __init__(self, targets, rate):
            self.made = targets, rate

        def feed(self, _):
            assert (self.made, self.announced) == (("targets", RATE), 2)
            return answers if loud else []

        def finish(self):
            return []

    def words(instrument, targets, answer, *, within):
        return {"of": (instrument, targets, within), "answer": answer}

    monkeypatch.setattr(taps_on_file, "Listener", Ear)
    monkeypatch.setattr(taps_on_file, "tap_message", words)
    take = Recording("a.wav", RATE, 0.0, np.zeros(8), np.zeros(8, bool), ())
    for loud in (True, False):
        told = taps_on_file.messages_of(take, "instrument", "targets", announced=2, within=4.5)
        assert {(each["file"], each["of"]) for each in told} == {("a.wav", ("instrument", "targets", 4.5))}
        if loud:
            assert [each["answer"] for each in told] == [answers[2], answers[5]]
    (silent,) = (each["answer"] for each in told)
    assert (silent.time, silent.look, silent.verdict.tine) == (0.0, 7.0, None)
    assert "no tap of a tine" in silent.verdict.reason


def test_the_watch_tells_no_blow_from_the_seams_of_its_search(monkeypatch):
    """A second of readings is searched at a time; what is found in its first 0.3 s has nothing to rise from."""
    found = [Strike(0.1, 0.106, 1.0), Strike(0.31, 0.4, 1.0), Strike(0.8, 0.806, 1.0)]
    monkeypatch.setattr("synth.recording.tap_watch.taps_in", lambda *_: found)
    watch = TapWatch(RATE)
    watch._search_until = math.inf
    assert watch.add(np.zeros(round(0.9 * RATE))) == found
    watch.add(np.zeros(round(1.1 * RATE)))
    start, levels = watch._levels.last(1.0)
    assert (watch.seconds, levels.shape[1]) == (pytest.approx(2.0), 400)
    assert start == pytest.approx(1.0, abs=0.01)
    assert watch.add(np.zeros(0)) == [
        Strike(start + 0.31, start + 0.4, 1.0),
        Strike(start + 0.8, start + 0.806, 1.0),
    ]


def test_samples_are_kept_by_their_count_from_the_beginning():
    watch, rising = TapWatch(100), np.arange(2000.0)
    for first in range(0, 2000, 130):
        watch._kept.add(rising[first : first + 130])
    np.testing.assert_array_equal(watch.span(15.0, 15.5), rising[1500:1550])
    np.testing.assert_array_equal(watch.span(19.5, 25.0), rising[1950:])
    assert watch.span(13.0, 20.0)[0] == 1300.0  # seven seconds at least


def test_a_rehearsal_taps_the_first_tine_as_it_would_sound_below_half_the_rate(monkeypatch):
    """Half a second of quiet and hum, then what falls as its planes do; what the rate cannot hold is left out."""
    fed = []
    monkeypatch.setattr(Listener, "feed", lambda ear, block: fed.append((ear.announced, block)) or [])
    frequency = np.array([[[300.0, 3590.0, 5000.0], [310.0, 3610.0, 5100.0]], [[50.0] * 3] * 2])
    tap_listener.rehearse(
        SimpleNamespace(frequency=frequency, decay_rate=np.array([[3.0, 3.0], [9.0, 9.0]])[..., None]), RATE
    )
    ((announced, sound),) = fed
    assert (announced, len(sound)) == (0, round(1.95 * RATE))
    now = np.arange(len(sound)) / RATE
    hum = 0.02 * sum(np.sin(2.0 * np.pi * hertz * now) for hertz in (50.0, 100.0, 150.0))
    sound = sound - hum
    assert np.std(sound[: RATE // 2]) == pytest.approx(1e-3, rel=0.05)
    ring = sound[RATE // 2 :][:RATE]
    power = np.abs(np.fft.rfft(ring * np.hanning(len(ring)))) ** 2
    loud = np.flatnonzero(power > 1e-2 * np.max(power))
    assert {int(np.round(hz, -1)) for hz in loud} == {300, 310, 3590}
    first, last = (np.std(ring[at : at + RATE // 10]) for at in (0, RATE // 2))
    assert last / first == pytest.approx(np.exp(-1.5), rel=0.1)


def test_the_search_for_blows_begins_at_once_and_goes_on_while_a_level_rises():
    watch = TapWatch(RATE)
    assert watch._levels.risen()  # too little has been heard to say that nothing happens
    dice = np.random.default_rng(1)
    watch.add(1e-3 * dice.normal(size=2 * RATE))
    assert not watch._levels.risen()
    assert watch._search_until < watch.seconds
    watch.add(0.1 * dice.normal(size=round(0.05 * RATE)))
    assert watch._levels.risen()
    assert watch._search_until == pytest.approx(watch.seconds + 1.0)


@pytest.mark.parametrize(("noisy", "along", "reason"), [(0.51, 0.0, DROWNED), (0.49, 0.49, EITHER)])
def test_why_a_figure_is_no_figure_is_what_makes_it_unsure(noisy, along, reason):
    """The noise, or planes that are not both heard: beyond 5 cents."""
    told = ear()._in_time(figure(sd=5.1, noisy=noisy, along=along), 0.58)
    assert (told.tine, told.reason, told.candidates) == (None, reason, (1,))
    assert ear()._in_time(figure(sd=4.9, noisy=noisy), 0.58).tine == 1


def test_a_figure_that_another_of_its_pitch_makes_unsure_is_told_when_it_is_due_with_who_to_hold():
    unsure = figure(sd=6.5, noisy=0.1, along=0.51)
    assert ear()._in_time(unsure, 0.3) is None
    assert ear()._in_time(unsure, 0.58) is unsure
