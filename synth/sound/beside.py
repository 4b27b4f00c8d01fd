"""Work in a thread of its own, beside what gives it something to do.

In: things, one by one; a generator that takes them and gives results. Out: the results, as they come. Compiled code
and linear algebra let go of the interpreter, so that two threads keep two cores busy.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Final, Generic, TypeVar

Offered = TypeVar("Offered")
Outcome = TypeVar("Outcome")

MOST: Final = 3  # things that wait, a few megabytes each: whoever gives more has to wait himself


class Beside(Generic[Offered, Outcome]):
    """As a context: things are given inside it. Where it is left by an exception, the work is given up."""

    def __init__(self, work: Callable[[Iterable[Offered]], Iterator[Outcome]]) -> None:
        self._work = work
        self._given: queue.Queue[Offered | None] = queue.Queue(MOST)
        self._done: queue.SimpleQueue[Outcome | BaseException | None] = queue.SimpleQueue()
        self._given_up = self._over = False
        self._thread = threading.Thread(target=self._run, name="beside", daemon=True)

    def __enter__(self) -> Beside[Offered, Outcome]:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._given_up = kind is not None
        self._given.put(None)
        if kind is not None:
            self._thread.join()

    def give(self, thing: Offered) -> None:
        """One thing more; waits while MOST are waiting."""
        self._given.put(thing)

    def results(self) -> Iterator[Outcome]:
        """Once through. Raises what the work raised."""
        while (done := self._done.get()) is not None:
            if isinstance(done, BaseException):
                raise done
            yield done

    def _run(self) -> None:
        try:
            for result in self._work(self._things()):
                if self._given_up:
                    break
                self._done.put(result)
        except BaseException as failure:
            self._done.put(failure)
        self._done.put(None)
        while not self._over:  # whoever still gives must not wait for ever
            self._over = self._given.get() is None

    def _things(self) -> Iterator[Offered]:
        while (thing := self._given.get()) is not None:
            if self._given_up:
                return
            yield thing
        self._over = True
