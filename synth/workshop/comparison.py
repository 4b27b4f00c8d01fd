"""Comparison: one group, stroked in every variant; what is heard, measured and written of it.

In: what was rendered of `Variant`s. Out: a folder with every combination at one true level and matched in loudness,
tables of what was measured and of what changed against the first, a picture with spectrograms on common axes, and a
page to listen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from synth.files import whole_set, write_text
from synth.sound.audio import RATE
from synth.sound.ear import words
from synth.sound.file_sets import SetMember, write_sets
from synth.table import Column, Table
from synth.units import MS
from synth.workshop.changes import (
    COMPARED_PARTIALS,
    Changes,
    GroupChange,
    group_table,
    tine_change_table,
    tine_changes,
)
from synth.workshop.listening import Heard, listening_page
from synth.workshop.measures import MEASURES
from synth.workshop.spectrograms import Panel, spectrogram_picture
from synth.workshop.variant_sounds import Compared
from synth.workshop.variants import LeftOut
from synth.workshop.varied import name_of, variant_words

FILES: Final = (
    "true/ at one gain",
    "matched/ in loudness",
    "comparison.csv",
    "changes.csv (tines)",
    "changes-group.csv",
    "comparison.png",
)


def since_first(heard: Sequence[Compared]) -> Changes:
    """What changed, tine by tine and in the group's sound, against the first."""
    first, *others = heard
    built = {each.variant.built: each.structure for each in reversed(others)}
    tines = [
        change
        for name, other in reversed(built.items())
        for change in tine_changes(name, first.structure, other)
    ]
    group = [
        GroupChange(each.variant.name, first.measured, each.measured, _heard_otherwise(first, each))
        for each in others
    ]
    units = first.variant.instrument.bench.units
    return Changes(first.variant.name, _group(heard), tines, group, units)


def _heard_otherwise(first: Compared, other: Compared) -> tuple[str, ...]:
    return tuple(words(first.ear, other.ear)) if first.ear and other.ear else ()


def write(heard: Sequence[Compared], left: Sequence[LeftOut], folder: Path) -> list[SetMember]:
    """Sounds, tables, picture and page below a folder. Raises `InputError`."""
    sounds = {each.variant.name: each.pressure for each in heard}
    found, panels = since_first(heard), _panels(heard)
    title, a4 = _title(heard), heard[0].variant.instrument.a4
    with whole_set(folder) as beside:
        members = write_sets(sounds, beside)
        texts = {
            "comparison.csv": table(members, heard).csv(),
            "changes.csv": tine_change_table(found.tines).csv(),
            "changes-group.csv": group_table(found.group).csv(),
            "index.html": page_of(members, heard, left),
        }
        for name, text in texts.items():
            write_text(beside / name, text)
        spectrogram_picture(panels, title=title, a4_hz=a4).savefig(beside / "comparison.png", dpi=110)
    return members


def page_of(members: Sequence[SetMember], heard: Sequence[Compared], left: Sequence[LeftOut]) -> str:
    """The text of the page to listen."""
    a4 = heard[0].variant.instrument.a4
    return listening_page(heard_sounds(members, heard), left, title=_title(heard), a4_hz=a4)


def _panels(heard: Sequence[Compared]) -> list[Panel]:
    return [
        Panel(
            variant_words(each.variant.chosen),
            each.pressure.shape[1] / RATE,
            each.levels,
            each.partials_hz,
        )
        for each in heard
    ]


def _title(heard: Sequence[Compared]) -> str:
    instrument = heard[0].variant.instrument
    return f"{instrument.name or 'The instrument'}, group {_group(heard)}"


def _group(heard: Sequence[Compared]) -> str:
    """The group that is stroked, as the design calls it."""
    variant = heard[0].variant
    return variant.instrument.groups[variant.stroke.group].name


def heard_sounds(members: Sequence[SetMember], heard: Sequence[Compared]) -> list[Heard]:
    """What was rendered, at its gains, for a page to listen."""
    return [
        Heard(
            chosen=each.variant.chosen,
            pressure=each.pressure,
            true_db=member.true_gain_db,
            matched_db=member.matched_gain_db,
            level_dba=member.loudness.loudest,
            panel=panel,
        )
        for member, each, panel in zip(members, heard, _panels(heard), strict=True)
    ]


def table(members: Sequence[SetMember], heard: Sequence[Compared]) -> Table:
    """A row a combination: how loud, at which gains, and what was measured."""

    def decay(n: int) -> Column:
        return Column(
            f"decay_{n + 1}_s", value=lambda row: [*row[1].decay_s, *[math.nan] * COMPARED_PARTIALS][n]
        )

    def measured(key: str) -> Column:
        return Column(key, value=lambda row: row[1].measured[key])

    return Table(
        [
            Column("combination", "combination", value=lambda row: row[0].name),
            Column("file", value=lambda row: row[0].file),
            Column("loudest_dba", "dB(A)", "{:.1f}", lambda row: row[0].loudness.loudest),
            Column("average_dba", value=lambda row: row[0].loudness.average),
            Column("loudness_lufs", value=lambda row: row[0].integrated),
            Column("true_gain_db", "true gain dB", "{:+z.0f}", lambda row: row[0].true_gain_db),
            Column("matched_gain_db", "matched gain dB", "{:+z.1f}", lambda row: row[0].matched_gain_db),
            Column("attack_ms", value=lambda row: row[1].attack_s, unit=MS),
            *(measured(each.key) for each in MEASURES if each.key not in ("loudest_dba", "average_dba")),
            *(decay(n) for n in range(COMPARED_PARTIALS)),
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


def remarks(heard: Sequence[Compared]) -> list[str]:
    """What was remarked of the strokes, each once."""
    return list(dict.fromkeys(said for each in heard for said in each.warnings))
