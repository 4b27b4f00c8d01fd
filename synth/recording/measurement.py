"""What a recording tells: taps and their partials, as frozen values.

Frequencies in Hz, times in seconds, levels as amplitudes of full scale; what cannot be told is nan and has a note.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from synth.frozen import frozen
from synth.units import FALL

PartialKind = Literal["partial", "harmonic", "distortion", "sideband", "room"]


@frozen
class Partial:
    """One damped sinusoid: Hz, seconds to fall 60 dB, amplitude of full scale at the tap.

    Every `..._deviation` is a standard deviation (that of the level relative). `decay` is nan where the recording
    cannot tell it. `splits` is the distance in Hz from which a second partial beside this one would show.
    """

    frequency: float
    frequency_deviation: float
    decay: float
    decay_deviation: float
    level: float
    level_deviation: float
    splits: float
    amplitude: complex  # where the free span begins
    kind: PartialKind = "partial"
    note: str = ""

    @property
    def decay_rate(self) -> float:
        """sigma in 1/s; zero where it is not known."""
        return FALL / self.decay if np.isfinite(self.decay) else 0.0

    def noted(self, note: str, kind: PartialKind | None = None) -> Partial:
        """The same with one more remark."""
        return replace(
            self, kind=kind or self.kind, note="; ".join(part for part in (self.note, note) if part)
        )


@frozen
class TapPartials:
    """One tap: when, the span that was looked at, and what rang, by rising frequency."""

    time: float  # s from the start of the file
    free_from: float  # s in the take
    free_to: float
    partials: tuple[Partial, ...]


@frozen
class Measurement:
    file: str
    taps: tuple[TapPartials, ...]
    warnings: tuple[str, ...]
