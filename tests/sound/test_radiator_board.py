"""Heard through a board: poles against the coupled system solved directly; the filter; the forecast."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.sound.board_forecast import TIP, changes, foretell, sentences
from synth.sound.boardsheet import board_sheet, knock
from synth.sound.radiator import ears
from synth.sound.radiator.board import BoardFilter, board_pressures, board_radiator
from synth.vibration.axial import solve_axial
from synth.vibration.bar import COUPLED_HZ, solve_bar, standing_on
from synth.vibration.board import solve_board
from synth.vibration.coupling import base_frames, couple, nut_inertia
from synth.vibration.frame import rigid_arm
from synth.vibration.modal_model import generalized_momentum, tip_shape

DB = 1.0
PERCENT = 1e-2


def whole(boarded, name):
    """K, M, K' of the coupled structure, host first, and the feet's springs (J, 6) with their travel rows."""
    instrument, row, standing = boarded.instrument, boarded.row, boarded.board(name).standing
    bar = standing_on(instrument.bar, standing.feet.position)
    places = [tine.position for tine in instrument.tines]
    modes = solve_bar(bar, places, more=standing.feet.position.tolist(), highest_hz=COUPLED_HZ)
    bases = base_frames(instrument.tines, bar, modes)
    axial = solve_axial(instrument.tines, row.length, row.trim)
    nuts = nut_inertia(instrument.tines, bar, bases)
    parts = couple(row.modes, axial, modes, bases, nuts=nuts, board=standing)
    c, q = parts.coupling.shape
    K, M, L = np.zeros((3, c + q, c + q))
    K[:c, :c], K[c:, c:] = parts.host_stiffness, parts.tine_stiffness
    M[:c, :c], M[c:, c:], M[:c, c:], M[c:, :c] = (
        parts.host_mass,
        np.eye(q),
        parts.coupling,
        parts.coupling.T,
    )
    L[:c, :c], L[c:, c:] = parts.host_loss, np.diag(parts.tine_loss)
    travel = np.concatenate(
        [rigid_arm(standing.feet.arm) @ modes.at(standing.feet.position), -standing.modes.foot_shape], axis=-1
    )
    return K, M, L, parts, travel


@pytest.fixture(scope="module", params=["panel", "box"])
def coupled(request, boarded):
    return request.param, whole(boarded, request.param)


@pytest.mark.parametrize("tine", [0, 1])
def test_level_and_decay_are_those_of_the_coupled_system_solved_directly(boarded, coupled, tine):
    """A force on a tine's first partial, at the pitch it takes and half a bandwidth to both sides: the sound of the
    poles, and that of (K + jK' - w^2 M) x = f with the board's sources, agree in level, so in decay too.

    What is left is what the assembly's clusters leave: a lossy mode's share in a tine's mode is right to 2 % of
    one, and where the board's part in it is small, that is some of its sound.
    """
    name, (K, M, L, parts, _) = coupled
    solved, model = boarded.board(name), boarded.model(name)
    points = ears(boarded.instrument)
    nearest = solved.distance(points)
    heard = board_pressures(model, solved, points, nearest=nearest)
    dof = len(parts.host_mass) + int(parts.tine_dof[tine, 0, 0])
    sharing = model.vectors[dof].astype(np.complex128)
    peak = int(np.argmax(np.abs(sharing) * (model.frequency < 1.3 * boarded.row.modes.frequency[tine, 0, 0])))
    width = model.decay_rate[peak] / (2.0 * math.pi)
    f = model.frequency[peak] + width * np.array([-1.0, 0.0, 1.0])
    w = 2.0 * math.pi * f
    # forced at w a mode answers by 1/(-s^2 - w^2), as one damped oscillator
    by_poles = (heard * sharing / model.pole**2) @ (-(w**2) / (-(model.pole[:, None] ** 2) - w**2))
    direct = []
    for each in w:
        x = np.linalg.solve(K + 1j * L - each**2 * M, np.eye(len(K))[dof])
        board = x[parts.bar_count : len(parts.host_mass), None] * -(each**2)
        direct.append(
            solved.pressure(board, np.array([each / (2.0 * math.pi)]), points, nearest=nearest)[:, 0]
        )
    ratio = 20.0 * np.log10(np.abs(by_poles / np.array(direct).T))
    assert np.abs(ratio).max() < 1.5 * DB
    assert np.median(np.abs(ratio)) < 1.0 * DB


@pytest.mark.parametrize("tine", [0, 1])
def test_the_forecasts_ring_is_the_pole_and_the_half_power_width_of_the_coupled_system(
    boarded, coupled, tine
):
    """(K + jK' - w^2 M) x = f answers a force on the tine with half the power at half the decay's width, 2.2/T60
    wide; and the complex eigenvalue nearest to it, by inverse iteration, decays as foretold."""
    name, (K, M, L, parts, _) = coupled
    found = foretell(boarded.instrument, boarded.row, boarded.board(name))
    f, decay = found.frequency[tine], found.decay[tine]
    x = np.zeros(len(K), dtype=complex)
    dof = len(parts.host_mass) + int(parts.tine_dof[tine, 0, 0])
    x[dof] = 1.0
    force, sharp = x.real.copy(), 2.2 / decay
    value = (2.0 * math.pi * f) ** 2 * (1.0 + 1j * sharp / f)
    for _ in range(4):
        x = np.linalg.solve(K + 1j * L - value * M, M @ x)
        x /= np.sqrt(x @ M @ x)
        value = x @ (K + 1j * L) @ x
    pole = 1j * np.sqrt(value)
    assert math.log(1000.0) / -pole.real == pytest.approx(decay, rel=3.0 * PERCENT)
    grid = pole.imag / (2.0 * math.pi) + sharp * np.linspace(-1.0, 1.0, 41)
    answer = [np.linalg.solve(K + 1j * L - (2.0 * math.pi * g) ** 2 * M, force)[dof] for g in grid]
    power = np.abs(answer) ** 2
    top = int(np.argmax(power))
    left = np.interp(power[top] / 2.0, power[: top + 1], grid[: top + 1])
    right = np.interp(-power[top] / 2.0, -power[top:], grid[top:])
    assert 2.2 / (right - left) == pytest.approx(decay, rel=3.0 * PERCENT)


def test_the_feets_forces_through_the_board_alone_are_the_same_sound(boarded, coupled):
    """p = H F: F the springs' force in the coupled structure, H the board by itself."""
    name, (K, M, L, parts, travel) = coupled
    solved = boarded.board(name)
    points = ears(boarded.instrument)
    alone = BoardFilter(solved, points)
    feet = solved.standing.feet
    dof = len(parts.host_mass) + int(parts.tine_dof[0, 0, 0])
    for f in (60.0, 97.0, 180.0, 590.0):
        w = 2.0 * math.pi * f
        x = np.linalg.solve(K + 1j * L - w**2 * M, np.eye(len(K))[dof])
        pressed = travel @ x[: len(parts.host_mass)]
        force = feet.stiffness * (1.0 + 1j * feet.loss_factor[:, None]) * pressed
        through = alone.response(np.array([f]))[:, :, 0] @ force[:, [2, 3, 4]].ravel()
        board = x[parts.bar_count : len(parts.host_mass), None] * -(w**2)
        direct = solved.pressure(board, np.array([f]), points, nearest=alone.nearest)[:, 0]
        assert np.abs(20.0 * np.log10(np.abs(through / direct))).max() < 0.5 * DB, f


def test_a_board_makes_a_note_louder_and_never_rings_it_longer(boarded):
    instrument, row = boarded.instrument, boarded.row
    bar = foretell(instrument, row, None)
    for name in instrument.boards:
        on_board = foretell(instrument, row, boarded.board(name))
        assert 20.0 * DB < on_board.level[0] - bar.level[0] < 50.0 * DB  # upright: the usual gain of a board
        assert np.all(on_board.decay < bar.decay * 1.05)


@pytest.mark.parametrize("name", [None, "panel", "box"])
def test_the_forecast_is_that_of_the_whole_model(boarded, name):
    """Level within 1 dB and decay within 10 %: the two tines are far apart in pitch."""
    instrument, row, model = boarded.instrument, boarded.row, boarded.model(name)
    board = None if name is None else boarded.board(name)
    found = foretell(instrument, row, board)
    points = ears(instrument)
    if board is None:
        from synth.sound.radiator.bar import bar_radiator

        weights = bar_radiator(model, instrument, row.trim).weights
    else:
        weights = board_radiator(model, instrument, row.trim, board).weights
    assert len(points) == len(weights)
    for r in range(2):
        phi = row.modes.at(0.0)[r]
        q = np.zeros((1, *row.modes.frequency.shape[1:]))
        q[0, 0, 0], q[0, 1, 0] = (
            TIP / phi[0] * math.cos(row.modes.axis[r]),
            -TIP / phi[0] * math.sin(row.modes.axis[r]),
        )
        amplitude = q[0][model.tine_dof[r] >= 0] @ generalized_momentum(model, r)
        near = np.abs(model.frequency / found.frequency[r] - 1.0) < 0.02
        main = int(np.argmax(np.abs(tip_shape(model)[r, 0] * amplitude) * near))
        level = 10.0 * math.log10(np.mean(np.abs(weights[:, main] * amplitude[main]) ** 2) / 2.0 / 4e-10)
        assert found.frequency[r] == pytest.approx(model.frequency[main], rel=1e-3)
        if (
            max(level, found.level[r]) > 0.0
        ):  # dB SPL: fainter, what is left of cancelling parts means nothing
            assert found.level[r] == pytest.approx(level, abs=1.0 * DB)
        assert found.decay[r] == pytest.approx(model.decay[main], rel=10.0 * PERCENT)


def test_a_killed_and_a_boosted_note_are_told_with_their_tines(boarded):
    instrument, row = boarded.instrument, boarded.row
    bar = foretell(instrument, row, None)
    fine = foretell(instrument, row, boarded.board("panel"))
    worse = type(bar)(fine.frequency, np.array([bar.decay[0], 0.2 * bar.decay[1]]), fine.level)
    said = " ".join(sentences(instrument, "panel", bar, worse))
    assert "group 'side' kills the fundamental of tine 1" in said
    assert "group 'up' kills" not in said
    quiet = type(bar)(bar.frequency, bar.decay, bar.level - np.array([0.0, 9.0]))
    assert "drowns" in " ".join(sentences(instrument, "panel", bar, quiet))
    assert [each.group for each in changes(instrument, bar, fine)] == ["up", "side"]


def test_the_filter_in_blocks_is_the_filter_at_once(boarded):
    alone = BoardFilter(boarded.board("box"), ears(boarded.instrument))
    rate = 24_000.0
    random = np.random.default_rng(2)
    signals = random.standard_normal((6, 30_000))
    at_once = alone.radiate(signals, rate)
    step = alone.stream(rate)
    parts = np.concatenate([step(signals[:, a : a + 7_000]) for a in range(0, 30_000, 7_000)], axis=1)
    assert parts == pytest.approx(at_once, abs=1e-5 * np.abs(at_once).max())


def test_the_filters_impulse_response_has_its_frequency_response(boarded):
    alone = BoardFilter(boarded.board("panel"), ears(boarded.instrument))
    rate = 48_000.0
    kernel = alone.impulse_response(rate)
    assert kernel.shape[2] == math.ceil(alone.ring * rate)
    spectrum = np.fft.rfft(kernel, axis=2) / rate
    frequency = np.fft.rfftfreq(kernel.shape[2], 1.0 / rate)
    asked = np.searchsorted(frequency, np.geomspace(60.0, 9000.0, 50))
    exact = alone.response(frequency[asked])
    for signal in (0, 3):  # the upright forces
        off = np.abs(spectrum[:, signal, asked] - exact[:, signal]) / np.abs(exact[:, signal]).max(axis=0)
        assert np.median(off) < 2.0 * PERCENT
        assert np.quantile(off, 0.9) < 6.0 * PERCENT


def test_the_feet_are_reciprocal_and_take_energy_only(boarded):
    for name in boarded.instrument.boards:
        alone = BoardFilter(boarded.board(name), ears(boarded.instrument))
        Y = alone.mobility(np.geomspace(20.0, 15_000.0, 400))
        assert pytest.approx(np.swapaxes(Y, 0, 1), abs=1e-12 * np.abs(Y).max()) == Y
        real = np.moveaxis(Y.real, 2, 0)
        assert np.linalg.eigvalsh(real).min() >= -1e-12 * np.abs(real).max()


def test_a_knock_is_heard_and_ends(boarded):
    sound = knock(boarded.instrument, boarded.board("panel"), foot=0, rate=24_000)
    energy = np.mean(sound**2, axis=0)
    assert energy[: len(energy) // 4].sum() > 100.0 * energy[-len(energy) // 4 :].sum() > 0.0


def test_the_sheet_tells_what_a_shallow_closed_box_does(boarded):
    sheet = board_sheet(boarded.instrument, boarded.instrument.boards["box"], boarded.board("box"))
    assert sheet.box is not None
    assert sheet.box.boxed_hz > 2.0 * sheet.box.open_hz  # air stiffens a light lid
    assert sheet.box.hole_hz == pytest.approx(
        343.2 / (2.0 * math.pi) * math.sqrt(math.pi * 0.04**2 / (0.6 * 0.4 * 0.1 * (0.025 + 1.7 * 0.04))),
        rel=1e-9,
    )
    panel = board_sheet(boarded.instrument, boarded.instrument.boards["panel"], boarded.board("panel"))
    assert panel.box is None
    assert np.all(panel.mobility.real > 0.0)


def test_the_level_of_a_sheet_is_the_mean_power_of_both_ears_for_a_newton_at_each_foot(boarded):
    """A listener at the side, whose ears hear unlike: told for every foot, re 20 uPa."""
    instrument = boarded.with_listener(azimuth=1.2, distance=0.6, spacing=0.4)
    board = boarded.board("panel")
    sheet = board_sheet(instrument, instrument.boards["panel"], board)
    heard = np.abs(BoardFilter(board, ears(instrument)).response(sheet.frequency)[:, ::3]) ** 2
    np.testing.assert_allclose(sheet.level, 10.0 * np.log10(0.5 * (heard[0] + heard[1]) / 4e-10), atol=1e-6)
    assert np.abs(10.0 * np.log10(heard[0] / heard[1])).max() > 1.0 * DB
    assert len(sheet.level) == len(instrument.boards["panel"].feet) == 2


def test_the_sheet_of_a_small_stiff_lid_and_of_a_very_shallow_box_is_told_too(boarded):
    box = boarded.instrument.boards["box"]
    foot = dataclasses.replace(box.feet[0], x=0.02, y=0.03)
    stiff = dataclasses.replace(
        box,
        width=0.08,
        length=0.1,
        thickness=0.025,
        depth=0.06,
        hole_diameter=0.0,
        edges="clamped",
        feet=(foot,),
    )
    shallow = dataclasses.replace(box, depth=1e-3, hole_diameter=0.0)
    small, airy = (
        board_sheet(boarded.instrument, board, solve_board(board, boarded.instrument.bar)).box
        for board in (stiff, shallow)
    )
    assert small.open_hz > 2000.0
    assert small.boxed_hz == pytest.approx(small.open_hz, rel=0.05)  # air is nothing to it
    assert airy.boxed_hz > 5.0 * airy.open_hz


def test_a_knock_is_heard_by_each_ear_as_the_board_answers_a_push_down_on_its_foot(boarded):
    """At single pitches: the response times the spectrum of half a sine of 20 mN s, from a listener at one side."""
    one = boarded.with_listener(azimuth=0.9, angle=1.0, spacing=0.3)
    sound = knock(one, boarded.board("panel"), foot=1, rate=24_000)
    hertz = np.array([90.0, 217.0, 410.0])
    turns = np.exp(-2j * np.pi * np.outer(hertz, np.arange(sound.shape[1])) / 24_000)
    wT = 2.0 * np.pi * hertz * 2e-3
    push = -20e-3 * np.cos(wT / 2.0) / (1.0 - (wT / np.pi) ** 2) * np.exp(-0.5j * wT)
    filtered = BoardFilter(boarded.board("panel"), ears(one))
    expected = filtered.response(hertz)[:, 3] * push
    assert np.abs(expected[0] / expected[1] - 1.0).max() > 0.3
    np.testing.assert_allclose(sound @ turns.T / 24_000, expected, atol=0.02 * np.abs(expected).max())


def test_a_square_boards_mobility_is_that_of_its_matrices_solved_directly(boarded):
    """Pairs of its modes share one frequency, for which a solver gives any two vectors: the mobility that was
    summed of them was up to 39 dB off, and not passive.
    """
    board = dataclasses.replace(boarded.instrument.boards["panel"], length=0.5, width=0.5, edges="clamped")
    sheet = dataclasses.replace(board.material, youngs_x=6e9, youngs_y=6e9, shear=2.6e9)
    feet = tuple(dataclasses.replace(each, x=0.1 + 0.2 * n, y=0.33) for n, each in enumerate(board.feet))
    solved = solve_board(dataclasses.replace(board, material=sheet, feet=feet), boarded.instrument.bar)
    modes = solved.standing.modes
    assert np.sum(np.diff(modes.frequency[: solved.solved]) < 1e-9 * modes.frequency[1]) >= 10
    f = np.geomspace(30.0, 12_000.0, 300)
    found = BoardFilter(solved, ears(boarded.instrument)).mobility(f)
    shape = modes.foot_shape[:, 2:5].reshape(-1, len(modes.frequency))
    own = np.diag((2.0 * math.pi * modes.frequency) ** 2) + 1j * modes.loss
    for n, w in enumerate(2.0 * math.pi * f):
        direct = 1j * w * shape @ np.linalg.solve(own - w**2 * np.eye(len(own)), shape.T)
        assert found[..., n] == pytest.approx(direct, abs=1e-8 * np.abs(direct).max())
        assert (
            np.linalg.eigvalsh(found[..., n] + found[..., n].conj().T).min() > -1e-12 * np.abs(direct).max()
        )
