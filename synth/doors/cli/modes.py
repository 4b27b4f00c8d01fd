"""`tinewright modes`: partials of every tine, clamped and mounted; the bar's modes; what they make together."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from synth.doors.cli import arguments
from synth.doors.cli.quarrel import quarrel_data
from synth.doors.cli.table import aligned

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.modal_model import ModalModel
    from synth.vibration.tuning import Row

BAR_SHOWN_HZ = 10_000.0


@click.command("modes")
@arguments.design
@click.option("--group", metavar="GROUP", help="Only this group's tines.")
@arguments.as_json
@arguments.fresh
def command(design: Path, group: str | None, as_json: bool, fresh: bool) -> None:
    """Print the partials of every tine, clamped and mounted, the bar's modes, and the modes of the whole.

    \b
    Example:
      tinewright modes designs/test-piece.toml --json
    """
    from synth.vibration.solve import solve_advice, solve_model, solve_quarrels, solve_row

    written, instrument = arguments.design_and_instrument(design)
    chosen = None if group is None else instrument.group_index(group)
    row = solve_row(instrument, fresh=fresh)
    model = solve_model(instrument, row, fresh=fresh)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    advice = solve_advice(written, instrument, row, quarrels, fresh=fresh)
    data = {
        "design": instrument.name,
        "tines": tine_data(instrument, row, chosen),
        "bar": bar_data(model),
        "assembly": assembly_data(instrument, model, chosen),
        "quarrels": quarrel_data(instrument, quarrels, advice, chosen),
    }
    click.echo(json.dumps(data, indent=1, ensure_ascii=False) if as_json else _tables(data))


def tine_data(instrument: Instrument, row: Row, chosen: int | None) -> list[dict[str, Any]]:
    """Every tine's clamped partials in both planes and its mounted pitch."""
    modes = row.modes
    decay = modes.decay
    return [
        {
            "group": instrument.groups[tine.group].name,
            "tine": tine.number,
            "free_length_mm": float(row.length[index]) * 1e3,
            "target_hz": _finite(row.target_hz[index]),
            "clamped": [
                {
                    "plane": plane,
                    "partial": partial + 1,
                    "frequency_hz": float(modes.frequency[index, p, partial]),
                    "decay_s": _finite(decay[index, p, partial]),
                }
                for p, plane in enumerate(("along", "across"))
                for partial in np.flatnonzero(modes.exists[index]).tolist()
            ],
            "mounted_hz": float(row.mounted_hz[index]),
        }
        for index, tine in enumerate(instrument.tines)
        if chosen in (None, tine.group)
    ]


def bar_data(model: ModalModel) -> list[dict[str, Any]]:
    """The bare bar's modes on its supports, with sound in them."""
    from synth.vibration.damping import decay_time

    bar = model.bar
    sounding = (bar.frequency > 0.0) & (bar.frequency <= BAR_SHOWN_HZ)
    with np.errstate(divide="ignore"):
        decay = decay_time(bar.frequency[sounding], bar.loss_factor[sounding])
    return [
        {"frequency_hz": float(hz), "decay_s": _finite(seconds)}
        for hz, seconds in zip(bar.frequency[sounding], decay, strict=True)
    ]


def assembly_data(instrument: Instrument, model: ModalModel, chosen: int | None) -> list[dict[str, Any]]:
    """The modes of the whole, each with what moves most in it."""
    from synth.vibration.modal_model import energy_share

    tines, bar = energy_share(model)
    data = []
    for m, hz in enumerate(model.frequency):
        strongest: str | dict[str, Any] = "bar"
        index, plane = np.unravel_index(int(np.argmax(tines[m])), tines[m].shape)
        if tines[m, index, plane] > bar[m]:
            tine = instrument.tines[int(index)]
            if chosen not in (None, tine.group):
                continue
            name = instrument.groups[tine.group].name
            strongest = {"group": name, "tine": tine.number, "plane": ("along", "across")[int(plane)]}
        data.append({"frequency_hz": float(hz), "decay_s": _finite(model.decay[m]), "strongest": strongest})
    return data


def _finite(value: float) -> float | None:
    """JSON has no infinity and no NaN."""
    return float(value) if math.isfinite(value) else None


def _tables(data: dict[str, Any]) -> str:
    heads = ("group", "tine", "free mm", "mounted Hz", "plane", "partial", "Hz", "decay s")
    rows = [
        (
            tine["group"],
            str(tine["tine"]),
            f"{tine['free_length_mm']:.2f}",
            f"{tine['mounted_hz']:.2f}",
            part["plane"],
            str(part["partial"]),
            f"{part['frequency_hz']:.2f}",
            _seconds(part["decay_s"]),
        )
        for tine in data["tines"]
        for part in tine["clamped"]
    ]
    bar = [(f"{each['frequency_hz']:.1f}", _seconds(each["decay_s"])) for each in data["bar"]]
    whole = [
        (f"{each['frequency_hz']:.2f}", _seconds(each["decay_s"]), _who(each["strongest"]))
        for each in data["assembly"]
    ]
    return "\n\n".join(
        [
            "Tines on an immovable bar, partial by partial (the clamp's loss is the largest and least certain; "
            "no decay is claimed above 5 kHz):\n" + aligned(heads, rows),
            "The bar alone on its supports:\n" + aligned(("Hz", "decay s"), bar),
            "All together:\n" + aligned(("Hz", "decay s", "moves most"), whole),
            *_quarrels(data["quarrels"]),
        ]
    )


def _quarrels(found: list[dict[str, Any]]) -> list[str]:
    lines = "\n".join(
        line
        for each in found
        for line in (each["words"], *(f"  settled by {', '.join(r['words'])}" for r in each["remedies"]))
    )
    return [f"Quarrels between tines and bar, the worst first:\n{lines}"] if found else []


def _who(strongest: str | dict[str, Any]) -> str:
    if isinstance(strongest, str):
        return strongest
    return f"{strongest['group']} {strongest['tine']}, {strongest['plane']}"


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"
