"""Increments of a contact against the modes stepped through the force itself, bin by bin."""

import math

import numpy as np
import pytest

from synth.playing.slices import cuts, increments, lines
from synth.playing.sweep import rotation

WIDTH = 4e-6  # s
OMEGA = 2 * math.pi * np.array([[147.0, 917.0, 2560.0, 4990.0, 8196.0]] * 2)
DECAY = 0.5 * 1e-3 * OMEGA
SHAPE = np.array([20.0, -20.0, 20.0, -20.0, 20.0])


def stepped(force, bins):
    """The plain way: displacement and velocity (bins, 2, N) of every mode, a bin at a time."""
    turn = rotation(OMEGA, DECAY, 0.5 * WIDTH)  # to the middle of a bin, its impulse, and on to its end
    q, p = np.zeros(OMEGA.shape), np.zeros(OMEGA.shape)
    out = []
    for n in range(bins):
        push = force[n][:, None] * SHAPE * WIDTH if n < len(force) else 0.0
        q, p = turn[:, 0] * q + turn[:, 1] * p, turn[:, 2] * q + turn[:, 3] * p + push
        q, p = turn[:, 0] * q + turn[:, 1] * p, turn[:, 2] * q + turn[:, 3] * p
        out.append((q, p))
    return np.array([q for q, _ in out]), np.array([p for _, p in out])


def sounding(part, bins):
    """What the increments sound like: displacement and velocity (bins, 2, N), each increment ringing by itself."""
    q, p = np.zeros((2, bins, *OMEGA.shape))
    for time, dq, dv in zip(part.time, part.displacement, part.velocity, strict=True):
        first = max(0, math.ceil(time / WIDTH - 1))
        late = ((np.arange(first, bins) + 1) * WIDTH - time)[:, None, None]
        turn = np.moveaxis(rotation(OMEGA, DECAY, late), -2, 0)
        q[first:] += turn[0] * dq + turn[1] * dv
        p[first:] += turn[2] * dq + turn[3] * dv
    return q, p


def sliced(force):
    return increments(
        force * WIDTH,
        np.zeros(force.shape),
        start=0.0,
        width=WIDTH,
        omega=OMEGA,
        decay=DECAY,
        shape=SHAPE,
    )


@pytest.fixture
def held():
    """40 ms of a hold that builds up and lets go smoothly: 2 N at its height."""
    phase = np.linspace(0.0, 2.0 * math.pi, 10_000)
    return np.stack([1.0 - np.cos(phase), 0.3 * np.sin(phase / 2) ** 2], axis=1)


def test_after_the_contact_the_state_is_that_of_the_force(held):
    knocks = held + 5.0 * (np.arange(len(held))[:, None] % 2500 < 25)  # four hard touches of 0.1 ms
    bins = len(held) + 2000
    (q, p), (q2, p2) = stepped(knocks, bins), sounding(sliced(knocks), bins)
    after = slice(len(held) + 10, None)
    for n in range(OMEGA.shape[1]):
        swing = np.abs(p[after, 0, n]).max()
        assert np.abs(p2[after, 0, n] - p[after, 0, n]).max() < 1e-3 * swing
        assert np.abs(q2[after, 0, n] - q[after, 0, n]).max() < 1e-3 * swing / OMEGA[0, n]


def test_a_smooth_hold_is_not_heard_in_the_upper_partials(held):
    _, p = sounding(sliced(held), len(held))
    stair = np.abs(np.diff(held[:: len(held) // 16, 0])).max()  # of the force, had it been cut into stairs
    for n in (3, 4):
        knock = stair * np.abs(SHAPE[n]) / OMEGA[0, n]  # the speed at which mode n swings after such a step
        assert np.abs(p[:, 0, n]).max() < 0.1 * knock


def test_slices_stay_few(held):
    assert len(sliced(held).time) <= 17


def test_the_lines_are_the_least_squares_of_their_hats(held):
    impulse = held * WIDTH
    cut = cuts(impulse, WIDTH)
    hats = np.stack([np.interp(np.arange(len(held)) + 0.5, cut, row) for row in np.eye(len(cut))], axis=1)
    height = np.zeros((len(cut), 2))
    height[1:-1] = np.linalg.lstsq(hats[:, 1:-1], held, rcond=None)[0]
    slope, line = lines(impulse, cut, WIDTH)
    np.testing.assert_allclose(line, hats @ height, atol=1e-12 * held.max())
    np.testing.assert_allclose(slope, np.diff(height, axis=0) / (np.diff(cut) * WIDTH)[:, None], rtol=1e-9)


def test_slices_are_narrow_where_the_force_changes():
    force = np.full((10_000, 2), 0.0)
    force[4000:4020, 0] = 3.0  # one touch of 80 microseconds within 40 ms
    cut = cuts(force * WIDTH, WIDTH)
    assert cut[0] == 0
    assert cut[-1] == 10_000
    assert np.all(np.diff(cut) > 0)
    assert np.sum((cut > 3950) & (cut < 4070)) >= len(cut) // 3
    assert np.diff(cut).max() < 10_000 // 4
