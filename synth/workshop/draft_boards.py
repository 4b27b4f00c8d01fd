"""The board under a drafted bar: as large as the bar in plan needs, with a foot under each support.

In: the wishes, the bar and its supports. Out: the design's [board] tables, mm on the marks of a ruler.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from synth.design.instrument import Bar
from synth.units import INCH, MM, Units
from synth.vibration.bar import path
from synth.workshop.draft_groups import round_up
from synth.workshop.draft_layout import ruler_mm
from synth.workshop.wishes import MM_PER_INCH, Wishes

AROUND_MM: Final = 60.0  # board beyond the feet on every side
LEAST_MM: Final = 400.0  # across: a board narrower than a forearm radiates little; common practice
LONGEST_SHARE: Final = 0.94  # of a straight bar's length, so that its ends stand over
OFF_MIDDLE: Final = 0.4  # of a board's width, where a straight bar's feet stand: not on its line of symmetry
LARGE_MM2: Final = 0.6e6  # from here on thicker plywood, which does not sag under the bar
DEPTH_MM: Final = 120.0
HOLE_MM: Final = 80.0


def board_tables(wishes: Wishes, bar: Bar, supports_mm: Sequence[float]) -> dict[str, dict[str, Any]]:
    """The one board, by its kind."""
    inch = wishes.units == "inch"
    grid, ruler = (MM_PER_INCH if inch else 10.0), ruler_mm(wishes.units)
    points = 1e3 * path(bar, np.array(supports_mm) * MM)[0][:, :2]
    low, high = points.min(axis=0), points.max(axis=0)
    straight = len(bar.path) == 1 and high[1] - low[1] < 1.0
    length = round_up(max(float(high[0] - low[0]) + 2.0 * AROUND_MM, LEAST_MM), grid)
    width = round_up(max(float(high[1] - low[1]) + 2.0 * AROUND_MM, LEAST_MM), grid)
    if straight:
        length = max(length, round_up(LONGEST_SHARE * 1e3 * bar.length, grid) - grid)
    middle = (low + high) / 2.0
    target = np.array([length / 2.0, (OFF_MIDDLE if straight else 0.5) * width])
    feet = [
        {
            "bar_mm": at,
            "x_mm": round(float(point[0]) / ruler) * ruler,
            "y_mm": round(float(point[1]) / ruler) * ruler,
        }
        for at, point in zip(supports_mm, points - middle + target, strict=True)
    ]
    thick = length * width > LARGE_MM2
    board: dict[str, Any] = {
        "kind": wishes.board,
        "material": "birch plywood 6.5 mm" if thick else "birch plywood 4 mm",
        "length_mm": length,
        "width_mm": width,
        "thickness_mm": _thickness(wishes.units, thick),
    }
    if wishes.board == "box":
        board |= {
            "edges": "supported",
            "depth_mm": 4.75 * MM_PER_INCH if inch else DEPTH_MM,
            "hole_diameter_mm": 3.25 * MM_PER_INCH if inch else HOLE_MM,
        }
    else:
        board["edges"] = "free"
    return {wishes.board: board | {"feet": feet}}


def _thickness(units: Units, thick: bool) -> float:
    if units == "mm":
        return 6.5 if thick else 4.0
    return (0.25 if thick else 5.0 / 32.0) * INCH / MM
