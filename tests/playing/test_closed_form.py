"""The closed form of a stroke against the statics and the releases it is made of."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.errors import InputError
from synth.playing.contact import refusals
from synth.playing.contact.closed_form import Path, pluck, regime
from synth.playing.contact.modes import tips
from synth.playing.contact.stick import compliance
from synth.playing.contact.stick_path import first_touch, lowered_by, passage, touch_time
from synth.playing.stroke import Stroke

DB = 20.0 / math.log(10.0)  # of a small relative difference


def closed(row, stroke):
    way = passage(stroke, row.instrument, row.tines.frequency[:, 0, 0])
    tip = tips(row.tines, way.tine, depth=stroke.height, count=10)
    return pluck(stroke, way, tip), way, tip


def test_the_tip_is_as_stiff_as_the_textbook_beam(contact_row):
    tip = tips(contact_row.tines, np.arange(12), depth=0.0, count=10)
    length = np.linspace(0.140, 0.050, 12)
    # 3 E I / L^3 (any text on strength of materials); shear makes a rod of 3 x 50 mm softer by 0.1 %
    textbook = 3.0 * 193e9 * math.pi * 0.003**4 / 64.0 / length**3
    np.testing.assert_allclose(tip.stiffness, textbook, rtol=0.003)


def test_the_hold_force_grows_with_bite_and_not_with_the_tine(contact_row):
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.01)
    forces = [
        closed(contact_row, dataclasses.replace(stroke, bite=bite))[0].hand_force
        for bite in (1e-3, 2e-3, 4e-3)
    ]
    # what stands in the stick's way, less what its rounded end takes, counts: F goes as o - rho (1 - sin a)
    ways = np.array([1e-3, 2e-3, 4e-3]) - 1.3e-3 * (1.0 - math.sqrt(0.5))
    np.testing.assert_allclose(
        np.array([force[0] for force in forces]) / ways, forces[0][0] / ways[0], rtol=0.05
    )
    # Quasi-static and unhurried, the tine's own stiffness (0.8 to 18 kN/m along the row) has no say.
    for force in forces:
        assert np.ptp(force) / force[0] < 0.01


def test_a_backward_stroke_mirrors_the_times(contact_row):
    forward, backward = (
        closed(contact_row, Stroke(0, contact_row.stick("wood"), direction=direction))[:2]
        for direction in ("forward", "backward")
    )
    np.testing.assert_array_equal(forward[1].tine, backward[1].tine[::-1])
    np.testing.assert_allclose(forward[0].touch, backward[0].touch, atol=1e-12)


def test_the_first_touch_is_the_start_of_the_stroke(contact_row):
    stroke = Stroke(0, contact_row.stick("brass"), start=1.25, lean=0.7)
    way = passage(stroke, contact_row.instrument, contact_row.tines.frequency[:, 0, 0])
    times = touch_time(way, end_radius=stroke.stick.end_radius, tilt=stroke.tilt, skew=0.0)
    assert times.min() == pytest.approx(1.25, abs=1e-12)


@pytest.mark.parametrize("direction", ["forward", "backward"])
def test_a_stick_leans_by_the_pitches_of_the_group_that_it_passes(contact_row, direction):
    """Two groups of one row: the second leans by its own pitches, which go otherwise than the first's."""
    (whole,) = contact_row.instrument.groups
    groups = (dataclasses.replace(whole, count=6), dataclasses.replace(whole, first=6, count=6))
    instrument = dataclasses.replace(contact_row.instrument, groups=groups)
    pitch = np.concatenate([np.full(6, 300.0), 400.0 * 2.0 ** (np.array([3, 1, 6, 2, 4, 5]) / 12.0)])
    stroke = Stroke(1, contact_row.stick("wood"), bite=2e-3, lean=0.5, direction=direction)
    way = passage(stroke, instrument, pitch)
    lean = (np.array([3, 1, 6, 2, 4, 5]) - 3.5) / 2.5
    wanted = dict(zip(range(6, 12), 2e-3 * (1.0 + 0.5 * lean), strict=True))
    assert way.tine.tolist() == (list(range(6, 12)) if direction == "forward" else list(range(11, 5, -1)))
    np.testing.assert_allclose(way.bite, [wanted[each] for each in way.tine.tolist()], rtol=1e-9)


@pytest.mark.parametrize("skew", [0.0, 0.5])
def test_the_second_tine_is_touched_when_the_stick_has_gone_the_way_between_them(contact_row, skew):
    """A heading askew meets a tine's edge further off along the row, a fat one more so than a thin one."""
    stroke = Stroke(0, contact_row.stick("brass"), speed=0.4, bite=2e-3)
    way = passage(stroke, contact_row.instrument, contact_row.tines.frequency[:, 0, 0])
    there = first_touch(way, end_radius=1.3e-3, tilt=0.6, skew=skew)
    rho = 1.3e-3 + way.edge
    face = (rho + (way.bite - rho) * math.sin(0.6)) / math.cos(0.6)  # deep enough for the face, not the end
    assert np.all(way.bite - rho > -rho * math.sin(0.6))
    np.testing.assert_allclose(there, -(way.diameter / 2.0 - way.edge + face) / math.cos(skew), rtol=1e-12)
    times = touch_time(way, end_radius=1.3e-3, tilt=0.6, skew=skew)
    np.testing.assert_allclose(np.diff(times), np.diff(way.position + there) / 0.4, rtol=1e-9)


def test_low_tines_are_plucked_and_high_ones_struck_in_the_same_sweep(contact_row):
    form, _, _ = closed(contact_row, Stroke(0, contact_row.stick("nylon"), speed=1.0))
    # The strike number v/(w_1 w_q) goes as 1/L at a given hold force: w_1 w_q ~ F/(m w_1) ~ L. A stiff tine bends
    # sooner than a soft one, meets more of the stick's mass and is held the harder: less than 1/L.
    ratio = form.strike_number / form.strike_number[0]
    assert np.all(np.diff(ratio) > 0.0)
    assert np.all(ratio <= 0.140 / np.linspace(0.140, 0.050, 12) * 1.03)
    slow, _, _ = closed(contact_row, Stroke(0, contact_row.stick("nylon"), speed=0.001))
    ratio = slow.strike_number / slow.strike_number[0]
    np.testing.assert_allclose(ratio, 0.140 / np.linspace(0.140, 0.050, 12), rtol=0.03)
    assert [regime(number) for number in (0.1, 1.0, 9.0)] == ["pluck", "mixed", "strike"]


def test_a_stick_that_would_not_slip_holds_at_a_thousandth_of_its_give_across(contact_row):
    """Below the friction angle nothing lets the tine go: what stands in the way over a sliver of the give, in N."""
    stick = dataclasses.replace(contact_row.stick("wood"), friction=1.2)
    stroke = Stroke(0, stick, tilt=math.radians(10.0))
    across, along = 2e-4, 4e-3  # m/N: the end gives along itself far sooner
    path = Path(stroke, np.array([2e-3]), np.array([0.5e-3]), np.array([1e3]), across, along)
    stands = 2e-3 - 0.5e-3 * (1.0 - math.sin(stroke.tilt))
    assert path.force(stroke.tilt) == pytest.approx([stands / 2e-7])
    free = dataclasses.replace(path, along=3e-6, stroke=dataclasses.replace(stroke, tilt=math.radians(80.0)))
    a, bent = math.radians(80.0), math.radians(-10.0) + math.atan(1.2)
    give = math.sin(a) * math.cos(bent) * across - math.cos(a) * math.sin(bent) * 3e-6
    assert free.force(0.5 * math.pi) == pytest.approx([2e-3 / give])


@pytest.mark.parametrize(("bite_mm", "refused"), [(53.6, False), (53.8, True)])
def test_a_rear_edge_stands_no_further_up_than_the_stick_is_long(bite_mm, refused):
    """60 mm at 30 degrees reach 51.96 mm; end and edge, 1.5 and 2 mm round, take 3.5 (1 - sin 30) more: 53.71."""
    stick = SimpleNamespace(length=60e-3, end_radius=1.5e-3, name="short")
    stroke = SimpleNamespace(stick=stick, tilt=math.radians(30.0), pressure=0.0)
    way = SimpleNamespace(
        edge=np.array([2e-3, 2e-3]), bite=np.array([1e-3, bite_mm * 1e-3]), tine=np.array([0, 1])
    )
    tines = tuple(SimpleNamespace(group=0, number=number) for number in (1, 2))
    instrument = SimpleNamespace(
        tines=tines, groups=(SimpleNamespace(name="low"),), file="", bench=SimpleNamespace(units="mm")
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(refusals, "lowered_by", lambda _: 1.0)
        if not refused:
            refusals.refuse_too_deep(stroke, way, instrument)
            return
        with pytest.raises(
            InputError, match=r"would stand 53\.8 mm above .* reaches no higher than 53\.7 mm"
        ):
            refusals.refuse_too_deep(stroke, way, instrument)


def test_a_tine_is_as_soft_as_its_stiffness_times_what_the_stick_gives_across_itself(contact_row):
    """In the fingers, slowly pushed; along itself the stick gives by all fingers together, which is less."""
    found, _, tip = closed(contact_row, Stroke(0, contact_row.stick("wood"), grip="light"))
    across, along = compliance(contact_row.stick("wood"), "light")
    assert across > 1.5 * along
    np.testing.assert_allclose(found.softness, tip.stiffness * across)


@pytest.mark.parametrize(("thick", "edge"), [(4e-3, 0.3e-3), (0.8e-3, 0.2e-3)])
def test_an_edge_is_rounded_by_three_tenths_or_a_quarter_of_a_thin_tine(contact_row, thick, edge):
    one = contact_row.instrument
    rod = dataclasses.replace(one.tines[0].rod, diameter=thick)
    tines = tuple(dataclasses.replace(each, rod=rod) for each in one.tines)
    way = passage(
        Stroke(0, contact_row.stick("wood")),
        dataclasses.replace(one, tines=tines),
        np.full(len(tines), 440.0),
    )
    assert way.edge == pytest.approx(edge)
    assert way.core == pytest.approx(thick / 2.0 - edge)


def test_the_times_of_a_stroke_follow_from_its_ways(contact_row):
    """Slowly: until it slips, round the stick's end, over the flat top, off the far edge within 0.2 mm."""
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.02, bite=2e-3)
    found, way, tip = closed(contact_row, stroke)
    rho = stroke.stick.end_radius + way.edge
    slow = Path(stroke, way.bite, rho, tip.stiffness, *compliance(stroke.stick, stroke.grip))
    np.testing.assert_allclose(found.slip - found.touch, slow.travel(stroke.tilt) / 0.02, rtol=0.05)
    round_end = slow.travel(0.5 * math.pi) - slow.travel(stroke.tilt)
    np.testing.assert_allclose(found.top - found.slip, np.maximum(round_end, 0.3 * rho) / 0.02, rtol=0.2)
    flat = way.diameter - 2.0 * way.edge
    assert np.all(flat > 1e-3)
    np.testing.assert_allclose(found.leave - found.top, flat / 0.02)
    assert found.drop_time == pytest.approx(0.01)
    assert np.all(found.top_force <= found.hold_force)


@pytest.mark.parametrize("grip", ["light", "firm"])
@pytest.mark.parametrize("tilt", [5.0, 30.0, 85.0])
def test_a_hand_presses_an_upright_stick_along_itself_and_a_flat_one_across(contact_row, grip, tilt):
    """1 N down gives along by its share there and across by its share there; each share's way down again."""
    stroke = Stroke(0, contact_row.stick("wood"), grip=grip, tilt=math.radians(tilt))
    down = np.array([math.sin(stroke.tilt), math.cos(stroke.tilt)])  # across the stick, along it
    given = np.array(compliance(stroke.stick, grip)) * down
    assert lowered_by(stroke) == pytest.approx(float(given @ down))
    bare, pressed = (
        passage(
            dataclasses.replace(stroke, pressure=newton),
            contact_row.instrument,
            contact_row.tines.frequency[:, 0, 0],
        )
        for newton in (0.0, 0.5)
    )
    np.testing.assert_allclose(pressed.bite - bare.bite, 0.5 * float(given @ down))


@pytest.mark.parametrize("beta", [0.7, 1.2, 0.5 * math.pi])
def test_force_and_travel_are_those_of_a_stick_that_gives_both_ways(contact_row, beta):
    """By vectors: what the contact pushes the end with, how the end gives across and along itself, what is left."""
    stroke = Stroke(0, contact_row.stick("wood"), tilt=0.7)
    a, mu, across, along, k = 0.7, contact_row.stick("wood").friction, 4e-4, 2.5e-4, 1.3e3
    bite, rho = 2e-3, 1.1e-3
    path = Path(stroke, np.array([bite]), np.array([rho]), np.array([k]), across, along)
    force = float(path.force(beta)[0])
    turn = beta - math.atan(mu)
    push = force * np.array([-math.cos(turn), math.sin(turn)])  # on the end, back and up
    gives = [np.array([math.cos(a), -math.sin(a)]), np.array([math.sin(a), math.cos(a)])]
    moved = sum(give * (way @ push) * way for give, way in zip((across, along), gives, strict=True))
    # round its end the stick has risen by what the tine stands in its way, less what the end's curve takes
    assert moved[1] == pytest.approx(bite - rho * (1.0 - math.sin(beta)))
    assert path.along_row(beta)[0] == pytest.approx(-push[0])
    face = (bite - rho * (1.0 - math.sin(a))) / math.cos(a)  # along the stick, where it is first met
    rolled = rho * (math.cos(a) - math.cos(beta)) + face * math.sin(a)
    assert path.travel(beta)[0] == pytest.approx(-push[0] / k - moved[0] + rolled)


@pytest.mark.parametrize(
    ("number", "fling"),
    [
        (0.0, 1.1),
        (0.5, 1.1),
        (1.0, 1.4),
        (2.0, 1.7),
        (math.sqrt(12.0), 2.45),
        (6.0, 3.2),
        (20.0, 7.2),
        (99.0, 7.2),
    ],
)
def test_a_struck_tine_is_flung_further_than_it_is_held(contact_row, number, fling):
    """The factors 1.1, 1.7, 3.2 and 7.2 at strike numbers of 0.5, 2, 6 and 20; between them by their ratio."""
    found, _, _ = closed(contact_row, Stroke(0, contact_row.stick("wood")))
    flung = dataclasses.replace(found, strike_number=np.full(12, number))
    np.testing.assert_allclose(flung.greatest_bend, fling * found.bend)


@pytest.mark.parametrize("bite", [0.1e-3, 0.6e-3, 2e-3])
def test_a_tine_is_held_by_the_hardest_of_the_places_round_the_end(contact_row, bite):
    """Place by place: harder on the way round than where the tine begins to slip."""
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.01, bite=bite, tilt=0.5)
    form, way, tip = closed(contact_row, stroke)
    slow = Path(
        stroke,
        way.bite,
        stroke.stick.end_radius + way.edge,
        tip.stiffness,
        *compliance(stroke.stick, stroke.grip),
    )
    places = np.linspace(stroke.tilt, 0.5 * math.pi, 13).tolist()
    forces = np.array([slow.along_row(beta) for beta in places])
    np.testing.assert_allclose(form.hand_force, forces.max(axis=0), rtol=1e-12)
    assert np.all(forces.argmax(axis=0) > 0)
