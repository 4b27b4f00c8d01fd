"""`tinewright map`: a picture, whole or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.vibration.quarrels import find_quarrels, loaded_shapes
from synth.vibration.tuning import tune
from synth.workshop.map import draw_map

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"


@pytest.fixture(autouse=True)
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "kept"))


def test_it_writes_a_png(tmp_path: Path) -> None:
    output = tmp_path / "map.png"
    assert run(["map", str(DESIGN), "-o", str(output)]) == 0
    data = output.read_bytes()
    assert data.startswith(b"\x89PNG")
    assert len(data) > 20_000


def test_another_kind_of_file_is_refused_and_not_begun(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "map.jpgg"
    assert run(["map", str(DESIGN), "-o", str(output)]) == 2
    assert not output.exists()
    assert ".png, .svg or .pdf" in capsys.readouterr().err


def test_tines_stand_where_they_are_at_the_pitch_they_have_and_quarrels_are_marked_there() -> None:
    instrument = resolve(load(DESIGN))
    row = tune(instrument)
    quarrels = find_quarrels(instrument, row)
    shapes, _ = loaded_shapes(instrument, row)
    figure = draw_map(instrument, row, quarrels, shapes)
    above, below = figure.axes
    first = above.lines[0].get_xydata()
    expected = [(tine.position * 1e3, hz) for tine, hz in zip(instrument.tines, row.mounted_hz, strict=True)]
    np.testing.assert_allclose(first, expected)
    rings = [each for each in above.collections if each.get_label() == "quarrels"]
    marked = rings[0].get_offsets() if rings else np.zeros((0, 2))
    assert len(marked) == len(quarrels)
    for mark, quarrel in zip(marked, quarrels, strict=True):
        np.testing.assert_allclose(mark, (instrument.tines[quarrel.tine].position * 1e3, quarrel.partial_hz))
    assert below.get_xlabel() == "mm along the bar"
