"""What a stroke's contact costs: against one step at a time, and as a share of the time that the stick takes.

    .venv/bin/python scripts/bench_contact.py

For strokes of a row of nine tines it prints processor milliseconds of the compiled contact as it is, of the same
kernel that takes no quiet steps (both in turns in one run, the least of several), their ratio, and the share of
real time. The last line is what a keyboard asks for at its softest: twenty strokes a second at MIDI velocity 1.
"""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import numpy as np

from synth.design.file import load
from synth.design.instrument import FixedLength, Instrument
from synth.design.resolve import resolve
from synth.playing.contact.arrays import InitialState
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT, ContactResolution
from synth.playing.contact.run import sweep
from synth.playing.contact.stick import stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.midi_mapping import speed_of_velocity
from synth.playing.stroke import Stroke
from synth.vibration.tine import TineModes, solve_tines

ROW = Path(__file__).resolve().parent.parent / "tests" / "data" / "contact-row.toml"
TINES, SPACING = 9, 0.012
SPEEDS = (0.02, 0.05, speed_of_velocity(1), 0.3, 0.6, 1.0, 3.0)
RUNS = 5
STEPWISE = dataclasses.replace(EVENT, quiet_steps=1)


def main() -> None:
    instrument = resolve(load(ROW), str(ROW))
    lengths = np.linspace(0.130, 0.060, TINES)
    row = [
        dataclasses.replace(
            instrument.tines[0], number=k + 1, goal=FixedLength(length), position=0.09 + SPACING * k
        )
        for k, length in enumerate(lengths)
    ]
    group = dataclasses.replace(instrument.groups[0], count=TINES)
    instrument = dataclasses.replace(instrument, tines=tuple(row), groups=(group,))
    tines = solve_tines(row, lengths, [()] * TINES)
    print("stick  mm/s   ms   one by one   ratio   share of real time")
    for name in ("wood", "nylon", "brass"):
        for each in SPEEDS:
            stroke = Stroke(0, instrument.sticks[name], speed=each)
            quiet, plain = least(stroke, instrument, tines)
            share = quiet / (TINES * SPACING / each)
            print(
                f"{name:6} {each * 1e3:5.0f} {quiet * 1e3:6.1f} {plain * 1e3:8.1f} {plain / quiet:8.2f} "
                f"{share:8.1%}"
            )
            if each == SPEEDS[2]:
                print(f"       twenty such strokes a second: {20.0 * quiet:.0%} of a core")


def least(stroke: Stroke, instrument: Instrument, tines: TineModes) -> tuple[float, float]:
    """Processor seconds of a stroke with quiet steps and without, the least of several in turns."""
    times: dict[bool, list[float]] = {True: [], False: []}
    for _ in range(RUNS):
        for quiet, resolution in ((True, EVENT), (False, STEPWISE)):
            begun = time.process_time()
            run(stroke, instrument, tines, resolution)
            times[quiet].append(time.process_time() - begun)
    return min(times[True]), min(times[False])


def run(stroke: Stroke, instrument: Instrument, tines: TineModes, resolution: ContactResolution) -> None:
    way = passage(stroke, instrument, tines.frequency[:, 0, 0])
    tip = tips(tines, way.tine, depth=0.0, count=resolution.tine_modes)
    stick = stick_modes(
        stroke.stick, tilt=stroke.tilt, skew=0.0, beam_modes=resolution.beam_modes, whole=resolution.whole
    )
    rest = InitialState(np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape), np.zeros(TINES))
    sweep(stroke, way, tip, stick, rest, resolution, leaves=TINES * SPACING / stroke.speed)


if __name__ == "__main__":
    main()
