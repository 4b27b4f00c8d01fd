"""What the fingers' damping does to a stroke."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.playing.stroke import Stroke
from synth.sound.audio import RATE
from synth.sound.loudness import measure
from synth.sound.render import ContactSettings, perform, scene
from synth.sound.sensitivity import FACTORS, Moved, moved_by_the_fingers, words


@pytest.fixture(scope="module")
def listening(boarded):
    return scene(boarded.instrument, "bar")


def test_each_factor_is_heard_against_the_stroke_as_it_is(listening):
    stroke = Stroke(group=0, stick=listening.instrument.sticks["birch"], speed=0.4)
    moved = moved_by_the_fingers(listening, stroke, ContactSettings())
    assert [each.factor for each in moved] == list(FACTORS)
    sound, other = (
        perform(listening, [stroke], seconds=0.501, settings=ContactSettings(pad_damping=factor)).sound()
        for factor in (1.0, FACTORS[0])
    )
    assert moved[0].level == pytest.approx(
        measure(other, RATE).loudest - measure(sound, RATE).loudest, abs=1e-6
    )
    power = [np.abs(np.fft.rfft(each, axis=1)) ** 2 for each in (sound, other)]
    hz = np.fft.rfftfreq(sound.shape[1], 1.0 / RATE)
    bright = [float((each.sum(0) * hz).sum() / each.sum()) for each in power]
    assert moved[0].brightness == pytest.approx(bright[1] / bright[0], rel=1e-6)


def test_the_fingers_matter_and_a_third_is_not_three_times(listening):
    stroke = Stroke(group=0, stick=listening.instrument.sticks["brass"], speed=0.8)
    more, less = moved_by_the_fingers(listening, stroke, ContactSettings())
    assert max(abs(more.level), abs(less.level)) > 0.01
    assert more.level != less.level
    assert all(math.isfinite(each.level + each.brightness) for each in (more, less))


def test_it_is_told_with_sign_and_ratio():
    told = words((Moved(3.0, -2.25, 0.8), Moved(1.0 / 3.0, 1.0, 1.1)))
    assert "three times that damping -2.2 dB(A), brightness x 0.80" in told
    assert "a third of that damping +1.0 dB(A), brightness x 1.10" in told
