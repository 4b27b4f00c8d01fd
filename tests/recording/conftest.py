"""Sounds made by plain formulas, by no part of the package: what a recording should hold is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from synth.recording.measurement import Measurement
from synth.recording.partials import measure
from synth.recording.take import read

Real = NDArray[np.float64]
RATE = 48_000


def ring(
    parts: Sequence[tuple[float, float, float]], seconds: float, rate: int = RATE, phase: float = 0.3
) -> Real:
    """The sum of damped cosines (Hz, seconds to fall 60 dB, amplitude), each a little later in phase."""
    time = np.arange(round(seconds * rate)) / rate
    waves = [
        level * 10.0 ** (-3.0 * time / decay) * np.cos(2.0 * np.pi * hz * time + phase * (1 + index))
        for index, (hz, decay, level) in enumerate(parts)
    ]
    return np.sum(waves, axis=0)


def noise(seconds: float, level: float, rate: int = RATE, seed: int = 1) -> Real:
    """White noise of that standard deviation."""
    return level * np.random.default_rng(seed).normal(size=round(seconds * rate))


def late(sound: Real, seconds: float, rate: int = RATE) -> Real:
    """The sound after so much silence."""
    return np.concatenate((np.zeros(round(seconds * rate)), sound))


@pytest.fixture(scope="session")
def studio() -> Any:
    """The makers of sounds by name."""

    class Studio:
        rate = RATE
        ring = staticmethod(ring)
        noise = staticmethod(noise)
        late = staticmethod(late)

    return Studio


@pytest.fixture
def listen(tmp_path: Path) -> Callable[..., Measurement]:
    """Writes samples as a file and measures it."""

    def measured(samples: Real, rate: int = RATE, subtype: str = "FLOAT") -> Measurement:
        path = tmp_path / "take.wav"
        soundfile.write(path, samples, rate, subtype=subtype)
        return measure(read(path))

    return measured
