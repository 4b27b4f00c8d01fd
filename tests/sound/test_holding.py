"""Palms laid while playing act when `moments` says, and equal ones are one."""

import dataclasses

from synth.playing.mute import moments
from synth.playing.stroke import Hold
from synth.sound.holding import LONGEST, ActiveHolds

PALM = Hold(group=1, start=0.5, seconds=0.3, by="palm")


def acted(holding, until=float("inf")):
    """Each moment with its hold and the moment before, up to a second."""
    out = []
    while holding.next is not None and holding.next <= until:
        out.append(holding.pop())
    return out


def test_a_hold_acts_at_its_moments_each_since_the_one_before():
    played = []
    holding = ActiveHolds(played)
    holding.lay(PALM)
    times = moments(PALM).tolist()
    out = acted(holding)
    assert [moment for moment, _ in out] == times[1:]
    assert [grip.since for _, grip in out] == times[:-1]
    assert played == [PALM]


def test_an_equal_palm_makes_the_one_that_lies_last_longer_whenever_it_comes():
    for again in (0.5, 0.51, 0.6, 0.79):
        played = []
        holding = ActiveHolds(played)
        holding.lay(PALM)
        out = acted(holding, again)
        holding.lay(dataclasses.replace(PALM, start=again))
        out += acted(holding)
        (one,) = played
        assert one.seconds == again + 0.3 - 0.5
        times = moments(one).tolist()
        assert [moment for moment, _ in out] == times[1:]
        assert [grip.since for _, grip in out] == times[:-1]


def test_five_hundred_equal_palms_in_half_a_second_are_one():
    played = []
    holding = ActiveHolds(played)
    for n in range(500):
        holding.lay(dataclasses.replace(PALM, start=0.5 + n * 1e-3))
    assert len(played) == 1
    assert len(acted(holding)) < 60


def test_palms_of_other_groups_other_kinds_and_after_the_end_stay_their_own():
    played = []
    holding = ActiveHolds(played)
    others = [
        PALM,
        dataclasses.replace(PALM, group=2),
        dataclasses.replace(PALM, by="touch"),
        dataclasses.replace(PALM, start=0.81),
    ]
    for each in others:
        acted(holding, each.start)
        holding.lay(each)
    assert played == others


def test_a_stroke_in_between_gives_the_next_palm_its_close_moments():
    played = []
    holding = ActiveHolds(played)
    holding.lay(PALM)
    acted(holding, 0.6)
    holding.struck(1)
    later = dataclasses.replace(PALM, start=0.6)
    holding.lay(later)
    assert played == [PALM, later]
    holding.struck(2)  # of another group: the palm that lies is still the same
    holding.lay(dataclasses.replace(PALM, start=0.6))
    assert played == [PALM, later]
    mine = [moment for moment, grip in acted(holding) if grip.hold == later]
    assert mine == moments(later).tolist()[1:]


def test_a_palm_that_is_laid_again_for_minutes_is_cut_into_long_ones():
    played = []
    holding = ActiveHolds(played)
    for n in range(600):
        start = 0.5 + 0.1 * n
        acted(holding, start)
        holding.lay(dataclasses.replace(PALM, start=start))
    assert 30 <= len(played) <= 40
    assert max(each.seconds for each in played) <= LONGEST


def test_nothing_is_held_once_it_is_cleared():
    holding = ActiveHolds([])
    holding.lay(PALM)
    holding.clear()
    assert holding.next is None


def test_a_palm_that_is_laid_after_a_gap_is_another_one_though_the_first_still_waits_for_its_moments():
    """Holds are laid ahead of their time: nothing has acted yet when the second comes."""
    later = dataclasses.replace(PALM, start=0.81)
    played = []
    holding = ActiveHolds(played)
    holding.lay(PALM)
    holding.lay(later)
    assert played == [PALM, later]
    out = acted(holding)
    assert [moment for moment, part in out if part.hold == PALM] == moments(PALM).tolist()[1:]
    assert [moment for moment, part in out if part.hold == later] == moments(later).tolist()[1:]
    again = dataclasses.replace(PALM, start=1.2)
    holding.lay(again)
    holding.lay(dataclasses.replace(again, start=1.3))
    assert played[2:] == [dataclasses.replace(again, seconds=1.3 + 0.3 - 1.2)]
