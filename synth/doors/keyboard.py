"""The keys of the terminal, one by one as they are pressed.

In: standard input, where it is a terminal. Out: characters. The terminal is put back as it was, whatever happens.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Read = Callable[[float], str]  # waits at most so many seconds; the keys pressed by then, perhaps none


@contextmanager
def keyboard() -> Iterator[Read | None]:
    """A function that reads keys, or None where there is no terminal to read from."""
    if not sys.stdin.isatty():
        yield None
    elif sys.platform == "win32":
        yield _read_console
    else:
        with _each_key():
            yield _read_terminal


if sys.platform == "win32":

    def _read_console(seconds: float) -> str:
        import msvcrt

        end = time.monotonic() + seconds
        while not msvcrt.kbhit():
            if time.monotonic() >= end:
                return ""
            time.sleep(0.002)
        return msvcrt.getwch()

else:

    @contextmanager
    def _each_key() -> Iterator[None]:
        import termios
        import tty

        handle = sys.stdin.fileno()
        before = termios.tcgetattr(handle)
        try:
            tty.setcbreak(handle)  # keys at once and unseen; Ctrl-C still interrupts
            yield
        finally:
            termios.tcsetattr(handle, termios.TCSADRAIN, before)

    def _read_terminal(seconds: float) -> str:
        import os
        import select

        handle = sys.stdin.fileno()
        ready, _, _ = select.select([handle], [], [], seconds)
        return os.read(handle, 64).decode(errors="ignore") if ready else ""
