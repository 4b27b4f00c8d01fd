"""How far the tuning of an instrument has come: what is next, done, and has moved, kept beside the design.

In: names of tines, the order of work, a file of an earlier day. Out: `TuningProgress`, and the file
DESIGN.tuning.toml. Heavy, low tines come first: what they do to the bar moves the others most; tines that quarrel
with the bar come last, since every other nut still moves them. A second round keeps what the first one left, so
that each tap tells what moved since.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated

import numpy as np
from msgspec import Meta

from synth.arrays import Array
from synth.design.decode import decode, unknown_key
from synth.design.file import read_toml
from synth.design.keys_as_written import place_of
from synth.design.schema_types import WrittenTable
from synth.errors import InputError
from synth.files import write_text
from synth.frozen import frozen
from synth.recording.tuning_targets import in_tune
from synth.units import CENTS_PER_OCTAVE

Count = Annotated[int, Meta(ge=1, le=1_000_000)]
Cents = Annotated[float, Meta(ge=-20_000.0, le=20_000.0)]  # from 1 Hz to 100 kHz


@frozen
class LastTap:
    """What a tine's last tap said: cents above the design's pitch at that temperature, and how sure that is.

    `target_hz` is that pitch: as the design gave it then, sounded at `temperature_c`, nothing shifted or stretched.
    """

    cents: float
    cents_sd: float
    heard: str  # the moment, ISO 8601
    temperature_c: float
    round: int = 1
    moved: float | None = None  # cents between where the round before left it and where this one found it
    target_hz: float | None = None  # None in files of before it was kept


class _Round(WrittenTable, frozen=True, kw_only=True):
    round: Count


class _Tap(WrittenTable, frozen=True, kw_only=True):
    """What the file tells of one tine."""

    cents: Cents
    cents_sd: Annotated[float, Meta(ge=0.0, le=1e6)]
    done: bool = False  # for who reads the file: it is worked out anew
    heard: Annotated[str, Meta(max_length=80)]
    temperature_c: Annotated[float, Meta(ge=-40.0, le=60.0)]  # as a design's
    round: Count = 1
    moved_cents: Cents | None = None
    target_hz: Annotated[float, Meta(ge=0.1, le=100_000.0)] | None = None


@dataclass
class TuningProgress:
    """The order of work (indices) and the last tap of each tine (index) that was heard.

    `shift` (R,) is by how many cents each target was moved from the design's; `within` is near enough. `others` are
    taps of tines that the design lacks: kept, should they come back, and heeded in nothing.
    """

    name: Sequence[str]
    order: tuple[int, ...]
    within: float
    shift: Array
    round: int = 1
    last: dict[int, LastTap] = field(default_factory=dict)
    others: dict[str, LastTap] = field(default_factory=dict)

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

    def keep(self, path: Path) -> None:
        """Write the file in one go: an interruption leaves the old one or the new one. Raises `InputError`."""
        lines = ["# what `tinewright tune --listen` heard last of every tine; delete it to begin anew"]
        lines += [f"round = {self.round}"]
        for tine in self.order:
            if tine in self.last:
                done = f"done = {str(self.done(tine)).lower()}"
                lines += [*_lines(self.name[tine], self.last[tine]), done]
        for tine in sorted(set(self.last) - set(self.order)):  # no pitch is wanted of them any more
            lines += _lines(self.name[tine], self.last[tine])
        for name, tap in self.others.items():
            lines += _lines(name, tap)
        write_text(path, "\n".join(lines) + "\n")


def _lines(name: str, tap: LastTap) -> list[str]:
    """The table of a tine, `done` left out."""
    moved = [] if tap.moved is None else [f"moved_cents = {tap.moved:.2f}"]
    target = [] if tap.target_hz is None else [f"target_hz = {tap.target_hz:.9g}"]
    return [
        "",
        f"[tine.{json.dumps(name, ensure_ascii=False)}]",
        f"cents = {tap.cents:.2f}",
        f"cents_sd = {tap.cents_sd:.2f}",
        f"heard = {json.dumps(tap.heard, ensure_ascii=False)}",
        f"temperature_c = {round(tap.temperature_c, 3)}",
        f"round = {tap.round}",
        *moved,
        *target,
    ]


def progress_path(design: Path) -> Path:
    """Where the progress of a design is kept."""
    return design.with_suffix(".tuning.toml")


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
    """The progress as the file has it, if there is one. Raises `InputError`.

    `designed` gives the (R,) Hz that the design wants at so many degrees C: what is kept is told against that.
    """
    progress = TuningProgress(name, tuple(order), within, shift)
    if path is not None and path.exists():
        progress.round, taps = _read(path)
        for tine, each in enumerate(name):
            if each in taps:
                tap = taps.pop(each)
                progress.last[tine] = _against(tap, float(designed(tap.temperature_c)[tine]))
        progress.others = taps
    return progress


def _against(tap: LastTap, target: float) -> LastTap:
    """The tap in cents above another target, in Hz at its own temperature; as it is where none is given (nan)."""
    if not math.isfinite(target):
        return tap
    old = target if tap.target_hz is None else tap.target_hz
    return replace(tap, cents=tap.cents + CENTS_PER_OCTAVE * math.log2(old / target), target_hz=target)


def _read(path: Path) -> tuple[int, dict[str, LastTap]]:
    """The round, and the last tap of each tine by its name. Raises `InputError`."""
    try:
        return _told(read_toml(path))
    except InputError as error:
        raise InputError(
            f"cannot be read as progress of a tuning: {error.finding}",
            remedy=f"{error.remedy or 'mend it'}, or move the file away to begin anew",
            location=error.location,
            file=str(path),
        ) from None


def _told(whole: dict[str, object]) -> tuple[int, dict[str, LastTap]]:
    if "round" not in whole:  # every file of progress begins with it, and no design has it
        raise InputError(
            "it does not say its round",
            remedy="give this file or the design another name",
        )
    tables = whole.get("tine", {})
    if not isinstance(tables, dict):
        raise InputError(
            "this is no table", remedy='write [tine."G.1"] above what is told of one', location="tine"
        )
    for key in whole:
        if key not in ("round", "tine"):
            raise unknown_key(key, {"round": int, "tine": dict}, "")
    current = decode({"round": whole["round"]}, _Round).round
    return current, {name: _last_tap(name, table, current) for name, table in tables.items()}


def _last_tap(name: str, table: Mapping[str, object], current: int) -> LastTap:
    if not name.isprintable():
        raise InputError(f"{name!a} cannot be a tine's name", remedy="take its table out", location="tine")
    try:
        tap = decode(table, _Tap)
        if tap.round > current:
            raise InputError(
                f"{tap.round} has not begun",
                remedy=f"must be at most {current}, the file's own",
                location="round",
            )
    except InputError as error:
        place = ".".join(each for each in (place_of("tine", name), error.location) if each)
        raise InputError(error.finding, remedy=error.remedy, location=place) from None
    return LastTap(
        tap.cents, tap.cents_sd, tap.heard, tap.temperature_c, tap.round, tap.moved_cents, tap.target_hz
    )
