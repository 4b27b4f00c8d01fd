"""A calibration as `calibrate` shows it: what was fitted, how that hangs together, the model before and after.

In: a `Calibration` and the taps with their tines. Out: words with `Table`s, data with units in the keys.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.design.keys_as_written import key_in
from synth.recording.calibrate import Calibration, Fitted
from synth.recording.identity import tine_name
from synth.recording.match import MatchedPartial, TineAssignment
from synth.table import Column, Table
from synth.units import FALL, INCH, MM, Units, cents

PLANES: Final = {0: "along", 1: "across", None: "both"}


def calibration_data(
    instrument: Instrument, claims: Sequence[TineAssignment], calibration: Calibration
) -> dict[str, Any]:
    """The calibration as data."""
    return {
        "taps": [
            {"time_s": claim.tap.time, "tine": tine_name(instrument, claim.tine), "found": claim.found}
            for claim in claims
        ],
        "fitted": _fitted(calibration).data(),
        "correlation": calibration.correlation.tolist(),
        "rejected": [
            {"name": each.unknown.name, "reason": each.reason, "would_tell": each.remedy}
            for each in calibration.rejected
        ],
        "partials": [_line_data(instrument, calibration, line) for line in calibration.lines],
        "warnings": list(calibration.warnings),
    }


def _line_data(instrument: Instrument, calibration: Calibration, line: MatchedPartial) -> dict[str, Any]:
    before, after = calibration.before, calibration.after
    old, new = before.row(line.tine), after.row(line.tine)
    return {
        "tine": tine_name(instrument, line.tine),
        "partial": line.partial + 1,
        "plane": PLANES[line.plane],
        "frequency_hz": line.frequency,
        "before_cents": cents(line.of(before.frequency[old]) / line.frequency),
        "after_cents": cents(line.of(after.frequency[new]) / line.frequency),
        "decay_s": FALL / line.decay_rate if math.isfinite(line.decay_rate) else None,
        "before_s": FALL / line.of(before.decay_rate[old]),
        "after_s": FALL / line.of(after.decay_rate[new]),
    }


def calibration_words(instrument: Instrument, calibration: Calibration, width: int | None) -> str:
    """The calibration in tables and sentences."""
    lines = Table(
        [
            Column("tine", "tine"),
            Column("partial", "partial"),
            Column("plane", "plane"),
            Column("frequency_hz", "Hz", "{:.2f}"),
            Column("before_cents", "before", "{:+z.1f}"),
            Column("after_cents", "after cents", "{:+z.1f}"),
            Column("decay_s", "decay s", "{:.3g}", empty="?"),
            Column("before_s", "before", "{:.3g}"),
            Column("after_s", "after s", "{:.3g}"),
        ],
        [_line_data(instrument, calibration, line) for line in calibration.lines],
    )
    parts = [
        "Learnt:\n" + _fitted(calibration, instrument.bench.units).text(width),
        *_correlated(calibration, width),
        "The model less the measurement:\n" + lines.text(width),
    ]
    if calibration.rejected:
        reasons = [
            f"  {each.unknown.name}: {each.reason}" + (f"; {each.remedy}" if each.remedy else "")
            for each in calibration.rejected
        ]
        told = "Not fitted, and taken as it stands in the design; its error goes into what was fitted:\n"
        parts.append(told + "\n".join(reasons))
    parts += [f"warning: {each}" for each in calibration.warnings]
    return "\n\n".join(parts)


def _fitted(calibration: Calibration, units: Units = "mm") -> Table:
    """What was fitted, before and now, by the keys as a maker who works in this unit would write them."""

    def shown(of: Fitted, number: float) -> float:
        return number * MM / INCH if key_in(of.unknown.key, units) != of.unknown.key else number

    return Table(
        [
            Column("name", "what", value=lambda each: each.unknown.name),
            Column("key", "key", value=lambda each: key_in(each.unknown.key, units)),
            Column("before", "before", "{:.5g}", lambda each: shown(each, each.unknown.value)),
            Column("after", "now", "{:.5g}", lambda each: shown(each, each.value)),
            Column("sd", "+-", "{:.2g}", lambda each: shown(each, each.standard_uncertainty)),
        ],
        calibration.fitted,
    )


def _correlated(calibration: Calibration, width: int | None) -> list[str]:
    """The correlations between what was learnt, where there are two or more."""
    names = [each.unknown.name for each in calibration.fitted]
    if len(names) < 2:
        return []

    def against(n: int) -> Column:
        return Column("", names[n], "{:+z.2f}", lambda row: calibration.correlation[row, n])

    table = Table(
        [Column("", "", value=lambda row: names[row]), *map(against, range(len(names)))], range(len(names))
    )
    return [f"Correlations (near 1 or -1: only both together are known):\n{table.text(width)}"]
