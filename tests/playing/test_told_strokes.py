"""What is said of a stroke that is unwise or cannot be: by which tine, how much, and what would do."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.contact.closed_form import Pluck
from synth.playing.contact.refusals import (
    refuse_impossible,
    refuse_too_low,
    refuse_unbooked,
    refuse_yield,
    warnings,
)
from synth.playing.contact.run import EnergyBalance
from synth.playing.contact.stick_path import StickPath
from synth.playing.report import TineTouch
from synth.playing.stroke import Stroke
from synth.units import DEGREE


@pytest.fixture(scope="module")
def instrument(request):
    """Two tines 12 mm apart in one group, told apart by their steel."""
    made = resolve(load(request.path.parents[1] / "data" / "two-tines.toml"))
    soft = dataclasses.replace(made.tines[1].rod.material, name="soft", yield_stress=100e6)
    rod = dataclasses.replace(made.tines[1].rod, material=soft)
    second = dataclasses.replace(made.tines[1], rod=rod)
    return dataclasses.replace(made, tines=(made.tines[0], second, *made.tines[2:]))


def way(bite=(2e-3, 3e-3)):
    """Backward: the second tine is met first."""
    diameter = np.array([4e-3, 3e-3])
    return StickPath(
        tine=np.array([1, 0]), position=np.array([0.0, 12e-3]), bite=np.array(bite), diameter=diameter,
        edge=np.array([0.3e-3, 0.3e-3]), sign=-1.0, start=0.1, speed=0.5,
    )  # fmt: skip


def touch(tine, **more):
    plain = TineTouch(tine, 0.1, 0.2, 1, 1.0, 1e-6, (1e-3, 0.5e-3), (1e-3,), 1e-3, 10e6, 0.1, "pluck")
    return dataclasses.replace(plain, **more)


def stroke(instrument, **more):
    return Stroke(0, next(iter(instrument.sticks.values())), direction="backward", **more)


LENGTH, LONG = np.array([0.10, 0.12]), np.ones(2)


def test_an_easy_stroke_is_not_warned_of(instrument):
    assert warnings(stroke(instrument), way(), [touch(1), touch(0)], LENGTH, instrument) == ()


def test_neighbours_that_would_meet_are_told_what_they_need_and_have(instrument):
    """Both swings along the row, all partials, or one's bend; 12 mm less half of 4 and half of 3 is 8.5."""
    (said,) = warnings(
        stroke(instrument),
        way(),
        [touch(1, along=(5e-3, 0.6e-3)), touch(0, along=(3e-3, 0.5e-3))],
        LONG,
        instrument,
    )
    assert said.startswith("tine 2 of group 'low A' and tine 1 of group 'low A' would hit")
    assert "they need 9.1 mm of room and have 8.5" in said
    (said,) = warnings(stroke(instrument), way(), [touch(1, bend=8.7e-3), touch(0)], LONG, instrument)
    assert "they need 8.7 mm of room and have 8.5" in said


def test_a_tine_that_bends_for_good_is_told_by_its_own_steel(instrument):
    touches = [touch(1, root_stress=101e6), touch(0, root_stress=150e6)]  # the other one bears that
    (said,) = warnings(stroke(instrument), way(), touches, LENGTH, instrument)
    assert said == "past yield: tine 2 of group 'low A' bends for good, 101 MPa at its root"
    with pytest.raises(InputError) as refused:
        refuse_yield(touches, stroke(instrument, bite=3e-3), instrument)
    assert "101 MPa at its root where soft bears 100 MPa" in str(refused.value)
    assert "bite less than 3.0 mm" in str(refused.value)
    with pytest.raises(InputError, match=r"125 MPa at its root .* bite less than 2\.4 mm"):  # 3 mm over 1.25
        refuse_yield([touch(1, root_stress=125e6)], stroke(instrument, bite=3e-3), instrument)
    with pytest.raises(InputError, match="stroke slower"):
        refuse_yield([touch(1, root_stress=250e6, regime="strike")], stroke(instrument), instrument)


def test_a_bend_beyond_small_ones_is_told_as_a_share_of_the_length(instrument):
    """13 of 100 mm, or the swings of all partials together; a tenth is still small."""
    apart, named = dataclasses.replace(way(), position=np.array([0.0, 1.0])), "of group 'low A' bends by 13 %"

    def said(*touches, length=LENGTH):
        return warnings(stroke(instrument), apart, touches, length, instrument)

    (words,) = said(touch(1), touch(0, bend=13e-3), length=LENGTH[::-1])
    assert words.startswith(f"tine 1 {named} of its length")
    assert said(touch(1), touch(0, bend=9.9e-3), length=LENGTH[::-1]) == ()
    (words,) = said(touch(1, along=(9e-3, 4e-3)), touch(0))
    assert words.startswith(f"tine 2 {named}")


def test_a_stick_is_told_to_trail_beyond_its_friction_angle(instrument):
    """atan 0.5 is 26.6 degrees; 10 more make an easy stroke."""
    rough = dataclasses.replace(next(iter(instrument.sticks.values())), friction=0.5)
    near = dataclasses.replace(stroke(instrument), stick=rough, tilt=36.0 * DEGREE)
    (said,) = warnings(near, way(), [touch(1), touch(0)], LENGTH, instrument)
    assert "at a tilt of 36 degrees, 27 of which friction takes" in said
    assert said.endswith("let it trail by 37 degrees")
    steeper = dataclasses.replace(near, tilt=37.0 * DEGREE)
    assert warnings(steeper, way(), [touch(1), touch(0)], LENGTH, instrument) == ()
    none = np.zeros(2)
    pluck = Pluck(none, none, none, none, none, none, none, none, 0.0, none, none, none)
    with pytest.raises(InputError, match=r"needs more than 27; let it trail by 37 degrees"):
        refuse_impossible(dataclasses.replace(near, tilt=26.0 * DEGREE), way(), pluck, instrument)
    refuse_impossible(near, way(), pluck, instrument)
    # 45 N on the tine that is met last, where a grip holds 30: two thirds of its bite
    hard = dataclasses.replace(pluck, hand_force=np.array([20.0, 45.0]))
    with pytest.raises(
        InputError, match=r"45 N on tine 1 of group 'low A', where a grip .* 30 N; bite 2\.0 mm"
    ):
        refuse_impossible(steeper, way(), hard, instrument)


def test_a_stick_at_a_root_is_told_the_shortest_tine_that_it_passes(instrument):
    class Tips:
        tip = np.array([0.12, 0.10, 0.01, 0.01])

    low = dataclasses.replace(stroke(instrument), height=81e-3)
    words = r"81 mm below .* root of tine 2 of group 'low A', which is 100.0 mm .* height 80 mm at most"
    with pytest.raises(InputError, match=words):
        refuse_too_low(low, way(), Tips, instrument)  # type: ignore[arg-type]
    refuse_too_low(dataclasses.replace(low, height=79e-3), way(), Tips, instrument)  # type: ignore[arg-type]


BOOKS = EnergyBalance(hand=2.0, start=0.5, end=0.9, tines=0.3, stick=0.6, contact=0.4, spring=0.1)


@pytest.mark.parametrize(("contact", "said"), [(0.76, ""), (0.74, "10 %"), (0.4, "24 %"), (np.nan, "nan %")])
def test_books_that_are_off_by_a_tenth_or_are_no_number_are_refused(instrument, contact, said):
    books = dataclasses.replace(BOOKS, contact=contact)
    if not said:
        refuse_unbooked(books, instrument)
        return
    with pytest.raises(InputError, match=f"its energy is off by {said} of what there was") as refused:
        refuse_unbooked(books, instrument)
    assert refused.value.file == instrument.file
