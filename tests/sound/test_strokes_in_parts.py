"""A stroke that is followed and heard in parts is the whole one, and what ends it on its way does so quietly."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its library must be there to be held to one thread
from threadpoolctl import threadpool_limits

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.contact import refusals, stroke_contact
from synth.playing.contact.run import Pass
from synth.playing.contact.stroke_contact import Contact, StrokeStage
from synth.playing.stroke import ForceTrace, Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.live_contacts import FORGOTTEN, Performer
from synth.sound.live_output import LiveOutput
from synth.sound.livebank import LiveBank
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, followed, perform, scene, strike

DESIGNS = Path(__file__).parents[2] / "designs"
BLOCK = 128
STICK_TAIL = 1e-5  # each part of the stick's own ring ends 60 dB down by itself
SETTINGS = ContactSettings(allow_yield=True)


@pytest.fixture(scope="module", autouse=True)
def one_thread():
    """Another number of threads adds up in another order."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def rail():
    file = DESIGNS / "quay-rail.toml"
    return scene(resolve(load(file), str(file)), "pickup")


def anything(heard, dice, start):
    """A stroke of any kind, that digs in at times."""
    return Stroke(
        group=int(dice.integers(len(heard.instrument.groups))),
        stick=dice.choice(list(heard.instrument.sticks.values())),
        start=start,
        speed=float(np.exp(dice.uniform(math.log(0.1), math.log(2.0)))),
        direction=dice.choice(["forward", "backward"]),
        bite=float(dice.uniform(0.5e-3, 3.5e-3)),
        tilt=math.radians(dice.uniform(33.0, 60.0)),
        height=float(dice.choice([0.0, 8e-3])),
        skew=float(dice.choice([0.0, 0.2])),
    )


def in_parts(striker, following):
    """What its parts give, and, where it cannot go on, why."""
    parts = []
    try:
        for part in striker.in_parts(following):
            parts.append(part)
    except InputError as error:
        return parts, str(error)
    return parts, ""


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 3))])
def test_parts_leave_the_very_states_of_the_whole_on_rows_that_ring_of_strokes_before(rail, seed):
    """Two by two: the second finds tines ringing that the first has just touched."""
    dice, striker, ring, time, compared = (
        np.random.default_rng(seed),
        rail.striker(SETTINGS),
        ModalState(rail.model),
        0.01,
        0,
    )
    for n in range(14):
        stroke = anything(rail, dice, time)
        parts, error = in_parts(striker, followed(rail, stroke, ring, SETTINGS, seed=0))
        if error:
            with pytest.raises(InputError) as refused:
                strike(rail, stroke, ring, SETTINGS, seed=0)
            assert str(refused.value) == error
            continue
        contact = strike(rail, stroke, ring, SETTINGS, seed=0)
        whole = striker(contact, height=stroke.height)
        np.testing.assert_array_equal(np.concatenate([each.driven.ends for each in parts]), whole.driven.ends)
        np.testing.assert_array_equal(
            np.concatenate([each.driven.states for each in parts]), whole.driven.states
        )
        for of in (
            lambda each: (each.driven.frame, each.driven.signals),
            lambda each: (each.stick.frame, each.stick.pressure),
        ):
            first, sound = of(whole)
            together = np.zeros((len(sound), sound.shape[1] + RATE))
            for frame, part in map(of, parts):
                together[:, frame - first : frame - first + part.shape[1]] += part
            assert np.abs(together[:, : sound.shape[1]] - sound).max() <= STICK_TAIL * np.abs(sound).max()
        ring.take(whole.driven.ends / RATE, whole.driven.states)
        compared += 1
        time += 0.03 if n % 2 == 0 else 0.4
    assert compared >= 10


def test_parts_that_nothing_touches_are_passed_over(rail):
    """An impulse just before a part's edge comes near the next part, and is spread over none of its chunks."""
    striker, stroke = rail.striker(SETTINGS), slow_ones(rail)[0]
    following = followed(rail, stroke, ModalState(rail.model), SETTINGS, seed=0)
    edge = next(striker.drive.parts(0.1)).end_s
    time = np.array([0.1, edge - 10.0 / (2.0 * RATE), edge + 0.4])
    push = np.array([[1e-3, 0.0, 1e-3]] * 3)
    trace = ForceTrace(0.1, 2e-6, time, np.full(3, following.passed[0]), push[:, :2], push, 0.0 * push[:, :2])
    whole = striker(Contact(trace, following.stick, (), (), None, following.passed), height=0.0)
    following.stages = lambda: iter([StrokeStage(trace, math.inf)])
    parts, _ = in_parts(striker, following)
    assert all(len(each.driven.ends) for each in parts)
    assert len(parts) == 2
    np.testing.assert_array_equal(np.concatenate([each.driven.states for each in parts]), whole.driven.states)


class Player:
    """A performer whose time is that of the blocks played."""

    def __init__(self, heard, **more):
        bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
        self.voice = LiveOutput(bank, heard.radiator, ceiling_db=0.0, gain_db=-20.0)
        self.performer = Performer(
            heard, self.voice, block=BLOCK / RATE, **({"clock": lambda: 0.0, "settings": SETTINGS} | more)
        )
        self.performer.latency = 0.012

    def play(self, events, seconds, each_block=lambda now: None):
        out = np.zeros((round(seconds * RATE / BLOCK) * BLOCK, self.voice.channels), np.float32)
        waiting = sorted(events, key=lambda each: each.start)
        for first in range(0, len(out), BLOCK):
            now = first / RATE
            each_block(now)
            while waiting and waiting[0].start <= now:
                self.performer.play(waiting.pop(0), now)
            self.performer.keep_up(now)
            self.voice.fill(out[first : first + BLOCK])
        return out.T.astype(float)


def slow_ones(heard):
    """Strokes of a second, one after the other while those before still sound, and a palm on the first."""
    stick = next(iter(heard.instrument.sticks.values()))
    strokes = [
        Stroke(group=n % 3, stick=stick, start=0.02 + 0.11 * n, speed=0.25, bite=1.2e-3) for n in range(5)
    ]
    return [*strokes, Hold(group=0, start=0.3, seconds=0.2, by="palm")]


def test_strokes_that_sound_at_once_each_in_parts_are_the_offline_render(rail):
    player = Player(rail)
    out = player.play(slow_ones(rail), 1.6)
    assert len(player.performer.played) == 6
    asked = sorted(each.start for each in slow_ones(rail))
    leads = np.array([each.start for each in player.performer.played]) - asked
    np.testing.assert_allclose(leads, player.performer.latency)  # none waits for another to be over
    assert (player.performer.put_off, player.voice.report().late_count) == (0, 0)
    offline = perform(rail, player.performer.played, seconds=out.shape[1] / RATE, settings=SETTINGS).sound()
    scale = np.abs(out).max() / np.abs(offline).max()
    assert np.abs(out - scale * offline).max() < 3e-7 * np.abs(out).max() + 2.0**-24


def test_a_part_that_is_left_for_something_more_urgent_is_gone_on_with_later(rail):
    """Piece by piece: what other gestures come between changes nothing of what is heard."""
    player = Player(rail)
    performer, dice, pieces = player.performer, np.random.default_rng(2), []

    def haltingly(now):
        for _ in range(30):
            left, given = iter([False, True]), [each.given for each in performer._under_way]
            keep_up(now, wanted_elsewhere=lambda left=left: next(left))
            pieces.extend([given == [each.given for each in performer._under_way]] * bool(given))
            if dice.random() < 0.1:
                keep_up(now, wanted_elsewhere=lambda: True)

    keep_up, performer.keep_up = performer.keep_up, haltingly
    out = player.play(slow_ones(rail), 1.6)
    assert np.mean(pieces) > 0.5  # most pieces end no part
    assert (performer.put_off, player.voice.report().late_count, len(performer.played)) == (0, 0, 6)
    offline = perform(rail, performer.played, seconds=out.shape[1] / RATE, settings=SETTINGS).sound()
    scale = np.abs(out).max() / np.abs(offline).max()
    assert np.abs(out - scale * offline).max() < 3e-7 * np.abs(out).max() + 2.0**-24


def test_while_other_gestures_wait_a_part_is_made_whole_and_only_where_it_is_wanted_soon(rail):
    performer = Player(rail).performer
    performer.play(slow_ones(rail)[0], 0.02)
    (under_way,) = performer._under_way
    given = under_way.given
    performer.keep_up(given - performer.latency - 1e-6, busy=True)
    assert under_way.given == given
    performer.keep_up(given - performer.latency + 1e-6, busy=True)
    assert under_way.given > given


def ended(rail, words, others=()):
    """A slow stroke that cannot go on after some 0.1 s: what is heard, and the performer."""
    player = Player(rail)
    out = player.play([dataclasses.replace(slow_ones(rail)[0], start=0.02), *others], 1.0)
    (remark,) = [
        each
        for each in player.performer.remarks
        if each.startswith("ended on its way, and not in the script")
    ]
    assert words in remark
    return out, player.performer


def silent_after_a_stroke(out, until):
    """No sample, and no step between two, is greater after `until` s than the stroke was before."""
    edge = round(until * RATE)
    step = np.abs(np.diff(out))
    return (
        np.abs(out[:, edge:]).max() <= np.abs(out[:, :edge]).max()
        and step[:, edge:].max() <= step[:, :edge].max()
    )


def test_a_stick_that_stays_too_long_ends_its_stroke_and_the_tines_ring_on(rail, monkeypatch):
    whole = Player(rail).play([dataclasses.replace(slow_ones(rail)[0], start=0.02)], 1.0)
    monkeypatch.setattr("synth.playing.contact.run.MOST", 12_000)
    out, performer = ended(rail, "the stick holds the tines for more than")
    assert [each for each in performer.played if each is not FORGOTTEN] == []
    assert performer.strokes == 0
    begin = int(np.argmax(np.abs(whole).max(axis=0) > 0.0))
    same = np.abs(out - whole).max(axis=0) == 0.0
    over = int(np.argmin(same))
    assert 0.03 * RATE < over - begin < 0.5 * RATE  # so far it is the stroke itself
    assert silent_after_a_stroke(out, over / RATE)
    assert np.abs(out[:, -RATE // 10 :]).max() > 1e-3 * np.abs(out).max()  # and what it struck rings on


def test_a_stroke_after_one_that_was_ended_is_heard_and_stands_alone_in_the_script(rail, monkeypatch):
    monkeypatch.setattr("synth.playing.contact.run.MOST", 12_000)
    quick = dataclasses.replace(slow_ones(rail)[1], start=0.5, speed=1.5)
    _, performer = ended(rail, "the stick holds", [quick])
    (kept,) = [each for each in performer.played if each is not FORGOTTEN]
    assert (kept.group, kept.speed) == (quick.group, quick.speed)
    assert performer.strokes == 1


def test_a_contact_that_makes_energy_on_its_way_is_ended(rail, monkeypatch):
    honest = vars(Pass)["books"].fget

    def books(self):
        found = honest(self)
        return (
            dataclasses.replace(found, tines=1.2 * found.tines + 0.2 * found.hand)
            if self.now > 0.15
            else found
        )

    monkeypatch.setattr(Pass, "books", property(books))
    out, performer = ended(rail, "its energy is off by")
    assert performer.strokes == 0
    assert silent_after_a_stroke(out, 0.3)


def test_a_tine_that_would_bend_for_good_later_on_ends_its_stroke(rail, monkeypatch):
    stage = refusals.over_yield
    monkeypatch.setattr(stroke_contact, "NEARLY", 0.0)  # every stage is looked at tine by tine
    monkeypatch.setattr(
        refusals,
        "over_yield",
        lambda touch, instrument: stage(touch, instrument) + (3.0 if touch.first_touch > 0.12 else 0.0),
    )
    player = Player(rail, settings=ContactSettings())
    out = player.play([slow_ones(rail)[0]], 1.0)
    assert any("ended on its way" in each and "past yield" in each for each in player.performer.remarks)
    assert silent_after_a_stroke(out, 0.3)


def test_parts_that_come_too_late_are_put_off_whole_and_counted(rail):
    """The machine does other things for a tenth of a second: nothing is torn, and all is there in the end."""
    player, stroke = Player(rail), dataclasses.replace(slow_ones(rail)[0], speed=0.5)
    performer, keep_up = player.performer, player.performer.keep_up
    performer.keep_up = lambda now: None if 0.0215 < now < 0.13 else keep_up(now)
    out = player.play([stroke], 1.2)
    assert performer.put_off >= 1
    assert player.voice.report().late_count == 0
    whole = Player(rail).play([stroke], 1.2)
    assert np.abs(out).max() < 1.5 * np.abs(whole).max()
    ends = [np.sqrt(np.mean(each[:, -RATE // 5 :] ** 2)) for each in (out, whole)]
    assert ends[0] == pytest.approx(ends[1], rel=0.3)
    leads = performer._backoff
    assert leads > 1.0  # later strokes begin later


def test_a_stroke_that_is_under_way_when_all_ends_is_followed_for_the_script(rail, monkeypatch):
    stroke = slow_ones(rail)[0]
    for most, kept in ((8_000_000, 1), (12_000, 0)):
        monkeypatch.setattr("synth.playing.contact.run.MOST", most)
        performer = Player(rail).performer
        performer.play(stroke, stroke.start)
        assert [each.group for each in performer.played if each is not FORGOTTEN] == [stroke.group]
        performer.finish()
        assert len([each for each in performer.played if each is not FORGOTTEN]) == kept
        assert performer.next_wanted() is None
