"""Where gestures come in: MIDI ports and mido's sockets. Opened here alone.

In: names as a person writes them. Out: open ports. Drivers are imported when they are wanted; what is missing or
gone is told in one line with what to do.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

from synth.doors.drivers import in_words, quiet_drivers
from synth.doors.midi_process import PortApart
from synth.errors import InputError, nearest
from synth.playing.midi_mapping import Message

if TYPE_CHECKING:
    from mido.sockets import PortServer

Look = Callable[
    [], str
]  # a line to tell where something was unplugged or came back since the last look, else ""
Receive = Callable[[Message], None]


NUMBERED: Final = re.compile(r" \d+:\d+$")  # ALSA's client and port
NO_RTMIDI: Final = "MIDI ports need the package python-rtmidi"


class Backend:
    """mido with one of the system's MIDI services: the usual one, or JACK where that is not there."""

    def __init__(self) -> None:
        import mido

        self._mido = mido.Backend()
        try:
            with quiet_drivers():
                self._mido.load()
                self._probe = self._made()
        except ImportError as missing:
            raise InputError(NO_RTMIDI, remedy="pip install 'tinewright[midi]'") from missing
        except Exception as failure:  # drivers raise what they please: OSError, SystemError, RuntimeError
            raise InputError(
                f"the MIDI service does not answer ({in_words(failure)})",
                remedy="start it, or name another in MIDO_BACKEND",
            ) from failure

    def _made(self) -> Any:
        """A look at the ports that stays open: a new one every second would disturb a running sound server."""
        import mido
        import rtmidi

        if self._mido.name != "mido.backends.rtmidi":
            return None
        if self._mido.api:
            return rtmidi.MidiIn(getattr(rtmidi, f"API_{self._mido.api}"), "tinewright looks")
        try:
            return rtmidi.MidiIn(name="tinewright looks")
        except Exception:
            if rtmidi.API_UNIX_JACK not in rtmidi.get_compiled_api():
                raise
            self._mido = mido.Backend("mido.backends.rtmidi/UNIX_JACK")
            return rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "tinewright looks")

    def names(self) -> list[str]:
        """The input ports."""
        if self._probe is None:
            return list(self._mido.get_input_names())
        return [name for name in self._probe.get_ports() if not name.startswith("tinewright")]

    def open(self, name: str, receive: Receive) -> Any:
        with quiet_drivers():
            if self._mido.api == "UNIX_JACK":
                return PortApart(name, receive)
            return self._mido.open_input(name, callback=receive)


class WatchedPort:
    """An input port that may be unplugged while it is played on, and is taken again when it returns."""

    def __init__(self, backend: Backend, asked: str, found: str, receive: Receive) -> None:
        self._backend, self._asked, self._found, self._receive = backend, asked, found, receive
        self._port: Any = backend.open(found, receive)

    def look(self) -> str:
        """Lets go of a port that is gone, opens one that is back; a line about that."""
        names, told = self._backend.names(), ""
        if self._port is not None and (self._found not in names or self._port.closed):
            self.close()
            told = f"the MIDI port '{self._asked}' is gone: it is played on again when it returns"
        if self._port is None and (back := returned(self._asked, self._found, names)) is not None:
            try:
                self._port, self._found = self._backend.open(back, self._receive), back
            except Exception:  # still half there: at the next look
                return told
            return f"the MIDI port '{self._asked}' " + ("was lost and is back" if told else "is back")
        return told

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(Exception):  # what is gone cannot be closed everywhere
                port.close()


@contextmanager
def midi_port(name: str, receive: Receive) -> Iterator[Look]:
    """Messages of an input port go to `receive`. Gives what is to be asked now and then. Raises `InputError`."""
    backend = Backend()
    names = backend.names()
    found = chosen(name, names)
    if found is None:
        raise InputError(
            f"there is no MIDI input port '{name}'",
            remedy=nearest(name, names) if names else "plug it in",
            location="--midi-port",
        )
    try:
        port = WatchedPort(backend, name, found, receive)
    except Exception as failure:
        raise InputError(f"the port '{found}' cannot be opened ({in_words(failure)})") from failure
    try:
        yield port.look
    finally:
        port.close()


def returned(asked: str, found: str, names: list[str]) -> str | None:
    """The port that was `found`, or, as ALSA numbers its clients anew, the one that is else called as it was."""
    if found in names:
        return found
    plain = NUMBERED.sub("", found)
    again = next((each for each in names if NUMBERED.sub("", each) == plain), None)
    return again or (None if asked.isdigit() else chosen(asked, names))


def check_socket(address: str) -> tuple[str, int]:
    """The host and the number of HOST:PORT. Raises `InputError`."""
    from mido.sockets import parse_address

    try:
        host, number = parse_address(address)
    except ValueError as failure:
        raise _unheard(address, failure) from failure
    return host, number


@contextmanager
def midi_socket(address: str, receive: Receive) -> Iterator[Look]:
    """Messages that anyone sends to HOST:PORT as mido's sockets do go to `receive`. Raises `InputError`."""
    from mido.sockets import PortServer

    try:
        server = PortServer(*check_socket(address))
    except OSError as failure:
        raise _unheard(address, failure) from failure
    threading.Thread(target=_serve, args=(server, receive), daemon=True).start()
    try:
        yield str
    finally:
        server.close()


def _unheard(address: str, failure: Exception) -> InputError:
    return InputError(
        f"cannot listen on '{address}' ({in_words(failure)})",
        remedy="give HOST:PORT, say localhost:9080",
        location="--midi-socket",
    )


def _serve(server: PortServer, receive: Receive) -> None:
    """One thread for each that connects; it ends when the other side goes."""

    def listen(port: Any) -> None:
        for message in port:
            receive(message)

    while not server.closed:
        try:
            port = server.accept()
        except (OSError, ValueError):  # closed while it waited
            return
        if port is not None:
            threading.Thread(target=listen, args=(port,), daemon=True).start()


def midi_ports() -> list[str]:
    """The MIDI input ports, as `--midi-port` takes them. Raises `InputError`."""
    return Backend().names()


def chosen(name: str, names: list[str]) -> str | None:
    """The port of that name or number, or the first whose name holds it."""
    if name.isdigit() and int(name) < len(names):
        return names[int(name)]
    if name in names:
        return name
    return next((each for each in names if name.casefold() in each.casefold()), None)
