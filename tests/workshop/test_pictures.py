"""What pictures draw is what they are given, in the units of their axes."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.instrument import Nut, PlacedNut, TrimWish
from synth.sound.board_forecast import BoardEffect
from synth.sound.boardsheet import BoardSheet
from synth.workshop.boardplot import draw_board
from synth.workshop.trimplot import _panel

F = np.array([50.0, 500.0, 5000.0])


@pytest.fixture
def sheet():
    mobility = np.array([[1e-3, 2e-3 + 1e-3j, 3e-3], [4e-3, 5e-3, 6e-3j]])
    level = np.array([[70.0, 75.0, 60.0], [71.0, 66.0, 61.0]])
    return BoardSheet(F, mobility, level, 400.0, 5000.0, 1800.0, np.array([90.0]), np.array([0.4]), None)


def heights(axes):
    return [bar.get_height() for bar in axes.patches]


def curves(axes):
    return {line.get_label(): np.asarray(line.get_ydata(), float) for line in axes.lines}


def test_the_picture_of_a_board_shows_each_foot_in_mm_per_newton_and_decibels_and_each_group_s_change(sheet):
    table = [
        BoardEffect("low", 110.0, 60.0, 31.0, 2.0, 0.8),
        BoardEffect("high", 440.0, 66.0, 24.0, 1.0, 0.35),
    ]
    figure = draw_board(SimpleNamespace(name="one", file=""), "lid", sheet, table)
    yields, radiates, groups, ring = figure.axes
    for n, foot in enumerate(("foot 1", "foot 2")):
        np.testing.assert_allclose(curves(yields)[foot], 1e3 * np.abs(sheet.mobility[n]))
        np.testing.assert_allclose(curves(radiates)[foot], sheet.level[n])
    np.testing.assert_allclose(curves(yields)["endless sheet"], 1e3 / 400.0)
    assert heights(groups) == [31.0, 24.0]
    assert heights(ring) == [0.8, 0.35]
    assert [each.get_text() for each in groups.get_xticklabels()] == ["low\n110 Hz", "high\n440 Hz"]


@pytest.mark.parametrize(("count", "name"), [(3, "low"), (14, "the group of the eastern quay"), (60, "C#4")])
def test_names_under_a_board_s_bars_and_its_title_cover_nothing_and_are_whole(sheet, count, name):
    """Long names lay over one another, and a long title ran off both edges."""
    table = [BoardEffect(f"{name} {n}", 110.0 + n, 60.0, 31.0, 2.0, 0.8) for n in range(count)]
    title = (
        "An instrument for the eastern harbour wall, second version, with all the groups that were asked for"
    )
    figure = draw_board(SimpleNamespace(name=title, file=""), "lid", sheet, table)
    figure.draw_without_rendering()
    words = [each for each in figure.axes[2].get_xticklabels() if each.get_text()]
    assert len(words) == count
    boxes = [each.get_window_extent() for each in words]
    assert all(a.x1 <= b.x0 for a, b in pairwise(boxes))
    for box in (*boxes, figure.texts[0].get_window_extent()):
        assert min(box.x0, box.y0) >= 0.0
        assert box.x1 <= figure.bbox.x1
        assert box.y1 <= figure.bbox.y1


def test_the_picture_of_a_trim_shows_ratio_over_height_in_mm_and_marks_every_way():
    from matplotlib.figure import Figure

    nut = Nut("M4 hex", 7e-4, 3e-3, 7e-3, 3e-9, 0.0, "M4")

    def way(at):
        return SimpleNamespace(nuts=(PlacedNut(nut, at),), locked=False)

    curve = SimpleNamespace(nuts=(nut,), height=np.array([0.02, 0.05]), ratio=np.array([6.1, 5.8]))
    trimming = SimpleNamespace(
        tine=0, wish=TrimWish(2, 6.0, nut), curves=(curve,), without=6.27,
        solutions=(way(0.03), way(0.07), way(0.0715)),
    )  # fmt: skip
    instrument = SimpleNamespace(
        tines=(SimpleNamespace(group=0, number=4),),
        groups=(SimpleNamespace(name="low"),),
        bench=SimpleNamespace(units="mm"),
    )
    axes = Figure().subplots()
    _panel(axes, instrument, trimming)
    drawn, wished, first, second, third, without = axes.lines
    np.testing.assert_allclose(drawn.get_xydata(), [[20.0, 6.1], [50.0, 5.8]])
    assert set(wished.get_ydata()) == {6.0}
    assert set(without.get_ydata()) == {6.27}
    marks = [each.get_xydata()[0] for each in (first, second, third)]
    np.testing.assert_allclose(marks, [[30.0, 6.0], [70.0, 6.0], [71.5, 6.0]])
    assert [each.get_text() for each in axes.texts] == [
        "1",
        "2",
    ]  # 1.5 mm off, a number would cover the other
    assert axes.get_title() == "low, tine 4"
