"""How the partials of a stroke grate while it rings: the modes as they are heard, once nothing touches the row.

In: a `Scene` and what rings there. Out: roughness as in `synth.sound.roughness`, of no unit; the modes' own
frequencies and decays, not peaks of a spectrum, which could not part two partials 2 Hz apart within a second.
"""

from __future__ import annotations

import numpy as np

from synth.arrays import Array
from synth.sound.modal_state import ModalState
from synth.sound.render import Scene
from synth.sound.roughness import ring_roughness


def heard_roughness(scene: Scene, ring: ModalState, *, since: float) -> float:
    """The roughness from 0.3 to 1 s after `since`, the time in s from which nothing touches the row.

    The channels are averaged in power; the stick's own sound does not ring and is left out.
    """
    model = scene.model
    return ring_roughness(model.frequency, model.decay, heard_amplitudes(scene, ring, time=since))


def heard_amplitudes(scene: Scene, ring: ModalState, *, time: float) -> Array:
    """The amplitude (M,) in Pa with which each mode is heard at a time in s, both ears averaged in power."""
    signals = scene.radiator.weights * ring.at(time)
    pressure = np.einsum("cpm,pm->cm", scene.radiator.response(scene.model.frequency), signals)
    return np.asarray(np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)))
