"""What is measured of the sound of a stroke, and by how much it must differ to be told of.

In: pressure (C, N) in Pa, and the roughness, which the modes know. Out: a figure for each of
`MEASURES`. A row more is measured, compared and shown.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen
from synth.sound import ear, features, loudness
from synth.sound.bands import NOMINAL_HZ


@frozen
class Measure:
    """A figure under its key, with the unit in its name. `step` is the least change that is told of."""

    key: str
    heading: str
    step: float
    relative: bool = False  # the step is a share of the figure
    digits: int = 1  # behind the point, of a difference as it is shown

    def changed(self, before: float, after: float) -> bool:
        """Whether the difference is worth telling and shows; between a figure and none it is."""
        if before != before or after != after:
            return (before != before) != (after != after)
        step = self.step * (abs(before) if self.relative else 1.0)
        return abs(after - before) >= max(step, 0.5 * 10.0**-self.digits)


MEASURES: Final = (
    Measure("loudest_sone", "sone", 0.07, relative=True, digits=2),  # 1 phon; loudness doubles every 10
    Measure("at_1s_sone", "sone at 1 s", 0.07, relative=True, digits=2),
    Measure("loudest_dba", "dB(A)", 0.5),  # half of the 1 dB that is just heard; common practice
    Measure("average_dba", "mean dB(A)", 0.5),
    *(
        Measure(f"body_{hertz}_db", f"{hertz} Hz at 1 s dB", 1.0) for hertz in NOMINAL_HZ
    ),  # of 1 dB just heard
    Measure("sharpness_acum", "acum", 0.05, digits=2),  # about what is just heard; from memory
    Measure("centroid_hz", "centroid Hz", 0.02, relative=True),
    # what is just heard (Fastl and Zwicker, Psychoacoustics, 3rd ed., ch. 11; from memory)
    Measure("roughness", "roughness", 0.17, relative=True, digits=3),
)


def measures(
    pressure: NDArray[Any], rate: float, *, roughness: float, told: ear.EarMeasures | None = None
) -> dict[str, float]:
    """A figure for each of `MEASURES`, by key; nan where the sound is too short, octaves from the threshold up.

    `told` is what `ear.describe` says of the sound, where somebody has asked.
    """
    heard, told = loudness.measure(pressure, rate), told or ear.describe(pressure, rate)
    body = np.maximum(told.body.octaves_db, ear.THRESHOLD_DB)  # what is below is not heard to change
    return {
        "loudest_sone": told.loudest_sone,
        "at_1s_sone": told.at_1s_sone,
        **{f"body_{hertz}_db": float(level) for hertz, level in zip(NOMINAL_HZ, body, strict=True)},
        "loudest_dba": heard.loudest,
        "average_dba": heard.average,
        "sharpness_acum": told.sharpness_acum,
        "centroid_hz": features.centroid(pressure, rate),
        "roughness": roughness,
    }
