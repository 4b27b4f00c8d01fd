"""What is solved is remembered by all that it was made of, and no longer than there is room."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from synth.remembered import Remembered, forget_all


class Solving:
    """Squares of the keys as numbers; notes what was asked."""

    def __init__(self, keys: list[bytes]) -> None:
        self.keys, self.asked = keys, []

    def __call__(self, places: np.ndarray) -> list[int]:
        self.asked += [self.keys[place] for place in places.tolist()]
        return [int(self.keys[place]) ** 2 for place in places.tolist()]


def test_each_is_solved_once_and_told_in_the_order_of_the_question() -> None:
    keys, room = [b"3", b"2", b"3", b"5"], Remembered[int](1 << 20)
    solving = Solving(keys)
    assert room.each(keys, solving) == [9, 4, 9, 25]
    assert solving.asked == [b"3", b"2", b"5"]
    more = [b"5", b"7", b"2"]
    again = Solving(more)
    assert room.each(more, again) == [25, 49, 4]
    assert again.asked == [b"7"]


def test_a_question_of_nothing_has_no_answers() -> None:
    assert Remembered[int](1).each([], lambda _: pytest.fail("nothing was to be solved")) == []


def test_what_has_gone_unused_longest_goes_first() -> None:
    room = Remembered[np.ndarray](3000)  # two of a thousand bytes and some more
    for key in (b"a", b"b", b"a", b"c"):
        room.each([key], lambda _: [np.zeros(125)])
    known = []
    for key in (b"a", b"c", b"b"):
        room.each([key], lambda _, key=key: [known.append(key)])
    assert known == [b"b"]


def test_an_answer_that_finds_no_room_is_told_all_the_same() -> None:
    room = Remembered[np.ndarray](100)
    assert len(room.each([b"a"], lambda _: [np.zeros(1000)])[0]) == 1000


def test_after_forgetting_all_is_solved_again() -> None:
    room, solving = Remembered[int](1 << 20), Solving([b"3"])
    room.each([b"3"], solving)
    forget_all()
    room.each([b"3"], solving)
    assert solving.asked == [b"3", b"3"]


def test_a_mistake_is_not_remembered() -> None:
    room = Remembered[int](1 << 20)

    def refused(_: object) -> list[int]:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        room.each([b"3"], refused)
    assert room.each([b"3"], Solving([b"3"])) == [9]


def test_threads_share_it() -> None:
    room, wrong = Remembered[int](40 * 205), []

    def ask(first: int) -> None:
        for n in range(first, first + 300):
            keys = [b"%d" % (each % 60) for each in range(n, n + 9)]
            if room.each(keys, Solving(keys)) != [int(key) ** 2 for key in keys]:
                wrong.append(n)

    threads = [threading.Thread(target=ask, args=(31 * n,)) for n in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert wrong == []
