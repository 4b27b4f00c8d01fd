"""An example in Python: the admittance of a board at its feet, with the tines' pitches on it.

`python scripts/example_admittance.py [DESIGN] [--board panel] -o PICTURE` draws how fast each foot yields to a
newton over frequency, a line at every tine's pitch, and prints CSV: each tine's pitch and what the feet do
there. A tine at a peak is loud and dies early; one in a trough is quiet and rings.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

import synth

DESIGNS = Path(__file__).resolve().parent.parent / "designs"
FREQUENCY_HZ = np.geomspace(40.0, 2000.0, 2000)


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("design", nargs="?", default=DESIGNS / "quay-rail.toml")
    parser.add_argument("--board", default="panel")
    parser.add_argument("-o", "--output", type=Path, required=True)
    told = parser.parse_args(words)
    design = synth.open(told.design)
    board, modes = design.board(told.board), design.modes()
    draw(board, modes.mounted_hz, title=f"{design.name}: {told.board}").savefig(told.output, dpi=130)
    writer = csv.writer(sys.stdout, lineterminator="\n")
    at = yields(board, modes.mounted_hz)
    writer.writerow(["tine", "pitch_hz", *(f"foot_{foot}_mm_s_n" for foot in range(1, len(at) + 1))])
    for name, hz, each in zip(modes.tines, modes.mounted_hz, at.T, strict=True):
        writer.writerow([name, round(hz, 2), *(f"{value:.4g}" for value in each)])
    return 0


def yields(board: synth.HeardBoard, frequency_hz: np.ndarray) -> np.ndarray:
    """How fast each foot moves per newton at that foot, (J, F) in mm/s/N."""
    return 1e3 * np.abs(np.diagonal(board.mobility(frequency_hz)).T)


def draw(board: synth.HeardBoard, pitch_hz: np.ndarray, *, title: str) -> Figure:
    """Both curves over frequency, the pitches as thin lines."""
    figure = Figure(figsize=(10.0, 5.0), layout="constrained")
    axes = figure.subplots()
    for hz in np.unique(np.round(pitch_hz, 1)):
        axes.axvline(hz, color="0.8", lw=0.8)
    for foot, curve in enumerate(yields(board, FREQUENCY_HZ), start=1):
        axes.loglog(FREQUENCY_HZ, curve, lw=1.0, label=f"foot {foot}")
    axes.set(title=title, xlabel="Hz; grey: the tines' pitches", ylabel="admittance, mm/s per N")
    axes.legend()
    return figure


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
