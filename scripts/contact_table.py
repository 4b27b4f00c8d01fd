"""The event model against the truth, and what it costs.

    .venv/bin/python scripts/contact_table.py [--quick]

Over three sticks, four speeds and three bites on a row of twelve tines it prints, for each of the first six
partials along the row, as far as they are below 18 kHz: the truth's own spread when the bite changes by 1 and 2 %
(68 % of the changes lie within it), how far the event model is from the truth (68 %), the ratio, and the bias. Then
what the event model costs, as a share of the time that the stick takes for a row of 14 tines 12 mm apart: the
compiled steps alone, and all.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from synth.design.file import load
from synth.design.instrument import FixedLength, Tine
from synth.design.resolve import resolve
from synth.playing.contact.arrays import InitialState
from synth.playing.contact.modes import tips
from synth.playing.contact.run import sweep
from synth.playing.contact.stick import stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, ContactResolution, stroke_row
from synth.playing.stroke import Stroke
from synth.vibration.tine import solve_tines

ROW = Path(__file__).resolve().parent.parent / "tests" / "data" / "contact-row.toml"
STICKS = ("wood", "nylon", "brass")
SPEEDS = (0.1, 0.3, 1.0, 3.0)
BITES = (1e-3, 2e-3, 4e-3)
CHANGES = (0.98, 0.99, 1.01, 1.02)
PARTIALS = 6
RUNS = 7


@dataclasses.dataclass(frozen=True)
class Cell:
    stick: str
    speed: float
    bite: float
    truth: np.ndarray  # (T, 6) dB
    changed: np.ndarray  # (4, T, 6) dB
    event: np.ndarray  # (T, 6) dB
    residual: float


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
    for speed in SPEEDS:
        steps, whole = cost(speed)
        print(f"event model at {speed:g} m/s: steps {steps:.1%}, all {whole:.1%} of real time on one core")


def given_lengths(tines: Iterable[Tine]) -> list[float]:
    """The free lengths of tines that are given by them, m."""
    return [tine.goal.length for tine in tines if isinstance(tine.goal, FixedLength)]


def examined(bites: Iterable[float]) -> Iterable[Cell]:
    instrument = resolve(load(ROW), str(ROW))
    tines = solve_tines(instrument.tines, given_lengths(instrument.tines), [()] * len(instrument.tines))

    def levels(stroke: Stroke, resolution: ContactResolution) -> tuple[np.ndarray, float]:
        contact = stroke_row(stroke, instrument, tines, resolution=resolution, allow_yield=True)
        along = np.array([touch.along for touch in contact.touches])
        along[~tines.exists[[touch.tine for touch in contact.touches], :PARTIALS]] = 0.0  # beyond hearing
        # a light stick thrown up by one tine can miss the next: nothing to compare there
        return 20.0 * np.log10(np.where(along > 0.0, along, np.nan)), contact.books.residual

    for stick in STICKS:
        for speed in SPEEDS:
            for bite in bites:
                stroke = Stroke(0, instrument.sticks[stick], speed=speed, bite=bite)
                truth, residual = levels(stroke, REFERENCE)
                others = [
                    levels(dataclasses.replace(stroke, bite=bite * change), REFERENCE)[0]
                    for change in CHANGES
                ]
                event, _ = levels(stroke, EVENT)
                yield Cell(stick, speed, bite, truth, np.array(others), event, residual)


def cost(speed: float) -> tuple[float, float]:
    """Shares of real time, the least of several runs: of the compiled steps and of a whole stroke."""
    instrument = resolve(load(ROW), str(ROW))
    first = instrument.tines[0]
    row = [
        dataclasses.replace(first, number=k + 1, goal=FixedLength(length), position=0.09 + 0.012 * k)
        for k, length in enumerate(np.linspace(0.140, 0.050, 14))
    ]
    group = dataclasses.replace(instrument.groups[0], count=len(row))
    instrument = dataclasses.replace(instrument, tines=tuple(row), groups=(group,))
    tines = solve_tines(row, given_lengths(row), [()] * len(row))
    stroke = Stroke(0, instrument.sticks["wood"], speed=speed)
    way = passage(stroke, instrument, tines.frequency[:, 0, 0])
    tip = tips(tines, way.tine, depth=0.0, count=EVENT.tine_modes)
    stick = stick_modes(
        stroke.stick, tilt=stroke.tilt, skew=0.0, beam_modes=EVENT.beam_modes, whole=EVENT.whole
    )
    rest = InitialState(np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape), np.zeros(len(row)))
    steps = least(lambda: sweep(stroke, way, tip, stick, rest, EVENT, leaves=way.start))
    whole = least(lambda: stroke_row(stroke, instrument, tines, allow_yield=True))
    seconds = 0.012 * len(row) / speed
    return steps / seconds, whole / seconds


def least(run: Callable[[], object]) -> float:
    """The shortest of several times, s: what others do on the machine only adds."""
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        run()
        times.append(time.perf_counter() - begun)
    return min(times)


def show(name: str, cells: list[Cell]) -> None:
    spread = width(np.concatenate([(cell.changed - cell.truth).reshape(-1, PARTIALS) for cell in cells]))
    error = np.concatenate([cell.event - cell.truth for cell in cells])
    columns = [spread, width(error), width(error) / spread, np.nanmean(error, axis=0)]
    print(f"{name:>8} | " + " | ".join(" ".join(f"{value:5.1f}" for value in column) for column in columns))


def width(errors: np.ndarray) -> np.ndarray:
    """What 68 % of the errors stay within."""
    return np.asarray(np.nanpercentile(np.abs(errors), 68.0, axis=0))


if __name__ == "__main__":
    main()
