"""A JACK server of a script's own, with the dummy driver, and who plays on it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

PATIENCE: Final = 10.0  # s for the server to answer


@contextmanager
def server(name: str, *, rate: int, period: int, how: str = "-R") -> Iterator[None]:
    """Runs inside; `how` is -R in real time, -r not. Whoever wants it waits for it: see `guest`."""
    command = f"jackd -n {_full(name)} {how} -d dummy -r {rate} -p {period}".split()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            yield
        finally:
            process.terminate()


def on(name: str) -> dict[str, str]:
    """The environment of who plays on the server of that name."""
    return {
        **os.environ,
        "JACK_DEFAULT_SERVER": _full(name),
        "JACK_NO_AUDIO_RESERVATION": "1",
        "JACK_NO_START_SERVER": "1",
        "MIDO_BACKEND": "mido.backends.rtmidi/UNIX_JACK",
        "OMP_NUM_THREADS": "1",
    }


def guest(called: str) -> Any:
    """A client of the server that the environment names, once it answers; ends the script where it does not."""
    import jack

    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        with suppress(jack.JackOpenError):
            return jack.Client(called, no_start_server=True)
        time.sleep(0.1)
    sys.exit("the JACK server does not start here")


def _full(name: str) -> str:
    return f"{name}-{os.getpid()}"
