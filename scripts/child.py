"""Work done in a process of its own, whose time and memory are limited: it may end badly, this one does not.

In: a function that can be pickled, and what each call of it may take. Out: what it gave, or None where it was still
at work after its time, or the process had ended. One process serves many calls, since starting one takes seconds;
one that has once held much is replaced by another, so that no call pays for those before it.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import sys
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

GROWN = 0.4  # of the memory it may have: at its fullest, after which a child is replaced
STARTING = (
    600.0  # s more for the first call, which imports and compiles: half a minute on a machine that is free
)


class Child:
    """Calls `work` in a child; as a context, the child ends with it."""

    def __init__(self, work: Callable[..., Any], *, seconds: float, memory: int) -> None:
        self._work, self._seconds, self._memory = work, seconds, memory
        self._process: SpawnProcess | None = None
        self._pipe: Connection

    def __call__(self, *words: Any) -> Any:
        fresh = self._process is None
        if fresh:
            self._start()
        try:
            self._pipe.send(words)
            if self._pipe.poll(self._seconds + STARTING * fresh):
                answer, grown = self._pipe.recv()
                if grown:
                    self._end()
                return answer
        except (EOFError, OSError):
            pass
        self._end()
        return None

    def __enter__(self) -> Child:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(self._work, theirs, self._memory), daemon=True)
        self._process.start()
        theirs.close()

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._pipe.close()
            self._process = None


def _serve(work: Callable[..., Any], pipe: Connection, memory: int) -> None:
    limit_memory(memory)
    while True:
        try:
            words = pipe.recv()
        except EOFError:
            return
        pipe.send((work(*words), held() > GROWN * memory))


def held() -> int:
    """Bytes that this process has held at its fullest, where the system tells."""
    with contextlib.suppress(
        OSError, StopIteration
    ):  # Linux; there `getrusage` counts what its parent held too
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
        return next(int(line.split()[1]) << 10 for line in lines if line.startswith("VmHWM:"))
    try:
        import resource
    except ImportError:  # Windows
        return 0
    unit = 1 if sys.platform == "darwin" else 1024  # its manual says bytes, the others' kilobytes
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def limit_memory(size: int) -> None:
    """This process cannot have more bytes of addresses than that, where the system can be told so."""
    try:
        import resource
    except ImportError:  # Windows
        return
    resource.setrlimit(resource.RLIMIT_AS, (size, size))
