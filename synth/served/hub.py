"""Who listens to what happens: a queue for every open page, into which everything told is put.

In: events, a name and plain data. Out: the same to every listener, in order.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from queue import Empty, Full, Queue
from threading import Lock
from typing import Any, Final

HEARTBEAT: Final = 5.0  # s after which a silent line says that it is there
MOST_WAITING: Final = 100  # events that a page may be behind; it asks anew when it comes back


class Hub:
    """Several threads may tell and listen."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._queues: set[Queue[str]] = set()
        self._open = True

    def tell(self, event: str, data: Any) -> None:
        """To all who listen now; who is too far behind is left out."""
        words = said(event, data)
        with self._lock:
            for queue in list(self._queues):
                try:
                    queue.put_nowait(words)
                except Full:
                    self._queues.discard(queue)

    @contextmanager
    def listening(self) -> Iterator[Iterator[str]]:
        """What is told from now on, as a stream of events has it; ends when the hub closes."""
        queue: Queue[str] = Queue(MOST_WAITING)
        with self._lock:
            self._queues.add(queue)
        try:
            yield self._events(queue)
        finally:
            with self._lock:
                self._queues.discard(queue)

    def close(self) -> None:
        self._open = False
        self.tell("end", {})

    def _events(self, queue: Queue[str]) -> Iterator[str]:
        while self._open and queue in self._queues:
            try:
                yield queue.get(timeout=HEARTBEAT)
            except Empty:
                yield ": still here\n\n"


def said(event: str, data: Any) -> str:
    """An event of the stream (HTML standard, server-sent events): one line of data."""
    return f"event: {event}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"
