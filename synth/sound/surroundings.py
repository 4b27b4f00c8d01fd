"""Where an instrument stands when it is heard: free air, or a room of its design.

In: words of a user. Out: a `Surroundings`, which `synth.sound.render.scene` takes.
"""

from __future__ import annotations

from typing import Final

from synth.frozen import frozen


@frozen
class Surroundings:
    """A room of the design, or "" for free air; with the room's noise under it or without."""

    room: str = ""
    noise: bool = False


FREE_AIR: Final = Surroundings()
