"""Force to sound in short blocks, held against the command line's drive, bank, filters, limiter and palms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import sosfilt

from synth.page import holding, response, sounding
from synth.sound import bandlimit
from synth.sound.bank import render
from synth.sound.drive import Drive, Force, reciprocal
from synth.sound.limiter import ATTACK, CEILING_DB, RELEASE, Limiter
from synth.sound.onsets import EventBatch
from synth.sound.radiator.stick import stick_weights
from synth.vibration.modal_model import tip_shape
from synth.vibration.modal_projection import Projection

from .conftest import heard

RATE, BLOCK, WIDTH, REACH = 48_000.0, 128, 16, bandlimit.REACH
OFFSETS = 4 * REACH + 1
M = 40


def parts(values):
    return np.stack([values.real, values.imag], axis=-2)


@pytest.fixture(scope="module")
def poles():
    random = np.random.default_rng(5)
    omega = 2.0 * math.pi * np.sort(random.uniform(60.0, 19_000.0, M))
    return -random.uniform(0.5, 200.0, M) + 1j * omega


@pytest.fixture(scope="module")
def known():
    """Windows of `bandlimit` as the page makes them."""
    node, weight = np.polynomial.legendre.leggauss(bandlimit.NODES)
    found = {
        "weights": np.zeros((bandlimit.FRACTIONS + 1, bandlimit.SPREAD)),
        "past": np.zeros(4 * REACH * len(node)),
        "share": np.zeros((OFFSETS, 4 * REACH * len(node))),
        "low": np.zeros(OFFSETS),
    }
    response.windows(node, weight, *found.values())
    return found


@pytest.fixture(scope="module")
def tabled(poles, known):
    turns = np.zeros((2 * BLOCK + 1, 2, M), np.float32)
    step = np.zeros((WIDTH + 1, 2, M))
    limited = np.zeros((OFFSETS, 2, M), np.float32)
    ring = np.zeros((2, len(known["past"])))
    response.tables(parts(poles), RATE, known["past"], known["share"], ring, turns, step, limited)
    return turns, step, limited


def test_windows_are_those_of_the_band_limit(known, poles, tabled):
    offsets = np.arange(-2 * REACH, 2 * REACH + 1) / 2.0
    np.testing.assert_allclose(known["weights"], bandlimit.spread_weights(), atol=1e-12)
    np.testing.assert_allclose(known["low"], bandlimit.low_pass(offsets), atol=1e-12)
    expected = bandlimit.limited_rings(poles / RATE, offsets)
    np.testing.assert_allclose(tabled[2][:, 0] + 1j * tabled[2][:, 1], expected, atol=1e-6)


@pytest.mark.parametrize("immediate", [True, False])
def test_force_is_heard_and_left_behind_as_by_the_drive(poles, known, tabled, immediate):
    random = np.random.default_rng(8)
    weights = random.standard_normal((2, M)) + 1j * random.standard_normal((2, M))
    shape = random.standard_normal((3, M)) + 0.1j * random.standard_normal((3, M))
    count = 300
    time, source = np.sort(random.uniform(0.004, 0.0105, count)), random.integers(0, 3, count)
    push = random.standard_normal(count)
    drive = Drive(poles, weights, immediate=np.array([immediate] * 2), rate=RATE, chunk=BLOCK)
    theirs = drive(drive.inputs(reciprocal(poles, shape)), Force(time, source, push))
    late = theirs.signals.copy()
    ring = render(
        poles,
        weights,
        EventBatch(theirs.ends / RATE, lambda part: theirs.states[part]),
        rate=RATE,
        frames=1000,
    )
    expected = np.zeros((2, 1000))
    expected[:, max(0, theirs.frame) : theirs.frame + late.shape[1]] += late[:, max(0, -theirs.frame) :]
    expected += ring
    ours = played(poles, weights, reciprocal(poles, shape), (time, source, push), immediate, known, tabled)
    error = np.abs(ours - expected[:, : ours.shape[1]]).max() / np.abs(expected).max()
    assert error < 3e-6


def played(poles, weights, drives, force, immediate, known, tabled):
    """The page's way through blocks: spread, hear, leave, ring; seven blocks."""
    turns, step, limited = tabled
    lead = 32
    table = np.zeros((M, 2, 2 * WIDTH), np.float32)
    response.weigh(step, np.ascontiguousarray(parts(weights)), table)
    drives = np.ascontiguousarray(parts(drives)).astype(np.float32)
    within = np.zeros((3, 2, 2, BLOCK + REACH), np.float32)
    beyond = np.zeros((3, 2, 2, 2 * REACH + 1), np.float32)
    for slot in range(3):
        response.answers(
            parts(poles), RATE, np.ascontiguousarray(parts(weights)), int(immediate), known["low"], limited,
            turns, drives, slot, np.zeros((2, M), np.float32), within, beyond,
        )  # fmt: skip
    grid, loud, slots = np.zeros((3, 400)), np.zeros(3, np.int64), np.arange(3)
    state, pending, over = np.zeros((2, M)), np.zeros((2, M)), np.zeros((2, 3 * BLOCK))
    sound = []
    for n in range(-1, 7):
        first = 2 * (n * BLOCK + lead)
        scatter(grid, force, first, known["weights"])
        sounding.touched(grid, 2 * BLOCK, loud)
        out = np.zeros((2, BLOCK + 2 * REACH))
        sounding.hear(grid, 0, 3, 2 * BLOCK, loud, slots, REACH, within, beyond, out)
        over[:, lead - REACH : lead - REACH + out.shape[1]] += out
        signal, total = np.zeros((2, BLOCK)), np.zeros((BLOCK // WIDTH, 2 * WIDTH), np.float32)
        sounding.ring(state, step, table, 0, lead, total, signal)
        state += pending
        pending[:] = 0.0
        sounding.ring(state, step, table, lead, BLOCK - lead, total, signal)
        sounding.leave(grid, 0, 3, loud, slots, turns, drives, np.zeros((2, M), np.float32), pending)
        sound.append(signal + over[:, :BLOCK])
        over = np.concatenate([over[:, BLOCK:], np.zeros((2, BLOCK))], axis=1)
        sounding.shift(grid, 2 * BLOCK)
    return np.concatenate(sound[1:], axis=1)


def scatter(grid, force, first, weights):
    """Adds the impulses whose own block this is, two frames into the next one too."""
    time, source, push = force
    for t, q, p in zip(time, source, push, strict=True):
        point = t * 2.0 * RATE - first
        if 8.0 <= point < 8.0 + 2 * BLOCK:
            floor = math.floor(point)
            place = (point - floor) * bandlimit.FRACTIONS
            row = min(int(place), bandlimit.FRACTIONS - 1)
            share = weights[row] + (place - row) * (weights[row + 1] - weights[row])
            at = floor - (bandlimit.SPREAD // 2 - 1)
            grid[q, at : at + bandlimit.SPREAD] += p * share


def test_bins_are_spread_in_the_rows_own_directions(known):
    history = np.zeros((2, 8))
    history[0] = [1, 1000, 2e-3, 3e-3, 4e-5, 5e-5, 9.0, 7e-3]
    history[1] = [0, 1001, 1e-3, 0.0, 0.0, 0.0, 9.0, 0.0]
    axis, lever = np.array([0.3, -0.4]), np.array([11.0, 13.0])
    line = np.array([[0.6, 0.1, -0.7], [-0.2, 0.9, 0.0]])
    grid = np.zeros((6, 400))
    lost = sounding.spread(
        history, 2, axis, lever, line, 0.01, 2e-6, RATE, 2.0 * 0.01 * RATE, known["weights"], grid
    )
    assert lost == 0
    cos, sin = math.cos(-0.4), math.sin(-0.4)
    push = np.array([2e-3 * cos - 3e-3 * sin, 2e-3 * sin + 3e-3 * cos, 7e-3])
    turn = np.array([4e-5 * cos - 5e-5 * sin, 4e-5 * sin + 5e-5 * cos])
    # the weights of one time add up to 1 but for the window
    sums = grid.sum(axis=1) / known["weights"][0].sum()
    np.testing.assert_allclose(sums[2:4], push[:2] + 13.0 * turn, rtol=1e-3)
    np.testing.assert_allclose(sums[:2], [1e-3 * math.cos(0.3), 1e-3 * math.sin(0.3)], rtol=1e-3)
    other = np.array([1e-3 * math.cos(0.3), 1e-3 * math.sin(0.3), 0.0])
    np.testing.assert_allclose(sums[4:], -line @ (push + other), rtol=1e-3)
    assert abs(np.argmax(np.abs(grid[2])) - 1000 * 2e-6 * 2 * RATE) <= 1.0
    far = sounding.spread(
        history, 2, axis, lever, line, 0.1, 2e-6, RATE, 2.0 * 0.01 * RATE, known["weights"], grid
    )
    assert far == 2


def test_a_silent_bank_goes_on_as_a_heard_one(poles, tabled):
    step = tabled[1]
    start = np.random.default_rng(2).standard_normal((2, M))
    heard_state, silent = start.copy(), start.copy()
    table, total = np.zeros((M, 2, WIDTH), np.float32), np.zeros((8, WIDTH), np.float32)
    for count in (32, 7, 96, 100):
        sounding.ring(heard_state, step, table, 0, count, total, np.zeros((1, BLOCK)))
        sounding.advance(silent, step, count)
    np.testing.assert_allclose(silent, heard_state, rtol=1e-12)
    later = (start[0] + 1j * start[1]) * np.exp(poles * 235 / RATE)
    np.testing.assert_allclose(silent[0] + 1j * silent[1], later, rtol=1e-9)


def test_the_filter_is_scipys():
    random = np.random.default_rng(4)
    sections = np.array([[0.2, 0.1, 0.05, 1.0, -0.6, 0.2], [1.0, -1.0, 0.0, 1.0, -0.99, 0.0]])
    sound = random.standard_normal((2, 300))
    ours, memory = sound.copy(), np.zeros((2, 2, 2))
    for first in range(0, 300, 100):
        piece = np.ascontiguousarray(ours[:, first : first + 100])
        sounding.filtered(sections, memory, piece)
        ours[:, first : first + 100] = piece
    np.testing.assert_allclose(ours, sosfilt(sections, sound), atol=1e-12)


@pytest.mark.parametrize("gain", [0.3, 2.0, 40.0])
def test_the_limiter_is_the_players(gain):
    random = np.random.default_rng(6)
    theirs, memory = Limiter(RATE), np.zeros(2)
    for n in range(20):
        sound = gain * random.standard_normal((2, BLOCK)) * math.exp(-0.2 * n)
        ours = sound.copy()
        cap = 10.0 ** (CEILING_DB / 20.0)
        sounding.limited(ours, memory, cap, ATTACK / RATE, RELEASE / RATE, np.zeros(BLOCK))
        np.testing.assert_allclose(ours, theirs(sound), atol=1e-12)
        assert np.abs(ours).max() <= cap
    assert memory[1] == pytest.approx(theirs.deepest)


def test_what_is_no_number_becomes_silence():
    sound = np.full((2, BLOCK), 0.1)
    sound[1, 5] = math.nan
    sounding.limited(sound, np.zeros(2), 0.5, 0.4, 1e-3, np.zeros(BLOCK))
    assert not sound.any()


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_a_tip_drives_the_modes_as_the_model_says(shape):
    scene = heard(shape, "panel")
    model = scene.model
    tines, bank = packed_parts(scene)
    drives = np.zeros((2, 2, len(model.pole)), np.float32)
    for r in range(len(model.tine_dof)):
        for depth in (0.0, 0.007):
            response.driven(tines, bank, parts(model.pole), r, depth, 0, drives)
            expected = reciprocal(model.pole, tip_shape(model, depth, tine=[r])[0])
            ours = drives[:, 0] + 1j * drives[:, 1]
            assert np.abs(ours - expected).max() < 1e-3 * np.abs(expected).max()


def packed_parts(scene):
    """`approach.Tines` and `response.Body` of a scene, shapes in full."""
    from synth.page import approach
    from synth.page.pack import _tines, body

    class Numbers:
        def put(self, array, kind):
            return np.ascontiguousarray(array, dtype=np.int64 if kind == "i8" else float)

    told = _tines(scene, Numbers())
    tines = approach.Tines(**{name: each for name, each in told.items() if not name.startswith("tip_")})
    found = body(scene.model)
    return tines, response.Body(
        found.dof,
        found.vectors.astype(np.float32),
        np.ascontiguousarray(found.base),
        found.reach,
        scene.model.bases.axis,
        found.force,
        np.ascontiguousarray(scene.model.tines.frequency),
    )


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_a_palm_takes_what_the_projection_says(shape):
    model = heard(shape, "panel").model
    _, bank = packed_parts(heard(shape, "panel"))
    random = np.random.default_rng(9)
    modes = len(model.pole)
    amplitude = (random.standard_normal(modes) + 1j * random.standard_normal(modes)) * 1e-4
    turned, momenta = np.zeros((4, modes)), np.zeros(bank.vectors.shape, np.float32)
    holding.turned_to(parts(model.pole), parts(amplitude), 0.0, turned)
    from synth.vibration.modal_model import tine_state

    for r, (per_hz, flat) in ((1, (0.004, 0.0)), (2, (0.0, 0.3))):
        taken = np.zeros((2, modes))
        holding.gathered(bank, parts(model.pole), r, momenta)
        holding.quietened(bank, parts(model.pole), r, per_hz, flat, turned, momenta, taken)
        which = np.array([r])
        moved, moving = tine_state(model, amplitude, which)
        share = np.expm1(-(per_hz * model.tines.frequency[which] + flat))
        expected = Projection(model)(which, share * moved, share * moving)[0]
        assert np.abs(taken[0] + 1j * taken[1] - expected).max() < 1e-4 * np.abs(expected).max()


def test_the_stick_in_the_air_is_heard_as_on_the_command_line():
    from synth.air import SOUND_SPEED
    from synth.page.pack import _line
    from synth.playing.contact.stick import stick_line
    from synth.sound.radiator import ears
    from synth.sound.radiator.stick import nearest_way

    scene = heard("bent", "bar")
    model, instrument = scene.model, scene.instrument
    line = stick_line(instrument.sticks["brass"], tilt=0.6, skew=0.2, sign=-1.0, beam_modes=12, grip="firm")
    met = np.arange(3)
    told = {name: np.ascontiguousarray(values, dtype=float) for name, (values, _) in _line(line).items()}
    heard_modes = told["pole"].shape[1]
    bases = model.bases
    frame = np.stack([bases.along, bases.across, bases.pointing], axis=1)[1]
    foot, _ = model.bar.frame_at(bases.position[met])
    above = (model.tines.tip - model.tines.height[:, 0])[met, None]
    tip = (foot + bases.arm[met] + above * bases.pointing[met]).mean(axis=0)
    weights = np.zeros((2, 2, 2, heard_modes))
    response.line_weights(
        told["pole"], told["thickness"], told["residue"], told["strength"],
        tip + told["position"][:, None] * (line.axis @ frame), line.across @ frame, ears(instrument),
        SOUND_SPEED, nearest_way(instrument), weights,
    )  # fmt: skip
    expected = stick_weights(line, met, model, instrument)[:, :, line.pole.imag < math.pi * RATE]
    ours = weights[:, :, 0] + 1j * weights[:, :, 1]
    np.testing.assert_allclose(ours, expected, rtol=0, atol=1e-9 * np.abs(expected).max())


def test_every_tine_swings_in_the_picture_as_far_as_its_first_partial_does_in_either_plane():
    """Five tines, four modes: the modulus of the sum of shapes and amplitudes, by complex numbers."""
    random = np.random.default_rng(4)
    vectors = random.normal(size=(12, 4)) + 1j * random.normal(size=(12, 4))
    amplitude = random.normal(size=4) + 1j * random.normal(size=4)
    dof = np.arange(20).reshape(5, 2, 2)
    dof[dof >= 12] = -1
    swing = np.full((5, 2), np.nan)
    both = np.stack([vectors.real, vectors.imag], axis=1)
    holding.swings(dof, both, np.stack([amplitude.real, amplitude.imag]), swing)
    wanted = [[abs(vectors[v] @ amplitude) if v >= 0 else 0.0 for v in own] for own in dof[:, :, 0].tolist()]
    assert swing == pytest.approx(np.array(wanted))


def test_turned_amplitudes_are_those_after_a_time_and_their_rate():
    pole, amplitude = np.array([-2.0 + 300j, -5.0 + 900j]), np.array([1.0 + 2.0j, -0.5 + 0.1j])
    turned = np.zeros((4, 2))
    holding.turned_to(parts(pole), parts(amplitude), 0.01, turned)
    later = amplitude * np.exp(pole * 0.01)
    assert turned == pytest.approx(
        np.array([later.real, later.imag, (pole * later).real, (pole * later).imag])
    )


def test_inputs_with_a_force_are_marked_and_a_grid_moves_on_by_what_is_done():
    grid = np.zeros((4, 10))
    grid[1, 3], grid[2, 7], grid[3, 0] = 0.5, 2.0, -1.0
    loud = np.full(4, 9)
    assert sounding.touched(grid, 6, loud) == 2
    assert loud.tolist() == [0, 1, 0, 1]  # the third has its force later
    sounding.shift(grid, 6)
    assert np.argwhere(grid).tolist() == [[2, 1]]
    assert grid[2, 1] == 2.0
