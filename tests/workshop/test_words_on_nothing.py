"""Words of a drawing lie on no line, no tine and no other word: their boxes, measured, over many designs."""

import numpy as np
import pytest

from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune
from synth.workshop.bent_template import bent_templates
from synth.workshop.drawing import Circle, Line, Point, Text
from synth.workshop.drawing_sheet import drawing_sheet
from synth.workshop.labels import Box, free_places, leader
from synth.workshop.template import flat_template
from synth.workshop.tiling import tiles
from tests import everyday
from tests.overlaps import box_of, overlaps

PENTATONIC = ["--scale", "D minor pentatonic"]
DRAFTS = {
    "u": [*PENTATONIC, "--from", "D2", "--to", "C4", "--tines", "7", "--shape", "u"],
    "ring": [*PENTATONIC, "--from", "D3", "--to", "C5", "--tines", "5", "--shape", "ring"],
    "flat u": [
        *PENTATONIC,
        "--from",
        "D2",
        "--to",
        "D5",
        "--tines",
        "4",
        "--shape",
        "u",
        "--section",
        "60x10",
    ],
    "inches": [
        *PENTATONIC,
        "--from",
        "D3",
        "--to",
        "C4",
        "--tines",
        "5",
        "--shape",
        "ring",
        "--units",
        "inch",
    ],
    "straight": ["--notes", "D2,A2,D3,F3,G3,A3,C4"],
}
FLAT_IN_INCHES = """
[bench]
units = "inch"
[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }, { bend_deg = 30.0, radius_mm = 80.0 }, { straight_mm = 60.0 }]
[[group]]
name = "up"
stock = "M4"
start_mm = 60.0
tine = [{ free_length_mm = 150.0 }]
"""


def sheets(instrument):
    row = tune(instrument, mounting(instrument))
    for board in [None, *instrument.boards.values()]:
        yield drawing_sheet(instrument, row.length, row.trim, board)


@pytest.mark.parametrize("shape", DRAFTS)
def test_names_and_figures_of_a_drafted_bar_stand_clear_of_all_that_is_drawn(shape, tmp_path):
    """A name stood over another group's tip, one on the leader of another, some on the edges of bar and board."""
    for sheet in sheets(everyday.drafted(tmp_path, *DRAFTS[shape])):
        assert not [*overlaps(sheet.ink)]


@pytest.mark.parametrize(
    "seed", [*range(16), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(16, 60))]
)
def test_names_and_figures_of_an_everyday_bar_stand_clear_of_all_that_is_drawn(seed):
    for sheet in sheets(everyday.instrument_of(everyday.design_tree(seed))):
        assert not [*overlaps(sheet.ink)]


def templates(instrument):
    return [flat_template(instrument), *bent_templates(instrument).values()]


@pytest.mark.parametrize("shape", DRAFTS)
def test_numbers_names_and_places_on_templates_of_a_drafted_bar_stand_clear(shape, tmp_path):
    """The last bend's place stood on the bar's end, which is the same of a ring."""
    for drawing in templates(everyday.drafted(tmp_path, *DRAFTS[shape])):
        assert not [*overlaps(drawing.shapes)]


@pytest.mark.parametrize(
    "seed", [*range(16), 68, 78, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(16, 60))]
)
def test_numbers_names_and_places_on_templates_of_an_everyday_bar_stand_clear(seed):
    """Numbers stood on holes at the seam of a round bar, "below" on the next hole, a bend on a figure."""
    for drawing in templates(everyday.instrument_of(everyday.design_tree(seed))):
        assert not [*overlaps(drawing.shapes)]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_line_of_words_is_whole_on_the_page_where_it_begins(made, bent, paper):
    """Words about many groups ran over the right edge of the page, where they were cut."""
    tine = "tine = [{ free_length_mm = 80.0 }]"
    more = "".join(
        f'[[group]]\nname = "group of the eastern quay {n}"\nstock = "M3"\nstart_mm = {40.0 + 8.0 * n}\n{tine}\n'
        for n in range(9)
    )
    for drawing in templates(made(bent + more)):
        lines = [each for each in drawing.shapes if isinstance(each, Text) and each.height == 3.0]
        words = [each for each in lines if each.at.x == min(one.at.x for one in lines)]
        assert " ".join(each.words for each in words).count("eastern quay") == 9
        for each in words:
            box = box_of(each)
            assert any(
                tile.corner.x < box.left
                and box.right < tile.corner.x + tile.width
                and tile.corner.y < box.low
                and box.high < tile.corner.y + tile.height
                for tile in tiles(drawing, paper)
            )


def test_figures_that_would_touch_step_aside_and_point_at_their_true_places(made, bent):
    """A hole 0.5 mm before the bend line at 100: figures 2.64 mm apart, leaders from 99.5 and 100."""
    drawing = flat_template(made(bent.replace("start_mm = 30.0", "start_mm = 99.5")))
    figures = {
        each.words: each.at.x + 1.1
        for each in drawing.shapes
        if isinstance(each, Text) and each.layer == "dimensions"
    }
    assert figures["100.00"] - figures["99.50"] == pytest.approx(2.64)
    assert figures["100.00"] + figures["99.50"] == pytest.approx(199.5)
    leaders = [each for each in drawing.shapes if isinstance(each, Line) and each.layer == "dimensions"]
    for words, x in (("99.50", 99.5), ("100.00", 100.0)):
        (own,) = [each for each in leaders if each.start.x == pytest.approx(x)]
        assert own.end.x == pytest.approx(figures[words])


def test_a_figure_under_its_line_stands_clear_of_the_next_dimension(made):
    """25/64 in of a flat bar is wider than the 8 mm between the two upright dimensions."""
    (sheet,) = sheets(made(FLAT_IN_INCHES))
    assert "25/64" in [each.words for each in sheet.ink if isinstance(each, Text)]
    assert not [*overlaps(sheet.ink)]


def test_under_a_bent_plan_its_title_stands_clear_of_the_dimension(tmp_path):
    """Two millimetres lay between them."""
    for sheet in sheets(everyday.drafted(tmp_path, *DRAFTS["ring"])):
        (title,) = [each for each in sheet.ink if isinstance(each, Text) and each.words == "Plan, from above"]
        level = [
            each.start.y
            for each in sheet.ink
            if isinstance(each, Line) and each.layer == "dimensions" and each.start.y == each.end.y
            if each.start.x < title.at.x < each.end.x
        ]
        above = min(y for y in level if title.at.y < y < title.at.y + 30.0)
        assert above - (title.at.y + title.height) >= 3.0


def test_an_overlap_is_seen_where_there_is_one():
    """The measure itself: words on words, on a line through them, on an arc; not on what is beside or touches."""
    words = Text("words", Point(10.0, 10.0), 2.0, "MMMM")
    assert [*overlaps([words, Text("words", Point(11.0, 11.0), 2.0, "M")])]
    assert [*overlaps([words, Text("words", Point(11.0, 14.0), 2.0, "M", turn_deg=-90.0)])]
    assert [*overlaps([words, Line("tine", Point(12.0, 0.0), Point(12.0, 10.5))])]
    assert [*overlaps([words, Circle("holes", Point(12.0, 8.0), 3.0)])]
    assert not [*overlaps([words, Text("words", Point(10.0, 12.1), 2.0, "M")])]
    assert not [*overlaps([words, Line("tine", Point(0.0, 9.9), Point(30.0, 9.9))])]
    assert not [*overlaps([words, Circle("holes", Point(12.0, 11.0), 20.0)])]


def test_a_name_keeps_off_the_leader_of_another_and_its_own_leader_off_another_s_name():
    """All names want the place of the first; the second's leader would run over the first's box."""
    box, anchors = Box(0.0, 5.0, 4.0, 8.0), [np.array([10.0, 6.0]), np.array([2.0, 0.0])]
    moves = [(0.0, 0.0), (0.0, 6.0), (8.0, 0.0), (5.0, -4.0)]
    first, second = free_places([(box, moves)] * 2, np.zeros((0, 2, 2)), anchors)
    assert first == box
    # (0, 6): its leader from (2, 0) runs through the first; (8, 0): it lies on the first's leader at y = 6
    assert second == box.moved(5.0, -4.0)
    ((start, end),) = leader(anchors[0], first)
    assert (start.tolist(), end.tolist()) == ([10.0, 6.0], [4.0, 6.0])
    assert not len(leader(np.array([4.7, 6.0]), box))


def test_where_every_place_is_crossed_the_one_least_crossed_is_taken():
    box, moves = Box(0.0, 0.0, 2.0, 1.0), [(0.0, 0.0), (0.0, 2.0)]
    lines = np.array([[[-1.0, y], [9.0, y]] for y in (0.3, 0.6, 2.5)])
    assert free_places([(box, moves)], lines) == [box.moved(0.0, 2.0)]
