"""What is drawn of an instrument: bar and tines as they stand in space, metres, to a hundredth of a millimetre.

In: a solved scene. Out: plain words and numbers for JSON.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from synth.design.instrument import Bar
from synth.sound.render import Scene
from synth.vibration.bar import path

DIGITS: Final = 5
POINTS: Final = 97  # of the bar's axis


def drawn_bar(bar: Bar) -> dict[str, Any]:
    """Its axis in space, what stands sideways and up there, its section and where it is supported."""
    position, axes = path(bar, np.linspace(0.0, bar.length, POINTS))
    return {
        "length": bar.length,
        "axis": _plain(position),
        "side": _plain(axes[:, 1]),
        "up": _plain(axes[:, 2]),
        "shape": bar.section.shape,
        "width": bar.section.width,
        "height": bar.section.height,
        "supports": [round(float(each.position), DIGITS) for each in bar.supports],
    }


def drawn_tines(scene: Scene) -> list[dict[str, Any]]:
    """Every tine: where it stands along the bar (x), from where to where it is free, its nuts and its pitch."""
    model, bases = scene.model, scene.model.bases
    foot, _ = model.bar.frame_at(bases.position)
    clamp = foot + bases.arm
    free = (model.tines.tip - model.tines.height[:, 0])[:, None]
    tip = clamp + free * bases.pointing
    return [
        {
            "x": tine.position,
            "group": tine.group,
            "number": tine.number,
            "clamp": _plain(clamp[r]),
            "tip": _plain(tip[r]),
            "along": _plain(bases.along[r]),
            "across": _plain(bases.across[r]),
            "length": round(float(scene.row.length[r]), DIGITS + 1),
            "diameter": tine.rod.diameter,
            "nuts": [
                {
                    "at": round(float(each.position), DIGITS),
                    "width": each.nut.width,
                    "height": each.nut.height,
                }
                for each in scene.row.trim[r]
            ],
            "hz": round(float(scene.row.mounted_hz[r]), 3),
        }
        for r, tine in enumerate(scene.instrument.tines)
    ]


def _plain(values: Any) -> Any:
    return np.round(values, DIGITS).tolist()
