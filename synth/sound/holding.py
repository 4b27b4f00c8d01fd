"""Palms and resting sticks as they are laid on while playing: when each acts next, equal ones made one.

In: holds in the order of their gestures. Out: one moment after the other. A palm laid where an equal one lies still
makes that one last longer: its moments so far are those of the longer hold too (`synth.playing.mute.moments`).
"""

from __future__ import annotations

import dataclasses
import heapq
from typing import Final

from synth.playing.mute import moments
from synth.playing.stroke import Hold, Stroke
from synth.sound.render import HoldPart

LONGEST: Final = 2.0  # s that holds grow to by being made one


class ActiveHolds:
    """The holds among `played` that act now or soon. The list is the player's: holds are put into it here."""

    def __init__(self, played: list[Stroke | Hold]) -> None:
        self._played = played
        self._times: dict[
            int, list[float]
        ] = {}  # of each hold, by its place in the list: the moments to come
        self._lying: dict[tuple[int, str], int] = {}  # which lies on a group, untouched by a stroke since
        self._next: list[tuple[float, int]] = []

    def lay(self, hold: Hold) -> None:
        """A hold that begins not before any other that was laid."""
        lying = self._lying.get((hold.group, hold.by))
        if lying is not None and self._made_one(lying, hold):
            return
        number = len(self._played)
        self._played.append(hold)
        self._times[number] = moments(hold).tolist()
        self._lying[hold.group, hold.by] = number
        heapq.heappush(self._next, (self._times[number][1], number))

    def struck(self, group: int) -> None:
        """A stroke came: the next palm on the group has something new to take, and closer moments."""
        for key in [each for each in self._lying if each[0] == group]:
            del self._lying[key]

    def clear(self) -> None:
        """Nothing is held any more."""
        self._times.clear()
        self._lying.clear()
        self._next.clear()

    @property
    def next(self) -> float | None:
        """The second of the next moment."""
        return self._next[0][0] if self._next else None

    def pop(self) -> tuple[float, HoldPart]:
        """The next moment, and the hold since the one before."""
        time, number = heapq.heappop(self._next)
        hold = self._played[number]
        assert isinstance(hold, Hold)
        times = self._times[number]
        since = times.pop(0)
        if len(times) > 1:
            heapq.heappush(self._next, (times[1], number))
        else:
            del self._times[number]
            if self._lying.get((hold.group, hold.by)) == number:
                del self._lying[hold.group, hold.by]
        return time, HoldPart(hold, since)

    def _made_one(self, number: int, hold: Hold) -> bool:
        lying = self._played[number]
        assert isinstance(lying, Hold)
        seconds = hold.start + hold.seconds - lying.start
        if hold.start > lying.start + lying.seconds or seconds > LONGEST:
            return False
        if seconds > lying.seconds:
            longer = dataclasses.replace(lying, seconds=seconds)
            times = moments(longer).tolist()
            self._played[number] = longer
            self._times[number] = times[times.index(self._times[number][0]) :]
            self._next.remove(next(each for each in self._next if each[1] == number))
            heapq.heapify(self._next)
            heapq.heappush(self._next, (self._times[number][1], number))
        return True
