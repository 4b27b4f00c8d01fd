"""What was solved of small things is remembered as long as the program runs, by all that it was made of.

In: for each thing the bytes of every number its solution reads, and how to solve those that are not known. Out: the
solutions. A change of one tine leaves the others' bytes as they are, and so their solutions, bit for bit. Solutions
hold arrays or numbers and belong to all who ask: nobody writes to them.
"""

from __future__ import annotations

import dataclasses
from collections import OrderedDict
from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any, Final, Generic, TypeVar

import numpy as np

from synth.arrays import Indices

Known = TypeVar("Known")
MIB: Final = 1 << 20
_BARE: Final = 200  # bytes of an entry without its arrays
_all: list[Remembered[Any]] = []


class Remembered(Generic[Known]):
    """Solutions of one kind, `most` bytes of them; what has gone unused longest goes first. For any thread."""

    def __init__(self, most: int) -> None:
        self.most, self._size, self._lock = most, 0, Lock()
        self._found: OrderedDict[bytes, Known] = OrderedDict()
        _all.append(self)

    def each(self, keys: Sequence[bytes], solve: Callable[[Indices], Sequence[Known]]) -> list[Known]:
        """The solution of each key; `solve` takes the places in `keys` of those not known, each once."""
        with self._lock:
            found = {key: self._found[key] for key in dict.fromkeys(keys) if key in self._found}
            for key in found:
                self._found.move_to_end(key)
        first = {key: place for place, key in reversed(list(enumerate(keys))) if key not in found}
        if first:
            places = np.array(sorted(first.values()))
            fresh = dict(zip((keys[place] for place in places.tolist()), solve(places), strict=True))
            self._take(fresh)
            found |= fresh
        return [found[key] for key in keys]

    def forget(self) -> None:
        """All of it."""
        with self._lock:
            self._found.clear()
            self._size = 0

    def _take(self, fresh: dict[bytes, Known]) -> None:
        with self._lock:
            for key, solution in fresh.items():
                if key not in self._found:
                    self._found[key] = solution
                    self._size += _size(key, solution)
            while self._size > self.most:
                self._size -= _size(*self._found.popitem(last=False))


def forget_all() -> None:
    """As in a new process."""
    for each in _all:
        each.forget()


def _size(key: bytes, solution: object) -> int:
    fields = dataclasses.fields(solution) if dataclasses.is_dataclass(solution) else ()
    parts = [solution, *(getattr(solution, each.name) for each in fields)]
    return _BARE + len(key) + sum(each.nbytes for each in parts if isinstance(each, np.ndarray))
