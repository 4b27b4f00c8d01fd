"""The file DESIGN.tuning.toml: what a tuner heard last of every tine, written and read.

In: a path, taps by the names of tines. Out: lines of the file, and what it says. Several tuners may keep theirs in
one file: of two taps of one tine the later counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from synth.design.decode import decode, unknown_key
from synth.design.file import read_toml
from synth.design.keys_as_written import place_of
from synth.design.schema_types import WrittenTable
from synth.errors import InputError
from synth.frozen import frozen

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

    def before(self, other: LastTap) -> bool:
        """Whether the other tap is of a later round, or of the same one and heard later."""
        return (self.round, _moment(self.heard)) < (other.round, _moment(other.heard))


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


def progress_path(design: Path) -> Path:
    """Where the progress of a design is kept."""
    return design.with_suffix(".tuning.toml")


def spare_path(path: Path) -> Path:
    """Where it is kept while something else stands in that place."""
    return path.with_name(f"{path.stem}-kept{path.suffix}")


def tap_lines(name: str, tap: LastTap) -> list[str]:
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


def read_progress(path: Path) -> tuple[int, dict[str, LastTap]]:
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


def _moment(heard: str) -> float:
    """Seconds since 1970; what is no moment was before all others."""
    try:
        return datetime.fromisoformat(heard).timestamp()
    except (ValueError, OverflowError):
        return float("-inf")
