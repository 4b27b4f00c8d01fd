"""The keys of the terminal, one by one as they are pressed.

In: standard input, where it is a terminal. Out: characters. Arrows and function keys, which a terminal sends as
several characters, give nothing. The terminal is put back as it was, whatever happens.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

Read = Callable[[float], str]  # waits at most so many seconds; the keys pressed by then, perhaps none

# ECMA-48 control sequences, the Linux console's function keys (ESC [ [ A), xterm's application keys (ESC O P), and
# a key with Alt or Meta, which sends ESC before its own
SEQUENCE: Final = re.compile(r"\x1b+(?:\[\[[A-Z]|\[[0-?]*[ -/]*[@-Z\\-~]|O[0-9;]*[@-~]|[^\x1b\[O])")
BEGUN: Final = re.compile(r"\x1b+(?:\[\[?|\[[0-?]+[ -/]*|O[0-9;]*)?$")
TORN: Final = re.compile(
    r"\x1b+[\[O][^\x1b]*$"
)  # begun and never ended: not the Escape key, which comes alone
AT_ONCE: Final = 0.05  # s within which the rest of a sequence comes: over a slow line too
SPECIAL: Final = (b"\x00", b"\xe0")  # on Windows, the first of the two codes of an arrow or function key


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


def without_sequences(typed: str) -> str:
    """What was typed without the sequences of arrows and function keys."""
    return TORN.sub("", SEQUENCE.sub("", typed))


def console_key(getch: Callable[[], bytes], kbhit: Callable[[], bool]) -> str:
    """The key that waits on a Windows console; nothing for an arrow or function key, whose second code is taken."""
    key = getch()
    if key in SPECIAL:
        if kbhit():
            getch()
        return ""
    return key.decode("ascii", errors="ignore")


if sys.platform == "win32":

    def _read_console(seconds: float) -> str:
        import msvcrt

        end = time.monotonic() + seconds
        while not msvcrt.kbhit():
            if time.monotonic() >= end:
                return ""
            time.sleep(0.002)
        return console_key(msvcrt.getch, msvcrt.kbhit)  # kbhit knows of getch's second code, not of getwch's

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
        typed = _waiting(seconds)
        end = time.monotonic() + AT_ONCE
        while BEGUN.search(typed) and (left := end - time.monotonic()) > 0.0:
            typed += _waiting(left)
        return without_sequences(typed)

    def _waiting(seconds: float) -> str:
        import os
        import select

        handle = sys.stdin.fileno()
        ready, _, _ = select.select([handle], [], [], seconds)
        return os.read(handle, 64).decode(errors="ignore") if ready else ""
