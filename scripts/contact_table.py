"""The event model against the truth: regenerates the table in DEVELOPERS.md's chapter on the stick.

    .venv/bin/python scripts/contact_table.py [--quick]

Over three sticks, four speeds and three bites on a row of twelve tines it prints, for each of the first six
partials along the row: the truth's own spread when the bite changes by 1 and 2 % (68 % of the changes lie within
it), how far the event model is from the truth (68 %), the ratio, and the bias; then what the event model costs.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact import EVENT, FULL, Fineness, stroke_row
from synth.playing.stroke import Stroke
from synth.vibration.tine import solve_tines

ROW = Path(__file__).resolve().parent.parent / "tests" / "data" / "contact-row.toml"
STICKS = ("wood", "nylon", "brass")
SPEEDS = (0.1, 0.3, 1.0, 3.0)
BITES = (1e-3, 2e-3, 4e-3)
CHANGES = (0.98, 0.99, 1.01, 1.02)
PARTIALS = 6


@dataclasses.dataclass(frozen=True)
class Cell:
    stick: str
    speed: float
    bite: float
    truth: np.ndarray  # (T, 6) dB
    changed: np.ndarray  # (4, T, 6) dB
    event: np.ndarray  # (T, 6) dB
    residual: float
    cost: float  # s of computing for a second of stroking


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one bite instead of three")
    bites = BITES[1:2] if parser.parse_args().quick else BITES
    cells = list(examined(bites))
    print("68 % width of the truth's spread | of the event model's error | ratio | bias, dB, partials 1 to 6")
    show("all", cells)
    for stick in STICKS:
        show(stick, [cell for cell in cells if cell.stick == stick])
    for speed in SPEEDS:
        show(f"{speed:g} m/s", [cell for cell in cells if cell.speed == speed])
    print(f"truth's worst energy residual {max(abs(cell.residual) for cell in cells):.2%} of the hand's work")
    costs = [cell.cost for cell in cells]
    print(f"event model: {np.mean(costs):.1%} of real time on one core, {np.max(costs):.1%} at worst")


def examined(bites: Iterable[float]) -> Iterable[Cell]:
    instrument = resolve(load(ROW), str(ROW))
    tines = solve_tines(
        instrument.tines, [tine.goal.length for tine in instrument.tines], [()] * len(instrument.tines)
    )

    def levels(stroke: Stroke, fineness: Fineness) -> tuple[np.ndarray, float, float]:
        begun = time.process_time()
        contact = stroke_row(stroke, instrument, tines, fineness=fineness, allow_yield=True)
        cost = time.process_time() - begun
        along = np.array([touch.along for touch in contact.touches])
        return 20.0 * np.log10(np.maximum(along, 1e-12)), contact.books.residual, cost

    levels(Stroke(0, instrument.sticks["wood"]), EVENT)  # compiled before the clock runs
    for stick in STICKS:
        for speed in SPEEDS:
            for bite in bites:
                stroke = Stroke(0, instrument.sticks[stick], speed=speed, bite=bite)
                truth, residual, _ = levels(stroke, FULL)
                others = [
                    levels(dataclasses.replace(stroke, bite=bite * change), FULL)[0] for change in CHANGES
                ]
                event, _, cost = levels(stroke, EVENT)
                seconds = len(instrument.tines) * 0.01 / speed
                yield Cell(stick, speed, bite, truth, np.array(others), event, residual, cost / seconds)


def show(name: str, cells: list[Cell]) -> None:
    spread = width(np.concatenate([(cell.changed - cell.truth).reshape(-1, PARTIALS) for cell in cells]))
    error = np.concatenate([cell.event - cell.truth for cell in cells])
    columns = [spread, width(error), width(error) / spread, error.mean(axis=0)]
    print(f"{name:>8} | " + " | ".join(" ".join(f"{value:5.1f}" for value in column) for column in columns))


def width(errors: np.ndarray) -> np.ndarray:
    """What 68 % of the errors stay within."""
    return np.percentile(np.abs(errors), 68.0, axis=0)


if __name__ == "__main__":
    main()
