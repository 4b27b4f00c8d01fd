"""Sounds made by plain formulas, by no part of the package: what a recording should hold is known."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from synth.arrays import Array
from synth.design.decode import decode
from synth.design.edit import Edit, edited_design
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.recording.audio_input import read_recording
from synth.recording.calibration_model import with_nuts_of
from synth.recording.measurement import Measurement
from synth.recording.parameters import tree_of
from synth.recording.partials import measure_taps
from synth.recording.predicted_partials import PredictedPartials, bar_of, heard
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import Row, tune

RATE = 48_000


def ring(
    parts: Sequence[tuple[float, float, float]], seconds: float, rate: int = RATE, phase: float = 0.3
) -> Array:
    """The sum of damped cosines (Hz, seconds to fall 60 dB, amplitude), each a little later in phase."""
    time = np.arange(round(seconds * rate)) / rate
    waves = [
        level * 10.0 ** (-3.0 * time / decay) * np.cos(2.0 * np.pi * hz * time + phase * (1 + index))
        for index, (hz, decay, level) in enumerate(parts)
    ]
    return np.sum(waves, axis=0)


def noise(seconds: float, level: float, rate: int = RATE, seed: int = 1) -> Array:
    """White noise of that standard deviation."""
    return level * np.random.default_rng(seed).normal(size=round(seconds * rate))


def late(sound: Array, seconds: float, rate: int = RATE) -> Array:
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

    def measured(samples: Array, rate: int = RATE, subtype: str = "FLOAT") -> Measurement:
        path = tmp_path / "take.wav"
        soundfile.write(path, samples, rate, subtype=subtype)
        return measure_taps(read_recording(path))

    return measured


DESIGN = """\
# the maker's own words
name = "four tines on an offcut"

[material.bar-steel]          # of the bar alone
like = "mild steel"

[bar]
material = "bar-steel"
section = { shape = "rectangle", width_mm = 25.0, height_mm = 25.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 67.0, kind = "cord" }, { at_mm = 233.0, kind = "cord" }]

[stock.rod]
kind = "threaded"
thread = "M3"                 # from the shop round the corner

[[group]]
name = "low D"
stock = "rod"
start_mm = 100.0
spacing_mm = 14.0
[[group.tine]]
free_length_mm = 150.0
[[group.tine]]
free_length_mm = 105.0
[[group.tine]]
free_length_mm = 78.0
[[group.tine]]
pitch = "A3"
trim = [{ nut = "M3 hex", at_mm = 45.0 }]
"""


@dataclass(frozen=True)
class TestPiece:
    """A design on disk, and recordings of what it would sound with some values changed."""

    __test__ = False
    folder: Path

    @property
    def design(self) -> Path:
        return self.folder / "piece.toml"

    def model(self, changes: Sequence[Edit] = ()) -> tuple[Instrument, Row, PredictedPartials]:
        """The instrument with these values, its tines as long as the unchanged design has them, what they sound."""
        instrument = resolve(edited_design(tree_of(str(self.design)), changes), str(self.design))
        row = _row_of(self.design.read_text())
        which = range(len(instrument.tines))
        trim = with_nuts_of(instrument, row.trim)
        return instrument, row, heard(instrument, bar_of(instrument), row.length, trim, list(which))

    def record(
        self, name: str, changes: Sequence[Edit], tine: int, *, seconds: float = 2.5, seed: int = 1
    ) -> Path:
        """A tap of one tine, five partials in two planes, in noise 50 dB below."""
        model = self.model(changes)[2]
        time = np.arange(round(seconds * RATE)) / RATE
        rng = np.random.default_rng(seed)
        sound = np.zeros(len(time))
        for n in range(5):
            for plane, level in ((0, 0.2), (1, 0.08)):
                hz, sigma = model.frequency[tine, plane, n], model.decay_rate[tine, plane, n]
                if hz > 0.0:
                    wave = np.cos(2.0 * np.pi * hz * time + rng.uniform(0.0, 2.0 * np.pi))
                    sound += level / (n + 1) * np.exp(-sigma * time) * wave
        sound = late(sound, 0.3) + 1e-3 * rng.normal(size=len(sound) + round(0.3 * RATE))
        soundfile.write(self.folder / name, sound, RATE, subtype="PCM_24")
        return self.folder / name


@cache
def _row_of(text: str) -> Row:
    instrument = resolve(decode(tomllib.loads(text), Design), "")
    return tune(instrument, mounting(instrument))


@pytest.fixture
def piece(tmp_path: Path) -> TestPiece:
    (tmp_path / "piece.toml").write_text(DESIGN)
    return TestPiece(tmp_path)
