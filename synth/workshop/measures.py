"""What is measured of the sound of a stroke, and by how much it must differ to be told of.

In: pressure (C, N) in Pa. Out: a figure for each of `MEASURES`. A row more is measured, compared and shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from numpy.typing import NDArray

from synth.sound import features, loudness


@dataclass(frozen=True)
class Measure:
    """A figure under its key, with the unit in its name. `step` is the least change that is told of."""

    key: str
    heading: str
    step: float
    relative: bool = False  # the step is a share of the figure

    def changed(self, before: float, after: float) -> bool:
        """Whether the difference is worth telling; between a figure and none it is."""
        if before != before or after != after:
            return (before != before) != (after != after)
        return abs(after - before) >= self.step * (abs(before) if self.relative else 1.0)


MEASURES: Final = (
    Measure("loudest_dba", "dB(A)", 0.5),  # half of the 1 dB that is just heard; common practice
    Measure("average_dba", "mean dB(A)", 0.5),
    Measure("centroid_hz", "centroid Hz", 0.02, relative=True),
)


def measures(pressure: NDArray[Any], rate: float) -> dict[str, float]:
    """A figure for each of `MEASURES`, by key."""
    heard = loudness.measure(pressure, rate)
    return {
        "loudest_dba": heard.loudest,
        "average_dba": heard.average,
        "centroid_hz": features.centroid(pressure, rate),
    }
