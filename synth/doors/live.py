"""Playing live: gestures from a keyboard become sound on a device, until the player has had enough.

In: an instrument as it is heard, and what to play it on. Out: sound, and perhaps a recording of it with its script.
This is the main thread: it opens and closes, looks at the terminal's keys, writes the recording to the disk, tells
how it goes and notices when something was unplugged. `synth.doors.stage` says what the other threads do.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from synth.doors.keyboard import Read, keyboard
from synth.doors.ports import Alive, DeviceLostError, LostError, midi_port, midi_socket, sound_device
from synth.doors.stage import Setting, Stage, calm_threads
from synth.doors.take import script_beside, taped, write_script
from synth.errors import InputError
from synth.playing.keys import Message
from synth.sound.audio import RATE
from synth.sound.render import Scene

IDLE: Final = 0.02  # s between two looks at the keyboard of the computer
CHECK: Final = 1.0  # s between two looks whether the MIDI port is still there
SILENCE: Final = 1.0  # s without a block after which the device counts as gone
END_KEYS: Final = "q\x1b\x04"  # q, Escape, Ctrl-D

Tell = Callable[[str], None]


def live(scene: Scene, setting: Setting, *, tell: Tell, show: Tell) -> bool:
    """Play until the player ends it; whether all that was used was there to the end.

    `tell` takes lines that stay, `show` a line about the moment. Raises `InputError` for what cannot be opened.
    """
    script = None if setting.record is None else script_beside(setting.record)
    with calm_threads(), ExitStack() as opened:
        stage = Stage(scene, setting)
        tell(f"making ready: {len(scene.model.pole)} modes")
        stage.make_ready()
        sources = opened.enter_context(_sources(setting, stage.hear))
        tell(stage.words())
        flush = _nothing
        if setting.record is not None:
            flush = opened.enter_context(taped(setting.record, stage.voice))
        lost = _run(stage, setting, sources, flush, tell=tell, show=show)
    if script is not None and setting.record is not None:
        seconds = stage.bank.frame / RATE
        kept = write_script(script, stage.performer, name=setting.record.stem, seconds=seconds)
        tell(f"{setting.record}: {seconds:.1f} s" + (f"; played again by {script}" if kept else ""))
    tell(stage.summary())
    if lost:
        tell(f"ended: {lost}")
    return not lost


@dataclass(frozen=True)
class _Sources:
    """What is played on, besides the computer's keys."""

    alive: tuple[tuple[str, Alive], ...]
    read: Read | None


@contextmanager
def _sources(setting: Setting, receive: Callable[[Message | str], None]) -> Iterator[_Sources]:
    with ExitStack() as opened:
        alive: list[tuple[str, Alive]] = []
        if setting.midi_port is not None:
            there = opened.enter_context(midi_port(setting.midi_port, receive))
            alive.append((f"the MIDI port '{setting.midi_port}'", there))
        if setting.midi_socket is not None:
            there = opened.enter_context(midi_socket(setting.midi_socket, receive))
            alive.append((f"the socket {setting.midi_socket}", there))
        read = opened.enter_context(keyboard())
        if not alive and read is None:
            raise InputError(
                "there is nothing to play on: no MIDI port was named, and this is no terminal",
                remedy="name one with --midi-port; --list shows them",
            )
        yield _Sources(tuple(alive), read)


def _run(
    stage: Stage, setting: Setting, sources: _Sources, flush: Callable[[], None], *, tell: Tell, show: Tell
) -> str:
    """Sound until the end; what was lost, or nothing."""
    device = sound_device(
        setting.device, stage.fill, rate=RATE, block=setting.block, channels=stage.voice.channels
    )
    try:
        with stage.at_work(), device as stream:
            tell(f"the device's own delay is {1e3 * float(stream.latency):.0f} ms; q or Ctrl-C ends")
            _loop(stage, setting, sources, flush, stream=stream, tell=tell, show=show)
    except LostError as loss:
        return str(loss)
    except KeyboardInterrupt:
        pass
    finally:
        flush()
    return ""


def _loop(
    stage: Stage,
    setting: Setting,
    sources: _Sources,
    flush: Callable[[], None],
    *,
    stream: Any,
    tell: Tell,
    show: Tell,
) -> None:
    """What the main thread does meanwhile. Raises `LostError`."""
    end = np.inf if setting.seconds is None else time.perf_counter() + setting.seconds
    checked = time.perf_counter()
    while time.perf_counter() < end:
        pressed = _pressed(sources.read)
        if set(pressed) & set(END_KEYS):
            return
        for key in pressed:
            stage.hear(key)
        flush()
        while stage.performer.remarks:
            tell(stage.performer.remarks.popleft())
        show(stage.status())
        if not stream.active or stage.silent_for > SILENCE:
            raise DeviceLostError("the sound device is gone")
        if time.perf_counter() > checked + CHECK:
            checked = time.perf_counter()
            for name, there in sources.alive:
                if not there():
                    raise LostError(f"{name} is gone")


def _pressed(read: Read | None) -> str:
    if read is not None:
        return read(IDLE)
    time.sleep(IDLE)
    return ""


def _nothing() -> None:
    pass
