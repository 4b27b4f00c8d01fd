"""A MIDI port of JACK in a process of its own: what ends that process leaves the playing alone.

In: the name of a port. Out: its messages as they come. JACK hands over the buffer of the program that plays. Where
that one is late, it writes on while python-rtmidi 1.5 reads, which then follows a pointer that nobody has set: the
process ends. Here that is a port that is gone for a second, and what its player had is still there.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from multiprocessing.connection import Connection
from typing import Any, Final

from synth.doors.drivers import in_words, quiet_drivers
from synth.doors.threads import ENDS_WITHIN, hurry, process_apart
from synth.playing.midi_mapping import Message

ASKED: Final = 0.001  # s
WAITING: Final = 8192  # messages, some seconds of all that a cable carries


class PortApart:
    """An open port, asked for its messages a thousand times a second; `closed` once its process has ended.

    One that calls does so within JACK's own cycle, where it waits for the interpreter: every program on the server
    then misses blocks, and messages are lost with them.
    """

    def __init__(self, name: str, receive: Callable[[Message], None]) -> None:
        """Raises OSError where it cannot be opened."""
        self._receive, self.closed = receive, False
        with ExitStack() as opened:
            self._pipe = opened.enter_context(process_apart(_listen, name))
            if refused := _first(self._pipe):
                raise OSError(refused)
            self._process = opened.pop_all()
        self._thread = threading.Thread(target=self._take, name="midi", daemon=True)
        self._thread.start()

    def close(self) -> None:
        with suppress(OSError):
            self._pipe.send(None)
        self._thread.join(ENDS_WITHIN)
        self._process.close()

    def _take(self) -> None:
        from mido import Message as Known

        with suppress(EOFError, OSError):
            while True:
                for each in self._pipe.recv():
                    with suppress(ValueError):  # no message of MIDI 1.0
                        self._receive(Known.from_bytes(each))
        self.closed = True


def _first(pipe: Connection) -> str:
    """Why the port does not open; nothing where it is open."""
    try:
        return str(pipe.recv())
    except (EOFError, OSError):
        return "the process of the port ended before it began"


def _listen(pipe: Connection, name: str) -> None:
    """The process: messages into the pipe until something comes out of it, or its other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the player's side, which then ends this one
    hurry()
    with quiet_drivers(), suppress(OSError):
        try:
            port = _opened(name)
        except Exception as failure:  # drivers raise what they please
            pipe.send(in_words(failure))
            return
        pipe.send("")
        while not pipe.poll(ASKED):
            if found := list(_waiting(port)):
                pipe.send(found)
        port.close_port()


def _opened(name: str) -> Any:
    import rtmidi

    port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "tinewright", queue_size_limit=WAITING)
    port.open_port(port.get_ports().index(name))
    return port


def _waiting(port: Any) -> Iterator[list[int]]:
    """The messages that came since, each as its bytes."""
    while (found := port.get_message()) is not None:
        yield found[0]
