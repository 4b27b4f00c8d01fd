"""Names are found by one rule: as written, or in other capitals where that leaves one; else the nearest is told."""

from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from synth.design import schema
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli.bench import find_tine
from synth.errors import InputError, named
from synth.playing.script import Entry, Script, schedule
from synth.vibration import plate
from synth.workshop import tiling

RAIL = Path(__file__).resolve().parents[2] / "designs" / "quay-rail.toml"


@pytest.fixture(scope="module")
def rail():
    return resolve(load(RAIL), "rail.toml")


def test_names_are_found_in_other_capitals(rail):
    assert rail.group("d3").name == "D3"
    assert rail.groups[rail.group_index("f3")].name == "F3"
    assert rail.stick("BRASS") is rail.sticks["brass"]
    assert rail.board("Panel") is rail.boards["panel"]
    assert [rail.listening(each) for each in ("Bar", "PICKUP", "Box")] == ["bar", "pickup", "box"]


def test_a_name_as_written_goes_before_other_capitals():
    assert named("ab", ["AB", "ab", "Ab"], "no") == "ab"
    assert named("aB", ["x", "Ab"], "no") == "Ab"


def test_other_capitals_that_leave_two_are_refused_with_both():
    with pytest.raises(InputError) as caught:
        named("aB", ["AB", "ab", "c"], "there is no rod")
    assert str(caught.value) == "there is no rod 'aB'; write it as one of AB, ab"


@pytest.mark.parametrize(
    ("find", "name", "said"),
    [
        ("group", "D33", "there is no group 'D33'; did you mean 'D3'? have A2, A3,"),
        ("stick", "bras", "there is no stick 'bras'; did you mean 'brass'? have bamboo,"),
        ("board", "pannel", "there is no board 'pannel'; did you mean 'panel'? have box,"),
        ("listening", "pikup", "nothing is heard through 'pikup'; did you mean 'pickup'? have bar,"),
    ],
)
def test_what_is_not_there_is_refused_with_the_nearest_name_and_its_place(rail, find, name, said):
    with pytest.raises(InputError) as caught:
        getattr(rail, find)(name)
    assert str(caught.value).startswith(f"rail.toml: {said}")
    with pytest.raises(InputError) as caught:
        getattr(rail, find)(name, location="stroke[3].there")
    assert str(caught.value).startswith(f"stroke[3].there: {said}")


def test_a_board_and_what_is_heard_without_one_do_not_meet(rail):
    with pytest.raises(InputError):
        rail.board("pickup")


def test_scripts_follow_the_rule(rail):
    script = Script(stroke=[Entry(at_s=0.0, group="d3", stick="Brass", through="PANEL")])
    (played,) = schedule(script, rail).played
    assert (rail.groups[played.event.group].name, played.event.stick.name, played.through) == (
        "D3",
        "brass",
        "panel",
    )


def test_two_groups_that_differ_in_capitals_are_each_found_as_written(rail):
    groups = (replace(rail.groups[0], name="d3"), *rail.groups)
    both = replace(rail, groups=groups)
    assert both.group_index("d3") == 0
    assert both.groups[both.group_index("D3")] is rail.group("D3")


def test_rooms_that_know_no_design_offer_the_same_words_as_its_keys():
    assert get_args(plate.Edge) == get_args(schema.Edges)
    assert get_args(tiling.PaperName) == get_args(schema.Paper)


def test_a_tine_that_is_not_there_is_refused_with_the_nearest(rail):
    assert find_tine(rail, "d3.2") == rail.group("D3").first + 1
    with pytest.raises(
        InputError, match=r"there is no tine 'D33\.2'; did you mean 'D3\.2'\? write GROUP\.N, as "
    ):
        find_tine(rail, "D33.2")
