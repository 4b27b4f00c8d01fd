"""How much hangs on the fingers that hold the stick: what nobody has measured in a stroke.

In: a stroke in its scene. Out: by how much level and brightness move where the pads of the fingers swallow three
times as much, and a third. The finger's damping is the constant of the contact that is least known and moves the
sound most; values of measured fingers spread by about as much (`synth.playing.contact.hand`).
"""

from __future__ import annotations

import dataclasses
from typing import Final

from synth.frozen import frozen
from synth.playing.stroke import Stroke
from synth.sound.audio import RATE
from synth.sound.features import centroid
from synth.sound.loudness import measure
from synth.sound.render import ContactSettings, Scene, perform

FACTORS: Final = (3.0, 1.0 / 3.0)
LISTENED: Final = 0.5  # s after the stick has passed: the loudest moment is over


@frozen
class Moved:
    """What another damping of the pads does."""

    factor: float  # on the damping
    level: float  # dB(A), at the loudest
    brightness: float  # ratio of the spectral centroids


def moved_by_the_fingers(scene: Scene, stroke: Stroke, settings: ContactSettings) -> tuple[Moved, ...]:
    """The stroke on a row at rest with each of `FACTORS`, against the stroke as it is."""
    group = scene.instrument.tines[scene.instrument.groups[stroke.group].tines]
    places = [tine.position for tine in group]
    seconds = stroke.start + (max(places) - min(places)) / stroke.speed + LISTENED
    heard = []
    for factor in (1.0, *FACTORS):
        held = dataclasses.replace(settings, pad_damping=factor, allow_yield=True)
        pressure = perform(scene, [stroke], seconds=seconds, settings=held).sound()
        heard.append((measure(pressure, RATE).loudest, centroid(pressure, RATE)))
    (level, bright), *others = heard
    return tuple(
        Moved(factor, other[0] - level, other[1] / bright)
        for factor, other in zip(FACTORS, others, strict=True)
    )


def words(moved: tuple[Moved, ...]) -> str:
    """The same in a sentence."""
    parts = [
        f"{'three times' if each.factor > 1.0 else 'a third of'} that damping {each.level:+z.1f} dB(A), "
        f"brightness x {each.brightness:.2f}"
        for each in moved
    ]
    return f"How the fingers damp the stick is from memory, not measured: {'; '.join(parts)}."
