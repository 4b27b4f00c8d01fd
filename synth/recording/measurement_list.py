"""A measurement as `measure` shows it: the partials of every tap, with units in the keys.

In: a `Measurement`. Out: a `Table` for text and CSV, data, sentences. What cannot be told is "?", null or empty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from synth.recording.measurement import Measurement, Partial, TapPartials
from synth.table import Column, Table
from synth.units import cents, decibels


def partial_table(taps: Sequence[TapPartials]) -> Table:
    """A row a partial, under the number and the time of its tap."""
    return Table(
        [
            Column("tap", value=lambda row: row[0]),
            Column("time_s", value=lambda row: row[1].time),
            *_columns(),
        ],
        [(number, tap, each) for number, tap in enumerate(taps, 1) for each in tap.partials],
    )


def _columns() -> list[Column]:
    def of(name: str, key: str, heading: str | None, format: str = "{}", empty: str = "") -> Column:
        return Column(key, heading, format, lambda row: getattr(row[2], name), empty=empty)

    def relative(partial: Partial) -> float:
        return cents(math.e) * partial.frequency_deviation / partial.frequency  # a small interval

    return [
        of("frequency", "frequency_hz", "Hz", "{:.3f}"),
        of("frequency_deviation", "frequency_sd_hz", "+-", "{:.2g}"),
        Column("", "cents +-", "{:.2g}", lambda row: relative(row[2])),
        of("decay", "decay_s", "decay s", "{:.3g}", "?"),
        of("decay_deviation", "decay_sd_s", "+-", "{:.1g}", "?"),
        Column("level_db", "dB", "{:.1f}", lambda row: decibels(row[2].level)),
        Column("level_sd_db", "+-", "{:.1g}", lambda row: decibels(1.0 + row[2].level_deviation)),
        of("splits", "splits_hz", None),
        of("kind", "kind", None),
        of("note", "note", "note"),
    ]


def measurement_data(measurement: Measurement) -> dict[str, Any]:
    """The measurement as data: of each partial what other programs rely on; the CSV has more."""
    agreed = [each for each in _columns() if each.key not in ("level_sd_db", "splits_hz", "kind")]
    return {
        "taps": [
            {"time_s": tap.time, "partials": Table(agreed, partial_table([tap]).rows).data()}
            for tap in measurement.taps
        ],
        "warnings": list(measurement.warnings),
    }


def measurement_words(measurement: Measurement, width: int | None) -> str:
    """A table a tap, then the warnings."""
    taps = "\n\n".join(
        f"tap at {tap.time:.3f} s, heard for {tap.free_to - tap.free_from:.2f} s\n"
        + partial_table([tap]).text(width)
        for tap in measurement.taps
    )
    return taps + "".join(f"\n\nwarning: {each}" for each in measurement.warnings)
