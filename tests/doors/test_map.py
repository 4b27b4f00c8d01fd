"""`tinewright map`: a picture, whole or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.units import note_name
from synth.vibration.quarrels import find_quarrels, loaded_shapes
from synth.vibration.tuning import tune
from synth.workshop.map import draw_map
from tests import everyday

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


@pytest.mark.parametrize("seed", range(12))
def test_words_cover_no_point_and_no_other_word(seed: int) -> None:
    assert_clear(everyday.instrument_of(everyday.design_tree(seed)))


@pytest.mark.slow
def test_words_cover_nothing_on_a_bar_of_168_tines() -> None:
    """24 groups of seven on 2.5 m."""
    recipe = {"members": ["1/1", "1/1", "3/2", "2/1", "2/1", "3/1", "4/1"]}
    groups = [
        {"name": f"group {n}", "root_hz": 146.83 * 2 ** (n / 12), "recipe": "full", "stock": "M3",
         "start_mm": 40.0 + 100.0 * n, "spacing_mm": 12.0}
        for n in range(24)
    ]  # fmt: skip
    section = {"shape": "rectangle", "width_mm": 30.0, "height_mm": 30.0}
    supports = [{"at_mm": 560.0, "kind": "cord"}, {"at_mm": 1940.0, "kind": "cord"}]
    bar = {"section": section, "path": [{"straight_mm": 2500.0}], "supports": supports}
    instrument = everyday.instrument_of({"bar": bar, "recipe": {"full": recipe}, "group": groups})
    assert len(instrument.tines) == 168
    assert_clear(instrument)


def assert_clear(instrument: Instrument) -> None:
    row = tune(instrument)
    shapes, _ = loaded_shapes(instrument, row)
    quarrels = find_quarrels(instrument, row)
    figure = draw_map(instrument, row, quarrels, shapes)
    above, _ = figure.axes
    figure.draw_without_rendering()
    names = [
        each for each in [*above.texts, *above.get_yticklabels()] if each.get_visible() and each.get_text()
    ]
    boxes = [(each.get_text(), Text.get_window_extent(each)) for each in names]
    paper = figure.bbox
    points = np.concatenate([above.transData.transform(line.get_xydata()) for line in above.lines])
    half = 2.0 * figure.dpi / 72.0  # of a mark of 4 points
    for n, (words, box) in enumerate(boxes):
        assert min(box.x0 - paper.x0, paper.x1 - box.x1, box.y0 - paper.y0, paper.y1 - box.y1) >= 0.0, words
        for other, its in boxes[n + 1 :]:
            assert box.x1 <= its.x0 or its.x1 <= box.x0 or box.y1 <= its.y0 or its.y1 <= box.y0, (
                words,
                other,
            )
        over = (
            np.abs(points - box.get_points().mean(axis=0)) < [box.width / 2 + half, box.height / 2 + half]
        ).all(axis=1)
        assert not over.any(), words
    said = [words for words, _ in boxes]
    assert all(group.name in said for group in instrument.groups)
    worst = {each.bar_mode for each in quarrels[:3]}
    low, high = above.get_ylim()
    for mode in worst:
        hz = shapes.frequency[mode]
        assert not low < hz < high or f"bar mode {mode + 1}: {hz:.1f} Hz" in said
    assert any(
        words.startswith(f"{note_name(hz, instrument.a4)[0]}  {hz:.0f}")
        for words in said
        for hz in above.get_yticks()
    )
