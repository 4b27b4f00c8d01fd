"""The microphone and the cues in a process of their own: what goes through its pipe, and how it ends."""

from __future__ import annotations

import multiprocessing
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from synth.doors import microphone_process
from synth.doors.devices import DeviceLostError
from synth.doors.tuning_cues import LASTS
from synth.errors import InputError

RATE = 48_000
Array = np.ndarray[Any, Any]


def test_a_microphone_apart_gives_blocks_gaps_and_its_end_and_takes_cues(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its process run as a thread, between pipes, with a device that gives two blocks and is then gone."""
    opened: list[tuple[str | None, int, int]] = []
    ours, theirs = multiprocessing.Pipe()
    filled, ended = threading.Event(), threading.Event()

    @contextmanager
    def loudspeaker(device: str | None, fill: Any, *, rate: int, block: int, channels: int) -> Iterator[None]:
        opened.append((device, rate, block))
        yield
        out = np.zeros((round(LASTS * RATE), channels), np.float32)
        fill(out, None)
        assert np.max(np.abs(out)) > 0.03
        filled.set()

    @contextmanager
    def microphone(device: str | None, *, rate: int, block: int) -> Iterator[Iterator[Array | None]]:
        opened.append((device, rate, block))
        yield iter([np.full(4, 0.5, np.float32), None, np.full(4, 0.25, np.float32)])
        ended.wait(5.0)

    monkeypatch.setattr(microphone_process, "sound_device", loudspeaker)
    monkeypatch.setattr(microphone_process, "microphone", microphone)
    monkeypatch.setattr(microphone_process, "hurry", lambda: None)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    work = threading.Thread(target=microphone_process._listen, args=(theirs, "3", RATE, 256, True))
    work.start()
    assert microphone_process._first(ours) is None
    apart = microphone_process.MicrophoneApart(ours)
    assert apart.play("flat") == LASTS
    first, gap, second = (next(apart) for _ in range(3))
    assert gap is None
    assert first is not None
    assert second is not None
    assert (first.tolist(), second.tolist()) == ([0.5] * 4, [0.25] * 4)
    time.sleep(0.1)
    ended.set()
    work.join(5.0)
    assert filled.is_set()
    assert opened == [(None, RATE, 256), ("3", RATE, 256)]


def test_a_process_that_has_ended_is_a_microphone_that_is_gone() -> None:
    ours, theirs = multiprocessing.Pipe()
    theirs.close()
    apart = microphone_process.MicrophoneApart(ours)
    with pytest.raises(DeviceLostError, match="the microphone is gone"):
        next(apart)
    assert apart.play("flat") == LASTS


def test_a_process_that_ends_before_it_began_is_told() -> None:
    ours, theirs = multiprocessing.Pipe()
    theirs.send({"finding": "there is no microphone", "location": "--device"})
    theirs.close()
    assert microphone_process._first(ours) == {"finding": "there is no microphone", "location": "--device"}
    assert "ended before it began" in (microphone_process._first(ours) or {})["finding"]


@pytest.mark.parametrize("refused", [None, {"finding": "there is no microphone", "remedy": "plug one in"}])
def test_what_the_microphones_process_refuses_is_refused_here_and_it_is_ended(
    monkeypatch: pytest.MonkeyPatch, refused: dict[str, str] | None
) -> None:
    done: list[Any] = []

    class Process:
        def __init__(self, target: Any, args: Any, daemon: bool) -> None:
            done.append((target, args[1:], daemon))

        def start(self) -> None:
            done.append("started")

        def join(self, *seconds: float) -> None:
            done.append("joined")

        def is_alive(self) -> bool:
            return False

    pipes = multiprocessing.Pipe()
    context = SimpleNamespace(Pipe=lambda: pipes, Process=Process)
    monkeypatch.setattr(multiprocessing, "get_context", lambda kind: context)
    monkeypatch.setattr(microphone_process, "_first", lambda pipe: refused)
    opened = []
    with (
        nullcontext() if refused is None else pytest.raises(InputError, match="no microphone; plug one in"),
        microphone_process.microphone_apart("2", rate=RATE, block=64, tones=True) as apart,
    ):
        opened.append(apart)
    assert done == [(microphone_process._listen, ("2", RATE, 64, True), True), "started", "joined"]
    assert len(opened) == (refused is None)
    assert pipes[0].closed
