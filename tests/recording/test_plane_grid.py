"""The grid on which planes are asked for: a finer one says the same, and so does one that leaves nothing out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from synth.recording import plane_pitch
from synth.units import CENT

RATE = 48_000
SOUNDS = [(262.0, 2.4, 0.3, 1e-3), (330.0, 0.8, 0.6, 3e-3), (196.0, 5.0, 0.5, 1e-3), (440.0, 3.0, 1.0, 1e-2)]


def heard(hertz: float, split: float, softer: float, noise: float) -> tuple[float, float]:
    """Cents above the middle of three partials' planes, 0.58 s long, and the deviation told."""
    time, dice = np.arange(round(0.58 * RATE)) / RATE, np.random.default_rng(round(hertz))
    sound, poles = noise * dice.normal(size=len(time)), []
    for ratio, fall, level in ((1.0, 1.2, 1.0), (6.267, 6.0, 0.5), (17.55, 18.0, 0.3)):
        for side, part in ((0.5, 1.0), (-0.5, softer)):
            turn = 2.0 * np.pi * hertz * ratio * np.exp(split * side * CENT)
            sound += part * level * np.exp(-fall * time) * np.cos(turn * time + dice.uniform(0.0, 6.28))
        poles.append(complex(-fall, 2.0 * np.pi * hertz * ratio * np.exp(0.2 * split * CENT)))
    at = plane_pitch.plane_pitch(sound, RATE, poles, usual=3.0)
    assert at is not None
    return float(np.log(at.hertz / hertz) / CENT), at.standard_uncertainty / at.hertz / CENT


def with_points(count: int, changed: Callable[..., None]) -> None:
    changed(plane_pitch, "POINTS", count)
    changed(plane_pitch, "ENDS", np.array([0.5] + [1.0] * (count - 2) + [0.5]))


@pytest.mark.parametrize("sound", SOUNDS)
def test_a_grid_eight_times_as_fine_says_the_same(sound: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise was once told by poles on the grid: 0.2 cents off, deviations by a sixth, in one of twenty taps."""
    cents, deviation = heard(*sound)
    with_points(65, monkeypatch.setattr)
    finer, known = heard(*sound)
    assert abs(cents - finer) < 0.1 * np.hypot(known, 0.2)
    assert np.hypot(deviation, 0.2) == pytest.approx(np.hypot(known, 0.2), rel=0.06)


@pytest.mark.parametrize("sound", SOUNDS)
def test_what_is_left_out_would_not_have_been_heard(sound: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    cents, deviation = heard(*sound)
    monkeypatch.setattr(plane_pitch, "UNLIKELY", np.inf)
    assert heard(*sound) == pytest.approx((cents, deviation), abs=1e-3)


def test_the_likeliest_middle_lies_between_the_points() -> None:
    """Of parabolas the vertex, inside and at either end; the decay rate there by a straight line."""
    middle = np.linspace(0.0, 8.0, 9) + np.zeros((4, 1))
    vertex = np.array([3.3, 4.9, -2.0, 9.0])
    value = -2.0 * (middle - vertex[:, None]) ** 2
    at, fall = plane_pitch._between_points(middle, 0.1 * middle**1, value)
    assert at[:, 0] == pytest.approx([3.3, 4.9, 0.0, 8.0])
    assert fall[:, 0] == pytest.approx([0.33, 0.49, 0.0, 0.8])
