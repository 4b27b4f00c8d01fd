"""Paths of keys: what each step leads to, by number and by name, quoted or not, in either unit."""

from __future__ import annotations

from typing import Any

import pytest

from synth.design.key_path import last_key, steps
from synth.errors import InputError

TREE: dict[str, Any] = {
    "bar": {"section": {"shape": "round", "width_in": 1.0, "height_mm": 12.0}, "path": [{"straight_mm": 500.0}]},
    "stock": {"M3.cut": {"kind": "threaded"}, "it's": {"kind": "plain"}, 'say "a"': {"kind": "plain"}},
    "group": [
        {"name": "D3", "start_in": 2.0, "tine": [{"pitch": "D3"}, {"pitch": "A3", "trim": [{"nut": "M3 hex"}]}]},
        {"name": "1", "start_mm": 90.0},
        {"name": "7", "start_mm": 150.0},
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("path", "way"),
    [
        ("bar.section.width_mm", ("bar", "section", "width_in")),
        ("bar.section.width_in", ("bar", "section", "width_in")),
        ("bar.section.height_in", ("bar", "section", "height_mm")),
        ("bar.path[1].straight_mm", ("bar", "path", 0, "straight_mm")),
        ("stock.'M3.cut'.kind", ("stock", "M3.cut", "kind")),
        ('stock."M3.cut".kind', ("stock", "M3.cut", "kind")),
        ('stock."it\'s".kind', ("stock", "it's", "kind")),
        (r'stock."say \"a\"".kind', ("stock", 'say "a"', "kind")),
        ("group[1].start_mm", ("group", 0, "start_in")),
        ("group[2].start_mm", ("group", 1, "start_mm")),
        ('group["1"].start_mm', ("group", 1, "start_mm")),  # the one whose name is 1
        ("group['7'].name", ("group", 2, "name")),
        ("group[d3].name", ("group", 0, "name")),
        ("group[ D3 ].tine[2].trim[1].nut", ("group", 0, "tine", 1, "trim", 0, "nut")),
        ("group[D3].tine[2].trim[+].nut", ("group", 0, "tine", 1, "trim", 1, "nut")),
        ("group[D3].tine[3].pitch", ("group", 0, "tine", 2, "pitch")),  # one past the end is new
        ("group[+].name", ("group", 3, "name")),
        ("group[4].name", ("group", 3, "name")),
        ("listener.distance_m", ("listener", "distance_m")),
    ],
)
def test_a_path_leads_step_by_step_to_its_key(path: str, way: tuple[str | int, ...]) -> None:
    assert steps(path, TREE) == way


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("group[5].name", "group: there is no entry 5; it has 3"),
        ("group[0].name", "group: there is no entry 0; it has 3"),
        ('group["2"].name', "group: there is no '2'"),
        ("group[D3].tine[4].pitch", r"group\[D3\].tine: there is no entry 4; it has 2"),
        ("bar.section.width", r"bar.section: 'width' lacks its unit"),
        ("bar[1]", "nothing is called '1' there; end the path before it"),
        ("group.name", r"group: nothing is called 'name' there; write group\[1\]"),
        ("bar..path", "is not the path of a key"),
        ("", "is not the path of a key"),
    ],
)
def test_a_path_that_leads_nowhere_is_told_where_it_ends(path: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        steps(path, TREE)


def test_the_last_key_is_told_as_it_is_named() -> None:
    assert last_key("bar.section.width_in") == "width_in"
    assert last_key("stock.'M3.cut'") == "M3.cut"
    assert last_key("group[D3].tine[2]") == "2"


def test_a_table_that_goes_by_its_name_is_named_behind_a_point() -> None:
    with pytest.raises(InputError, match=r"nothing is called 'trio' there; write recipe\.trio"):
        steps("recipe[trio].members[2]", {"recipe": {"trio": {"members": ["1/1", "3/2"]}}})
