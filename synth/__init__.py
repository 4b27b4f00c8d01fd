"""Tinewright: hear a stick-stroked steel-tine instrument before the steel is cut.

For Python programs, the few names that make a piece heard; each is loaded when it is first used:

    instrument = resolve(load(Path("designs/quay-rail.toml")))
    script = Script(stroke=[Entry(at_s=0.0, group="D3"), Entry(at_s=1.5, group="A3", speed_mm_s=900.0)])
    write(Path("two.wav"), play(instrument, perform(script, instrument)).blocks)

Code inside the package takes everything from where it is defined.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from synth.design.file import load as load
    from synth.design.resolve import resolve as resolve
    from synth.errors import InputError as InputError
    from synth.playing.midi import read_midi as read_midi
    from synth.playing.script import Entry as Entry
    from synth.playing.script import How as How
    from synth.playing.script import Phrase as Phrase
    from synth.playing.script import Script as Script
    from synth.playing.script import TempoChange as TempoChange
    from synth.playing.script import read_script as read_script
    from synth.playing.script import schedule as schedule
    from synth.sound.audio import write as write
    from synth.sound.render import play as play

_HOME: Final = {
    "load": "synth.design.file",
    "resolve": "synth.design.resolve",
    "Script": "synth.playing.script",
    "Entry": "synth.playing.script",
    "How": "synth.playing.script",
    "Phrase": "synth.playing.script",
    "TempoChange": "synth.playing.script",
    "schedule": "synth.playing.script",
    "read_script": "synth.playing.script",
    "read_midi": "synth.playing.midi",
    "play": "synth.sound.render",
    "write": "synth.sound.audio",
    "InputError": "synth.errors",
}

__all__ = list(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'synth' has no attribute '{name}'; it has {', '.join(_HOME)}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
