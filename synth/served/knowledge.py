"""What check, strength, trim and board know of a model, laid where a page shows it: at the tine, at the board.

In: a model. Out: plain data for JSON; units in the keys. It takes longer than the sound, so it is asked for alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from synth.arrays import Array
from synth.design.change import Change
from synth.design.change import words as change_words
from synth.design.instrument import Instrument
from synth.design.keys_as_written import place_of
from synth.playing.stroke import BITE, SPEED
from synth.served.model import SolvedDesign
from synth.sound.boardsheet import solve_sheet
from synth.table import plain
from synth.units import MM, cents, length_said
from synth.vibration.quarrels import BarShapes, Quarrel, loaded_shapes, sentence
from synth.vibration.solve import solve_advice
from synth.workshop.overview import boards_words, loss_words, totals, totals_words
from synth.workshop.strength import METHOD, digs_in, first_to_go, strength

SHOWN: Final = 40  # quarrels, the worst first
SPRING: Final = ("stiffness_n_mm", "rotation_nm_rad", "loss_factor")
POINTS: Final = 193  # of a mode's shape along the bar


def knowledge(model: SolvedDesign) -> dict[str, Any]:
    """Warnings, quarrels, what every tine bears under the worst of the sticks, totals: within half a second."""
    instrument, row = model.instrument, model.row
    units = instrument.bench.units
    return plain(  # type: ignore[no-any-return]
        {
            "model": model.name,
            "warnings": [*instrument.warnings, *row.warnings],
            "quarrels": _quarrels(model),
            "quarrel_count": len(model.quarrels),
            "strength": _strength(model),
            "totals": totals_words(totals(instrument, row, units), units),
            "losses": loss_words(instrument, row),
        }
    )


def advised(model: SolvedDesign) -> dict[str, Any]:
    """What settles the worst quarrels, by their numbers, and what boards would do: seconds, for a quiet moment."""
    instrument, row = model.instrument, model.row
    advice = solve_advice(model.design, instrument, row, model.quarrels)
    return {
        "model": model.name,
        "remedies": [
            [proposal(model, remedy.change) for remedy in advice.of(n)]
            for n in range(len(model.quarrels[:SHOWN]))
        ],
        "boards": boards_words(instrument, row),
    }


def proposal(model: SolvedDesign, change: Change) -> dict[str, Any]:
    """A change in words, and the edits that make it."""
    return {"words": "; ".join(change_words(model.instrument, change)), "edits": change_edits(model, change)}


def change_edits(model: SolvedDesign, change: Change) -> list[dict[str, Any]]:
    """Edits of the file, lengths in mm: the place that edits designs writes them in the unit that stands there."""
    edits: list[dict[str, Any]] = []
    if change.section is not None:
        edits += [
            {"path": f"bar.section.{key}", "value": value} for key, value in _section(change.section).items()
        ]
    for number, support in enumerate(model.design.bar.supports, start=1):
        if change.kind not in (None, support.kind):
            own = [key for key in SPRING if getattr(support, key) is not None]
            values = {"kind": change.kind, **dict.fromkeys(own)}  # the usual ones of the new kind
            edits += [
                {"path": f"bar.supports[{number}].{key}", "value": each} for key, each in values.items()
            ]
    edits += [{"path": f"bar.supports[{n + 1}].at_mm", "value": at} for n, at in change.supports]
    return [*edits, *({"path": f"group[{n + 1}].start_mm", "value": at} for n, at in change.starts)]


def board_knowledge(model: SolvedDesign, name: str) -> dict[str, Any]:
    """What `board` tells of one board, in lines. Raises `InputError` for a board that is not there."""
    from synth.sound.board_forecast import changes, sentences, solve_foretold
    from synth.workshop.board_list import board_words

    instrument, row = model.instrument, model.row
    name = instrument.board(name).name
    bar, board = (solve_foretold(instrument, row, each) for each in (None, name))
    said = sentences(instrument, name, bar, board)
    words = board_words(
        instrument, name, solve_sheet(instrument, name), changes(instrument, bar, board), said, 76
    )
    return {"path": place_of("board", name), "words": words}


def _section(section: Any) -> Mapping[str, float]:
    if section.shape == "rectangle":
        return {"width_mm": section.width / MM, "height_mm": section.height / MM}
    wall = {"wall_mm": section.wall / MM} if section.shape == "tube" else {}
    return {"diameter_mm": section.width / MM, **wall}


def _quarrels(model: SolvedDesign) -> list[dict[str, Any]]:
    if not model.quarrels:
        return []
    shapes, _ = loaded_shapes(model.instrument, model.row)
    places = np.linspace(0.0, model.instrument.bar.length, POINTS)
    return [
        {
            **_quarrel(model.instrument, each),
            "bar_shape": np.round(_shape(shapes, each.bar_mode, places), 3).tolist(),
        }
        for each in model.quarrels[:SHOWN]
    ]


def _shape(shapes: BarShapes, mode: int, places: Array) -> Array:
    """How a mode of the bar moves (B,) in the direction in which it moves most; 1 at its greatest."""
    moved = shapes.motion[:, :3, mode]
    most = moved[:, np.argmax((moved**2).sum(axis=0))]
    return np.asarray(np.interp(places, shapes.position, most / np.abs(most).max()))


def _quarrel(instrument: Instrument, quarrel: Quarrel) -> dict[str, Any]:
    return {
        "tine": quarrel.tine,
        "partial": quarrel.partial,
        "partial_hz": quarrel.partial_hz,
        "bar_hz": quarrel.bar_hz,
        "cents": cents(quarrel.shift),
        "severity": quarrel.severity,
        "words": sentence(instrument, quarrel),
    }


def _strength(model: SolvedDesign) -> dict[str, Any]:
    """At the usual stroke; the worst stick of each tine."""
    instrument = model.instrument
    speed, bite = (length_said(each, instrument.bench.units) for each in (SPEED, BITE))
    sticks = [each for each in instrument.sticks.values() if not digs_in(each)]
    found = [each for stick in sticks for each in strength(instrument, model.row.modes, stick)]
    worst = {each.tine: each for each in sorted(found, key=lambda each: each.endurance_share)}
    return {
        "stroke": f"a stroke at {speed}/s with a bite of {bite}",
        "first_to_go": first_to_go(instrument, found),
        "method": METHOD,
        "tines": [
            {
                "stick": each.stick,
                "endurance_share": each.endurance_share,
                "yield_share": each.yield_share,
                "bite_million_mm": each.bite_million / MM,
            }
            for _, each in sorted(worst.items())
        ],
    }
