"""Roughness of a stroke while it rings: the modes' levels against the sound itself, and what must not matter."""

from __future__ import annotations

import numpy as np
import pytest

from synth.playing.stroke import Stroke
from synth.sound.audio import RATE
from synth.sound.render import Scene, perform, scene
from synth.sound.ringing import heard_amplitudes, heard_roughness
from synth.sound.roughness import ring_roughness

AFTER = 0.5  # s, nothing touches the row any more


def stroked(boarded, through: str, speed: float = 0.3):
    listening = scene(boarded.instrument, through)
    stick = next(iter(boarded.instrument.sticks.values()))
    return listening, perform(listening, [Stroke(group=0, stick=stick, start=0.05, speed=speed)], seconds=2.0)


def rebuilt(listening: Scene, rendering, count: int) -> np.ndarray:
    """Mean-square pressure in Pa2 after `AFTER`, each mode by its own level and decay: cross terms average out."""
    amplitude = heard_amplitudes(listening, rendering.rings[0], time=AFTER)
    t = np.arange(count) / RATE
    return sum(
        0.5 * a**2 * np.exp(-2.0 * rate * t)
        for a, rate in zip(amplitude, listening.model.decay_rate, strict=True)
        if a > 1e-4 * amplitude.max()
    )


@pytest.mark.parametrize("through", ["bar", "board"])
def test_the_modes_levels_add_up_to_the_power_of_the_sound(boarded, through):
    name = through if through == "bar" else next(iter(boarded.instrument.boards))
    listening, rendering = stroked(boarded, name)
    first = round(AFTER * RATE)
    sound = rendering.sound()[:, first : first + RATE]
    expected = rebuilt(listening, rendering, RATE).mean()
    # within 0.5 dB: two modes a beat apart do not average out within a second
    assert 10.0 * np.log10(np.mean(sound**2) / expected) == pytest.approx(0.0, abs=0.5)


def test_the_roughness_is_that_of_the_modes_as_heard(boarded):
    listening, rendering = stroked(boarded, "bar")
    amplitude = heard_amplitudes(listening, rendering.rings[0], time=AFTER)
    found = heard_roughness(listening, rendering.rings[0], since=AFTER)
    assert found == ring_roughness(listening.model.frequency, listening.model.decay, amplitude)
    assert 0.0 < found < 0.5  # the two tines' partials, far from all at their worst


def test_a_mode_that_loses_nothing_counts_as_it_is():
    hertz, level = np.array([400.0, 430.0]), np.ones(2)
    assert ring_roughness(hertz, np.full(2, np.inf), level) == pytest.approx(
        ring_roughness(hertz, np.full(2, 1e9), level), rel=1e-6
    )
