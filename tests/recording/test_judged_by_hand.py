"""Whose tap it was, by hand: who is named, taken at the maker's word, left open, or to be held."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import tapped_tine
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.tapped_pitch import Verdict, nothing

CENT = np.log(2.0) / 1200.0
TARGETS = SimpleNamespace(
    target=np.array([220.0, 220.0 * np.exp(0.4 * CENT), 220.0 * np.exp(3.0 * CENT), 500.0])
)


def lines(*parts):
    """(Hz, level) of lines that the tap began."""
    hertz, level = np.array(parts, float).T
    none = np.zeros(len(parts))
    return FittedModes(level + 0j, -1.0 + 2j * np.pi * hertz, none, none, none)


def told(heard, targets, tine, line):
    """A figure that says which tine and line were asked for; none of the third tine."""
    if tine == 2:
        return nothing("too short", (tine,))
    return Verdict(tine, (tine,), 220.0, 0.01, 10.0 * tine + line, (220.0,), "")


@pytest.fixture
def judge(monkeypatch):
    def judged(found, parts, *, own=None, **word):
        """`found`: which line is whose fundamental; `own`: which lines are whose, else all."""
        new = lines(*parts)
        every = np.ones(len(parts), bool)
        monkeypatch.setattr(tapped_tine, "may_be_of", lambda *_: dict(found))
        monkeypatch.setattr(
            tapped_tine, "_own", lambda _, __, tine, line: every if own is None else np.array(own[tine])
        )
        monkeypatch.setattr(tapped_tine, "told_of", told)
        words = {"announced": None, "following": None} | word
        return tapped_tine.judged(SimpleNamespace(new=new), TARGETS, **words)

    return judged


ONE = [(220.0, 1.0), (900.0, 0.3)]


def test_one_that_it_can_be_is_named(judge):
    verdict = judge({3: 1}, ONE)
    assert (verdict.tine, verdict.cents, verdict.taken) == (3, 31.0, False)
    assert judge({}, ONE).tine is None


@pytest.mark.parametrize(
    ("share", "named"), [([True, True], 3), ([True, False], 3), ([False, True], None), ([False, False], None)]
)
def test_most_of_what_began_is_the_tines_own(judge, share, named):
    """Of the power 1 and 0.09: 92 % and 8 %."""
    assert judge({3: 0}, ONE, own={3: share}).tine == named


@pytest.mark.parametrize(("hertz", "named"), [(15_000.0, 3), (12_100.0, 3), (9000.0, None), (900.0, None)])
def test_what_rings_above_the_models_last_partials_speaks_against_no_tine(judge, hertz, named):
    """The third partial of a tine at 880 Hz is at 15 kHz, where the model has none: most of the power it may be."""
    assert judge({3: 0}, [(500.0, 1.0), (hertz, 2.0)], own={3: [True, False]}).tine == named


def test_what_rings_above_the_models_last_partials_speaks_for_no_tine(judge):
    parts, own = [(500.0, 1.0), (900.0, 1.0), (15_000.0, 4.0)], {3: [True, False, True]}
    assert judge({3: 0}, parts, own=own).tine is None
    assert judge({3: 2}, parts[2:], own={3: [True]}).tine is None


def test_one_whose_own_lines_are_hardly_there_is_none_of_those_it_may_have_been(judge):
    verdict = judge({3: 0, 0: 1}, ONE, own={3: [True, False], 0: [False, True]})
    assert (verdict.tine, verdict.candidates) == (3, (3,))


@pytest.mark.parametrize(
    ("found", "word", "tine", "taken"),
    [
        ((0, 3), {"announced": 3}, 3, True),
        ((0, 3), {"announced": 1}, None, False),  # it is none of them
        ((0, 3), {"following": 3}, None, False),  # another pitch: the figures differ
        ((0, 1), {"following": 1}, 1, True),  # half a cent apart: one pitch
        ((0, 2), {"following": 0}, None, False),  # three cents
        ((0, 1), {"following": 3}, None, False),
        ((0, 1), {"announced": 0, "following": 1}, 0, True),
        ((0, 1), {}, None, False),
        ((0, 2), {"announced": 2}, None, False),  # the word is taken, but there is no figure
    ],
)
def test_of_several_that_sound_alike_the_makers_word_is_taken_or_the_next_of_one_pitch(
    judge, found, word, tine, taken
):
    verdict = judge(dict.fromkeys(found, 0), ONE, **word)
    assert (verdict.tine, verdict.taken) == (tine, taken)
    assert verdict.candidates == found


def test_left_open_every_one_has_its_figure_and_none_is_given(judge):
    verdict = judge({0: 0, 3: 1, 2: 0}, [(220.0, 1.0), (221.0, 0.3)])
    assert (verdict.tine, verdict.candidates) == (None, (0, 3, 2))
    assert np.isnan(verdict.cents)
    assert verdict.reason == "cannot tell which of 3"
    assert [(each.tine, each.cents) for each in verdict.guesses] == [(0, 0.0), (3, 31.0)]
    none = judge({2: 0, 4: 0} | {2: 0}, ONE[:1], own={2: [True], 4: [False]})
    assert (none.tine, none.reason) == (None, "too short")


@pytest.mark.parametrize(
    ("hertz", "level", "word", "held"),
    [
        (235.0, 0.6, None, True),  # 114 cents off, more than half as loud
        (235.0, 0.4, None, False),
        (223.0, 0.9, None, False),  # 23 cents: the other plane
        (235.0, 1.8, 0, True),  # louder than the one that was announced
        (235.0, 2.2, 3, False),  # the announced one itself is the louder
    ],
)
def test_another_that_rings_as_well_is_to_be_held_first(judge, hertz, level, word, held):
    verdict = judge({0: 0, 3: 1}, [(220.0, 1.0), (hertz, level)], announced=word)
    assert ("more than one tine rings" in verdict.reason) is held
    assert verdict.candidates == (0, 3)


def test_a_tine_explains_lines_by_its_fundamental_and_overtones_at_one_offset():
    """Score 1 + 0.8 + 0.6; what is off costs, the loud is a little likelier; without overtones it is none."""
    model = np.array([[200.0, 1253.0, 3510.0], [200.5, 1256.0, 3515.0]])
    targets = SimpleNamespace(frequency=model[None])
    sharp = np.exp(40.0 * CENT)
    exact = tapped_tine._explained(lines((200.0, 0.5), (1253.0, 0.1), (3510.0, 0.1)), targets, 0)
    assert (exact.value, exact.line) == (pytest.approx(2.4), 0)
    off = tapped_tine._explained(
        lines((3510.0 * sharp, 1.0), (200.0 * sharp, 0.5), (1253.0 * sharp, 0.1)), targets, 0
    )
    cost = 0.25 * np.log1p((40.0 - 1200.0 * np.log2(200.5 / 200.0)) ** 2 / 40.0**2)
    assert (off.value, off.line) == (pytest.approx(2.4 + 0.02 * np.log(0.5) - cost, abs=0.02), 1)
    assert tapped_tine._explained(lines((200.0, 1.0)), targets, 0).value == -np.inf
    two = tapped_tine._explained(lines((200.0, 1.0), (1253.0 * np.exp(30.0 * CENT), 0.1)), targets, 0)
    assert two.value == pytest.approx(1.0 + 0.8 * np.exp(-0.5 * (26.0 / 30.0) ** 2), abs=0.03)
    assert tapped_tine._explained(lines((200.0, 0.009), (1253.0, 1.0), (3510.0, 0.1)), targets, 0).line == -1
    # far off its pitch a third partial speaks for a tine where a line stands near its second, 100 cents or less
    for cents, second, line in ((39.0, None, 0), (45.0, None, -1), (45.0, 99.0, 0), (45.0, 105.0, -1)):
        sharp = np.exp(cents * CENT)
        parts = [(200.5 * sharp, 1.0), (3510.0 * sharp, 0.1)]
        parts += [] if second is None else [(1256.0 * sharp * np.exp(second * CENT), 0.1)]
        assert tapped_tine._explained(lines(*sorted(parts)), targets, 0).line == line


def test_a_lone_line_is_of_a_tine_that_is_near_and_dies_so():
    """A fundamental alone: known to a twentieth, 60 cents off at most, falling within three times the model's."""
    targets = SimpleNamespace(
        frequency=np.array([[[220.0], [221.0]], [[225.0], [226.0]], [[400.0], [401.0]]]),
        decay_rate=np.array([[1.0, 1.2], [1.0, 5.0], [1.0, 1.0]])[..., None],
    )
    alone = replace(lines((222.0, 1.0), (900.0, 0.3)), amplitude_deviation=np.array([0.01, 0.01]))
    alone = replace(alone, standard_uncertainty=np.array([0.1, 0.1]))
    assert tapped_tine.alone_in(alone, targets) == (0,)  # the second has a plane that dies five times as fast
    slow = replace(alone, pole=alone.pole - 1.5)
    assert tapped_tine.alone_in(slow, targets) == (0, 1)
    for wrong in (
        replace(alone, amplitude_deviation=np.array([0.06, 0.01])),
        replace(alone, standard_uncertainty=np.array([0.6, 0.1])),
        replace(alone, amplitude=np.array([1.0, 0.35])),  # 89 % of the power
        replace(alone, pole=alone.pole - 3.0),
    ):
        assert tapped_tine.alone_in(wrong, targets) == ()


@pytest.mark.parametrize(
    ("low", "high", "could"),
    [
        ([200.0], [1253.0], True),
        ([200.0 * 2.0 ** (120.0 / 1200.0)], [1253.0 * 2.0 ** (120.0 / 1200.0)], True),  # all as much too high
        ([200.0 * 2.0 ** (-120.0 / 1200.0)], [1253.0 * 2.0 ** (-120.0 / 1200.0)], True),
        ([200.0 * 2.0 ** (-120.0 / 1200.0)], [1253.0 * 2.0 ** (120.0 / 1200.0)], False),
        ([200.0], [1253.0 * 2.0 ** (58.0 / 1200.0)], True),
        ([200.0], [1253.0 * 2.0 ** (66.0 / 1200.0)], False),
        ([200.0], [3510.0], True),  # the third
        ([200.0], [6880.0], False),  # the fourth is not asked
        (
            [200.0 * 2.0 ** (160.0 / 1200.0)],
            [1253.0 * 2.0 ** (160.0 / 1200.0)],
            False,
        ),  # no tine is so far off
        ([90.0, 200.0], [5000.0, 1253.0], True),
        ([1253.0], [200.0], False),
        ([], [1253.0], False),
        ([200.0], [], False),
    ],
)
def test_at_a_glance_a_tine_is_a_low_line_with_a_high_one_at_its_ratio(low, high, could):
    model = np.array([[200.0, 1253.0, 3510.0, 6880.0], [200.5, 1256.0, 3515.0, 6885.0]])
    targets = SimpleNamespace(frequency=np.stack((model, 2.31 * model)))
    assert tapped_tine.could_be(np.array(low), np.array(high), targets) is could


@pytest.mark.parametrize(
    ("hertz", "level", "alone"),
    [
        ([222.0, 900.0], [1.0, 0.3], True),  # 92 % of the power
        ([222.0, 900.0], [1.0, 0.4], False),
        ([222.0, 224.0], [1.0, 0.9], True),  # its own plane
        ([900.0, 222.0], [1.0, 0.2], False),  # near no fundamental
        ([229.5, 900.0], [1.0, 0.1], False),  # 64 cents
        ([], [], False),
    ],
)
def test_at_a_glance_a_fundamental_may_stand_alone(hertz, level, alone):
    targets = SimpleNamespace(frequency=np.array([[[220.0], [221.0]], [[400.0], [401.0]]]))
    assert tapped_tine.alone_at_a_glance(np.array(hertz), np.array(level), targets) is alone
