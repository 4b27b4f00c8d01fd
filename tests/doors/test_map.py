"""`tinewright map`: a picture, whole or not at all."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.text import Text

from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.units import note_name
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import find_quarrels, loaded_shapes
from synth.vibration.tuning import tune
from synth.workshop.labels import Box
from synth.workshop.map import MOTIONS, _free, _strongest, _width, draw_map
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
    row = tune(instrument, mounting(instrument))
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


def test_a_bar_mode_far_below_the_lowest_tine_that_quarrels_is_not_named_where_no_line_is(
    tmp_path: Path,
) -> None:
    """A U whose lowest tine sounds at 73.4 Hz quarrels with a mode at 58.7: a name stood there without a line."""
    scale = ["--scale", "D minor pentatonic", "--from", "D2", "--to", "C4"]
    instrument = everyday.drafted(tmp_path, *scale, "--tines", "7", "--shape", "u")
    row = tune(instrument)
    lowest = min(each.bar_hz for each in find_quarrels(instrument, row))
    assert lowest < 0.8 * row.mounted_hz.min()
    assert_clear(instrument)


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


def test_a_long_title_is_whole_on_the_map_and_clear_of_its_legend() -> None:
    tree = everyday.design_tree(3) | {
        "name": "An instrument for the eastern harbour wall, " + 6 * "once again, "
    }
    instrument = everyday.instrument_of(tree)
    row = tune(instrument)
    figure = draw_map(instrument, row, find_quarrels(instrument, row), loaded_shapes(instrument, row)[0])
    figure.draw_without_rendering()
    (title,) = [each for each in figure.texts if each.get_text().startswith("An instrument")]
    box, legend = title.get_window_extent(), figure.axes[0].get_legend()
    assert legend is not None
    assert box.x0 >= 0.0
    assert box.x1 <= figure.bbox.x1
    assert box.y0 > legend.get_window_extent().y1
    assert title.get_text().replace("\n", " ").endswith("again, : tines and bar")


def assert_clear(instrument: Instrument) -> None:
    row = tune(instrument)
    shapes, _ = loaded_shapes(instrument, row)
    quarrels = find_quarrels(instrument, row)
    figure = draw_map(instrument, row, quarrels, shapes)
    above, below = figure.axes
    figure.draw_without_rendering()
    for axes in (above, below):
        legend = axes.get_legend()
        assert legend is not None
        box = legend.get_window_extent()
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1, [each.get_text() for each in legend.get_texts()]
        assert box.y0 >= 0.0
        assert box.y1 <= figure.bbox.y1
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
    (lines,) = [each for each in above.collections if isinstance(each, LineCollection)]
    lined = {f"{segment[0, 1]:.1f}" for segment in lines.get_segments()}
    named = [match[1] for words in said if (match := re.fullmatch(r"bar mode \d+ at ([\d.]+) Hz", words))]
    assert set(named) <= lined  # a name without its line points at nothing
    worst = {each.bar_mode for each in quarrels[:3]}
    low, high = above.get_ylim()
    for mode in worst:
        hz = shapes.frequency[mode]
        assert not low < hz < high or f"bar mode {mode + 1} at {hz:.1f} Hz" in said
    assert any(
        words.startswith(f"{note_name(hz, instrument.a4)[0]}  {hz:.0f}")
        for words in said
        for hz in above.get_yticks()
    )


FLAT = """
[bench]
units = "{units}"
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [{{ straight_mm = 400.0 }}]
supports = [{{ at_mm = 50.0, kind = "rubber" }}, {{ at_mm = 330.0, kind = "cord" }}]
[[group]]
name = "low"
stock = "M4"
start_mm = 90.0
spacing_mm = 20.0
tine = [{{ free_length_mm = 150.0 }}, {{ free_length_mm = 120.0 }}]
[[group]]
name = "high"
stock = "M3"
start_mm = 250.0
tine = [{{ free_length_mm = 60.0 }}]
"""


@pytest.mark.parametrize(("units", "unit"), [("mm", 1.0), ("inch", 25.4)])
def test_places_modes_and_motions_of_a_flat_bar_stand_in_the_unit_of_the_bench(
    units: str, unit: float
) -> None:
    instrument = everyday.instrument_of(tomllib.loads(FLAT.format(units=units)))
    row = tune(instrument, mounting(instrument))
    quarrels = find_quarrels(instrument, row)
    shapes, _ = loaded_shapes(instrument, row)
    figure = draw_map(instrument, row, quarrels, shapes)
    above, below = figure.axes
    places = np.array([90.0, 110.0, 250.0]) / unit
    for partial in range(3):
        drawn = above.lines[partial].get_xydata()
        hz = row.mounted_hz if partial == 0 else row.modes.frequency[:, 0, partial]
        np.testing.assert_allclose(drawn, np.column_stack([places, hz])[row.modes.exists[:, partial]])
    assert above.get_xlim() == pytest.approx((-4.0 / unit, 404.0 / unit))
    level = next(each for each in above.collections if each.get_label() == "bar modes")
    assert isinstance(level, LineCollection)
    ends = np.array(list(level.get_segments()))
    np.testing.assert_allclose(ends[:, :, 0], [[0.0, 400.0 / unit]] * len(ends))
    shown = [hz for hz in shapes.frequency if 0.8 * row.mounted_hz.min() < hz < ends[-1, 0, 1] + 1.0]
    np.testing.assert_allclose(ends[:, 0, 1], shown)
    (marks,) = (each for each in above.collections if each.get_label() == "quarrels")
    assert isinstance(marks, PathCollection)
    np.testing.assert_allclose(marks.get_sizes(), 40.0 * np.sqrt([each.severity for each in quarrels]))
    supports = [line.get_xydata()[0, 0] for line in below.lines if line.get_marker() == "^"]
    assert supports == pytest.approx([50.0 / unit, 330.0 / unit])
    assert below.get_xlabel() == f"{'mm' if units == 'mm' else 'in'} along the bar"
    worst: dict[int, float] = {}
    for each in quarrels:
        worst[each.bar_mode] = worst.get(each.bar_mode, 0.0) + each.severity
    chosen = sorted(sorted(worst, key=lambda mode: -worst[mode])[:6])
    curves = [line for line in below.lines if "mode" in str(line.get_label())]
    assert len(curves) == len(chosen)
    for line, mode in zip(curves, chosen, strict=True):
        x, y, z, turn, *_ = shapes.motion[:, :, mode].T  # a straight bar: its own axes are the room's
        all_four = {"along": x, "sideways": y, "up and down": z, "twisting": 0.030 * turn}  # half its width
        name = max(all_four, key=lambda each: np.abs(all_four[each]).max())
        own = all_four[name]
        assert str(line.get_label()).endswith(f", {name}")
        np.testing.assert_allclose(line.get_xdata(), 1e3 * shapes.position / unit)
        np.testing.assert_allclose(line.get_ydata(), own / own[np.argmax(np.abs(own))])


def test_a_twist_counts_by_what_it_moves_at_the_bars_edge() -> None:
    """Half the greater side from the axis, 30 mm: 0.8 up and down is more than 0.6 there, and less than 1.0."""
    instrument = everyday.instrument_of(tomllib.loads(FLAT.format(units="mm")))
    shapes, _ = loaded_shapes(instrument, tune(instrument))
    for edge, name in ((0.6, "up and down"), (1.0, "twisting")):
        motion = np.zeros_like(shapes.motion[:, :, :1])
        motion[3, 2], motion[5, 3] = 0.8, edge / 0.030
        found, shape = _strongest(instrument, replace(shapes, motion=motion), 0)
        assert (MOTIONS[found], int(np.argmax(shape))) == (name, 3 if name == "up and down" else 5)


def test_words_of_a_quarrel_go_to_the_nearest_free_place_round_its_ring() -> None:
    inside = Box(0.0, 0.0, 400.0, 300.0)
    move = _free("1: +13 cents", (200.0, 150.0, 6.0), [], inside)
    assert move == pytest.approx((6.0 * np.sqrt(0.5), 6.0 * np.sqrt(0.5)))  # at the upper right, on the ring
    wide, high = _width("1: +13 cents"), 7.0 * 1.4
    right = Box(200.0, 0.0, 400.0, 300.0)
    to_left = _free("1: +13 cents", (200.0, 150.0, 6.0), [right], inside)
    assert to_left is not None
    own = Box(200.0 + to_left[0], 150.0 + to_left[1], 200.0 + to_left[0] + wide, 150.0 + to_left[1] + high)
    assert not own.meets(right)
    assert own.right > 190.0  # no further than it must
    corner = _free("1: +13 cents", (398.0, 298.0, 2.0), [], inside)
    assert corner is not None
    assert corner[0] + wide < 2.0
    assert corner[1] + high < 2.0
    assert _free("1: +13 cents", (200.0, 150.0, 6.0), [inside], inside) is None
