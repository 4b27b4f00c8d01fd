"""A microphone, and the tuner's tones, in a process of their own: what is worked out meanwhile makes neither wait.

In: a device, a rate, frames of a block. Out: the blocks as they come; cues are played. In one process the driver's
call would wait for Python's lock, which a fit holds for longer than a block lasts, and a sound server that waits
for one of its guests loses the sound of all.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from multiprocessing.connection import Connection
from typing import Any

import numpy as np

from synth.arrays import Singles
from synth.doors.devices import MICROPHONE_GONE, DeviceLostError, microphone, sound_device
from synth.doors.threads import hurry, process_apart
from synth.doors.tuning_cues import LASTS, Cue, CuePlayer
from synth.errors import InputError


class MicrophoneApart(Iterator[Singles | None]):
    """Blocks (n,) as they come, None where sound was lost; and a loudspeaker for cues."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe

    def __next__(self) -> Singles | None:
        """Raises `DeviceLostError` once none come any more."""
        try:
            told = self._pipe.recv_bytes()
        except (EOFError, OSError):
            raise DeviceLostError(MICROPHONE_GONE) from None
        return np.frombuffer(told, np.float32) if told else None

    def play(self, cue: Cue) -> float:
        """The cue is next; how many seconds it lasts."""
        with suppress(OSError):  # when the other side has ended, the next block tells
            self._pipe.send(cue)
        return LASTS


@contextmanager
def microphone_apart(
    device: str | None, *, rate: int, block: int, tones: bool = False
) -> Iterator[MicrophoneApart]:
    """The microphone, and for `tones` the system's usual loudspeaker. Raises `InputError`."""
    with process_apart(_listen, device, rate, block, tones) as pipe:
        refused = _first(pipe)
        if refused is not None:
            raise InputError(**refused)
        yield MicrophoneApart(pipe)


def _first(pipe: Connection) -> dict[str, Any] | None:
    """What refuses to open, as `InputError` takes it; None where it is open."""
    try:
        refused: dict[str, Any] | None = pipe.recv()
    except (EOFError, OSError):
        refused = {"finding": "the process of the microphone ended before it began"}
    return refused


def _listen(pipe: Connection, device: str | None, rate: int, block: int, tones: bool) -> None:
    """The process: blocks into the pipe until nobody takes them, or none come."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the tuner, which then ends this one
    hurry()
    try:
        with ExitStack() as opened:
            if tones:
                player = CuePlayer(rate)
                opened.enter_context(sound_device(None, player.fill, rate=rate, block=block, channels=1))
                threading.Thread(target=_take_cues, args=(pipe, player), daemon=True).start()
            blocks = opened.enter_context(microphone(device, rate=rate, block=block))
            pipe.send(None)
            for each in blocks:
                pipe.send_bytes(b"" if each is None else each.tobytes())
    except InputError as refused:
        pipe.send(vars(refused))
    except DeviceLostError:
        os._exit(0)  # some drivers never let go of a device that is gone
    except OSError:  # the tuner has ended
        pass


def _take_cues(pipe: Connection, player: CuePlayer) -> None:
    with suppress(EOFError, OSError):
        while True:
            player.play(pipe.recv())
