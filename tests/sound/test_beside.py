"""Work in a thread of its own gives what it gives in line, and never keeps anyone waiting for ever."""

import threading
import time

import pytest

from synth.sound.beside import MOST, Beside


def doubled(things):
    for each in things:
        yield 2 * each
    yield -1


def test_results_come_in_the_order_of_what_was_given():
    with Beside(doubled) as beside:
        for n in range(10 * MOST):
            beside.give(n)
    assert list(beside.results()) == [*range(0, 20 * MOST, 2), -1]


def test_what_the_work_raises_is_raised_to_whoever_takes_the_results_and_giving_goes_on():
    def fails(things):
        yield next(iter(things))
        raise ValueError("broken")

    with Beside(fails) as beside:
        for n in range(10 * MOST):
            beside.give(n)
    results = beside.results()
    assert next(results) == 0
    with pytest.raises(ValueError, match="broken"):
        next(results)


def test_where_giving_fails_the_work_is_given_up_and_its_thread_ends():
    done, threads = [], []

    def work(things):
        for each in things:
            done.append(each)
            yield each

    def give(count):
        with Beside(work) as beside:
            threads.append(beside._thread)
            for n in range(count):
                beside.give(n)
            raise KeyError

    with pytest.raises(KeyError):
        give(2 * MOST)
    assert not threads[0].is_alive()
    assert len(done) <= 2 * MOST


def test_results_are_there_while_more_is_given():
    with Beside(lambda things: (each for each in things)) as beside:
        results = beside.results()
        beside.give("one")
        assert next(results) == "one"
        beside.give("two")
        assert next(results) == "two"


def test_whoever_gives_more_than_may_wait_has_to_wait_himself():
    """Where the work is slower than what gives it something to do, no more is kept than MOST things."""
    begin, given = threading.Event(), []

    def late(things):
        begin.wait(60.0)
        yield from things

    def give(beside):
        for n in range(4 * MOST):
            beside.give(n)
            given.append(n)

    with Beside(late) as beside:
        giver = threading.Thread(target=give, args=(beside,), daemon=True)
        giver.start()
        try:
            latest = time.monotonic() + 30.0
            while len(given) < MOST and time.monotonic() < latest:
                time.sleep(0.01)
            giver.join(0.2)
            assert given == [*range(MOST)]
        finally:
            begin.set()
        giver.join()
    assert list(beside.results()) == [*range(4 * MOST)]


def test_its_thread_ends_with_the_work():
    with Beside(doubled) as beside:
        beside.give(1)
    assert list(beside.results()) == [2, -1]
    beside._thread.join(10.0)
    assert not beside._thread.is_alive()
