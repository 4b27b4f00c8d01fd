"""The compiled contact against a slow reference in plain Python; that it pauses, goes on and asks for no memory."""

import dataclasses
import math

import numpy as np
import pytest
from numba import njit

from synth.playing.contact import compiled, kernel, layout
from synth.playing.contact import run as room
from synth.playing.contact.arrays import InitialState, rotation
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT, REFERENCE, ContactResolution
from synth.playing.contact.run import sweep
from synth.playing.contact.stick import stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.contact.traced import lever, traced
from synth.playing.stroke import Stroke
from synth.units import DEGREE

COARSE = ContactResolution(tine_modes=8, beam_modes=6, step=2e-6, bin_steps=2)
TURNED = 0.5  # rad, of the tines' planes from the row


def decibels(ratio):
    return 20.0 * np.log10(ratio)


def prepared(row, stroke, resolution=COARSE, *, leaning=True):
    """Passage, tips with turned planes of unlike pitch, the stick, a row at rest."""
    way = passage(stroke, row.instrument, row.tines.frequency[:, 0, 0])
    tip = tips(row.tines, way.tine, depth=0.0, count=resolution.tine_modes)
    count = len(way.tine)
    unlike = np.array([1.0, 1.05])[None, :, None]
    tip = dataclasses.replace(
        tip, axis=np.full(count, TURNED), frequency=tip.frequency * unlike, slope=tip.slope * leaning
    )
    stick = stick_modes(
        stroke.stick,
        tilt=stroke.tilt,
        skew=stroke.skew,
        beam_modes=resolution.beam_modes,
        grip=stroke.grip,
        whole=resolution.whole,
    )
    return (
        way,
        tip,
        stick,
        InitialState(np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape), np.zeros(count)),
    )


def both(plain_contact, row, stroke, *, leaning, step=2e-6):
    """The pass of the kernel, ended, and the plain one for as long."""
    resolution = dataclasses.replace(COARSE, step=step)
    way, tip, stick, rest = prepared(row, stroke, resolution, leaning=leaning)
    pass_ = room.Pass(stroke, way, tip, stick, rest, resolution, leaves=0.0)
    assert pass_.go_on() == layout.PASSED
    plain = plain_contact.stroke(
        stroke,
        way,
        tip,
        beam_modes=resolution.beam_modes,
        step=step,
        start=pass_.course.start,
        first=pass_.course.position,
        seconds=pass_.state.clock[layout.DONE] * step,
        leaning=leaning,
    )
    return pass_, tip, plain


def ended(pass_, tip):
    """The tines' modal displacement and velocity (T, 2, n), each turned on to the end of the pass."""
    ring = pass_.swept().ring
    end = pass_.course.start + pass_.state.clock[layout.DONE] * pass_.course.step
    turn = np.moveaxis(
        rotation(2.0 * math.pi * tip.frequency, tip.decay_rate, (end - ring.time)[:, None, None]), -2, 0
    )
    q, p = ring.displacement, ring.velocity
    return turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p


def pushes(swept, count):
    """(T, 2) N s, in the tines' planes, and (T,) up."""
    by_tine = [swept.tine == i for i in range(count)]
    return np.array([[*swept.impulse[mine].sum(axis=0), swept.up[mine].sum()] for mine in by_tine])


@pytest.mark.parametrize(
    ("stick", "direction", "skew", "leaning"),
    [
        ("wood", "forward", 0.0, True),
        ("nylon", "backward", 35.0 * DEGREE, True),
        ("wood", "forward", -15.0 * DEGREE, False),
    ],
)
def test_the_kernel_does_what_plain_python_does(plain_contact, row_of, leaning, stick, direction, skew):
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    stroke = Stroke(0, row.stick(stick), speed=2.0, bite=1.5e-3, direction=direction, skew=skew)
    pass_, tip, plain = both(plain_contact, row, stroke, leaning=leaning)
    swept = pass_.swept()
    assert plain.touches > 2
    names = ("impulse", "turning", "normal", "up")
    bins = np.column_stack([getattr(swept, name) for name in names])
    told = np.array([bins[swept.tine == i].sum(axis=0) for i in range(2)])
    size = np.abs(plain.bins).max(axis=0)
    np.testing.assert_allclose(told / size, plain.bins / size, atol=1e-6)
    tally = pass_.state.tally
    times, exact = [layout.T_FIRST, layout.T_LAST], [layout.T_FORCE, layout.T_WORK, layout.T_TOUCHES]
    np.testing.assert_allclose(tally[:, times], plain.tally[:, times], atol=1.01 * COARSE.step)
    np.testing.assert_allclose(tally[:, exact], plain.tally[:, exact], rtol=1e-6)
    # looked at every eighth step
    seen = tally[:, [layout.T_MOMENT, layout.T_BEND]] / plain.tally[:, [layout.T_MOMENT, layout.T_BEND]]
    assert np.all(seen <= 1.0 + 1e-6)
    assert np.all(seen > (0.975, 0.995))
    assert swept.books.hand == pytest.approx(plain.hand, rel=1e-6)
    assert swept.books.contact == pytest.approx(plain.contact, rel=1e-6)
    q, p = ended(pass_, tip)
    size = np.abs(plain.velocity).max()
    np.testing.assert_allclose(p, plain.velocity, atol=1e-6 * size)
    end = 0.5 * np.sum(p**2 + (2.0 * math.pi * tip.frequency * q) ** 2)
    end += pass_.stick.energy(pass_.state.stick_q[0], pass_.state.stick_p[0])
    assert end == pytest.approx(plain.end, rel=1e-6)
    # what the bodies lost at every turn, added up, is what the kernel's books say by difference
    assert swept.books.tines + swept.books.stick - end == pytest.approx(plain.damped, rel=1e-5)


def test_what_a_root_bears_in_its_free_ring_is_known_as_soon_as_the_stick_has_left(row_of):
    """A stroke may be refused stage by stage: the swing to come counts before it has come."""
    row = row_of([160.0])
    stroke = Stroke(0, row.stick("brass"), speed=3.0, bite=2e-3)
    given = prepared(row, stroke, EVENT)
    whole, begun = (room.Pass(stroke, *given, EVENT, leaves=0.0) for _ in range(2))
    assert whole.go_on() == layout.PASSED
    while begun.now <= whole.state.tally[0, layout.T_LAST]:
        assert begun.go_on(layout.LONG) == layout.PAUSED
    known, foretold = (float(each[0, layout.T_MOMENT]) for each in (begun.state.tally, begun.swept().tally))
    assert foretold > 1.05 * known
    assert foretold == pytest.approx(whole.state.tally[0, layout.T_MOMENT], rel=0.02)


@pytest.mark.parametrize("speed", [0.3, 3.0])
def test_roots_are_rung_on_only_where_it_could_matter_and_never_judged_otherwise(contact_row, speed):
    """Whatever they bear: more than that is found exactly where following every root's ring finds it."""
    stroke = Stroke(0, contact_row.stick("brass"), speed=speed, bite=2e-3)
    pass_ = room.Pass(stroke, *prepared(contact_row, stroke, EVENT), EVENT, leaves=0.0)
    judged = []
    while pass_.go_on(4000) == layout.PAUSED:
        every = pass_.tally()[:, layout.T_MOMENT]
        for share in (0.3, 0.99, 0.9999, 1.0, 1.01, 2.0, 30.0):
            borne = share * every + 1e-9
            judged.append(bool(np.any(every > borne)))
            assert bool(np.any(pass_.moments(borne) > borne)) == judged[-1]
    assert {*judged} == {False, True}


def test_a_trace_is_the_history_sorted_by_tine_and_turned_to_the_row(contact_row):
    stroke = Stroke(0, contact_row.stick("wood"), speed=1.0, direction="backward")
    way, tip, stick, rest = prepared(contact_row, stroke, EVENT)
    one, other = (room.Pass(stroke, way, tip, stick, rest, EVENT, leaves=0.0) for _ in range(2))
    for pass_ in (one, other):  # the end of it four times as finely, in bins four times as narrow
        pass_.go_on(12_000)
        pass_.shut()
        pass_.refine(dataclasses.replace(EVENT, step=0.5e-6))
        assert pass_.go_on() == layout.PASSED
    swept, trace = one.swept(), traced(other.taken(), way, tip)
    order = np.lexsort((swept.time, way.tine[swept.tine]))
    k = swept.tine[order]
    turn = np.exp(1j * tip.axis[k])
    push, lean = (((each[:, 0] + 1j * each[:, 1])[order]) * turn for each in (swept.impulse, swept.turning))
    np.testing.assert_array_equal(trace.tine, way.tine[k])
    np.testing.assert_allclose(trace.time, swept.time[order], rtol=1e-14)
    np.testing.assert_allclose(trace.push[:, 0] + 1j * trace.push[:, 1], push, rtol=1e-12, atol=1e-18)
    np.testing.assert_array_equal(trace.push[:, 2], swept.up[order])
    np.testing.assert_allclose(trace.turn[:, 0] + 1j * trace.turn[:, 1], lean, rtol=1e-12, atol=1e-18)
    whole = push + lever(tip)[k] * lean
    np.testing.assert_allclose(trace.impulse[:, 0] + 1j * trace.impulse[:, 1], whole, rtol=1e-12, atol=1e-18)
    assert trace.bin_s == EVENT.bin
    assert len({*trace.tine.tolist()}) == len(way.tine)


@pytest.mark.slow
def test_the_tips_lean_matters_where_it_should(row_of):
    """The lean turns the normal and gives the push an arm: small in the first partial, more in the upper ones."""
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    stroke = Stroke(0, row.stick("wood"), speed=0.3, bite=2e-3)
    rings = []
    for leaning in (True, False):
        way, tip, stick, rest = prepared(row, stroke, REFERENCE, leaning=leaning)
        swept = sweep(stroke, way, tip, stick, rest, REFERENCE, leaves=0.0)
        assert abs(swept.books.residual) < 5e-4
        rings.append(np.hypot(swept.ring.velocity[:, 0], 2e3 * swept.ring.displacement[:, 0]))
    change = np.abs(decibels(rings[0] / rings[1]))
    assert 0.01 < change[:, 0].max() < 3.0


def test_the_lean_settles_with_the_step(row_of):
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    stroke = Stroke(0, row.stick("nylon"), speed=1.0, bite=1.5e-3)
    forces = []
    for step in (2e-6, 1e-6, 0.5e-6, 0.25e-6):
        resolution = dataclasses.replace(COARSE, step=step)
        way, tip, stick, rest = prepared(row, stroke, resolution)
        forces.append(pushes(sweep(stroke, way, tip, stick, rest, resolution, leaves=0.0), 2)[:, 2])
    error = [np.abs(force / forces[-1] - 1.0).max() for force in forces[:-1]]
    assert error[2] < 0.01
    assert error[2] < error[0]


@pytest.mark.parametrize("steps", [1, 777, 100_000])
def test_a_pass_that_pauses_goes_on_as_if_it_had_not(row_of, steps):
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    stroke = Stroke(0, row.stick("wood"), speed=1.0)
    way, tip, stick, rest = prepared(row, stroke, EVENT)
    whole = sweep(stroke, way, tip, stick, rest, EVENT, leaves=0.0)
    pass_ = room.Pass(stroke, way, tip, stick, rest, EVENT, leaves=0.0)
    calls = 0
    while pass_.go_on(steps) == layout.PAUSED:
        calls += 1
    assert calls > 0 or steps == 100_000
    again = pass_.swept()
    np.testing.assert_array_equal(again.impulse, whole.impulse)
    np.testing.assert_array_equal(again.ring.velocity, whole.ring.velocity)
    assert again.books == whole.books


def test_a_small_history_is_emptied_and_nothing_is_lost(row_of, monkeypatch):
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    stroke = Stroke(0, row.stick("wood"), speed=1.0)
    given = prepared(row, stroke, EVENT)
    whole = sweep(stroke, *given, EVENT, leaves=0.0)
    monkeypatch.setattr(room, "ROOM", 10)
    np.testing.assert_array_equal(sweep(stroke, *given, EVENT, leaves=0.0).impulse, whole.impulse)


@pytest.mark.slow
def test_the_compiled_pass_asks_nobody_for_memory_and_raises_nothing(row_of, monkeypatch):
    row = row_of([120.0, 80.0], spacing_mm=12.0)
    given = prepared(row, Stroke(0, row.stick("wood"), speed=3.0), EVENT)
    pass_ = room.Pass(Stroke(0, row.stick("wood"), speed=3.0), *given, EVENT, leaves=0.0)
    # compiled anew, for what comes out of numba's cache keeps no text; with references counted, so that they show
    anew = njit(nogil=True, error_model="numpy", fastmath=compiled.REORDERED)
    monkeypatch.setattr(kernel, "cached_jit", lambda function, **_: anew(function))
    run = kernel.runner.__wrapped__(EVENT.tine_modes)
    run(pass_.row, pass_.held, pass_.course, pass_.state, pass_.history, 1)
    (text,) = run.inspect_llvm().values()  # type: ignore[attr-defined]
    body = next(part for part in text.split("\ndefine ")[1:] if "cpython" not in part.split("(")[0])
    for called in ("NRT_Allocate", "NRT_MemInfo_alloc", "numba_unpickle", "PyErr", "numba_gil"):
        assert called not in body


def levels(row, stroke, resolution):
    given = prepared(row, stroke, resolution)
    swept = sweep(stroke, *given, resolution, leaves=0.0)
    omega = 2.0 * math.pi * given[1].frequency
    return np.hypot(swept.ring.velocity, omega * swept.ring.displacement)[:, :, :2]


def test_quiet_steps_change_no_more_than_a_nudge_of_the_bite_does(contact_row):
    """A held tine is followed four steps at once; off, twice and four times: the partials stay where they were."""
    two, four, nudge = [], [], []
    for stick in ("wood", "nylon"):
        for speed in (0.05, 0.2, 0.7):
            stroke = Stroke(0, contact_row.stick(stick), speed=speed, bite=1.7e-3)
            plain = dataclasses.replace(EVENT, quiet_steps=1)
            base = levels(contact_row, stroke, plain)
            two.append(
                decibels(levels(contact_row, stroke, dataclasses.replace(EVENT, quiet_steps=2)) / base)
            )
            four.append(decibels(levels(contact_row, stroke, EVENT) / base))
            other = dataclasses.replace(stroke, bite=1.01 * stroke.bite)
            nudge.append(decibels(levels(contact_row, other, plain) / base))
    width = [np.percentile(np.abs(np.concatenate(each)), 68.0, axis=(0, 1)) for each in (two, four, nudge)]
    assert width[1][0] < 0.3
    assert width[1][1] < 1.0
    assert np.all(width[0] < 1.5 * width[1] + 0.05)


@pytest.mark.parametrize("loss", [0.01, 1.9, 2.0, 2.1, 90.0])
@pytest.mark.parametrize("time", [1e-6, 1e-3, 5.0])
def test_a_mode_damped_beyond_swinging_creeps_and_its_state_stays_a_number(loss, time):
    """Against the matrix exponential of q' = p, p' = -omega^2 q - 2 decay p."""
    from scipy.linalg import expm

    from synth.playing.contact.modal_step import turn_by

    omega = np.array([[2.0 * math.pi * 9000.0]])
    decay = 0.5 * loss * omega
    q, p = np.array([[1e-6]]), np.array([[0.03]])
    scale = omega[0, 0]  # so that the matrix is of one size
    turned = expm(time * scale * np.array([[0.0, 1.0], [-1.0, -loss]])) @ [q[0, 0], p[0, 0] / scale]
    turn_by(q, p, 0, omega, decay, time)
    assert q[0, 0] == pytest.approx(turned[0], rel=1e-6, abs=1e-15)
    assert p[0, 0] / scale == pytest.approx(turned[1], rel=1e-6, abs=1e-15)


def test_a_lossy_tine_that_is_missed_leaves_no_figure_that_is_no_number(contact_row):
    """Clamp losses that grow with pitch, at the end of what may be said."""
    row = dataclasses.replace(contact_row.tines, loss_factor=contact_row.tines.loss_factor * 1e4)
    stroke = Stroke(group=0, stick=next(iter(contact_row.instrument.sticks.values())), speed=0.3, bite=1e-3)
    contact = stroke_row(stroke, contact_row.instrument, row, allow_yield=True)
    assert np.isfinite(contact.books.end)
    assert all(np.isfinite([*touch.along, *touch.across]).all() for touch in contact.touches)


@pytest.mark.parametrize("loss", [0.0, 1.9999, 2.0, 2.0001, 90.0])
def test_the_step_of_a_mode_is_that_of_its_equation_at_critical_damping_too(loss):
    from scipy.linalg import expm

    omega, time = 2.0 * math.pi * 9000.0, 2e-5
    step = rotation(np.array([omega]), np.array([0.5 * loss * omega]), time)[:, 0]
    turned = expm(time * omega * np.array([[0.0, 1.0], [-1.0, -loss]]))
    plain = [turned[0, 0], turned[0, 1] / omega, turned[1, 0] * omega, turned[1, 1]]
    np.testing.assert_allclose(step, plain, rtol=1e-6)


@pytest.mark.parametrize("loss", [1.6, 2.0, 3.0])
def test_what_rests_is_still_at_rest_when_turned_far_back(loss):
    """exp of the way back would be infinite, and nothing times infinity no number."""
    from synth.playing.contact.modal_step import turn_by

    omega = np.array([[2.0 * math.pi * 17_000.0]])
    q, p = np.zeros((1, 1)), np.zeros((1, 1))
    turn_by(q, p, 0, omega, 0.5 * loss * omega, -0.5)
    assert (q[0, 0], p[0, 0]) == (0.0, 0.0)
