"""Tolerances as `tolerance` shows them: tine by tine in cents, and in words what of it can be tuned out.

In: a `Spread` and the `Trial` of seeded builds. Out: a `Table`, data with units in the keys, sentences.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from synth.design.instrument import Instrument
from synth.table import Column, Table
from synth.units import MM, length_said
from synth.vibration.tuning import Row
from synth.workshop.length_text import length_column
from synth.workshop.tolerance import CAUSES, Spread, Trial


def tolerance_table(instrument: Instrument, row: Row, found: Spread, tried: Trial) -> Table:
    """A row a tine, which is its index."""
    tines, built = instrument.tines, tried.pitch.std(axis=0)
    return Table(
        [
            Column("group", "group", value=lambda n: instrument.groups[tines[n].group].name),
            Column("tine", "tine", value=lambda n: tines[n].number),
            Column("frequency_hz", "Hz", "{:.1f}", lambda n: row.mounted_hz[n]),
            Column("cents", value=lambda n: dict(zip(CAUSES, found.pitch[n], strict=True))),
            *(_cause_column(found, k) for k in range(len(CAUSES))),
            Column("sd_cents", "sd", "{:.1f}", lambda n: found.deviation[n]),
            Column("tried_sd_cents", "sd tried", "{:.1f}", lambda n: built[n]),
            Column("worst_cents", "worst", "{:.1f}", lambda n: found.worst[n]),
            Column("base_nut_cents_per_mm", value=lambda n: found.base_slope[n], unit=1.0 / MM),
            length_column(
                "base_nut_travel_mm", "nut", lambda n: found.travel[n], instrument.bench.units, digits=2
            ),
            Column("stays", value=lambda n: _left(found, tried, n)),
            *(
                column
                for p, name in enumerate(("2nd sd", "3rd sd"))
                for column in _overtone(found, tried, p, name)
            ),
        ],
        range(len(tines)),
    )


def _cause_column(found: Spread, k: int) -> Column:
    return Column("", CAUSES[k], "{:.1f}", lambda n: abs(found.pitch[n, k]))


def _overtone(found: Spread, tried: Trial, p: int, name: str) -> list[Column]:
    """What stays on an overtone once the pitch is right: to first order, and as tried."""
    return [
        Column("", name, "{:.2f}", lambda n: found.overtone_deviation[n, p]),
        Column("", "tried", "{:.2f}", lambda n: tried.stays[:, n, p].std()),
    ]


def _left(found: Spread, tried: Trial, n: int) -> list[dict[str, Any]]:
    return [
        {
            "partial": p + 2,
            "cents": dict(zip(CAUSES, found.stays[n, :, p].tolist(), strict=True)),
            "sd_cents": float(found.overtone_deviation[n, p]),
            "tried_sd_cents": float(tried.stays[:, n, p].std()),
        }
        for p in range(found.stays.shape[2])
    ]


def tolerance_data(instrument: Instrument, table: Table, found: Spread, tried: Trial) -> dict[str, Any]:
    """Everything, with the limits it was asked for."""
    limits = found.limits
    return {
        "design": instrument.name,
        "limits": {
            "cut_mm": limits.cut / MM,
            "nut_mm": limits.nut / MM,
            "rod_mm": limits.rod / MM,
            "modulus_percent": 100.0 * limits.modulus,
        },
        "trials": len(tried.pitch),
        "tines": table.data(),
    }


def tolerance_words(instrument: Instrument, found: Spread, trials: int) -> str:
    limits, allowance = found.limits, instrument.bench.tuning_allowance
    travel = float(found.travel.max())

    def said(length: float) -> str:
        return length_said(length, instrument.bench.units, figures=3)

    key = instrument.key("bench.tuning_allowance_mm")
    enough = "is enough" if allowance >= travel else f"is too little: raise {key}"
    return (
        f"Cents at a cut of +-{said(limits.cut)}, nuts +-{said(limits.nut)}, rod +-{said(limits.rod)}, "
        f"modulus +-{100 * limits.modulus:g} %. sd: standard deviation with errors anywhere within these, to first "
        f"order; tried: of {trials} seeded builds.\n"
        "The base nut tunes out the pitch, whatever the cause: cut, nut, rod and steel move all partials nearly "
        f"alike. It must travel up to {said(travel)} either way (nut); the tuning allowance of "
        f"{said(allowance)} {enough}.\n"
        f"{_stays(instrument, found)}\n"
        "Rod and modulus are shared by all tines of a stock: they shift it as a whole and keep its intervals."
    )


def _stays(instrument: Instrument, found: Spread) -> str:
    worst = int(np.argmax(found.overtone_deviation.max(axis=1)))
    tine, cents = instrument.tines[worst], float(found.overtone_deviation[worst].max())
    where = f"most at tine {tine.number} of '{instrument.groups[tine.group].name}', {cents:.1f} cents"
    said = (
        f"What stays once the pitch is right is where the overtones stand over it (2nd, 3rd, cents): {where}."
    )
    if not any(each.trim or each.wish for each in instrument.tines):
        return f"{said} Without trim nuts that is little."
    return f"{said} A trim nut sits at another share of the length then; only moving it mends that."
