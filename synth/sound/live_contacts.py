"""A player's gestures become sound while they are made: contacts are followed ahead of their moment, part by part.

In: strokes and holds as they are made, and what second it is. Out: modal states for the bank and the sound of the
touch on top of it, and the list of what was played, each with the second at which it really began. The first part
of a stroke is made before it begins, the others while it sounds; of several strokes that which is wanted soonest.
So every stroke sounds a little after its gesture, by a stated `latency`, measured once on this machine: all come
equally late. While an earlier gesture is still being computed, a stroke is put off rather than torn, and left out
once it would begin TOO_LATE. Time never goes back: what begins was not before anything that has been worked out.
So the order is that of `synth.sound.render.perform`, and the sound the same. Only all-sound-off waits for nobody.

Offline a stroke is refused whole. Live, what only turns up on its way (a stick that stays, energy from nowhere, a
tine that would bend for good) ends it there: what sounded rings on, later strokes meet it, and a remark tells. It
is not in the list of what was played: a script with it would be refused. A part that comes too late is put off as
a whole, with all that follows of its stroke, and counted: a script then tells of another moment.
"""

from __future__ import annotations

import copy
import dataclasses
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Stick
from synth.errors import InputError
from synth.playing.contact.stroke_contact import FollowedStroke
from synth.playing.stroke import Direction, Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.compiled_ahead import compile_beside_the_pass
from synth.sound.holding import ActiveHolds
from synth.sound.live_output import FADES, SoundSink
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, Scene, followed, held
from synth.sound.stroke_sound import StrokeSound
from synth.vibration.modal_projection import Projection

MARGIN: Final = (
    2.0  # on the processor's time for a first part: a row that rings and cold caches make 1.7 of it in
)
# the middle and 2.7 in one of a hundred; at 20 strokes a second in a slow hour 2 to 13 states and sounds of 400
# strokes came late at 2, 4 at 2.3, and a stroke begins 0.7 ms sooner
NEEDED: Final = 0.7  # of the latency: what must be left of it when a contact's turn comes
MOST_BACKOFF: Final = 4.0
TOO_LATE: Final = 0.25  # s after its stated moment: a stroke that would begin so late is left out
SLOW, FAST = 0.4, 1.6  # m/s, the two strokes that are measured
NOTED: Final = 0.1  # s: a silence as a script has it
REMEMBERED: Final = 10.0  # s: a palm that grows by others lasts two
FAINT: Final = 1e-15  # of an amplitude: it touches nothing
FORGOTTEN: Final = Hold(group=0, start=0.0, seconds=0.0, by="palm")


@dataclass
class _UnderWay:
    """A stroke that sounds while it is followed."""

    place: int  # in the list of what was played
    order: int  # among all that acts on the ring
    following: FollowedStroke
    pieces: Iterator[StrokeSound | None]
    given: float  # s, up to which it is known
    put_off: int = 0  # frames


class Performer:
    """Turns gestures into sound. All calls come from one thread, which is not the audio's."""

    def __init__(
        self,
        scene: Scene,
        sound: SoundSink,
        *,
        block: float,
        settings: ContactSettings | None = None,
        clock: Callable[[], float] = time.perf_counter,
        kept: bool = True,
    ) -> None:
        """`block` s is how long a block of audio lasts, `clock` tells in s how long contacts took.

        What was played is `kept` for a script, or forgotten by and by: an hour of it is 70 MB.
        """
        self.scene, self.sound, self.settings = scene, sound, settings or ContactSettings()
        self.played: list[Stroke | Hold] = []
        self._kept, self._forgotten = kept, 0
        self.remarks: deque[str] = deque()
        self.strokes = 0
        self.dropped = 0  # strokes that came faster than contacts are worked out
        self.silences = 0  # times that all sound was put off
        self._block, self._clock = block, clock
        self._ring, self._palms = ModalState(scene.model), Projection(scene.model)
        self._palms.prepare()
        self._striker = scene.striker(self.settings)
        self._striker.prepare()
        self._holding = ActiveHolds(self.played)
        self._giving = threading.Lock()  # nothing from before a silence is given to the sound after it
        self._actions = 0  # strokes and moments of holds: what each does to the ring is added in their order
        self._known = 0  # silences that ring and holds have heard of
        self._noted_until = 0.0
        self._quiet_until = 0.0  # s: the fade of the last silence
        self.latency = 2.0 * block  # s, from a gesture to its sound
        self.put_off = 0  # parts that came after their moment
        self._under_way: list[_UnderWay] = []
        self._since = 0.0, 0.0  # which second it was when
        self._given = 0.0  # s, when a sound was given last
        self._backoff = 1.0  # on the latency, while this machine is busy with other work

    def rehearse(self) -> float:
        """The latency: measure on a ring of its own how long a first part takes, having compiled what must be."""
        group = max(range(len(self.scene.instrument.groups)), key=lambda n: self._span(n))
        stick = next(iter(self.scene.instrument.sticks.values()))
        settings = dataclasses.replace(self.settings, allow_yield=True)
        times: dict[float, list[float]] = {FAST: [], SLOW: []}
        for speed in (FAST, *(FAST, SLOW) * 4):  # the first one compiles and fills caches
            began = time.thread_time()
            stroke = Stroke(group=group, stick=stick, speed=speed)
            following = followed(self.scene, stroke, ModalState(self.scene.model), settings, seed=0)
            pieces = self._striker.in_pieces(following)
            if _first(pieces) is not None:
                times[speed].append(time.thread_time() - began)
            deque(pieces, maxlen=0)
        self.latency = 2.0 * self._block + MARGIN * max(map(min, times.values()))
        compile_beside_the_pass()
        self._meet_groups(stick, settings)
        return self.latency

    def _meet_groups(self, stick: Stick, settings: ContactSettings) -> None:
        """What is made for a group's first stroke, either way, is made before: it takes twice as long as others.

        And what only a row that rings asks for, which may have to be compiled: nobody hears how it rings here.
        """
        ringing = ModalState(self.scene.model)
        ringing.take(np.zeros(1), np.full((1, len(self.scene.model.pole)), FAINT, np.complex64))
        for group in range(len(self.scene.instrument.groups)):
            for direction in get_args(Direction):
                stroke = Stroke(group=group, stick=stick, speed=FAST, direction=direction)
                with suppress(InputError):
                    following = followed(self.scene, stroke, copy.copy(ringing), settings, seed=0)
                    _first(self._striker.in_pieces(following))

    def silence(self) -> None:
        """All that sounds fades now, and what was asked for before is not heard. From any thread."""
        with self._giving:
            self.silences += 1
            self.sound.silence()

    def play(self, event: Stroke | Hold, now: float, *, silences: int | None = None) -> None:
        """Play what was done at `event.start`, after so many silences; `now` is the second it has become."""
        self._since = now, self._clock()
        self._hear_silence(now)
        if silences not in (None, self._known):
            return
        latency = self._backoff * self.latency
        if isinstance(event, Stroke):  # what is wanted sooner first
            self._follow_until(now + latency)
            now = self._now()
        ready = now + NEEDED * latency
        if isinstance(event, Stroke) and ready > event.start + latency + TOO_LATE:
            self.dropped += 1
            return
        start = max(event.start + latency, ready, self._ring.time, self._quiet_until)
        event = dataclasses.replace(event, start=start)
        if isinstance(event, Hold):
            self._holding.lay(event)
        elif self._strike(event):
            self._learn(late=self._given + self._block > start)
        if not self._kept:
            self._forget(now - REMEMBERED)

    def _forget(self, second: float) -> None:
        """What began before that: a mark keeps its place, since holds know theirs."""
        while self._forgotten < len(self.played) and self.played[self._forgotten].start < second:
            self.played[self._forgotten] = FORGOTTEN
            self._forgotten += 1

    def _strike(self, stroke: Stroke) -> bool:
        """Whether it can be followed and is heard."""
        self._holds_until(stroke.start)
        self._follow_until(stroke.start)
        before = copy.copy(self._ring)  # as if a stroke that is refused had never been asked for
        seed = self.settings.seed + self.strokes
        try:
            following = followed(self.scene, stroke, self._ring, self.settings, seed=seed)
            pieces = self._striker.in_pieces(following)
            first = _first(pieces)
        except InputError as error:
            self._ring = before
            self.remarks.append(f"not played: {error}")
            return False
        self._actions += 1
        under_way = _UnderWay(len(self.played), self._actions, following, pieces, given=stroke.start)
        if first is not None and not self._emit(*_given(first), order=under_way.order):
            return False
        self.strokes += 1
        self.played.append(stroke)
        self._holding.struck(stroke.group)
        if first is not None:
            under_way.given = first.known
            self._under_way.append(under_way)
        return True

    def _learn(self, *, late: bool) -> None:
        """Later strokes begin later once one was worked out too late, and by and by by the stated law again."""
        if late:
            self._backoff = min(MOST_BACKOFF, self._backoff * 1.25)
        else:
            self._backoff = max(1.0, self._backoff * 0.98)

    def keep_up(
        self, now: float, *, busy: bool = False, wanted_elsewhere: Callable[[], bool] = lambda: False
    ) -> None:
        """Work out the moments of holds that are near, and the part of a stroke that is wanted soonest.

        What rings by now is summed up: the next stroke, which asks how, need not wait for that.
        It is left for later as soon as one is `wanted_elsewhere`, which is asked every few milliseconds. While
        other gestures wait, `busy`, only a part that is wanted within the latency.
        """
        self._since = now, self._clock()
        self._hear_silence(now)
        self._holds_until(now + self.latency)
        if not self._under_way:
            self._ring.add_until(now)
            return
        soonest = self._soonest()
        self._ring.add_until(min(now, soonest.given))
        given = soonest.given
        if busy and given >= now + self.latency:
            return
        while soonest in self._under_way and soonest.given == given and not wanted_elsewhere():
            self._go_on(soonest)

    def next_wanted(self) -> float | None:
        """The second at which `keep_up` should be called again, if at all: at once while strokes are under way."""
        if self._under_way:
            return 0.0
        coming = self._holding.next
        return None if coming is None else coming - self.latency

    def next_added(self) -> float | None:
        """The second at which `keep_up` has something to sum up, while nothing is wanted."""
        return self._ring.all_added

    def _soonest(self) -> _UnderWay:
        return min(self._under_way, key=lambda each: each.given)

    def _follow_until(self, second: float) -> None:
        """All strokes, up to there: what comes then meets them."""
        while self._under_way and self._soonest().given < second:
            self._go_on(self._soonest())

    def _now(self) -> float:
        """The second it has become."""
        then, clock = self._since
        return then + self._clock() - clock

    def _go_on(self, stroke: _UnderWay) -> None:
        """The next piece of a stroke: often a part that is heard, or its end."""
        try:
            part = next(stroke.pieces)
        except InputError as error:
            self._end(stroke, error)
            return
        except StopIteration:
            self.remarks += stroke.following.warnings()
            self._under_way.remove(stroke)
            return
        if part is None:
            return
        self._put_off(stroke, part)
        part = part.later(stroke.put_off, RATE)
        stroke.given = part.known
        self._emit(*_given(part), order=stroke.order)

    def _put_off(self, stroke: _UnderWay, part: StrokeSound) -> None:
        """A part whose moment has passed waits, and so does the rest of its stroke: late, but never torn."""
        now, begins = self._now(), (part.frame + stroke.put_off) / RATE
        if begins < now:
            stroke.put_off += math.ceil((now + self._block - begins) * RATE)
            self.put_off += 1
            self._learn(late=True)

    def finish(self) -> None:
        """Follow what is under way to its end, unheard: only there is it known whether a script may have it."""
        for each in [*self._under_way]:
            try:
                deque(each.pieces, maxlen=0)
            except InputError as error:
                self._end(each, error)
        self._under_way.clear()

    def _end(self, stroke: _UnderWay, error: InputError) -> None:
        """A stroke that cannot go on: what it did rings on."""
        self._under_way.remove(stroke)
        self.played[stroke.place] = FORGOTTEN
        self.strokes -= 1
        self.remarks.append(f"ended on its way, and not in the script: {error}")

    def _hear_silence(self, now: float) -> None:
        """After a silence nothing rings and nothing is held; what comes next waits for the end of the fade.

        A script knows no silence: palms on all groups stand for it.
        """
        silences = self.silences
        if silences == self._known:
            return
        self._known = silences
        now_at, self._ring = self._ring.time, ModalState(self.scene.model)
        self._ring.time = min(now_at, now)
        self._holding.clear()
        self._under_way.clear()
        while self.played and self.played[-1].start > now:  # never heard
            self.strokes -= isinstance(self.played.pop(), Stroke)
        if now >= self._noted_until:
            self._noted_until = now + NOTED
            self.played += [Hold(n, now, NOTED, "palm") for n in range(len(self.scene.instrument.groups))]
        self._quiet_until = now + FADES + 2.0 * self._block

    def _holds_until(self, second: float) -> None:
        while (due := self._holding.next) is not None and due <= second:
            self._follow_until(due)
            due, part = self._holding.pop()
            self._actions += 1
            self._emit(*held(self.scene, part, self._ring, self._palms, due), order=self._actions)

    def _emit(
        self,
        time: NDArray[np.float64],
        states: NDArray[np.complex64],
        struck: StrokeSound | None = None,
        *,
        order: int,
    ) -> bool:
        """To the ring and to the sound, unless all sound was put off meanwhile; whether it was given."""
        with self._giving:
            if self.silences != self._known:
                return False
            if struck is not None:  # first: its states are wanted some chunks later
                self.sound.lay(struck)
            self._given = self._now()
            self.sound.add(time, states)
            self._ring.take(time, states, order=order)
            return True

    def _span(self, group: int) -> float:
        """m, from the first of a group's tines to the last."""
        places = [
            tine.position for tine in self.scene.instrument.tines[self.scene.instrument.groups[group].tines]
        ]
        return max(places) - min(places)


def _first(pieces: Iterator[StrokeSound | None]) -> StrokeSound | None:
    """The first part that is heard, if there is one."""
    return next((piece for piece in pieces if piece is not None), None)


def _given(part: StrokeSound) -> tuple[NDArray[np.float64], NDArray[np.complex64], StrokeSound]:
    """Times and states that a part of a stroke adds, and what is heard of it besides."""
    return part.driven.ends / RATE, part.driven.states, part
