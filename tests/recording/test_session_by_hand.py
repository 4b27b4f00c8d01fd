"""A sitting at the bench by hand: shifts, stretches, what is kept of a tap, and what the maker says of it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.errors import InputError
from synth.recording import tuning_session
from synth.recording.tap_listener import Answer
from synth.recording.tapped_pitch import nothing
from synth.recording.tuning_file import LastTap
from synth.recording.tuning_progress import TuningProgress
from synth.recording.tuning_session import TuningSession, TuningWishes

from .test_listening_by_hand import RATE, figure


@pytest.fixture
def session():
    """One whose progress is known and whose ear hears nothing."""
    made = TuningSession.__new__(TuningSession)
    made.row = SimpleNamespace(target_hz=np.array([110.0, 220.0, 443.0, np.nan]))
    steel = SimpleNamespace(modulus_slope=-4e-4, expansion=1e-5)
    tines = (SimpleNamespace(rod=SimpleNamespace(material=steel)),) * 4
    made.instrument = SimpleNamespace(a4=443.0, temperature=293.15, tines=tines)
    made.wishes, made.rate, made.path, made.temperature = (
        TuningWishes(within=2.0, shift=5.0),
        RATE,
        None,
        293.15,
    )
    made.listener = SimpleNamespace(targets=None, announced=None, following=None)
    taps = {tine: LastTap(cents, 0.1, "", 20.0) for tine, cents in ((0, 12.0), (1, 13.0), (2, 12.5))}
    made.progress = TuningProgress(list("abcd"), (0, 1, 2), 2.0, np.full(4, 5.0), last=taps)
    made._announced, made._first, made.trouble = -1, {}, ""
    return made


def test_a_shift_to_what_is_there_comes_on_top_of_the_one_there_is(session, monkeypatch):
    """12, 13 and 12.5 cents above the design are 7 to 8 above targets that stand 5 higher."""
    given = []
    monkeypatch.setattr(
        tuning_session,
        "tuning_targets",
        lambda *_, **words: given.append(words) or SimpleNamespace(name="abcd", target=np.ones(4)),
    )
    session.to_what_is_there()
    assert session.wishes.shift == pytest.approx(12.5)
    np.testing.assert_allclose(session.progress.shift[:3], 12.5)
    assert session.progress.left() == []
    assert session.listener.targets is session.targets
    np.testing.assert_allclose(1200.0 * np.log2(given[0]["shift"][:3]), 12.5)
    session.at_temperature(288.15)
    assert given[1]["temperature"] == 288.15
    assert session.listener.targets is session.targets


def test_targets_are_stretched_by_octaves_from_the_designs_own_a(session):
    moved = tuning_session._moved_cents(session.instrument, session.row, TuningWishes(shift=1.0, stretch=3.0))
    assert moved[2] == pytest.approx(1.0)
    assert moved[1] - moved[0] == pytest.approx(3.0)
    assert moved[0] < moved[2]


def test_of_a_tines_first_tap_the_beginning_is_kept_and_of_later_ones_nothing(session):
    rising = np.arange(5.0 * RATE)
    session.listener.sound_of = lambda answer: rising + answer.look
    session.progress.last = {}
    session._keep_sound(1, Answer(0.5, 1.0, 0.0, figure()))
    session.progress.last = {1: None}
    session._keep_sound(1, Answer(0.5, 1.5, 1.0, figure()))  # the same tap, heard for longer
    moment, sound = session._first[1]
    assert (moment, len(sound), sound[0], sound.dtype) == (0.5, 3 * RATE, 1.0, np.float32)
    session._keep_sound(1, Answer(9.0, 9.5, 2.0, figure()))
    session._keep_sound(2, Answer(20.0, 9.5, 2.0, figure()))
    assert {tine: kept[0] for tine, kept in session._first.items()} == {1: 0.5, 2: 20.0}
    session.progress.last = {1: None, 3: None}
    session._keep_sound(3, Answer(30.0, 9.5, 2.0, figure()))  # heard on an earlier day
    assert 3 not in session._first


def test_the_makers_word_is_of_the_tap_that_it_was_said_of(session):
    guesses = (figure(0, 4.0), figure(1, 9.0))
    open_ = replace(nothing("cannot tell which of 2", (0, 1)), guesses=guesses)
    first, second = (Answer(time, time + 0.5, 0.5, open_) for time in (1.0, 3.0))
    session._said = 1.0, 1
    said = session._as_said(first).verdict
    assert (said.tine, said.cents, said.taken, said.candidates) == (1, 9.0, True, (0, 1))
    assert session._as_said(second) is second
    session._said = 1.0, 2
    assert session._as_said(first) is first


@pytest.mark.parametrize(
    ("last", "again", "round_"), [({}, True, 3), ({1: None}, True, 4), ({1: None}, False, 3)]
)
def test_another_round_begins_where_something_was_heard_in_the_last(
    session, monkeypatch, last, again, round_
):
    asked = []

    def begun(*given, **words):
        asked.append((given, words))
        return TuningProgress(list("abcd"), (0, 1), 2.0, np.zeros(4), round=3, last=dict(last))

    monkeypatch.setattr(tuning_session, "begun", begun)
    monkeypatch.setattr(TuningSession, "_order", lambda _: [1, 0])
    session.targets = SimpleNamespace(name="abcd")
    session.path, session.wishes = "a path", replace(session.wishes, again=again)
    assert session._begun().round == round_
    ((given, words),) = asked
    assert given == ("abcd", [1, 0])
    assert (words["within"], words["path"]) == (2.0, "a path")
    np.testing.assert_allclose(words["designed"](20.0)[:3], [110.0, 220.0, 443.0])
    np.testing.assert_allclose(words["shift"][:3], 5.0)


def test_what_cannot_begin_is_refused_and_what_is_heard_reaches_the_ear(session, monkeypatch):
    session.wishes, session.targets = replace(session.wishes, first=3), SimpleNamespace(name="abcd")
    with pytest.raises(InputError, match="gives d no pitch"):
        session._order()
    messages = []
    monkeypatch.setattr(
        TuningSession, "_heard", lambda _, answer: messages.append(answer) or [f"of {answer}"]
    )
    answers = {"feed": [1, 2], "lost": [3], "finish": []}
    session.listener = SimpleNamespace(
        feed=lambda block: answers["feed"], lost=lambda: answers["lost"], finish=lambda: answers["finish"]
    )
    assert (session.feed(np.zeros(4)), session.lost(), session.finish()) == (["of 1", "of 2"], ["of 3"], [])


def test_a_lesson_is_offered_once_from_five_first_taps_on(session):
    session._offered = False
    session._first = dict.fromkeys(range(4))
    assert session._offer() == []
    session._first[4] = None
    (offer,) = session._offer()
    assert offer["words"].startswith("5 tines were heard as cut")
    assert session._offer() == []


def test_what_is_announced_is_taken_at_its_word_only_in_order_and_told_once(session):
    session.targets = SimpleNamespace(name="abcd", target=np.array([110.0, 220.0, 443.0, np.nan]))
    for in_order, announced in ((False, None), (True, 0)):
        session.wishes, session._announced = replace(session.wishes, in_order=in_order), -1
        assert session._announce() == [{"kind": "next", "name": "a", "target_hz": 110.0, "done": 0, "of": 3}]
        assert (session.listener.announced, session.listener.following) == (announced, 0)
        assert session._announce() == []
    session.progress.shift[:3] = [12.0, 13.0, 12.5]
    assert session._announce() == [{"kind": "next", "name": None, "target_hz": None, "done": 3, "of": 3}]


@pytest.mark.parametrize("path", [None, "a path"])
def test_every_figure_is_kept_where_progress_is_kept_at_the_benchs_warmth(session, monkeypatch, path):
    kept, sounds = [], []
    plain = TuningProgress.hear_and_keep
    monkeypatch.setattr(
        TuningProgress,
        "hear_and_keep",
        lambda made, tine, tap, where: kept.append(where) or plain(made, tine, tap, None),
    )
    monkeypatch.setattr(TuningSession, "_keep_sound", lambda _, *given: sounds.append(given))
    session.path, session.temperature = path, 285.65
    answer = Answer(0.5, 1.0, 0.5, figure(1, -3.0, 0.4))
    assert session._kept(1, answer) is None
    tap = session.progress.last[1]
    assert (tap.cents, tap.temperature_c) == pytest.approx((-3.0 + 5.0, 12.5))  # targets stand 5 higher
    assert tap.target_hz == pytest.approx(
        220.0 * np.sqrt(1.0 + 3.9e-4 * 7.5)
    )  # 7.5 K colder, nothing shifted
    assert tap.cents_sd == answer.verdict.cents_sd
    assert kept == [path]
    assert sounds == [(1, answer)]
    session.progress.again()
    assert session._kept(1, Answer(9.0, 9.5, 0.5, figure(1, 1.5, 0.4))) == pytest.approx(4.5)
    assert session._kept(3, Answer(9.0, 9.5, 0.5, figure(3, float("nan"), 0.4))) is None  # it has no pitch
    assert 3 not in session.progress.last
    before = session.progress.last[1]
    assert (
        session._kept(1, Answer(9.0, 9.5, 0.5, figure(1, 1.0, float("inf")))) is None
    )  # no file could hold it
    assert session.progress.last[1] is before
