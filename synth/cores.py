"""How many cores linear algebra takes: one for many small problems, all for a large one.

numpy and scipy bring a pool of threads each, which wait busily for more work; between small problems they stand in
each other's way, and on a machine that does something else besides, a solve takes ten times as long.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

LARGE: Final = (
    1200  # freedoms from which more cores help; on a busy machine they cost ten times what they save
)
Piece = TypeVar("Piece")
Result = TypeVar("Result")

_allowed: list[int] = []  # threads before each `one_core` that is open, the innermost last


@contextmanager
def one_core(*, with_scipy: bool = True) -> Iterator[None]:
    """Linear algebra keeps to one thread.

    scipy's library is loaded for that, as what is loaded within is not held back; it takes 0.1 s, which small
    work that does without is spared.
    """
    from threadpoolctl import ThreadpoolController

    if with_scipy:
        import scipy.linalg  # noqa: F401
    pools = ThreadpoolController()
    # within another one as many as outside both
    _allowed.append(_allowed[-1] if _allowed else _threads(pools))
    try:
        with pools.limit(limits=1):
            yield
    finally:
        _allowed.pop()


@contextmanager
def all_cores() -> Iterator[None]:
    """Within `one_core`: as many threads as were allowed outside, for one large problem."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(_allowed[-1] if _allowed else None):
        yield


def threads_allowed() -> int:
    """How many threads one large problem may take, here or within `one_core`."""
    from threadpoolctl import ThreadpoolController

    return _allowed[-1] if _allowed else _threads(ThreadpoolController())


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
    others = _other_core().submit(work, np.arange(1, count, 2))
    work(np.arange(0, count, 2))
    others.result()


@functools.cache
def _other_core() -> ThreadPoolExecutor:
    """Made once: a thread is slower to begin than half of the rows are to work out."""
    return ThreadPoolExecutor(1, "half")


def _threads(pools: ThreadpoolController) -> int:
    return max((each.num_threads for each in pools.lib_controllers), default=1)
