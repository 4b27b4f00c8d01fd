"""What a page can say of a tine, and what MIDI messages mean on it: plain words and numbers for JSON.

In: a solved scene. Out: of every tine its pitch, partials, quarrels and what its root bears; of a keyboard the
tables that `synth.playing.midi_mapping` plays by, written out, so that the page cannot mean something else.
"""

from __future__ import annotations

from typing import Any, Final

from synth.design.instrument import Instrument
from synth.playing.computer_keys import SPEEDS, speed_of_digit
from synth.playing.midi_mapping import FULL, gripped, notes, speed_of_velocity
from synth.playing.stroke import CONTROLS
from synth.sound.render import Scene
from synth.units import MM, MPA
from synth.vibration.quarrels import find_quarrels, sentence
from synth.vibration.tine import PLANES
from synth.workshop.strength import SAFETY, notch_factor

PARTIALS: Final = 4  # told of each tine, in each plane


def about_tines(scene: Scene) -> list[dict[str, Any]]:
    """Of every tine (R,) what its maker asks: names of units stand in the keys."""
    instrument, row = scene.instrument, scene.row
    quarrels: dict[int, list[str]] = {}
    for each in find_quarrels(instrument, row):
        quarrels.setdefault(each.tine, []).append(sentence(instrument, each))
    return [
        {
            **_named(*instrument.note(float(row.mounted_hz[r]))),
            "stock": tine.rod.name,
            "partials": _partials(scene, r),
            "quarrels": quarrels.get(r, []),
            "root": {
                "diameter_mm": tine.rod.root_diameter / MM,
                "endurance_mpa": tine.rod.material.endurance / (notch_factor(tine) * SAFETY) / MPA,
                "yield_mpa": tine.rod.material.yield_stress / MPA,
            },
        }
        for r, tine in enumerate(instrument.tines)
    ]


def _named(name: str, off: float) -> dict[str, Any]:
    return {"note": name, "cents": round(off, 2)}


def _partials(scene: Scene, r: int) -> list[dict[str, Any]]:
    modes = scene.row.modes
    return [
        {
            "plane": PLANES[plane],
            "hz": round(float(modes.frequency[r, plane, n]), 2),
            "ring_s": round(float(modes.decay[r, plane, n]), 3),
        }
        for n in range(min(PARTIALS, modes.exists.shape[1]))
        for plane in range(2)
        if modes.exists[r, n]
    ]


def midi_meanings(instrument: Instrument) -> dict[str, Any]:
    """Groups by note; speed, grip and controls at each of 128 positions; speeds of the digits; as scripts do."""
    positions = range(FULL + 1)
    return {
        "notes": {str(note): group for note, group in notes(instrument).items()},
        "speeds": [speed_of_velocity(max(1, each)) / MM for each in positions],
        "grips": [gripped(each) for each in positions],
        "digits": [speed_of_digit(each) / MM for each in SPEEDS],
        "controls": [
            {
                "key": each.key,
                "message": each.controller.message,
                "rest": each.controller.rest,
                "values": [each.controller.value(position) / each.unit for position in positions],
            }
            for each in CONTROLS
            if each.controller is not None
        ],
    }
