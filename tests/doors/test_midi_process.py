"""A MIDI port in a process of its own: what goes through its pipe, and how it ends."""

from __future__ import annotations

import multiprocessing
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from synth.doors import midi_process
from synth.doors.midi_process import PortApart

NAMES = ["Pads:out", "Keys:out"]


class Driver:
    """As python-rtmidi, with a cable that the test puts messages in."""

    API_UNIX_JACK = "JACK"

    def __init__(self, **_: Any) -> None:
        self.cable: deque[tuple[list[int], float]] = deque()
        self.done: list[Any] = []

    def MidiIn(self, api: str, name: str, queue_size_limit: int) -> Driver:
        self.done.append((api, name, queue_size_limit))
        return self

    def get_ports(self) -> list[str]:
        return NAMES

    def open_port(self, number: int) -> None:
        self.done.append(number)

    def get_message(self) -> Any:
        return self.cable.popleft() if self.cable else None

    def close_port(self) -> None:
        self.done.append("closed")


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> Driver:
    """The port's process run as a thread between pipes, on a driver of ours."""
    made = Driver()

    @contextmanager
    def as_a_thread(work: Any, *words: Any) -> Iterator[Any]:
        ours, theirs = multiprocessing.Pipe()

        def run() -> None:
            work(theirs, *words)
            theirs.close()

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield ours
        finally:
            ours.close()
            thread.join(5.0)
            made.done.append("ended" if not thread.is_alive() else "hangs")

    monkeypatch.setitem(sys.modules, "rtmidi", made)  # type: ignore[arg-type]
    monkeypatch.setattr(midi_process, "process_apart", as_a_thread)
    monkeypatch.setattr(midi_process, "hurry", lambda: None)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    return made


def until(true: Any) -> None:
    end = time.monotonic() + 5.0
    while not true() and time.monotonic() < end:
        time.sleep(0.005)
    assert true()


def test_messages_come_in_their_order_what_is_none_is_left_out_and_the_port_is_closed(driver: Driver) -> None:
    pytest.importorskip("mido")
    heard: list[Any] = []
    port = PortApart("Keys:out", heard.append)
    for each in ([0x90, 45, 100], [0x55], [0xC0, 3], [0x80, 45, 0]):
        driver.cable.append((each, 0.0))
    until(lambda: len(heard) == 3)
    assert [each.bytes() for each in heard] == [[0x90, 45, 100], [0xC0, 3], [0x80, 45, 0]]
    assert not port.closed
    port.close()
    assert port.closed
    assert driver.done == [("JACK", "tinewright", midi_process.WAITING), 1, "closed", "ended"]


def test_a_port_that_is_not_there_is_refused_in_a_line_and_its_process_ended(driver: Driver) -> None:
    with pytest.raises(OSError, match="'Organ' is not in list"):
        PortApart("Organ", print)
    assert driver.done[-1] == "ended"


def test_a_process_that_ends_before_it_began_is_told() -> None:
    ours, theirs = multiprocessing.Pipe()
    theirs.close()
    assert midi_process._first(ours) == "the process of the port ended before it began"


def test_a_process_that_is_lost_closes_its_port(driver: Driver, monkeypatch: pytest.MonkeyPatch) -> None:
    """As where the library follows a pointer into nothing."""

    def lost() -> Any:
        raise OSError

    port = PortApart("Pads:out", print)
    monkeypatch.setattr(driver, "get_message", lost)
    until(lambda: port.closed)
    port.close()
    assert driver.done[-1] == "ended"


def test_a_real_process_runs_beside_and_ends_with_its_pipe() -> None:
    """Started as the port's is, killed as a fault of its library does it."""
    from synth.doors.threads import process_apart

    with process_apart(_answering) as pipe:
        pipe.send(20)
        assert pipe.recv() == 21
        pipe.send(None)
        with pytest.raises(EOFError):
            pipe.recv()
    assert pipe.closed
    assert not multiprocessing.active_children()


def _answering(pipe: Any) -> None:
    while (number := pipe.recv()) is not None:
        pipe.send(number + 1)
    if hasattr(signal, "SIGSEGV"):
        signal.raise_signal(signal.SIGSEGV)
