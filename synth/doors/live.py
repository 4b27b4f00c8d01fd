"""Playing live: gestures from a keyboard become sound on a device, until the player has had enough.

In: an instrument as it is heard, and what to play it on. Out: sound, and perhaps a recording of it with its script.
This is the main thread: it opens and closes, looks at the terminal's keys, tells how it goes and notices when
something was unplugged. `synth.doors.live_session` has the other threads, `synth.doors.audio_process` the other
process.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

from synth.doors.audio_process import Job, Speaker
from synth.doors.devices import check_sound_device
from synth.doors.drivers import LostError
from synth.doors.keyboard import Read, keyboard
from synth.doors.live_session import Setting, Stage
from synth.doors.ports import Look, check_socket, midi_port, midi_socket
from synth.doors.recorder import script_beside, write_script
from synth.doors.threads import calm_threads
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.midi_mapping import Message
from synth.sound.render import Scene

IDLE: Final = 0.02  # s between two looks at the keyboard of the computer
CHECK: Final = 1.0  # s between two looks whether the MIDI port is there
END_KEYS: Final = "q\x1b\x03\x04"  # q, Escape, Ctrl-C where it comes as a key, Ctrl-D

Tell = Callable[[str], None]


def checked_setting(setting: Setting, *, tell: Tell) -> Setting:
    """What a player chose, before anything is made ready for it. Raises `InputError` for what cannot be.

    Where there is no sound card, a recording is played silently.
    """
    if setting.record is not None:
        script_beside(setting.record)
    if setting.midi_socket is not None:
        check_socket(setting.midi_socket)
    if setting.midi_port is None and setting.midi_socket is None and not sys.stdin.isatty():
        raise InputError(
            "there is nothing to play on: no MIDI port was named, and this is no terminal",
            remedy="name one with --midi-port; --list shows them",
        )
    try:
        check_sound_device(setting.device)
    except InputError as error:
        if setting.record is None or setting.device is not None:
            raise
        tell(f"{error.finding}: unheard, into {setting.record}")
        return dataclasses.replace(setting, silent=True)
    return setting


def live(scene: Scene, setting: Setting, *, tell: Tell, show: Tell) -> bool:
    """Play until the player ends it; whether the sound device was there to the end.

    `setting` as `checked_setting` gives it. `tell` takes lines that stay, `show` a line about the moment. Raises
    `InputError` for what cannot be opened, and a fault of the program in the contacts once what was played is kept.
    """
    script = None if setting.record is None else script_beside(setting.record)
    tell(f"making ready: {len(scene.model.pole)} modes")
    speaker = Speaker(
        Job(
            pole=scene.model.pole,
            radiator=scene.radiator,
            device=setting.device,
            silent=setting.silent,
            block=setting.block,
            gain_db=setting.gain_db,
            ceiling_db=setting.ceiling_db,
            record=setting.record,
        )
    )
    stage = Stage(scene, setting, speaker)
    with calm_threads():
        stage.make_ready()
        lost = _run(stage, speaker, tell=tell, show=show)
    if script is not None and setting.record is not None and setting.record.exists():
        kept = write_script(script, stage.performer, name=script.stem, seconds=speaker.seconds)
        if speaker.cut:
            tell(f"warning: {setting.record} ends early, for the disk took no more")
        tell(f"{setting.record}: {speaker.seconds:.1f} s" + (f"; played again by {script}" if kept else ""))
    tell(stage.summary())
    if lost:
        tell(f"ended: {lost}")
    if stage.fault is not None:
        tell("ended: the program failed, as is told below; no key sounds any more")
        raise stage.fault
    return not lost


@frozen
class _Sources:
    """What is played on, besides the computer's keys."""

    looks: tuple[Look, ...]
    read: Read | None


@contextmanager
def _sources(setting: Setting, receive: Callable[[Message | str], None]) -> Iterator[_Sources]:
    with ExitStack() as opened:
        looks: list[Look] = []
        if setting.midi_port is not None:
            looks.append(opened.enter_context(midi_port(setting.midi_port, receive)))
        if setting.midi_socket is not None:
            looks.append(opened.enter_context(midi_socket(setting.midi_socket, receive)))
        yield _Sources(tuple(looks), opened.enter_context(keyboard()))


def _run(stage: Stage, speaker: Speaker, *, tell: Tell, show: Tell) -> str:
    """Sound until the end; what was lost, or nothing."""
    try:
        with _sources(stage.setting, stage.hear) as sources, speaker, stage.at_work():
            tell(stage.words())
            tell(f"the device's own delay is {1e3 * speaker.latency:.0f} ms; q or Ctrl-C ends")
            _loop(stage, speaker, sources, tell=tell, show=show)
    except LostError as loss:
        return str(loss)
    except KeyboardInterrupt:
        pass
    return ""


def _loop(stage: Stage, speaker: Speaker, sources: _Sources, *, tell: Tell, show: Tell) -> None:
    """What the main thread does meanwhile. Raises `LostError`."""
    seconds = stage.setting.seconds
    end = math.inf if seconds is None else time.perf_counter() + seconds
    checked_setting = time.perf_counter()
    while time.perf_counter() < end and stage.fault is None:
        pressed = _pressed(sources.read)
        if set(pressed) & set(END_KEYS):
            return
        for key in pressed:
            stage.hear(key)
        while stage.performer.remarks:
            tell(stage.performer.remarks.popleft())
        show(stage.status())
        if not speaker.there:
            raise LostError("the sound device is gone")
        if time.perf_counter() > checked_setting + CHECK:
            checked_setting = time.perf_counter()
            for line in filter(None, (look() for look in sources.looks)):
                tell(line)


def _pressed(read: Read | None) -> str:
    if read is not None:
        return read(IDLE)
    time.sleep(IDLE)
    return ""
