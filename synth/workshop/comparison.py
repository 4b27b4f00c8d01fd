"""Comparison: one group, stroked in every variant; what is heard, measured and written of it.

In: `Variant`s. Out: a folder with every combination at one true level and matched in loudness, tables of what was
measured and of what changed against the first, a picture with spectrograms on common axes, and a page to listen.
"""

from __future__ import annotations

import math
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.files import whole_set
from synth.sound import features
from synth.sound.audio import RATE
from synth.sound.file_sets import SetMember, write_sets
from synth.sound.render import ContactSettings, perform, scene
from synth.table import Column, Table
from synth.units import MS
from synth.vibration.solve import solve_quarrels
from synth.workshop.changes import (
    PARTIALS,
    Changes,
    GroupChange,
    Structure,
    group_table,
    partial_decays,
    structure,
    tine_changes,
    tine_table,
)
from synth.workshop.listening import Heard, listening_page
from synth.workshop.measures import measures
from synth.workshop.spectrograms import Panel, picture, tone_levels
from synth.workshop.variants import LeftOut, Variant, in_words, name_of

WORKERS: Final = 2
FILES: Final = (
    "true/ at one gain",
    "matched/ in loudness",
    "comparison.csv",
    "changes.csv (tines)",
    "changes-group.csv",
    "comparison.png",
)

Watch = Callable[[Iterable[Any], int], Iterator[Any]]  # passes items on, showing how many of so many are done
Job = TypeVar("Job")
Done = TypeVar("Done")


@dataclass(frozen=True)
class Compared:
    """What one combination sounds like and what it did. `decay_s` of the lowest tine's first partials."""

    variant: Variant
    structure: Structure
    pressure: NDArray[np.float32]
    measured: dict[str, float]
    attack_s: float
    decay_s: tuple[float, ...]
    energy_j: float
    stress_mpa: float
    partials_hz: tuple[float, ...]  # of the tines that are stroked
    warnings: tuple[str, ...]


def render_variants(
    chosen: Sequence[Variant], *, seconds: float, settings: ContactSettings, watch: Watch
) -> tuple[list[Compared], list[LeftOut]]:
    """Every combination rendered, on two cores where there are, and what cannot be. Raises if none can."""
    places = _distinct([(each.instrument, each.through) for each in chosen])
    with _workers(len(chosen)) as run:
        solved = list(run(_solved, places))  # solved once, kept for the workers
        jobs = [
            (each, solved[_index(places, (each.instrument, each.through))], seconds, settings)
            for each in chosen
        ]
        done = list(watch(run(_heard, jobs), len(jobs)))
    heard = [each for each in done if isinstance(each, Compared)]
    left = [each for each in done if isinstance(each, LeftOut)]
    if not heard:
        raise InputError(left[0].words, location=name_of(left[0].chosen))
    return heard, left


def _distinct(places: Sequence[tuple[Instrument, str]]) -> list[tuple[Instrument, str]]:
    """Each once; instruments hold mappings and have no hash."""
    found: list[tuple[Instrument, str]] = []
    for each in places:
        if each not in found:
            found.append(each)
    return found


def _index(places: Sequence[tuple[Instrument, str]], place: tuple[Instrument, str]) -> int:
    return next(n for n, each in enumerate(places) if each == place)


@contextmanager
def _workers(count: int) -> Iterator[Callable[[Callable[[Job], Done], Sequence[Job]], Iterable[Done]]]:
    """What maps a function over jobs, on as many cores as there are, up to two."""
    if count == 1 or (os.cpu_count() or 1) == 1:
        yield map
        return
    workers = ProcessPoolExecutor(max_workers=WORKERS, initializer=_end_when_told)
    try:
        yield workers.map
    except BrokenProcessPool:
        raise MemoryError from None  # the system ends a process that takes too much
    finally:
        workers.shutdown(wait=False, cancel_futures=True)


def _end_when_told() -> None:
    """A worker ends at once and without a word: what is to be said, its parent says."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)


def _solved(place: tuple[Instrument, str]) -> Structure | InputError:
    instrument, through = place
    try:
        listening = scene(instrument, through)
        return structure(listening, solve_quarrels(instrument, listening.row))
    except InputError as error:
        return error


def _heard(
    job: tuple[Variant, Structure | InputError, float, ContactSettings],
) -> Compared | LeftOut:
    variant, solved, seconds, settings = job
    if isinstance(solved, InputError):
        return LeftOut(variant.chosen, str(solved))
    try:
        return _rendered(variant, solved, seconds, settings)
    except InputError as error:
        return LeftOut(variant.chosen, str(error))


def _rendered(variant: Variant, solved: Structure, seconds: float, settings: ContactSettings) -> Compared:
    instrument = variant.instrument
    listening = scene(instrument, variant.through)
    rendering = perform(listening, [variant.stroke], seconds=seconds, settings=settings)
    pressure = rendering.sound()
    group = instrument.groups[variant.stroke.group]
    lowest = group.first + int(np.argmin(listening.row.mounted_hz[group.tines]))
    tines = rendering.reports[0]["tines"]
    touched = [each for each in tines if each["first_touch_s"] is not None]
    since = min((each["first_touch_s"] for each in touched), default=0.0)
    until = max((each["last_release_s"] for each in touched), default=seconds)
    modes = listening.row.modes
    there = modes.exists[group.tines, :PARTIALS]
    return Compared(
        variant=variant,
        structure=solved,
        pressure=pressure.astype(np.float32),
        measured=measures(pressure, RATE),
        attack_s=features.attack_time(pressure, RATE, since=since, until=until + features.SMOOTH),
        decay_s=partial_decays(listening.model, lowest),
        energy_j=math.fsum(each["energy_j"] for each in tines),
        stress_mpa=max((each["root_stress_mpa"] for each in tines), default=0.0),
        partials_hz=tuple(np.sort(modes.frequency[group.tines, 0, :PARTIALS][there]).tolist()),
        warnings=rendering.warnings,
    )


def changes(heard: Sequence[Compared]) -> Changes:
    """What changed, tine by tine and in the group's sound, against the first."""
    first, *others = heard
    built = {each.variant.built: each.structure for each in reversed(others)}
    tines = [
        change
        for name, other in reversed(built.items())
        for change in tine_changes(name, first.structure, other)
    ]
    group = [GroupChange(each.variant.name, first.measured, each.measured) for each in others]
    return Changes(first.variant.name, tines, group)


def write(heard: Sequence[Compared], left: Sequence[LeftOut], folder: Path, *, group: str) -> list[SetMember]:
    """Sounds, tables, picture and page below a folder. Raises `InputError`."""
    sounds = {each.variant.name: each.pressure for each in heard}
    found, panels = changes(heard), _panels(heard)
    with whole_set(folder) as beside:
        members = write_sets(sounds, beside)
        texts = {
            "comparison.csv": table(members, heard).csv(),
            "changes.csv": tine_table(found.tines).csv(),
            "changes-group.csv": group_table(found.group).csv(),
            "index.html": _page(members, heard, panels, left, group),
        }
        for name, text in texts.items():
            (beside / name).write_text(text, encoding="utf-8", newline="")
        a4 = heard[0].variant.instrument.a4
        picture(panels, title=f"Group {group}", a4_hz=a4).savefig(beside / "comparison.png", dpi=110)
    return members


def _panels(heard: Sequence[Compared]) -> list[Panel]:
    return [
        Panel(
            in_words(each.variant.chosen),
            each.pressure.shape[1] / RATE,
            tone_levels(each.pressure),
            each.partials_hz,
        )
        for each in heard
    ]


def _page(
    members: Sequence[SetMember],
    heard: Sequence[Compared],
    panels: Sequence[Panel],
    left: Sequence[LeftOut],
    group: str,
) -> str:
    sounds = [
        Heard(
            chosen=each.variant.chosen,
            pressure=each.pressure,
            true_db=member.true_gain_db,
            matched_db=member.matched_gain_db,
            level_dba=member.loudness.loudest,
            panel=panel,
        )
        for member, each, panel in zip(members, heard, panels, strict=True)
    ]
    instrument = heard[0].variant.instrument
    return listening_page(
        sounds, left, title=f"{instrument.name or 'The instrument'}, group {group}", a4_hz=instrument.a4
    )


def table(members: Sequence[SetMember], heard: Sequence[Compared]) -> Table:
    """A row a combination: how loud, at which gains, and what was measured."""

    def decay(n: int) -> Column:
        return Column(f"decay_{n + 1}_s", value=lambda row: [*row[1].decay_s, *[math.nan] * PARTIALS][n])

    return Table(
        [
            Column("combination", "combination", value=lambda row: row[0].name),
            Column("file", value=lambda row: row[0].file),
            Column("loudest_dba", "dB(A)", "{:.1f}", lambda row: row[0].loudness.loudest),
            Column("average_dba", value=lambda row: row[0].loudness.average),
            Column("loudness_lufs", value=lambda row: row[0].integrated),
            Column("true_gain_db", "true gain dB", "{:+.0f}", lambda row: row[0].true_gain_db),
            Column("matched_gain_db", "matched gain dB", "{:+.1f}", lambda row: row[0].matched_gain_db),
            Column("attack_ms", value=lambda row: row[1].attack_s, unit=MS),
            Column("centroid_hz", value=lambda row: row[1].measured["centroid_hz"]),
            *(decay(n) for n in range(PARTIALS)),
            Column("energy_mj", value=lambda row: row[1].energy_j, unit=1e-3),
            Column("greatest_stress_mpa", value=lambda row: row[1].stress_mpa),
        ],
        list(zip(members, heard, strict=True)),
    )


def too_quiet(members: Sequence[SetMember]) -> list[str]:
    """What to tell of sounds that are too quiet for the meter at true level."""
    quiet = [each.name for each in members if each.gated]
    if not quiet:
        return []
    return [
        f"too quiet at true level for the loudness meter (-70 LUFS): {', '.join(quiet)}; "
        "loudness_lufs is left empty there, the match holds (each is measured as raised to full scale)"
    ]


def data(
    members: Sequence[SetMember], heard: Sequence[Compared], found: Changes, left: Sequence[LeftOut]
) -> dict[str, Any]:
    """All that is told, for other programs."""
    return {
        "combinations": table(members, heard).data(),
        "changes": found.data(),
        "left_out": [{"combination": name_of(each.chosen), "words": each.words} for each in left],
    }


def warnings(heard: Sequence[Compared]) -> list[str]:
    """What was remarked of the strokes, each once."""
    return list(dict.fromkeys(words for each in heard for words in each.warnings))
