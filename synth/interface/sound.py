"""A sound that can be read, written and heard as often as wanted.

In: a `Rendering`, read to its end once. Out: a `Sound`: arrays, files, a player in a notebook.
"""

from __future__ import annotations

import base64
import html
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.report import trace_arrays
from synth.sound.audio import FULL_SCALE, RATE, encoded, write
from synth.units import decibels

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.playing.stroke import ForceTrace
    from synth.sound.loudness import Loudness
    from synth.sound.render import Rendering

QUIET_DBFS: Final = (
    -20.0
)  # peak in a notebook's player, where nobody chose a gain; common practice, no published source
SHOWN_S: Final = 120.0  # of a sound in a notebook's page, which holds it as text: some ten megabytes


@frozen(repr=False, eq=False)
class Sound:
    """What is heard at the listener's C points over T samples; made by `OpenDesign` and `HeardBoard`.

    `title` what is played, `through` what it is heard through; `pressure_pa` (C, T) Pa, float64, left and right;
    `rate_hz` samples a second; `warnings` what to know of it; `reports` what happened to every tine of each stroke,
    as `tinewright stroke --report` writes it (mm, s, N, MPa in the names). A notebook shows it as a player.
    """

    title: str
    through: str
    pressure_pa: NDArray[np.float64]
    warnings: tuple[str, ...] = ()
    reports: tuple[dict[str, Any], ...] = ()
    rate_hz: int = RATE
    _traces: tuple[ForceTrace, ...] = ()
    _instrument: Instrument | None = None

    @classmethod
    def of(
        cls, rendering: Rendering, title: str, instrument: Instrument, *, warnings: tuple[str, ...] = ()
    ) -> Sound:
        """The whole of a rendering, which cannot be read again after."""
        return cls(
            title=title,
            through=rendering.through,
            pressure_pa=np.asarray(rendering.sound(), dtype=np.float64),
            warnings=(*warnings, *rendering.warnings),
            reports=rendering.reports,
            _traces=rendering.traces,
            _instrument=instrument,
        )

    @property
    def samples(self) -> NDArray[np.float64]:
        """The sound (C, T) as in a file at true level: 1 is full scale, a full-scale sine is 100 dB SPL."""
        return np.asarray(self.pressure_pa * (1.0 / FULL_SCALE))

    @property
    def seconds(self) -> float:
        """How long it lasts, s."""
        return float(self.pressure_pa.shape[1] / self.rate_hz)

    @property
    def peak_dbfs(self) -> float:
        """The peak in dB below full scale at true level; minus infinity for silence."""
        return decibels(float(np.max(np.abs(self.pressure_pa), initial=0.0)) / FULL_SCALE)

    @cached_property
    def loudness(self) -> Loudness:
        """How loud it is at the listener: `loudest` and `average` in dB(A) (IEC 61672-1), `peak` in Pa."""
        from synth.sound.loudness import measure

        return measure(self.pressure_pa, self.rate_hz)

    def trace(self, stroke: int = 1) -> dict[str, NDArray[Any]]:
        """The force that drove a stroke's sound, counted from 1, as `tinewright stroke --trace` writes it.

        S bins by time: `time_s` (S,), `tine` (S,) counted from 1 in its group, `impulse_n_s` (S, 2) on the tine
        along and across the row, `stick_impulse_n_s` (S, 3) on the stick along, across and up, `bin_s` (). Raises
        `InputError` for a stroke that is not there.
        """
        if self._instrument is None or not 1 <= stroke <= len(self._traces):
            raise InputError(f"there is no stroke {stroke}", remedy=f"have {len(self._traces)} strokes")
        return trace_arrays(self._traces[stroke - 1], self._instrument)

    def write(self, path: str | PathLike[str], *, gain_db: float = 0.0) -> float:
        """Write a 24-bit .wav or .flac, whole or not at all; gives the peak in dBFS.

        At true level plus `gain_db`, the only gain. Raises `InputError` where it would clip or cannot be written.
        """
        return write(Path(path), [self.pressure_pa], gain_db=gain_db, rate=self.rate_hz)

    def __repr__(self) -> str:
        return (
            f"<Sound {self.title!r} through {self.through}: {self.seconds:.2f} s, "
            f"{len(self.pressure_pa)} channels at {self.rate_hz} Hz, peak {self.peak_dbfs:z.1f} dBFS>"
        )

    def _repr_html_(self) -> str:
        """A player that starts by nobody's hand but the listener's, its peak at most `QUIET_DBFS`."""
        gain_db = min(0.0, QUIET_DBFS - self.peak_dbfs)
        shown = self.pressure_pa[:, : round(SHOWN_S * self.rate_hz)]
        data = base64.b64encode(encoded(shown, gain_db=gain_db, rate=self.rate_hz)).decode("ascii")
        level = "true level" if gain_db == 0.0 else f"{gain_db:+z.1f} dB"
        part = f", the first {SHOWN_S:.0f} s" if self.seconds > SHOWN_S else ""
        return (
            f"<figure><figcaption>{html.escape(self.title)} through {html.escape(self.through)}, "
            f"{self.seconds:.2f} s, {level}{part}</figcaption>"
            f'<audio controls preload="metadata" src="data:audio/flac;base64,{data}"></audio></figure>'
        )
