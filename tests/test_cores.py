"""Linear algebra keeps to one thread where it is told to, takes all for a large problem, and is let go again."""

import contextlib
import multiprocessing
import subprocess
import sys
import threading

import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its threads are counted too
from threadpoolctl import threadpool_info, threadpool_limits

from synth.cores import all_cores, each_in_halves, halved, one_core, spread, threads_allowed


def threads():
    return {each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas"}


def test_one_core_is_one_thread_and_all_cores_within_it_are_as_many_as_outside():
    with threadpool_limits(2):
        if threads() != {2}:
            pytest.skip("there is no second thread to be had")
        assert threads_allowed() == 2
        with one_core():
            assert threads() == {1}
            assert threads_allowed() == 2
            with all_cores():
                assert threads() == {2}
            assert threads() == {1}
        assert threads() == {2}
        assert threads_allowed() == 2


def test_what_fails_within_lets_the_threads_go():
    with threadpool_limits(2):
        before = threads()
        with pytest.raises(ValueError, match="no"), one_core():
            raise ValueError("no")
        assert threads() == before
        assert threads_allowed() == max(before)


def test_within_two_of_them_a_large_problem_has_what_it_had_outside_both():
    with threadpool_limits(2):
        if threads() != {2}:
            pytest.skip("there is no second thread to be had")
        with one_core():
            with one_core():
                assert threads() == {1}
                assert threads_allowed() == 2
                with all_cores():
                    assert threads() == {2}
            assert threads_allowed() == 2
        assert threads() == {2}


def test_two_threads_whose_limits_cross_leave_the_threads_as_they_were():
    """The first that came goes first: the other still keeps to one, and nothing is left of either."""
    came, may_go = threading.Event(), threading.Event()

    def other() -> None:
        with one_core():
            came.set()
            may_go.wait(20.0)

    with threadpool_limits(2):
        if threads() != {2}:
            pytest.skip("there is no second thread to be had")
        thread = threading.Thread(target=other)
        with one_core():
            thread.start()
            assert came.wait(20.0)
        assert threads() == {1}
        assert threads_allowed() == 2
        may_go.set()
        thread.join()
        assert threads() == {2}
        assert threads_allowed() == 2


@pytest.mark.parametrize("large", [True, False])
@pytest.mark.parametrize("within", [True, False])
def test_what_is_spread_comes_in_order_from_as_many_cores_as_there_were_outside(large: bool, within: bool):
    """Two large pieces wait for each other, which only two threads can; each works on one core."""
    both = threading.Barrier(2, timeout=20.0)

    def work(piece: int) -> tuple[int, set[int]]:
        if large:
            both.wait()
        return piece, threads()

    with threadpool_limits(2):
        if threads() != {2}:
            pytest.skip("there is no second thread to be had")
        with one_core() if within else contextlib.nullcontext():
            found = spread(work, range(6), large=large)
        assert threads() == {2}
    assert found == [(piece, {1} if large or within else {2}) for piece in range(6)]


def _in_a_new_process(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_what_scipy_brings_is_held_back_where_it_was_not_loaded_before():
    found = _in_a_new_process(
        "from synth.cores import one_core\n"
        "from threadpoolctl import threadpool_info\n"
        "with one_core():\n"
        "    import scipy.linalg\n"
        "    print(sorted(each['num_threads'] for each in threadpool_info()), len(threadpool_info()))\n"
    )
    assert found in ("[1] 1", "[1, 1] 2")  # numpy's and scipy's, or one for both


def test_small_work_waits_for_no_scipy():
    found = _in_a_new_process(
        "import sys, numpy\n"
        "from synth.cores import one_core\n"
        "with one_core(with_scipy=False):\n"
        "    print('scipy' in sys.modules)\n"
    )
    assert found == "False"


def doubled(count):
    """Twice each row's number, worked out in halves, and how often each was."""
    out, times = np.full(count, -1), np.zeros(count, int)

    def work(rows):
        out[rows] = 2 * rows
        times[rows] += 1

    halved(work, count)
    return out.tolist(), times.tolist()


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_pieces_worked_on_in_halves_keep_their_order(count):
    pieces = ["abcde"[n] * (count - n) for n in range(count)]
    assert each_in_halves(str.upper, pieces) == [each.upper() for each in pieces]


@pytest.mark.parametrize("count", [0, 1, 2, 3, 64])
def test_every_row_is_in_one_of_the_halves(count):
    assert doubled(count) == ([2 * n for n in range(count)], [1] * count)


def test_what_fails_in_the_other_half_is_told():
    def work(rows):
        if 1 in rows:
            raise ValueError("row 1")

    with pytest.raises(ValueError, match="row 1"):
        halved(work, 4)


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="nothing is forked here")
def test_a_process_that_is_forked_has_another_core_of_its_own():
    """It has none of the threads of the one that it was forked from, and must not wait for them."""
    assert doubled(4)[0] == [0, 2, 4, 6]
    code = (
        "import os, sys, numpy as np; from synth.cores import halved; out = np.zeros(4, int)\n"
        "def work(rows): out[rows] = rows\n"
        "halved(work, 4)\n"
        "child = os.fork()\n"
        "if not child: out[:] = 0; halved(work, 4); os._exit(0 if out.tolist() == [0, 1, 2, 3] else 1)\n"
        "sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60.0)
