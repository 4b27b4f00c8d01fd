"""An example in Python: many strokes of one tine, none like the other, and how its partials scatter.

`python scripts/example_scatter.py [DESIGN] [--group D3] [--strokes 200] [--spread 0.3] [--seed 1]` draws speed,
bite and lean at random, a natural spread of `--spread` each (0: all alike), and prints CSV: for each partial of
the group's lowest tine its level against the first in dB, the middle one of all strokes, and the range of the
middle 80 %.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

import numpy as np

import synth

DESIGNS = Path(__file__).resolve().parent.parent / "designs"
PARTIALS = 4
LISTENED_S = 1.0  # of the ring, from the last touch on
NEAR = 0.02  # of a partial's frequency, either way: the other plane, and what the bar moves it by


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("design", nargs="?", default=DESIGNS / "quay-rail.toml")
    parser.add_argument("--group", default="D3")
    parser.add_argument("--through", default="bar")
    parser.add_argument("--strokes", type=int, default=200)
    parser.add_argument("--spread", type=float, default=0.3)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args(words)
    design = synth.open(told.design)
    partial_hz = lowest_partials(design.modes(), told.group)
    chance = np.random.default_rng(told.seed)
    levels = np.array(
        [partial_levels(random_stroke(design, told, chance), partial_hz) for _ in range(told.strokes)]
    )  # (strokes, partials)
    against_first = levels - levels[:, :1]
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(["partial", "frequency_hz", "median_db", "from_db", "to_db"])
    for number, hz in enumerate(partial_hz):
        low, middle, high = np.percentile(against_first[:, number], [10.0, 50.0, 90.0])
        writer.writerow([number + 1, round(hz, 1), *(f"{each:.2f}" for each in (middle, low, high))])
    return 0


def lowest_partials(modes: synth.Modes, group: str) -> np.ndarray:
    """The first partials of the group's lowest tine, Hz."""
    those = [index for index, name in enumerate(modes.tines) if name.rsplit(".", 1)[0] == group]
    lowest = min(those, key=lambda index: modes.mounted_hz[index])
    return np.asarray(modes.clamped_hz[lowest, 0, :PARTIALS])


def random_stroke(
    design: synth.OpenDesign, told: argparse.Namespace, chance: np.random.Generator
) -> synth.Sound:
    """A stroke whose speed and bite vary by a factor, its lean by as much either way."""
    speed, bite, lean = told.spread * chance.standard_normal(3)
    return design.stroke(
        told.group,
        through=told.through,
        seconds=LISTENED_S + 1.0,
        speed_mm_s=float(np.clip(500.0 * np.exp(speed), 100.0, 2000.0)),
        bite_mm=float(np.clip(2.0 * np.exp(bite), 0.5, 4.0)),
        lean=float(np.clip(lean, -1.0, 1.0)),
    )


def partial_levels(sound: synth.Sound, partial_hz: np.ndarray) -> np.ndarray:
    """The level of each partial in dB re 1 Pa, from the last touch on, by the energy near it in the spectrum."""
    last = max(tine["last_release_s"] for tine in sound.reports[0]["tines"])
    start = round(last * sound.rate_hz)
    ring = sound.pressure_pa[:, start : start + round(LISTENED_S * sound.rate_hz)]
    spectrum = np.abs(np.fft.rfft(ring * np.hanning(ring.shape[1]))) ** 2
    hz = np.fft.rfftfreq(ring.shape[1], 1.0 / sound.rate_hz)
    energy = [spectrum[:, np.abs(hz / each - 1.0) < NEAR].sum() for each in partial_hz]
    return np.asarray(10.0 * np.log10(np.array(energy)))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
