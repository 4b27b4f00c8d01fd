"""Strokes that cannot be made, or only unwisely: refused and warned of in words, on a real row."""

import dataclasses
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.errors import InputError
from synth.playing.contact import refusals, run
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.stroke import Stroke
from synth.units import DEGREE


def struck(row, stroke, **options):
    return stroke_row(stroke, row.instrument, row.tines, allow_yield=True, **options)


def test_a_stick_below_its_friction_angle_digs_in(contact_row):
    with pytest.raises(InputError, match=r"the stick digs in.*let it trail by 27 degrees"):
        struck(contact_row, Stroke(0, contact_row.stick("wood"), tilt=15.0 * DEGREE))


def test_a_stick_little_above_its_friction_angle_is_warned_of(contact_row):
    contact = struck(contact_row, Stroke(0, contact_row.stick("wood"), tilt=22.0 * DEGREE, bite=0.5e-3))
    assert any("nearly digs in" in words for words in contact.warnings)


def test_a_bend_that_no_hand_makes_is_refused(contact_row):
    short = dataclasses.replace(contact_row.stick("brass"), length=0.01, stiffness=1e7, frequency=2e4)
    with pytest.raises(InputError, match="a force no hand gives"):
        struck(contact_row, Stroke(0, short, bite=20e-3, speed=0.1, grip="firm"))


def test_a_limp_stick_that_is_pressed_hard_is_refused_with_what_it_can_be_pressed_by(contact_row):
    """Pressed by 20 N a thread of nylon would hang metres below the tips: such a stroke took all memory."""
    limp = dataclasses.replace(
        contact_row.stick("wood"), length=0.3, diameter=1e-3, stiffness=0.0104, mass=2.7e-4, frequency=2.01
    )
    with pytest.raises(InputError, match=r"above the stick's end, and .* reaches no higher than") as refused:
        struck(contact_row, Stroke(0, limp, pressure=20.0))
    most = float(re.search(r"press by (\S+) N at most", str(refused.value))[1])
    struck(contact_row, Stroke(0, limp, pressure=0.9 * most))
    with pytest.raises(InputError, match="reaches no higher"):
        struck(contact_row, Stroke(0, limp, pressure=1.1 * most))


def test_a_stick_that_lies_flat_reaches_as_far_as_it_is_long(contact_row):
    """At a tilt of 80 degrees a bite of 10 mm is met 58 mm from the end, of which the rounded end is 0.03 mm."""
    long = dataclasses.replace(contact_row.stick("wood"), length=60e-3)
    short = dataclasses.replace(long, length=55e-3)
    struck(contact_row, Stroke(0, long, bite=10e-3, tilt=80.0 * DEGREE))
    with pytest.raises(InputError, match="bite less, tilt less"):
        struck(contact_row, Stroke(0, short, bite=10e-3, tilt=80.0 * DEGREE))


def test_a_touch_longer_than_can_be_kept_is_told(contact_row, monkeypatch):
    monkeypatch.setattr(run, "MOST", 20_000)
    with pytest.raises(InputError, match=r"for more than 0\.04 s; stroke faster or bite less"):
        struck(contact_row, Stroke(0, contact_row.stick("wood"), speed=0.05, bite=5e-3))


def test_a_stroke_past_yield_is_refused_unless_allowed(contact_row):
    stroke = Stroke(0, contact_row.stick("brass"), bite=4e-3, speed=3.0)
    with pytest.raises(
        InputError, match=r"past yield: tine \d+ of group 'row' would bend for good.*--allow-yield"
    ):
        stroke_row(stroke, contact_row.instrument, contact_row.tines)
    assert any("past yield" in words for words in struck(contact_row, stroke).warnings)


def test_a_stick_at_a_tines_root_is_refused(contact_row):
    with pytest.raises(
        InputError, match=r"45 mm below the tips is at the root of tine 12.*height 40 mm at most"
    ):
        struck(contact_row, Stroke(0, contact_row.stick("wood"), height=45e-3))


def test_a_bend_beyond_the_reckoning_is_told(row_of):
    row = row_of([250.0], spacing_mm=30.0)
    contact = struck(row, Stroke(0, row.stick("brass"), bite=60e-3, speed=0.5, grip="firm"))
    assert any("take it as a guess" in words for words in contact.warnings)


ANY_STROKE = {
    "bite": st.floats(1e-5, 12e-3),
    "speed": st.floats(0.05, 4.0),
    "tilt": st.floats(20.0, 80.0),
    "skew": st.floats(-40.0, 40.0),
    "pressure": st.floats(0.0, 4.0),
    "lean": st.floats(-1.0, 1.0),
    "stick": st.sampled_from(["wood", "nylon", "brass"]),
}


@given(**ANY_STROKE)
@settings(max_examples=10, deadline=None)
def test_every_stroke_passes_or_is_refused_in_words(contact_row, **how):
    passes_or_is_refused(contact_row, **how)


@pytest.mark.slow
@given(**ANY_STROKE)
@settings(max_examples=60, deadline=None)
def test_of_many_strokes_every_one_passes_or_is_refused_in_words(contact_row, **how):
    passes_or_is_refused(contact_row, **how)


def passes_or_is_refused(contact_row, *, stick, tilt, skew, **how):
    stroke = Stroke(0, contact_row.stick(stick), tilt=tilt * DEGREE, skew=skew * DEGREE, **how)
    words = ""
    try:
        contact = struck(contact_row, stroke)
    except InputError as refused:
        words = str(refused)
    if words:
        assert any(
            told in words for told in ("digs in", "no hand gives", "stays caught", "reaches no higher")
        )
        return
    assert np.all(np.isfinite(contact.trace.impulse))
    assert sum(touch.energy for touch in contact.touches) <= contact.books.hand + 1e-12


def test_neighbours_that_would_hit_each_other_are_named(contact_row):
    # 140 mm tines 10 mm apart at 14 mm bite and 3 m/s swing by several mm
    contact = struck(contact_row, Stroke(0, contact_row.stick("brass"), bite=14e-3, speed=3.0, grip="firm"))
    assert any("would hit each other" in words for words in contact.warnings)
    gentle = struck(contact_row, Stroke(0, contact_row.stick("wood"), bite=1e-3, speed=0.3))
    assert not any("would hit each other" in words for words in gentle.warnings)


def test_a_contact_that_no_step_can_follow_is_refused(contact_row, monkeypatch):
    monkeypatch.setattr(refusals, "MOST_OFF", 1e-9)
    with pytest.raises(InputError, match=r"cannot be reckoned: its energy is off by .* press or bite less"):
        struck(contact_row, Stroke(0, contact_row.stick("wood")))
