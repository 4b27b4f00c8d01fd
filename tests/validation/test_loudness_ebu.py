"""The loudness meter against ITU-R BS.1770's anchor and EBU Tech 3341, Table 1, cases 1 to 6: tests/data."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest

from synth.sound.loudness import integrated

TABLE = Path(__file__).parents[1] / "data" / "loudness_checks.csv"
RATE = 48_000


def rows() -> dict[str, dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {row["case"]: row for row in csv.DictReader(file) if row["quantity"] == "BS.1770 loudness"}


def tone(parts: list[tuple[float, float]], frequency: float = 1000.0) -> np.ndarray:
    """Parts of (dBFS peak, seconds), phase going on."""
    level = np.concatenate([np.full(round(seconds * RATE), 10.0 ** (db / 20.0)) for db, seconds in parts])
    return level * np.sin(2.0 * math.pi * frequency * np.arange(len(level)) / RATE)


STEREO = {
    "3341-1": [(-23.0, 20.0)],
    "3341-2": [(-33.0, 20.0)],
    "3341-3": [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)],
    "3341-4": [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)],
    "3341-5": [(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)],
}


def row(start: str) -> dict[str, str]:
    return next(each for case, each in rows().items() if case.startswith(start))


@pytest.mark.parametrize("case", list(STEREO))
def test_the_stereo_cases_read_as_the_standard_says(case):
    sound = np.tile(tone(STEREO[case]), (2, 1))
    assert integrated(sound, RATE) == pytest.approx(float(row(case)["reference"]), abs=0.1)


def test_the_surround_case_reads_as_the_standard_says():
    levels = [-28.0, -28.0, -24.0, -30.0, -30.0]
    sound = np.stack([tone([(level, 20.0)]) for level in levels])
    assert integrated(sound, RATE) == pytest.approx(float(row("3341-6")["reference"]), abs=0.1)


def test_the_anchor_reads_as_the_standard_says():
    mono = tone([(0.0, 20.0)], 997.0)[None]
    assert integrated(mono, RATE) == pytest.approx(float(row("mono 997 Hz")["reference"]), abs=0.1)


@pytest.mark.parametrize("case", [case for case in rows() if case.startswith("mono sine")])
def test_the_k_curve_is_that_of_the_standard(case):
    frequency = float(re.search(r"([\d.]+) Hz", case)[1])
    found = integrated(tone([(0.0, 5.0)], frequency)[None], RATE)
    assert found == pytest.approx(float(rows()[case]["computed"]), abs=0.1)


def test_silence_and_scraps_read_as_nothing():
    assert integrated(np.zeros((2, RATE)), RATE) == -math.inf
    assert integrated(np.zeros((2, 10)), RATE) == -math.inf
