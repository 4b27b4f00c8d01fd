"""A player's gestures become sound while they are made: contacts are computed one by one, ahead of their moment.

In: strokes and holds as they are made, and what second it is. Out: modal states for the bank and the sound of the
touch on top of it, and the list of what was played, each with the second at which it really began. Whether a stroke
can be made is known only once its whole contact is; its sound is made in parts, the first before it begins, the
others while it sounds. So every stroke sounds a little after its gesture, by its `latency`: a stated law of how
long its pass lasts, measured once on this machine, so that equal strokes come equally late. While an earlier one is
still being computed, a stroke is put off rather than torn, and left out once it would begin TOO_LATE. Time never
goes back: what begins was not before anything that has been worked out. So the order is that of
`synth.sound.render.perform`, and the sound the same. Only all-sound-off waits for nobody: what sounds fades.
"""

from __future__ import annotations

import copy
import dataclasses
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.playing.stroke import Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.drive import CHUNK
from synth.sound.holding import ActiveHolds
from synth.sound.live_output import FADES, SoundSink
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, Scene, held, strike
from synth.sound.stroke_sound import StrokeSound
from synth.vibration.modal_projection import Projection

MARGIN: Final = (
    2.0  # on the processor's time for a contact: ringing rows take longer, other threads come between
)
NEEDED: Final = 0.7  # of the latency: what must be left of it when a contact's turn comes
MOST_BACKOFF: Final = 4.0
TOO_LATE: Final = 0.25  # s after its stated moment: a stroke that would begin so late is left out
SLOW, FAST = 0.4, 1.6  # m/s, the two strokes that are measured
FIRST: Final = 2  # chunks (10 ms) of a contact that are made before a stroke begins; the rest while it sounds
NOTED: Final = 0.1  # s: a silence as a script has it
REMEMBERED: Final = 10.0  # s: a palm that grows by others lasts two
FORGOTTEN: Final = Hold(group=0, start=0.0, seconds=0.0, by="palm")


@dataclass(frozen=True)
class Pace:
    """How long after its gesture a stroke begins: `base` s and a `share` of the time that its pass lasts."""

    base: float
    share: float

    def latency(self, seconds: float) -> float:
        """For a pass of so many seconds."""
        return self.base + self.share * seconds


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
        self._known = 0  # silences that ring and holds have heard of
        self._noted_until = 0.0
        self._quiet_until = 0.0  # s: the fade of the last silence
        self.pace = Pace(2.0 * block, 0.0)
        self._took = 0.0  # s that the last stroke was worked out in, as far as it had to wait for that
        self._backoff = 1.0  # on the latency, while this machine is busy with other work

    def rehearse(self) -> Pace:
        """Measure on a ring of its own how long contacts take here, having compiled what must be."""
        group = max(range(len(self.scene.instrument.groups)), key=lambda n: self._span(n))
        stick = next(iter(self.scene.instrument.sticks.values()))
        still = ModalState(self.scene.model)
        times = []
        for speed in (FAST, FAST, SLOW):  # the first one compiles and fills caches
            began = time.thread_time()
            stroke = Stroke(group=group, stick=stick, speed=speed)
            settings = dataclasses.replace(self.settings, allow_yield=True)
            made = strike(self.scene, stroke, still, settings, seed=0)
            for n, _ in enumerate(self._striker.in_parts(made, height=stroke.height, first=FIRST)):
                if n == 0:
                    times.append(time.thread_time() - began)
        quick, slow = (self._span(group) / speed for speed in (FAST, SLOW))
        share = max(0.0, (times[2] - times[1]) / (slow - quick))
        base = max(0.0, times[1] - share * quick)
        self.pace = Pace(2.0 * self._block + MARGIN * base, MARGIN * share)
        return self.pace

    def latency(self, event: Stroke | Hold) -> float:
        """How long after its gesture this begins, s."""
        return self.pace.latency(self._span(event.group) / event.speed if isinstance(event, Stroke) else 0.0)

    def silence(self) -> None:
        """All that sounds fades now, and what was asked for before is not heard. From any thread."""
        with self._giving:
            self.silences += 1
            self.sound.silence()

    def play(self, event: Stroke | Hold, now: float, *, silences: int | None = None) -> None:
        """Play what was done at `event.start`, after so many silences; `now` is the second it has become."""
        began = self._clock()
        self._hear_silence(now)
        if silences not in (None, self._known):
            return
        latency = self._backoff * self.latency(event)
        ready = now + NEEDED * latency
        if isinstance(event, Stroke) and ready > event.start + latency + TOO_LATE:
            self.dropped += 1
            return
        start = max(event.start + latency, ready, self._ring.time, self._quiet_until)
        event = dataclasses.replace(event, start=start)
        if isinstance(event, Hold):
            self._holding.lay(event)
        elif self._strike(event, began=began):
            self._learn(had=start - now)
        if not self._kept:
            self._forget(now - REMEMBERED)

    def _forget(self, second: float) -> None:
        """What began before that: a mark keeps its place, since holds know theirs."""
        while self._forgotten < len(self.played) and self.played[self._forgotten].start < second:
            self.played[self._forgotten] = FORGOTTEN
            self._forgotten += 1

    def _strike(self, stroke: Stroke, *, began: float) -> bool:
        """Whether it was worked out and is heard."""
        self._holds_until(stroke.start)
        before = copy.copy(self._ring)  # as if a stroke that is refused had never been asked for
        try:
            made = strike(
                self.scene, stroke, self._ring, self.settings, seed=self.settings.seed + self.strokes
            )
        except InputError as error:
            self._ring = before
            self.remarks.append(f"not played: {error}")
            return False
        self._took = 0.0
        for n, struck in enumerate(self._striker.in_parts(made, height=stroke.height, first=FIRST)):
            if not self._emit(struck.driven.ends / RATE, struck.driven.states, struck):
                return False
            # a part may take as much longer as it begins later
            self._took = max(self._took, self._clock() - began - FIRST * CHUNK / RATE * (2**n - 1))
        self.strokes += 1
        self.remarks += made.warnings
        self.played.append(stroke)
        self._holding.struck(stroke.group)
        return True

    def _learn(self, *, had: float) -> None:
        """Later strokes begin later once one was worked out too late, and by and by by the stated law again."""
        if self._took + self._block > had:
            self._backoff = min(MOST_BACKOFF, self._backoff * 1.25)
        else:
            self._backoff = max(1.0, self._backoff * 0.98)

    def keep_up(self, now: float) -> None:
        """Work out the moments of holds that are near."""
        self._hear_silence(now)
        self._holds_until(now + self.pace.base)

    def next_wanted(self) -> float | None:
        """The second at which `keep_up` should be called again, if at all."""
        coming = self._holding.next
        return None if coming is None else coming - self.pace.base

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
        while self.played and self.played[-1].start > now:  # never heard
            self.strokes -= isinstance(self.played.pop(), Stroke)
        if now >= self._noted_until:
            self._noted_until = now + NOTED
            self.played += [Hold(n, now, NOTED, "palm") for n in range(len(self.scene.instrument.groups))]
        self._quiet_until = now + FADES + 2.0 * self._block

    def _holds_until(self, second: float) -> None:
        while (due := self._holding.next) is not None and due <= second:
            due, part = self._holding.pop()
            self._emit(*held(self.scene, part, self._ring, self._palms, due))

    def _emit(
        self, time: NDArray[np.float64], states: NDArray[np.complex64], struck: StrokeSound | None = None
    ) -> bool:
        """To the ring and to the sound, unless all sound was put off meanwhile; whether it was given."""
        with self._giving:
            if self.silences != self._known:
                return False
            self._ring.take(time, states)
            self.sound.add(time, states)
            if struck is not None:
                self.sound.lay(struck)
            return True

    def _span(self, group: int) -> float:
        """m, from the first of a group's tines to the last."""
        places = [
            tine.position for tine in self.scene.instrument.tines[self.scene.instrument.groups[group].tines]
        ]
        return max(places) - min(places)
