"""The traced force against what it does: the tines' state, its signs, both planes, the stick's line."""

import dataclasses
import math

import numpy as np
import pytest

from synth.playing.contact.arrays import InitialState
from synth.playing.contact.closed_form import pluck
from synth.playing.contact.modes import tips
from synth.playing.contact.run import sweep
from synth.playing.contact.stick import stick_line, stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, stroke_row
from synth.playing.stroke import Stroke
from synth.units import DEGREE

AXIS = 0.6  # rad, of the tines' planes from the row
SPLIT = 1.03  # one plane over the other


@pytest.fixture(scope="module")
def turned(contact_row):
    """The row with its principal planes turned, one of them stiffer: a wrong plane or sign shows."""
    tines = contact_row.tines
    ratio = np.array([1.0, SPLIT])[None, :, None]
    return dataclasses.replace(
        contact_row,
        tines=dataclasses.replace(
            tines, axis=np.full(len(tines.mass), AXIS), frequency=tines.frequency * ratio
        ),
    )


def struck(row, **how):
    stroke = Stroke(0, row.stick("wood"), speed=0.5, **how)
    return stroke_row(stroke, row.instrument, row.tines, resolution=EVENT, allow_yield=True)


def left(row, stroke):
    """The tines' state as the kernel leaves it: index (T,), as a `Ring`, omega and decay (T, 2, n)."""
    way = passage(stroke, row.instrument, row.tines.frequency[:, 0, 0])
    tip = tips(row.tines, way.tine, depth=stroke.height, count=EVENT.tine_modes)
    stick = stick_modes(
        stroke.stick,
        tilt=stroke.tilt,
        skew=stroke.skew,
        beam_modes=EVENT.beam_modes,
        whole=EVENT.whole,
    )
    ring = InitialState(np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape), np.zeros(len(way.tine)))
    leaves = float(pluck(stroke, way, tip).leave.max())
    ring = sweep(stroke, way, tip, stick, ring, EVENT, leaves=leaves).ring
    return way.tine, ring, 2.0 * math.pi * tip.frequency, tip.decay_rate


def momentum(row, trace, tine, omega, decay, time):
    """Modal displacement and velocity (2, n) of one tine at a time, from the traced force: a sum over its bins."""
    mine = trace.tine == tine
    tip = tips(row.tines, np.array([tine]), depth=0.0, count=EVENT.tine_modes)
    turn = np.array([[math.cos(AXIS), math.sin(AXIS)], [-math.sin(AXIS), math.cos(AXIS)]])
    late = (time - trace.time[mine])[:, None, None]
    damped = np.sqrt(omega**2 - decay**2)
    push, lean = (part[mine, :2] @ turn.T for part in (trace.push, trace.turn))
    swing = np.exp((1j * damped - decay) * late)
    modal = ((push[:, :, None] * tip.shape[0] + lean[:, :, None] * tip.slope[0]) * swing).sum(axis=0)
    return (modal / damped).imag, ((1j * damped - decay) * modal / damped).imag


@pytest.mark.parametrize("direction", ["forward", "backward"])
@pytest.mark.parametrize("skew", [0.0, 25.0 * DEGREE])
def test_the_traced_force_leaves_the_state_that_the_stroke_left(turned, direction, skew):
    contact = struck(turned, direction=direction, skew=skew)
    stroke = Stroke(0, turned.stick("wood"), speed=0.5, direction=direction, skew=skew)
    index, ring, omega, decay = left(turned, stroke)
    for k, tine in enumerate(index):
        q, p = momentum(turned, contact.trace, tine, omega[k], decay[k], ring.time[k])
        for plane in range(2):
            size = np.hypot(p[plane, 0], omega[k, plane, 0] * q[plane, 0])
            assert ring.velocity[k, plane, 0] == pytest.approx(p[plane, 0], abs=1e-3 * size)
            assert omega[k, plane, 0] * ring.displacement[k, plane, 0] == pytest.approx(
                omega[k, plane, 0] * q[plane, 0], abs=1e-3 * size
            )


@pytest.mark.parametrize(("direction", "sign"), [("forward", 1.0), ("backward", -1.0)])
def test_the_force_points_the_way_the_stick_goes(turned, direction, sign):
    trace = struck(turned, direction=direction, skew=25.0 * DEGREE).trace
    for tine in range(12):
        along, across, _ = trace.push[trace.tine == tine].sum(axis=0)
        assert sign * along > 0.0
        # the normal points 25 degrees off the way, friction against the sliding along it: between both
        assert 0.1 < across / abs(along) < math.tan(25.0 * DEGREE)


@pytest.mark.parametrize("height", [0.0, 8e-3])
def test_the_impulse_alone_does_nearly_what_push_and_turn_do_together(contact_row, height):
    """Within 0.4 dB for the first four partials; the push alone misses up to 1.4 dB of them."""
    trace = struck(contact_row, height=height).trace
    bare = dataclasses.replace(trace, turn=0.0 * trace.turn)
    force = dataclasses.replace(bare, push=np.column_stack([trace.impulse, trace.push[:, 2]]))
    end = trace.time.max()
    whole, alone, pushed = (contact_row.along(contact_row.state(each, end)) for each in (trace, force, bare))
    heard = contact_row.tines.exists[:, :4]
    error, missed = (20.0 * np.log10(each[:, :4][heard] / whole[:, :4][heard]) for each in (alone, pushed))
    assert np.median(np.abs(error)) < 0.4
    assert np.median(np.abs(error)) < 0.7 * np.median(np.abs(missed))


def test_the_stick_is_pushed_up_and_pushes_down(turned):
    trace = struck(turned).trace
    for tine in range(12):
        assert trace.push[trace.tine == tine, 2].sum() < 0.0


def test_bins_stand_by_tine_then_time(turned):
    contact = struck(turned)
    trace = contact.trace
    assert np.all(np.diff(trace.tine) >= 0)
    assert np.all(np.diff(trace.time)[np.diff(trace.tine) == 0] > 0.0)
    assert trace.bin_s == EVENT.bin
    number = (trace.time - trace.start) / trace.bin_s - 0.5
    np.testing.assert_allclose(number, np.round(number), atol=1e-5)
    first = [trace.time[trace.tine == touch.tine].min() - touch.first_touch for touch in contact.touches]
    assert np.all(np.abs(first) <= trace.bin_s)


def test_a_stroke_above_the_row_leaves_an_empty_trace(turned):
    trace = struck(turned, bite=0.0).trace
    assert trace.time.size == trace.tine.size == 0
    assert trace.impulse.shape == trace.turn.shape == (0, 2)
    assert trace.push.shape == (0, 3)


def test_the_sticks_line_starts_at_rest_with_its_end_pushed(contact_row):
    line = stick_line(
        contact_row.stick("wood"), tilt=0.7, skew=0.3, sign=-1.0, beam_modes=REFERENCE.beam_modes
    )
    assert np.all(np.abs(line.residue.sum(axis=0).real) < 1e-6 * np.abs(line.residue[:, 0]).max())
    speed = (line.residue * line.pole[:, None]).sum(axis=0).real  # just after the impulse
    assert speed[0] > 0.0
    np.testing.assert_allclose(np.vstack([line.across, line.axis]) @ line.axis, [0.0, 0.0, 1.0], atol=1e-12)
    assert line.axis[0] < 0.0  # it trails: leans back over the way of a backward stroke
