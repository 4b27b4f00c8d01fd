"""A flat bar with threaded and plain tines, a wish and a board, for what commands say of it: solved once."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest

from synth.design.change import Change, in_design
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.vibration.quarrels import Quarrel
from synth.vibration.solve import solve_quarrels, solve_row
from synth.vibration.tuning import Row

JACK_RATE = 48_000
DESIGN = """
name = "Slat"
[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 12.0 }
path = [{ straight_mm = 320.0 }]
supports = [{ at_mm = 30.0, kind = "rubber" }, { at_mm = 285.0, kind = "cord" }]
[tines]
split_cents = 6.0
seed = 3
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"
price_per_m = 2.0
[[group]]
name = "low"
stock = "M4"
start_mm = 50.0
spacing_mm = 17.0
[[group.tine]]
free_length_mm = 150.0
[[group.tine]]
free_length_mm = 120.0
trim = [{ nut = "M4 hex", at_mm = 60.0 }]
[[group.tine]]
pitch = "A3"
trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" }
[[group]]
name = "aside"
stock = "rod3"
start_mm = 190.0
spacing_mm = 22.0
face_deg = 90.0
[[group.tine]]
pitch = "D4"
[[group.tine]]
free_length_mm = 90.0
[bench]
stock_length_mm = 400.0
kerf_mm = 1.5
saw_allowance_mm = 1.0
tuning_allowance_mm = 4.0
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 400.0
thickness_mm = 4.0
feet = [ { bar_mm = 90.0, x_mm = 110.0, y_mm = 120.0 }, { bar_mm = 230.0, x_mm = 247.0, y_mm = 130.0 } ]
"""


@dataclass(frozen=True)
class Slat:
    """The design on disk, what it resolves to, and what commands say of it."""

    design: Path

    @cached_property
    def instrument(self) -> Instrument:
        return resolve(load(self.design), str(self.design))

    @cached_property
    def row(self) -> Row:
        return solve_row(self.instrument)

    def quarrels_after(self, change: Change) -> tuple[Quarrel, ...]:
        """The quarrels of the design as its file would be with the change made."""
        changed = resolve(in_design(load(self.design), change), str(self.design))
        return solve_quarrels(changed, solve_row(changed))

    @property
    def names(self) -> list[tuple[str, int]]:
        """Group and number of every tine."""
        return [(self.instrument.groups[tine.group].name, tine.number) for tine in self.instrument.tines]

    def said(self, command: str, *words: object) -> str:
        """What a command prints."""
        with contextlib.redirect_stdout(io.StringIO()) as out:
            assert run([command, str(self.design), *map(str, words)]) == 0
        return out.getvalue()

    def data(self, command: str, *words: object) -> Any:
        return json.loads(self.said(command, *words, "--json"))

    def table(self, command: str, *words: object) -> tuple[str, list[list[str]]]:
        """The heads of the table that begins with "group", in one line, and the words of each row."""
        lines = self.said(command, *words).splitlines()
        start = next(n for n, line in enumerate(lines) if line.split()[:1] == ["group"])
        rows: list[list[str]] = []
        for line in lines[start + 1 :]:
            if not line.strip():
                break
            rows.append(line.split())
        return " ".join(lines[start].split()), rows

    @staticmethod
    def cents(ratio: float) -> float:
        return 1200.0 * math.log2(ratio)


@pytest.fixture(scope="module")
def slat(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Slat]:
    path = tmp_path_factory.mktemp("design") / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TINEWRIGHT_CACHE", str(tmp_path_factory.mktemp("slat-cache")))
        yield Slat(path)


@pytest.fixture
def jack_server(monkeypatch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[bytes]]:
    """A JACK server of our own with the dummy driver, and its name in the environment."""
    if shutil.which("jackd") is None:
        pytest.skip("no JACK server (apt-get install jackd2)")
    try:
        import jack  # noqa: F401 a missing library is an OSError
    except (ImportError, OSError) as missing:
        pytest.skip(f"no JACK-Client: {missing}")
    name = f"tinewright-{os.getpid()}"
    monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
    monkeypatch.setenv("JACK_NO_AUDIO_RESERVATION", "1")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    command = ["jackd", "-n", name, "-R", "-d", "dummy", "-r", str(JACK_RATE), "-p", "256"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        time.sleep(0.5)
        if process.poll() is not None:
            pytest.skip("the JACK server does not start here")
        yield process
        process.terminate()
