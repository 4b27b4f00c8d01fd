"""What a performer plays live, block by block, is what the offline render makes of the same strokes."""

import dataclasses
import os
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its library must be there to be held to one thread
from threadpoolctl import threadpool_limits

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.stroke import Hold, Stroke
from synth.sound import live_contacts, stroke_sound
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.live_contacts import FORGOTTEN, TOO_LATE, Performer
from synth.sound.live_output import FADES, LiveOutput
from synth.sound.livebank import LiveBank
from synth.sound.render import ContactSettings, perform, scene

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
BLOCK = 128
BIT_24 = 2.0**-23
LATENCY = 0.012


@pytest.fixture(scope="module", autouse=True)
def one_thread():
    """Another number of threads adds up in another order, and a touchy contact makes that audible."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module", params=["bar", "pickup"])
def heard(request):
    return scene(resolve(load(DESIGN), str(DESIGN)), request.param)


class Player:
    """A performer whose time is that of the blocks it has played, and whose contacts take no time unless told."""

    def __init__(self, heard, clock=lambda: 0.0, settings=None):
        self.bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
        self.voice = LiveOutput(self.bank, heard.radiator, ceiling_db=0.0)
        self.performer = Performer(heard, self.voice, block=BLOCK / RATE, clock=clock, settings=settings)
        self.performer.latency = LATENCY

    def play(self, events, seconds):
        out = np.zeros((round(seconds * RATE / BLOCK) * BLOCK, self.voice.channels), np.float32)
        waiting = sorted(events, key=lambda each: each.start)
        for first in range(0, len(out), BLOCK):
            now = first / RATE
            while waiting and waiting[0].start <= now:
                self.performer.play(waiting.pop(0), now)
            self.performer.keep_up(now)
            self.voice.fill(out[first : first + BLOCK])
        return out.T


def gestures(heard, hands=("exact",)):
    sticks = list(heard.instrument.sticks.values())
    times = [0.01, 0.12, 0.121, 0.122, 0.4, 0.55, 0.7]
    strokes = [
        Stroke(
            group=n % 2,
            stick=sticks[n % len(sticks)],
            start=time,
            speed=0.2 + 0.1 * n,
            bite=1.2e-3,
            hand=hands[n % len(hands)],
        )
        for n, time in enumerate(times)
    ]
    return [*strokes, Hold(group=0, start=0.35, seconds=0.2, by="palm"), Hold(1, 0.36, 0.1, "touch")]


def test_live_is_the_offline_render_of_the_same_strokes_to_the_last_bit_of_a_file(heard):
    settings = ContactSettings(seed=5, allow_yield=True)  # unsteady hands draw from it, each stroke anew
    player = Player(heard, settings=settings)
    out = player.play(gestures(heard, ("exact", "loose", "steady")), 1.2)
    assert len(player.performer.played) == 9
    assert player.bank.late_count == 0
    seconds = out.shape[1] / RATE
    offline = perform(heard, player.performer.played, seconds=seconds, settings=settings).sound() / FULL_SCALE
    assert np.abs(offline).max() > 1e-3
    assert np.abs(out - offline).max() < BIT_24


def test_a_stroke_begins_by_the_stated_law_after_its_gesture(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    player.play([stroke], 0.1)
    assert player.performer.played[0].start == pytest.approx(stroke.start + LATENCY)


def test_a_stroke_is_put_off_while_contacts_are_still_being_computed(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    player.performer.play(stroke, stroke.start + 0.2)
    assert player.performer.played[0].start > stroke.start + 0.2
    assert player.performer.dropped == 0


def test_strokes_that_would_begin_too_late_are_left_out_and_counted(heard):
    """A burst of two hundred at once, on a machine that takes 20 ms for each."""
    player = Player(heard)
    stroke = gestures(heard)[0]
    now = stroke.start
    for _ in range(200):
        before = player.performer.dropped
        player.performer.play(stroke, now)
        now += 0.02 * (player.performer.dropped == before)
    played, dropped = player.performer.played, player.performer.dropped
    assert len(played) + dropped == 200
    assert 5 < len(played) < 30
    latest = TOO_LATE + player.performer.latency * 4.0
    assert max(each.start for each in played) - stroke.start < latest
    player.performer.play(dataclasses.replace(stroke, start=now), now)  # who plays on in time is heard
    assert len(player.performer.played) == len(played)
    assert player.performer.dropped == dropped


def test_palms_come_however_late_and_five_hundred_of_them_sound_as_the_script_says(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    palms = [Hold(group=0, start=0.15 + n * 1e-3, seconds=0.3, by="palm") for n in range(500)]
    out = player.play([stroke, *palms], 1.2)
    assert len(player.performer.played) == 2
    offline = perform(heard, player.performer.played, seconds=out.shape[1] / RATE).sound() / FULL_SCALE
    assert np.abs(out - offline).max() < BIT_24
    player.performer.play(dataclasses.replace(palms[0], start=1.2), 5.0)
    assert len(player.performer.played) == 3


def silenced(player, events, moment, seconds, times=1):
    """What is heard (C, N) of events when all sound is put off at a moment, so many times in half a second."""
    out = np.zeros((round(seconds * RATE / BLOCK) * BLOCK, player.voice.channels), np.float32)
    waiting = sorted(events, key=lambda each: each.start)
    asked = 0
    for first in range(0, len(out), BLOCK):
        now = first / RATE
        while asked < times and moment + 0.5 * asked / times <= now:
            player.performer.silence()
            asked += 1
        player.performer.keep_up(now)
        while waiting and waiting[0].start <= now:
            player.performer.play(waiting.pop(0), now)
        player.voice.fill(out[first : first + BLOCK])
    return out.T


def level(out, first, last):
    return float(np.abs(out[:, round(first * RATE) : round(last * RATE)]).max())


@pytest.mark.parametrize("speed", [0.1, 0.6])
def test_all_sound_off_falls_sixty_decibels_within_a_tenth_of_a_second(heard, speed):
    """While a slow stick still goes through its group, too: what it would strike next is not heard."""
    player = Player(heard)
    quick, stroke = gestures(heard)[:2]
    slow = dataclasses.replace(stroke, speed=speed, start=0.1)
    out = silenced(player, [quick, slow], 0.2, 1.0)
    assert level(out, 0.1, 0.2) > 1e-3
    assert level(out, 0.3, 1.0) <= 1e-3 * level(out, 0.1, 0.2)
    step = np.abs(np.diff(out)).max(axis=0)
    fading = step[round(0.2 * RATE) : round(0.25 * RATE)].max()
    assert fading <= 1.5 * step[: round(0.2 * RATE)].max()  # no click


def test_what_is_played_after_all_sound_off_is_heard_as_on_a_still_instrument(heard):
    player = Player(heard)
    first, second = gestures(heard)[:2]
    after = dataclasses.replace(second, start=0.202)
    out = silenced(player, [first, after], 0.2, 0.8)
    played = [each for each in player.performer.played if isinstance(each, Stroke)]
    assert len(played) == 2
    alone = perform(heard, played[1:], seconds=out.shape[1] / RATE).sound() / FULL_SCALE
    since = round((played[1].start + 1e-3) * RATE)
    assert np.abs(alone[:, since:]).max() > 1e-3
    settled = RATE // 10 if heard.through == "pickup" else 0  # its circuit still rings of what faded
    assert np.abs(out - alone)[:, since + settled :].max() < 2 * BIT_24
    assert player.bank.late_count == 0


def test_five_hundred_times_all_sound_off_in_half_a_second_leave_little_to_do(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    out = silenced(player, [stroke, dataclasses.replace(stroke, start=0.9)], 0.2, 1.2, times=500)
    assert level(out, 0.3, 0.85) <= 1e-3 * level(out, 0.0, 0.2)
    assert level(out, 0.95, 1.2) > 0.1 * level(out, 0.0, 0.2)
    groups = len(heard.instrument.groups)
    assert len(player.performer.played) <= 2 + 6 * groups  # palms stand for it in the script
    assert player.performer.next_wanted() is None


def test_all_sound_off_ends_palms_and_the_sound_that_lies_on_top_too(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    silenced(player, [stroke, Hold(group=0, start=0.18, seconds=0.3, by="palm")], 0.2, 0.3)
    assert player.performer.next_wanted() is None
    assert player.performer.played[1] == Hold(0, 0.18 + LATENCY, 0.3, "palm")
    voice = player.voice
    for layer, channels in (("pressure", voice.channels), ("signals", voice.bank.points)):
        tone = np.sin(0.3 * np.arange(RATE // 2)) * np.ones((channels, 1))
        voice.post(layer, voice.bank.frame, tone, silences=voice.silences)
    out = np.zeros((RATE // 2 // BLOCK * BLOCK, voice.channels), np.float32)
    asked = RATE // 4 // BLOCK * BLOCK
    voice.fill(out[:asked])
    voice.silence()
    voice.fill(out[asked:])
    loud = np.abs(out[asked - 2000 : asked]).max()
    assert loud > 0.0
    assert np.abs(out[asked + round(0.5 * FADES * RATE) :]).max() < 0.6 * loud
    assert np.abs(out[asked + RATE // 10 :]).max() <= 1e-3 * loud
    step = np.abs(np.diff(out, axis=0)).max(axis=1)
    assert step[asked:].max() <= 1.05 * step[asked - 2000 : asked - 1].max()


def test_a_voice_far_too_loud_stays_below_its_cap_also_while_it_fades(heard):
    player = Player(heard)
    player.voice = LiveOutput(player.bank, heard.radiator, gain_db=60.0, ceiling_db=-20.0)
    player.performer.sound = player.voice
    out = silenced(player, [gestures(heard)[0]], 0.06, 0.2)
    assert level(out, 0.0, 0.06) == pytest.approx(0.1, rel=1e-6)
    assert level(out, 0.06, 0.2) <= np.float32(0.1)
    assert player.voice.limiter.deepest > 10.0


@pytest.mark.parametrize("layer", ["pressure", "signals", "states"])
def test_what_was_meant_before_a_silence_and_comes_after_it_is_thrown_away(heard, layer):
    voice = Player(heard).voice
    voice.silence()

    def give(silences):
        first = voice.bank.frame + BLOCK
        if layer == "states":
            when = np.array([first / RATE])
            voice.post(
                layer, *voice.bank.arrivals(when, np.ones((1, len(heard.model.pole)))), silences=silences
            )
        else:
            voice.post(layer, first, np.ones((voice._touch[layer].points, 64)), silences=silences)
        out = np.zeros((RATE // 10, voice.channels), np.float32)
        voice.fill(out)
        return out

    assert not give(0).any()
    assert not give(0).any()
    assert give(1).any()


def test_a_silence_stands_in_the_script_as_palms_on_all_groups_and_what_was_never_heard_does_not(heard):
    player, groups = Player(heard), range(len(heard.instrument.groups))
    first, second = gestures(heard)[:2]
    player.play([first], 0.1)
    performer = player.performer
    performer.play(dataclasses.replace(second, start=0.1), 0.1)
    performer.play(Hold(0, 0.1, 0.2, "palm"), 0.1)
    assert (performer.strokes, len(performer.played)) == (2, 3)
    performer.silence()
    performer.keep_up(0.101)
    assert (performer.strokes, len(groups)) == (1, 2)
    assert performer.played[1:] == [Hold(n, 0.101, 0.1, "palm") for n in groups]
    assert performer.next_wanted() is None
    performer.play(dataclasses.replace(first, start=0.102), 0.102)
    assert performer.played[-1].start == pytest.approx(0.101 + FADES + 2 * BLOCK / RATE)


def test_a_palm_after_a_stroke_is_another_palm(heard):
    player = Player(heard)
    stroke = gestures(heard)[0]
    palm = Hold(group=0, start=0.15, seconds=0.3, by="palm")
    again = dataclasses.replace(palm, start=0.3)
    out = player.play([stroke, palm, dataclasses.replace(stroke, start=0.2), again], 0.8)
    assert len(player.performer.played) == 4
    offline = perform(heard, player.performer.played, seconds=out.shape[1] / RATE).sound() / FULL_SCALE
    assert np.abs(out - offline).max() < BIT_24


def test_a_stroke_that_is_being_worked_out_when_all_sound_is_put_off_is_not_heard(heard):
    player = Player(heard)
    performer, striker = player.performer, player.performer._striker

    def interrupted(*words, **named):
        performer.silence()
        return striker.in_pieces(*words, **named)

    performer._striker = SimpleNamespace(in_pieces=interrupted)
    out = player.play([gestures(heard)[0]], 0.4)
    assert not out.any()
    assert not [each for each in performer.played if isinstance(each, Stroke)]
    performer._striker = striker
    performer.play(dataclasses.replace(gestures(heard)[0], start=0.5), 0.5, silences=0)  # made before it
    assert performer.strokes == 0


def test_a_stroke_that_is_refused_is_told_and_leaves_no_trace(heard):
    impossible = Stroke(group=0, stick=next(iter(heard.instrument.sticks.values())), start=0.25, tilt=0.1)
    one, two = Player(heard), Player(heard)
    without = one.play(gestures(heard), 0.8)
    withal = two.play([*gestures(heard), impossible], 0.8)
    assert len(two.performer.remarks) == len(one.performer.remarks) + 1
    assert "not played" in two.performer.remarks[-1] or any("not played" in r for r in two.performer.remarks)
    assert [each.start for each in one.performer.played] == [each.start for each in two.performer.played]
    np.testing.assert_array_equal(without, withal)


def test_after_a_contact_that_came_too_late_strokes_begin_later_and_by_and_by_as_stated_again(heard):
    ticks = iter([0.0, 0.0, *[1.0] * 1000])  # the first contact takes a second, the others no time
    player = Player(heard, clock=lambda: next(ticks))
    stroke = gestures(heard)[0]
    strokes = [dataclasses.replace(stroke, start=0.1 + 0.5 * n) for n in range(14)]
    for each in strokes:
        player.performer.play(each, each.start)
        while player.performer.next_wanted() is not None:
            player.performer.keep_up(each.start)
    stated = player.performer.latency
    leads = [
        played.start - asked.start for played, asked in zip(player.performer.played, strokes, strict=True)
    ]
    assert leads[0] == pytest.approx(stated)
    assert leads[1] == pytest.approx(1.25 * stated)
    assert leads[1:] == sorted(leads[1:], reverse=True)
    assert leads[-1] == pytest.approx(stated)


def test_rehearsing_measures_a_latency_and_plays_nothing(heard):
    player = Player(heard)
    assert player.performer.rehearse() == player.performer.latency > 2 * BLOCK / RATE
    assert not player.play([], 0.05).any()


def test_the_stated_latency_is_two_blocks_and_so_many_times_what_a_first_part_took(heard, monkeypatch):
    """At 1.6 m/s, which compiles the first time, and at 0.4: the better of each, and the longer of these."""
    ms = 1e-3
    for took, expected in (
        ((0.0, 0.0, 0.0, 0.0, 0.0), 0.0),
        ((3.0, 9.0 * ms, 3.0 * ms, 4.0 * ms, 2.0 * ms), 4.0 * ms),
        ((3.0, 2.0 * ms, 5.0 * ms, 3.0 * ms, 6.0 * ms), 5.0 * ms),
    ):
        ticks = iter([each for one in (*took, *(7.0 * ms,) * 4) for each in (0.0, one)])
        monkeypatch.setattr(time, "thread_time", lambda ticks=ticks: next(ticks))
        assert Player(heard).performer.rehearse() == pytest.approx(2.0 * BLOCK / RATE + 2.0 * expected)


def test_strokes_are_put_off_by_four_latencies_at_most_however_busy_the_machine_is(heard):
    performer = Player(heard).performer
    for n in range(20):
        performer._learn(late=True)
        assert performer._backoff == pytest.approx(min(1.25 ** (n + 1), 4.0))
    for n in range(100):
        performer._learn(late=False)
        assert performer._backoff == pytest.approx(max(4.0 * 0.98 ** (n + 1), 1.0))


def test_a_rehearsal_strokes_the_longest_group_with_the_first_stick_whatever_it_would_bend(
    heard, monkeypatch
):
    player, asked = Player(heard), []

    def followed(there, stroke, ring, settings, *, seed):
        asked.append((there, stroke, settings, seed))

    monkeypatch.setattr(live_contacts, "followed", followed)
    player.performer._striker = SimpleNamespace(in_pieces=lambda _: iter([None, "a part", None]))
    player.performer._span = {0: 0.1, 1: 0.3}.get
    player.performer.rehearse()
    first = next(iter(heard.instrument.sticks.values()))
    assert [(s.group, s.stick, s.speed) for _, s, *_ in asked[:5]] == [
        (1, first, speed) for speed in (1.6, 1.6, 0.4, 1.6, 0.4)
    ]
    assert {s.speed for _, s, *_ in asked[5:9]} == {0.4, 1.6}
    # then every group both ways, so that its first stroke is as quick as the others
    assert {(s.group, s.direction) for _, s, *_ in asked[9:]} == {
        (group, way) for group in range(len(heard.instrument.groups)) for way in ("forward", "backward")
    }
    assert {(settings.allow_yield, seed) for *_, settings, seed in asked} == {(True, 0)}
    assert all(there is heard for there, *_ in asked)


def test_after_a_rehearsal_no_stroke_of_the_first_stick_has_to_make_a_sticks_sound_ready(heard, monkeypatch):
    player = Player(heard)
    player.performer.rehearse()
    made = []
    monkeypatch.setattr(stroke_sound, "heard_stick", lambda *given, **how: made.append(given))
    stick = next(iter(heard.instrument.sticks.values()))
    for group in range(len(heard.instrument.groups)):
        for direction in ("forward", "backward"):
            player.performer.play(Stroke(group, stick, 0.0, direction=direction, speed=0.9), 0.0)
    player.performer.finish()
    assert player.performer.strokes == 2 * len(heard.instrument.groups)
    assert not made


FRESH = """
import sys
from numba.core import event
from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.stroke import Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.live_contacts import Performer
from synth.sound.live_output import LiveOutput
from synth.sound.livebank import LiveBank
from synth.sound.render import scene
import numpy as np

heard = scene(resolve(load(sys.argv[1]), sys.argv[1]), sys.argv[2])
voice = LiveOutput(LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE), heard.radiator, ceiling_db=0.0)
performer = Performer(heard, voice, block=128 / RATE)
voice.fill(np.zeros((128, voice.channels), np.float32))
performer.rehearse()
compiled = []

class Listener(event.Listener):
    def on_start(self, what):
        compiled.append(what.data["dispatcher"].py_func.__qualname__)

    def on_end(self, what):
        pass

stick = next(iter(heard.instrument.sticks.values()))
with event.install_listener("numba:compile", Listener()):
    for group in range(len(heard.instrument.groups)):
        for speed in (0.2, 0.9):  # the second meets a row that rings
            performer.play(Stroke(group, stick, 0.0, speed=speed), 0.0)
            while performer._under_way:
                performer.keep_up(0.0)
            voice.fill(np.zeros((128, voice.channels), np.float32))
    performer.play(Hold(0, 1.0, 0.1, "palm"), 1.0)
    performer.keep_up(1.2)
assert performer._ring.time > 1.0
assert performer.strokes == 2 * len(heard.instrument.groups)
assert not compiled, compiled
"""


@pytest.mark.slow
def test_after_the_first_rehearsal_ever_nothing_is_compiled_while_one_plays(tmp_path):
    """Not what a row that rings asks for, either: a second stroke was a third of a second late, and a palm."""
    done = subprocess.run(
        [sys.executable, "-c", FRESH, str(DESIGN), "bar"],
        capture_output=True,
        text=True,
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr


def test_a_rehearsal_asks_how_a_row_rings_and_rings_no_row(heard, monkeypatch):
    asked = []

    def ring_sums(vectors, first, last, both, sums):
        asked.append(np.abs(both).max())

    monkeypatch.setattr("synth.vibration.ring_sums.ring_sums", ring_sums)
    player = Player(heard)
    player.performer.rehearse()
    assert asked
    assert all(0.0 < each < 1e-9 for each in asked)
    assert not player.play([], 0.05).any()


def test_what_is_not_kept_for_a_script_is_forgotten_and_sounds_the_same(heard, monkeypatch):
    """An hour of twenty strokes a second must not fill the memory."""
    monkeypatch.setattr("synth.sound.live_contacts.REMEMBERED", 0.25)
    kept, forgetful = Player(heard), Player(heard)
    forgetful.performer._kept = False
    expected, out = kept.play(gestures(heard), 1.2), forgetful.play(gestures(heard), 1.2)
    np.testing.assert_array_equal(out, expected)
    left = [each for each in forgetful.performer.played if each is not FORGOTTEN]
    assert 0 < len(left) < len(kept.performer.played) == len(forgetful.performer.played)
    assert left == kept.performer.played[-len(left) :]
