"""A file looked at every 50 ms: what it says where it may have been written to, and once a second in any case.

In: a path. Out: calls with its text, or with what keeps it from being read. A text that was seen by one look alone
may be half written: it is called unsettled, and called again when the next look finds it the same. Who writes the
file too gives the lock under which he does: what he has written since a look would else be told as undone. He alone
knows whether a text is news: between two looks he may have written one, and another program the one before again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from threading import Event, Thread
from typing import Any, Final

from synth.design.file import read_text
from synth.errors import InputError

PERIOD: Final = 0.05  # s
SURELY: Final = 20  # looks after which the text is read whatever the clock of the file says

Seen = Callable[[str | InputError, bool], None]


class FileWatch:
    """A thread of its own from `start` to `stop`."""

    def __init__(self, path: Path, told: Seen, unwritten: AbstractContextManager[Any] | None = None) -> None:
        self._path, self._told, self._unwritten = path, told, unwritten or nullcontext()
        self._stopped = Event()
        self._thread = Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopped.set()
        self._thread.join()

    def _run(self) -> None:
        mark: object = None
        unsettled, looks = False, 0
        last: str | InputError = ""
        while not self._stopped.wait(PERIOD):
            now, looks = self._mark(), looks + 1
            if now == mark and not unsettled and looks % SURELY:
                continue
            with self._unwritten:
                mark, seen = now, self._seen()
                settled = str(seen) == str(last)
                self._told(seen, settled)
            unsettled, last = not settled, seen

    def _mark(self) -> object:
        try:
            status = os.stat(self._path)
        except OSError:
            return None
        return status.st_mtime_ns, status.st_size, status.st_ino

    def _seen(self) -> str | InputError:
        try:
            return read_text(self._path)
        except InputError as error:
            return error
