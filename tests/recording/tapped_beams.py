"""An instrument of 112 tines and taps of beams that no part of the package computed, in rooms that it did not make.

The beams are Timoshenko elements with planes and decays of their own, the rooms image sources or noise that decays,
as scripts/room_table.py has them; nothing is taken from the package but the targets that it tells the maker.
"""

from __future__ import annotations

import math
import runpy
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.recording.tap_listener import Answer, Listener
from synth.recording.tuning_targets import TuningTargets, tuning_targets
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune
from tests.everyday import instrument_of

TABLE = runpy.run_path(str(Path(__file__).parents[2] / "scripts" / "room_table.py"))
ROOTS = 28
RECIPE = (1.0, 1.0, 1.5, 2.0)  # two alike in every group, and octaves that other groups have as roots
BLOCK = 256


@cache
def instrument_of_112() -> tuple[Instrument, TuningTargets]:
    """28 groups of four, roots from 70 Hz up by one or two semitones, on a bar that hardly moves."""
    steps = np.round(np.arange(ROOTS) * 43.0 / ROOTS)
    groups = [
        {
            "name": f"g{number}",
            "stock": "rod",
            "start_mm": 40.0 + 60.0 * number,
            "spacing_mm": 14.0,
            "tine": [{"pitch_hz": 70.0 * 2.0 ** (step / 12.0) * each} for each in RECIPE],
        }
        for number, step in enumerate(steps.tolist())
    ]
    instrument = instrument_of(
        {
            "name": "hundred and twelve",
            "material": {"rock": {"like": "mild steel", "youngs_gpa": 1400.0, "density_kg_m3": 24000.0}},
            "bar": {
                "material": "rock",
                "section": {"shape": "rectangle", "width_mm": 100.0, "height_mm": 100.0},
                "path": [{"straight_mm": 60.0 * ROOTS + 60.0}],
                "supports": [{"at_mm": at, "kind": "clamp"} for at in (100.0, 500.0, 900.0, 1300.0, 1700.0)],
            },
            "stock": {"rod": {"kind": "plain", "diameter_mm": 3.0, "material": "304 spring wire"}},
            "group": groups,
        }
    )
    return instrument, tuning_targets(instrument, tune(instrument, mounting(instrument)))


@dataclass(frozen=True)
class Struck:
    """A tap as a microphone heard it, and what it was in truth."""

    tine: int
    planes: Array  # (2,) Hz of the fundamental
    sound: Array
    rate: int
    time: float  # s of the tap

    def outside(self, hertz: float) -> float:
        """Cents by which a pitch lies beyond both planes: what is heard as one lies between."""
        low, high = np.sort(self.planes)
        return 1200.0 * (max(0.0, math.log2(hertz / high)) + max(0.0, math.log2(low / hertz)))


def struck(
    tine: int, off: float, dice: Any, *, seconds: float = 1.6, split: float = 4.0, **room_as: float
) -> Struck:
    """A tine so many cents off its target, in a room of its own; `room_as` sets fields of the room."""
    _, targets = instrument_of_112()
    wanted = float(targets.target[tine]) * 2.0 ** (off / 1200.0)
    tone = _tone_at(wanted, dice, split)
    room = replace(TABLE["room"](dice), **room_as)
    sound = TABLE["recording"]([tone], room, seconds, dice)
    return Struck(tine, tone.hz[0], sound, room.rate, 0.4)


def with_a_unison(
    tine: int, apart: float, level_db: float, dice: Any, *, whole: bool, **room_as: float
) -> Struck:
    """A tine about in tune, and another of its pitch so many cents off that the tap set ringing, so loud.

    With its overtones where it is `whole` (a stick brushed it), else by its fundamental alone (the bar drove it).
    Rods, roots and nuts differ: its overtones stand some cents from where the first tine's would have them.
    """
    _, targets = instrument_of_112()
    middle = float(targets.target[tine]) * 2.0 ** (6.0 * dice.normal() / 1200.0)
    own, other = (_tone_at(hertz, dice) for hertz in (middle, middle * 2.0 ** (apart / 1200.0)))
    off = np.concatenate(([0.0], 4.0 * dice.normal(size=len(other.hz) - 1)))
    count = len(other.hz) if whole else 1
    gain = 10.0 ** (level_db / 20.0) * np.linalg.norm(own.level[0]) / np.linalg.norm(other.level[0])
    beside = (other.hz * 2.0 ** (off[:, None] / 1200.0), other.rate, gain * other.level)
    hz, rate, level = (
        np.concatenate((mine, its[:count]))
        for mine, its in zip((own.hz, own.rate, own.level), beside, strict=True)
    )
    room = replace(TABLE["room"](dice), **room_as)
    both = replace(own, hz=hz, rate=rate, level=level)
    return Struck(tine, own.hz[0], TABLE["recording"]([both], room, 2.4, dice), room.rate, 0.4)


def _tone_at(hertz: float, dice: Any, split: float = 4.0) -> Any:
    """A beam whose planes have that middle."""
    rod = TABLE["Rod"](clamp_loss=dice.uniform(5e-4, 2e-3))
    length = 0.1 * math.sqrt(float(TABLE["partials"](rod, 0.1, 1)[0]) / hertz)
    tone = TABLE["tone"](rod, length, dice, split)
    return replace(tone, hz=tone.hz * hertz / np.sqrt(np.prod(tone.hz[0])))


def answers(tap: Struck, announced: int | None) -> list[Answer]:
    """What the tuner's ear says of it, fed in blocks."""
    listener = Listener(instrument_of_112()[1], tap.rate)
    listener.announced = announced
    sound = tap.sound
    return [each for at in range(0, len(sound), BLOCK) for each in listener.feed(sound[at : at + BLOCK])]
