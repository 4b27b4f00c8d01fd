"""Work shared out to copies of this process, which are gone when it is left, however that comes.

In: a function and jobs, all of which can be pickled. Out: what it gave for each, in their order. What it raises is
raised here, at once; a copy that ends by itself is an error that says how. Whoever shares work out has no other
thread at work then, since what is forked has none of them.
"""

from __future__ import annotations

import functools
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final, TypeVar

from synth.compiled import undisturbed
from synth.errors import ProcessLostError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

MOST: Final = 2  # copies: each holds a solved instrument

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")
SharedOut = Callable[[Callable[[_Job], _Done], Sequence[_Job]], Iterable[_Done]]


@contextmanager
def workers(count: int) -> Iterator[SharedOut[Any, Any]]:
    """What maps a function over so many jobs, on as many cores as there are, up to two."""
    if count == 1 or (os.cpu_count() or 1) == 1:
        yield map
        return
    import scipy.signal  # noqa: F401 (slow, and wanted here later: copies that are forked have it then)

    team: list[_Worker] = []
    try:
        for _ in range(MOST):
            with undisturbed():
                team.append(_Worker())
        yield functools.partial(_shared_out, team)
    finally:
        with undisturbed():
            for each in team:
                each.end()


def _shared_out(
    team: Sequence[_Worker], work: Callable[[_Job], _Done], jobs: Sequence[_Job]
) -> Iterator[_Done]:
    """The results in their order, each as soon as those before it are there."""
    from multiprocessing.connection import wait

    waiting, at_work, done = list(enumerate(jobs))[::-1], dict[Any, tuple[int, _Worker]](), dict[int, _Done]()
    idle = list(team)
    for wanted in range(len(jobs)):
        while wanted not in done:
            while waiting and idle:
                worker, (number, job) = idle.pop(), waiting.pop()
                worker.begin(work, job)
                at_work[worker.pipe] = number, worker
            for pipe in wait(list(at_work)):
                number, worker = at_work.pop(pipe)
                done[number] = worker.answer()
                idle.append(worker)
        yield done.pop(wanted)


class _Worker:
    """A copy of this process, seen from here."""

    def __init__(self) -> None:
        import multiprocessing

        self.pipe, theirs = multiprocessing.Pipe()
        self._process: BaseProcess = multiprocessing.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def begin(self, work: Callable[[_Job], Any], job: _Job) -> None:
        with suppress(BrokenPipeError, ConnectionResetError):  # where it has ended, the answer tells
            self.pipe.send((work, job))

    def answer(self) -> Any:
        """What the work gave; raises what it raised, and `ProcessLostError`."""
        try:
            given, error = self.pipe.recv()
        except (EOFError, OSError):
            self._process.join()
            raise ProcessLostError(_ending(self._process.exitcode or 0)) from None
        if error is not None:
            raise error
        return given

    def end(self) -> None:
        end = self._process.kill if hasattr(signal, "SIGKILL") else self._process.terminate
        end()
        self._process.join()
        self.pipe.close()


def _ending(code: int) -> str:
    """In words, by its exit code, how a process ended that should have gone on."""
    if code >= 0:
        return f"a process that shared the work ended by itself, with exit code {code}"
    names = {each.value: each.name for each in signal.Signals}
    name = names.get(-code, f"signal {-code}")
    memory = "; a system short of memory does that: take fewer tines or seconds" if name == "SIGKILL" else ""
    return f"a process that shared the work was ended from outside, by {name}{memory}"


def _serve(pipe: Connection) -> None:
    """The copy: one job after the other, as long as there is somebody to give them."""
    _leave_signals_to_the_parent()
    threading.Thread(target=_end_with_the_parent, daemon=True).start()
    _keep_to_one_core()
    with suppress(EOFError, OSError):
        while True:
            work, job = pipe.recv()
            pipe.send(_done(work, job))


def _done(work: Callable[[_Job], _Done], job: _Job) -> tuple[_Done | None, Exception | None]:
    try:
        return work(job), None
    except Exception as error:
        import traceback

        error.add_note(f"in a process that shared the work:\n{traceback.format_exc()}")
        return None, error


def _leave_signals_to_the_parent() -> None:
    """A terminal's go to all of a command: what becomes of the work, and what is said, is the parent's."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    if signal.getsignal(signal.SIGTERM) is not signal.SIG_IGN:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _end_with_the_parent() -> None:
    import multiprocessing

    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


def _keep_to_one_core() -> None:
    import scipy.linalg  # noqa: F401 (its threads are there to be limited)
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)
