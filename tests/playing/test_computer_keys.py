"""The computer's keys: groups in their order, both senses, palms, speeds, sticks."""

from pathlib import Path

import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.computer_keys import HomeRow
from synth.playing.stroke import Hold

DESIGNS = Path(__file__).parents[2] / "designs"


@pytest.fixture(scope="module")
def rail():
    return resolve(load(DESIGNS / "quay-rail.toml"))


@pytest.fixture(scope="module")
def hoop():
    return resolve(load(DESIGNS / "lantern-hoop.toml"))


def test_the_home_row_strokes_the_groups_in_their_order_and_shift_backward(rail):
    row = HomeRow(rail)
    strokes = [row.receive(key, 1.5)[0] for key in "asdfghj"]
    assert [each.group for each in strokes] == list(range(7))
    assert {(each.start, each.direction) for each in strokes} == {(1.5, "forward")}
    assert row.receive("A", 2.0)[0].direction == "backward"
    assert row.receive("k", 2.0) == []  # an eighth group there is not


def test_the_row_below_lays_palms_and_space_lays_them_on_all(rail):
    row = HomeRow(rail)
    assert row.receive("c", 1.0) == [Hold(group=2, start=1.0, seconds=0.3, by="palm")]
    assert [each.group for each in row.receive(" ", 1.0)] == list(range(7))


def test_figures_set_the_speed_in_equal_ratios(rail):
    row = HomeRow(rail)
    speeds = []
    for key in "159":
        assert row.receive(key, 0.0) == []
        speeds.append(row.receive("a", 0.0)[0].speed)
    assert speeds == pytest.approx([0.1, 0.1 * 30**0.5, 3.0])


def test_tab_takes_the_next_stick_round_and_round(rail):
    row = HomeRow(rail)
    names = []
    for _ in range(len(rail.sticks) + 1):
        names.append(row.receive("a", 0.0)[0].stick.name)
        row.receive("\t", 0.0)
    assert names == [*rail.sticks, next(iter(rail.sticks))]


def test_keys_move_on_to_groups_further_along_and_back(hoop):
    row = HomeRow(hoop)
    row.receive("=", 0.0)
    assert row.receive("'", 0.0)[0].group == len(hoop.groups) - 1
    row.receive("-", 0.0)
    assert row.receive("a", 0.0)[0].group == 0


def test_keys_without_a_meaning_do_nothing(rail):
    assert [HomeRow(rail).receive(key, 0.0) for key in "€q\n"] == [[], [], []]
