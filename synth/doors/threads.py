"""Threads and processes that do not stand in each other's way while sound runs."""

from __future__ import annotations

import ctypes
import gc
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from typing import Any, Final

from synth.cores import one_core

FEW: Final = 50_000  # objects made until a collection looks through them: some milliseconds
ENDS_WITHIN: Final = 2.0  # s for a process to end in
SWITCH: Final = 0.0005  # s, after which a thread gives the interpreter away; ten times as often as usual


@contextmanager
def calm_threads() -> Iterator[None]:
    """One thread for linear algebra, and threads that give way soon: for the audio thread's sake."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH)
    try:
        with one_core():
            yield
    finally:
        sys.setswitchinterval(before)


@contextmanager
def nothing_to_collect() -> Iterator[None]:
    """What is there now is left out of garbage collection: a full one stops every thread for 0.1 s.

    What is made meanwhile is looked through no less often than every FEW objects, and so in little time.
    """
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(min(before[0], FEW), *before[1:])
    try:
        yield
    finally:
        gc.unfreeze()
        gc.set_threshold(*before)


def give_memory_back() -> None:
    """To the system, what was freed: glibc keeps it, and lets its heap grow around what stays in between.

    Takes up to 10 ms, in which no other thread gets memory.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):  # another C library
            ctypes.CDLL(None).malloc_trim(0)


@contextmanager
def deaf_to_interrupts() -> Iterator[None]:
    """A process that is started meanwhile never hears Ctrl-C: that is for the player's side."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def process_apart(work: Callable[..., None], *words: Any) -> Iterator[Connection]:
    """A process of its own for work(pipe, *words), and the other end of its pipe, whose closing is to end it."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=work, args=(theirs, *words), daemon=True)
    with deaf_to_interrupts():
        process.start()
    theirs.close()
    try:
        yield ours
    finally:
        ours.close()
        process.join(ENDS_WITHIN)
        if process.is_alive():  # a driver may never come back from a device that is gone
            process.kill()
            process.join()


def hurry() -> None:
    """Ahead of everyday programs, where the user may (on Linux by `rtprio` in limits.conf).

    Every thread here, since the audio thread waits for any that holds the interpreter.
    """
    if sys.platform == "linux":
        with suppress(PermissionError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_min(os.SCHED_RR)))
