"""How far the tuning of an instrument has come: which tine is next, what is done, kept beside the design.

In: names of tines, their targets, a file of an earlier day. Out: `TuningProgress`, and the file
DESIGN.tuning.toml. Heavy, low tines come first: what they do to the bar moves the others most.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from synth.arrays import Array
from synth.errors import InputError
from synth.files import atomic_write


@dataclass(frozen=True)
class LastTap:
    """What a tine's last tap said: cents above the target, their deviation, and whether that was near enough."""

    cents: float
    cents_sd: float
    done: bool
    heard: str  # the moment, ISO 8601
    temperature_c: float


@dataclass
class TuningProgress:
    """The order of work (indices) and the last tap of each tine (index) that was heard."""

    name: Sequence[str]
    order: tuple[int, ...]
    last: dict[int, LastTap] = field(default_factory=dict)

    def left(self) -> list[int]:
        """The tines still to be done, in the order of work."""
        return [tine for tine in self.order if tine not in self.last or not self.last[tine].done]

    def following(self) -> int | None:
        """The tine that is next; None when all are done."""
        return next(iter(self.left()), None)

    def keep(self, path: Path) -> None:
        """Write the file in one go: an interruption leaves the old one or the new one. Raises `InputError`."""
        lines = ["# what `tinewright tune --listen` heard last of every tine; delete it to begin anew"]
        for tine in self.order:
            if tine in self.last:
                tap = self.last[tine]
                lines += [
                    "",
                    f"[tine.{json.dumps(self.name[tine])}]",
                    f"cents = {tap.cents:.2f}",
                    f"cents_sd = {tap.cents_sd:.2f}",
                    f"done = {str(tap.done).lower()}",
                    f"heard = {json.dumps(tap.heard)}",
                    f"temperature_c = {tap.temperature_c:.1f}",
                ]
        with atomic_write(path) as new:
            new.write_text("\n".join(lines) + "\n", encoding="utf-8")


def progress_path(design: Path) -> Path:
    """Where the progress of a design is kept."""
    return design.with_suffix(".tuning.toml")


def begun(name: Sequence[str], target: Array, *, first: int | None, path: Path) -> TuningProgress:
    """The progress as the file has it, from the tine `first` (index) on, then round. Raises `InputError`."""
    order = [int(tine) for tine in np.argsort(target, kind="stable") if np.isfinite(target[tine])]
    if first is not None:
        if first not in order:
            raise InputError(f"the design gives {name[first]} no pitch", remedy="begin with another")
        turn = order.index(first)
        order = order[turn:] + order[:turn]
    progress = TuningProgress(name, tuple(order))
    if path.exists():
        progress.last.update(_read(name, path))
    return progress


def _read(name: Sequence[str], path: Path) -> dict[int, LastTap]:
    """What the file says of tines that the design still has."""
    index = {each: number for number, each in enumerate(name)}
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8")).get("tine", {})
        return {index[each]: _last_tap(table) for each, table in tables.items() if each in index}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as failure:
        raise InputError(
            f"cannot be read as progress of a tuning ({type(failure).__name__}: {failure})",
            remedy="mend it, or move it away to begin anew",
            file=str(path),
        ) from failure


def _last_tap(table: dict[str, object]) -> LastTap:
    done, heard = table["done"], table["heard"]
    if not isinstance(done, bool) or not isinstance(heard, str):
        raise TypeError("done is true or false, heard a moment in quotes")
    cents, deviation, warmth = (float(str(table[key])) for key in ("cents", "cents_sd", "temperature_c"))
    return LastTap(cents, deviation, done, heard, warmth)
