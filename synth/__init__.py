"""Tinewright: hear a stick-stroked steel-tine instrument before the steel is cut.

For Python programs and notebooks, the few names that do it; each is loaded when it is first used:

    import synth
    rail = synth.open("designs/quay-rail.toml")
    sound = rail.stroke("D3", speed_mm_s=300, through="panel")
    sound.write("d3.wav")

Code inside the package takes everything from where it is defined.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

from synth.version import __version__ as __version__

if TYPE_CHECKING:
    from synth.errors import InputError as InputError
    from synth.interface.answers import Check as Check
    from synth.interface.answers import Modes as Modes
    from synth.interface.board import HeardBoard as HeardBoard
    from synth.interface.opened import OpenDesign as OpenDesign
    from synth.interface.opened import open as open
    from synth.interface.sound import Sound as Sound

_HOME: Final = {
    "open": "synth.interface.opened",
    "OpenDesign": "synth.interface.opened",
    "Check": "synth.interface.answers",
    "Modes": "synth.interface.answers",
    "HeardBoard": "synth.interface.board",
    "Sound": "synth.interface.sound",
    "InputError": "synth.errors",
}

__all__ = ["Check", "HeardBoard", "InputError", "Modes", "OpenDesign", "Sound", "__version__", "open"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'synth' has no attribute '{name}'; it has {', '.join(_HOME)}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
