"""How far the tuning of an instrument has come: what is next, done, and has moved, kept beside the design.

In: names of tines, the order of work, a file of an earlier day. Out: `TuningProgress`, and the file
DESIGN.tuning.toml. Heavy, low tines come first: what they do to the bar moves the others most; tines that quarrel
with the bar come last, since every other nut still moves them. A second round keeps what the first one left, so
that each tap tells what moved since.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from synth.arrays import Array
from synth.errors import InputError
from synth.files import one_at_a_time, write_text
from synth.recording.tuning_file import LastTap, read_progress, spare_path, tap_lines
from synth.recording.tuning_targets import in_tune
from synth.units import CENTS_PER_OCTAVE


@dataclass
class TuningProgress:
    """The order of work (indices) and the last tap of each tine (index) that was heard.

    `shift` (R,) is by how many cents each target was moved from the design's; `within` is near enough; `designed`
    gives the (R,) Hz that the design wants at so many degrees C: what a file has is told against that. `others` are
    taps of tines that the design lacks: kept, should they come back, and heeded in nothing.
    """

    name: Sequence[str]
    order: tuple[int, ...]
    within: float
    shift: Array
    round: int = 1
    last: dict[int, LastTap] = field(default_factory=dict)
    others: dict[str, LastTap] = field(default_factory=dict)
    designed: Callable[[float], Array] | None = None

    def off(self, tine: int) -> float:
        """Cents above its target when it was heard last."""
        return self.last[tine].cents - float(self.shift[tine])

    def done(self, tine: int) -> bool:
        """Whether it was in tune when this round heard it last."""
        tap = self.last.get(tine)
        if tap is None or tap.round != self.round:
            return False
        return in_tune(self.off(tine), tap.cents_sd, self.within)

    def left(self) -> list[int]:
        """The tines still to be done, in the order of work."""
        return [tine for tine in self.order if not self.done(tine)]

    def following(self) -> int | None:
        """The tine that is next; None when all are done."""
        return next(iter(self.left()), None)

    def again(self) -> None:
        """Begin another round: every tine is to be heard once more, and is held against what it was."""
        self.round += 1

    def hear(self, tine: int, tap: LastTap) -> None:
        """Keep a tap, in cents above the target; the first one of a round tells what the tine did since."""
        old, cents = self.last.get(tine), tap.cents + float(self.shift[tine])
        moved = None if old is None else old.moved if old.round == self.round else cents - old.cents
        self.last[tine] = replace(tap, cents=cents, round=self.round, moved=moved)

    def moved(self) -> dict[int, float]:
        """Cents by which tines that this round has heard had moved since the round before."""
        taps = ((tine, self.last[tine]) for tine in self.order if tine in self.last)
        return {tine: tap.moved for tine, tap in taps if tap.round == self.round and tap.moved is not None}

    def take(self, round_: int, taps: Mapping[str, LastTap]) -> None:
        """What a file says by tines' names: a later round, and of each tine the tap that was heard last."""
        self.round = max(self.round, round_)
        for name, tap in taps.items():
            if name not in self.name:
                mine = self.others.get(name)
                self.others[name] = tap if mine is None or mine.before(tap) else mine
                continue
            tine = self.name.index(name)
            if tine not in self.last or self.last[tine].before(tap):
                wanted = math.nan if self.designed is None else float(self.designed(tap.temperature_c)[tine])
                self.last[tine] = _against(tap, wanted)

    def keep(self, path: Path, heard: tuple[int, LastTap] | None = None) -> None:
        """Write the file, with what others have kept there by now; `heard` is a tap to `hear` on top of that.

        In one go: an interruption leaves the old one or the new one. Raises `InputError` where it cannot be kept,
        or another thing stands there, which is left alone; the tap is heard all the same.
        """
        with one_at_a_time(path.parent):
            try:
                if path.exists():
                    self.take(*read_progress(path))
            finally:
                if heard is not None:
                    self.hear(*heard)
            write_text(path, self._text())

    def hear_and_keep(self, tine: int, tap: LastTap, path: Path | None) -> str:
        """Hear a tap, and keep it where there is a path; why that cannot be, or nothing.

        Where something else stands in the file's place by now, or it cannot be written, a spare one is.
        """
        if path is None:
            self.hear(tine, tap)
            return ""
        try:
            self.keep(path, (tine, tap))
        except InputError as trouble:
            spare = spare_path(path)
            try:
                self.keep(spare)
            except InputError:
                return f"{trouble}; what is heard is not kept"
            return f"{trouble}; what is heard is kept in {spare}"
        return ""

    def _text(self) -> str:
        lines = ["# what `tinewright tune --listen` heard last of every tine; delete it to begin anew"]
        lines += [f"round = {self.round}"]
        for tine in self.order:
            if tine in self.last:
                done = f"done = {str(self.done(tine)).lower()}"
                lines += [*tap_lines(self.name[tine], self.last[tine]), done]
        for tine in sorted(set(self.last) - set(self.order)):  # no pitch is wanted of them any more
            lines += tap_lines(self.name[tine], self.last[tine])
        for name, tap in self.others.items():
            lines += tap_lines(name, tap)
        return "\n".join(lines) + "\n"


def work_order(
    target: Array, mass: Array, quarrelling: Collection[int], *, first: int | None = None
) -> list[int]:
    """Tines (indices) with a target (R,) in Hz, the lowest first, of equal ones the heavier (R,); quarrels last.

    With `first` the order begins there and goes round.
    """
    late = np.isin(np.arange(len(target)), list(quarrelling))
    order = [
        int(tine) for tine in np.lexsort((-mass, np.round(target, 3), late)) if np.isfinite(target[tine])
    ]
    turn = 0 if first is None else order.index(first)
    return order[turn:] + order[:turn]


def fewest_nuts(cents: Array, within: float) -> float:
    """The common shift in cents at which the most tines (K,) are within so many cents of their moved targets.

    0 where that does as well as any; else the middle of those that are then in tune, the nearest to 0.
    """
    if not len(cents):
        return 0.0
    rising = np.sort(cents)
    last = np.searchsorted(rising, rising + 2.0 * within + 1e-9, side="right") - 1
    count = last - np.arange(len(rising)) + 1
    if np.sum(np.abs(rising) <= within) == np.max(count):
        return 0.0
    best = np.flatnonzero(count == np.max(count))
    middle = 0.5 * (rising[best] + rising[last[best]])
    return float(middle[np.argmin(np.abs(middle))])


def begun(
    name: Sequence[str],
    order: Sequence[int],
    *,
    within: float,
    shift: Array,
    designed: Callable[[float], Array],
    path: Path | None,
) -> TuningProgress:
    """The progress as the file has it, if there is one. Raises `InputError`."""
    progress = TuningProgress(name, tuple(order), within, shift, designed=designed)
    if path is not None and path.exists():
        progress.take(*read_progress(path))
    return progress


def _against(tap: LastTap, target: float) -> LastTap:
    """The tap in cents above another target, in Hz at its own temperature; as it is where none is given (nan)."""
    if not math.isfinite(target):
        return tap
    old = target if tap.target_hz is None else tap.target_hz
    return replace(tap, cents=tap.cents + CENTS_PER_OCTAVE * math.log2(old / target), target_hz=target)
