"""How many cores linear algebra takes: one for many small problems, all for a large one.

numpy and scipy bring a pool of threads each, which wait busily for more work; between small problems they stand in
each other's way, and on a machine that does something else besides, a solve takes ten times as long. How many there
are is the library's, not a thread's: what several threads ask for is kept in one list, and the last that goes, of
whichever thread, leaves the pools as the first one found them.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Lock
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen

LARGE: Final = (
    1200  # freedoms from which more cores help; on a busy machine they cost ten times what they save
)
Piece = TypeVar("Piece")
Result = TypeVar("Result")


@frozen(eq=False)
class _Limit:
    """Asked for by somebody, until he goes."""

    threads: int | None  # None: as many as outside


_lock: Final = Lock()
_open: Final[list[_Limit]] = []  # the last one holds
# libraries by their files, with the threads that they had before any of these was asked for
_outside: Final[dict[str, tuple[Any, int]]] = {}


@contextmanager
def one_core(*, with_scipy: bool = True) -> Iterator[None]:
    """Linear algebra keeps to one thread.

    scipy's library is loaded for that, as what is loaded within is not held back; it takes 0.1 s, which small
    work that does without is spared.
    """
    if with_scipy:
        import scipy.linalg  # noqa: F401
    with _limited(_Limit(1)):
        yield


@contextmanager
def all_cores() -> Iterator[None]:
    """Within `one_core`: as many threads as were allowed outside, for one large problem."""
    with _limited(_Limit(None)):
        yield


def threads_allowed() -> int:
    """How many threads one large problem may take, here or within `one_core`."""
    with _lock:
        outside = [threads for _, threads in _outside.values()] or [each.num_threads for each in _libraries()]
        return max(outside, default=1)


@contextmanager
def _limited(limit: _Limit) -> Iterator[None]:
    with _lock:
        for each in _libraries():
            _outside.setdefault(each.filepath, (each, each.num_threads))
        _open.append(limit)
        _hold()
    try:
        yield
    finally:
        with _lock:
            _open.remove(limit)
            _hold()
            if not _open:
                _outside.clear()


def _hold() -> None:
    """The libraries to the last limit that is open."""
    limit = _open[-1].threads if _open else None
    for library, threads in _outside.values():
        _set(library, threads if limit is None else limit)


def _set(library: Any, threads: int) -> None:
    """From whichever thread: threadpoolctl 3.8 heeds nobody beside the first one, as it keeps no such list."""
    anyone = getattr(library, "clear_controlling_thread", lambda *, force: None)
    anyone(force=True)
    library.set_num_threads(threads)
    anyone(force=True)


def _libraries() -> list[Any]:
    """Of linear algebra, as far as they are loaded."""
    return _loaded_with(len(sys.modules))


@functools.lru_cache(maxsize=1)
def _loaded_with(modules: int) -> list[Any]:
    """Looked for where there are other `modules` than the last time: libraries come with them."""
    from threadpoolctl import ThreadpoolController

    return list(ThreadpoolController().select(user_api="blas").lib_controllers)


def spread(work: Callable[[Piece], Result], pieces: Iterable[Piece], *, large: bool = True) -> list[Result]:
    """The pieces' results in their order; where that is `large`, worked on all allowed cores, each piece on one."""
    workers = threads_allowed() if large else 1
    if workers == 1:
        return list(map(work, pieces))
    with one_core(with_scipy=False), ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, pieces))


def halved(work: Callable[[NDArray[np.int_]], None], count: int) -> None:
    """The work on each of so many rows, half of them on another core where there is one.

    Worth it for what is compiled, or LAPACK's, and gives Python's lock away, from a millisecond or so.
    """
    if count < 2:
        work(np.arange(count))
        return
    others = _other_core(os.getpid()).submit(work, np.arange(1, count, 2))
    work(np.arange(0, count, 2))
    others.result()


def each_in_halves(work: Callable[[Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
    """The pieces' results in their order, every other one worked out as `halved` does."""
    found: dict[int, Result] = {}

    def some(rows: NDArray[np.int_]) -> None:
        for n in rows.tolist():
            found[n] = work(pieces[n])

    halved(some, len(pieces))
    return [found[n] for n in range(len(pieces))]


@functools.cache
def _other_core(process: int) -> ThreadPoolExecutor:
    """Made once in a process: a thread is slower to begin than half of the rows are to work out.

    What is forked from one has none of its threads.
    """
    return ThreadPoolExecutor(1, "half")
