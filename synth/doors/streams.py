"""Standard streams that no terminal, pipe or encoding turns into a traceback; signals that end the work tidily.

In: the process as it was started. Out: streams that are there, that write a letter their encoding lacks as its
number (JSON reads it back), and a request to end that removes temporary files like Ctrl-C does.
"""

from __future__ import annotations

import atexit
import codecs
import io
import os
import signal
import sys
from types import FrameType
from typing import Final, NoReturn

ESCAPES: Final = "tinewright-escapes"  # of our own error handler
_signals: list[int] = []  # those that asked for an end


def make_sound() -> None:
    """Of this process, before anything is printed or opened."""
    _open_missing()
    codecs.register_error(ESCAPES, escaped)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=ESCAPES)
    for number in _asking_to_end():
        # whoever started us with a signal left out wants it left out, as nohup does
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _stop)


def asked_to_stop() -> bool:
    """Whether a signal has asked for an end: a library that was being loaded may have made another error of it."""
    return bool(_signals)


def escaped(error: UnicodeError) -> tuple[str, int]:
    """Letters that an encoding lacks, as JSON writes them: in two halves beyond the 16-bit plane (RFC 8259, 7)."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    halves = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return "".join(rf"\u{halves[n]:02x}{halves[n + 1]:02x}" for n in range(0, len(halves), 2)), error.end


def give_up() -> None:
    """Let what still waits for standard output go: nobody takes it any more."""
    sink = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, sys.stdout.fileno())
    except (OSError, ValueError, AttributeError):
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 for the rest of the process
    finally:
        os.close(sink)


def end_process(code: int) -> NoReturn:
    """End the process with this exit code once what was printed is out and what waits for the end is done.

    Python takes all that was loaded apart before it ends, for a command that is done up to 50 ms for nothing. A
    signal that comes once all is out ends it at once: there is nothing left to stop, or to say.
    """
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):
        sys.exit(code)  # Python tells of what cannot be written
    for number in _asking_to_end():
        if signal.getsignal(number) is _stop:
            signal.signal(number, lambda *_: os._exit(code))
    atexit._run_exitfuncs()
    os._exit(code)


def _open_missing() -> None:
    """A stream that was closed is opened to nowhere: else the next file would stand in its place.

    Standard output is opened so that writing fails, and is told.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR if number == 2 else os.O_RDONLY)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115


def _asking_to_end() -> list[signal.Signals]:
    """The signals that do, as far as this system has them."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    return [getattr(signal, name) for name in names if hasattr(signal, name)]


def _stop(number: int, _: FrameType | None) -> None:
    _signals.append(number)
    raise KeyboardInterrupt
