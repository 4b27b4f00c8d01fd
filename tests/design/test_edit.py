"""An edit changes the lines it must, keeps every other byte, and the result says what was meant."""

from __future__ import annotations

import difflib
import os
import random
import tomllib
from pathlib import Path

import pytest
import tomlkit

from synth.design.decode import decode
from synth.design.edit import Edit, backup, edited, edited_design, put
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from tests.everyday import design_tree

TEXT = """\
# my words
[bar]                          # the heavy one
section = { shape = "rectangle", width_in = 1.0, height_mm = 12.0 } # flat
path = [{ straight_mm = 500.0 }]
supports = [
    { at_mm = 100.0, kind = "cord" },   # near
    { at_in = 15.0, kind = "cord" },    # far
]

[material.rod-steel]          # as bought
density_kg_m3 = 7900.0
youngs_gpa = 193.0            # from the catalogue

[stock.rod3]
kind = "threaded"
thread = "M3"
bend_diameter_in = 0.1        # by eye

[nut]
small = { mass_g = 0.5, height_mm = 2.4, width_mm = 5.5 }

# ---- the row ----
[[group]]
name = "D3 low"
stock = "rod3"
start_mm = 60.0

  # the first
  [[group.tine]]
  pitch = "D3"
  # the second
  [[group.tine]]
  pitch = "A3"   # a fifth

[[group]]
name = "E3"
stock = "M4"
start_mm = 200.0
tine = [{ pitch = "E3", trim = [{ nut = "M4 hex", at_mm = 40.0 }] }]

# ---- what one hears ----
[listener]
distance_m = 2.0
"""


def changed_lines(after: str, before: str = TEXT) -> list[str]:
    return [line for line in difflib.ndiff(before.splitlines(), after.splitlines()) if line[0] in "+-"]


def built(text: str) -> Design:
    design = decode(tomllib.loads(text), Design)
    resolve(design)
    return design


@pytest.mark.parametrize(
    ("path", "value", "line"),
    [
        ("material.rod-steel.youngs_gpa", 186.125, "youngs_gpa = 186.125            # from the catalogue"),
        ("bar.section.height_mm", 10.0, TEXT.splitlines()[2].replace("12.0", "10.0")),
        ("bar.supports[2].at_in", 14.5, TEXT.splitlines()[6].replace("15.0", "14.5")),
        ("group['D3 low'].start_mm", 62.0, "start_mm = 62.0"),
        ("group[D3 low].tine[2].pitch", "G3", '  pitch = "G3"   # a fifth'),
        ("group[1].tine[2].pitch", "G3", '  pitch = "G3"   # a fifth'),
        ("group[e3].tine[1].trim[1].at_mm", 41.5, TEXT.splitlines()[38].replace("40.0", "41.5")),
        ("nut.small.mass_g", 0.6, 'small = { mass_g = 0.6, height_mm = 2.4, width_mm = 5.5 }'),
        ('nut."small".mass_g', 0.6, 'small = { mass_g = 0.6, height_mm = 2.4, width_mm = 5.5 }'),
    ],
)  # fmt: skip
def test_one_value_changes_in_its_line_and_the_comment_stays(path: str, value: object, line: str) -> None:
    after = edited(TEXT, [Edit(path, value)])
    assert [each for each in changed_lines(after) if each.startswith("+")] == [f"+ {line}"]
    assert len(changed_lines(after)) == 2
    built(after)


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("group[2].start_mm", 210, "start_mm = 210.0"),  # of 200.0
        ("bar.supports[2].at_mm", 254, "at_in = 10.0"),
        ("tines.seed", 12, "seed = 12"),
    ],
)
def test_a_whole_number_is_written_as_the_one_it_replaces(path: str, value: int, told: str) -> None:
    text = TEXT + "[tines]\nseed = 7\n"
    (line,) = [
        each for each in changed_lines(edited(text, [Edit(path, value)]), text) if each.startswith("+")
    ]
    assert told in line
    assert f"{told}.0" not in line


def test_a_length_in_inches_stays_in_inches() -> None:
    after = edited(TEXT, [Edit("stock.rod3.bend_diameter_mm", 2.47), Edit("bar.section.width_mm", 30.0)])
    assert "bend_diameter_in = 0.09724409        # by eye" in after
    assert built(after).stock["rod3"].bend_diameter_mm == pytest.approx(2.47, rel=1e-6)
    assert built(after).bar.section.width_mm == pytest.approx(30.0, rel=1e-6)
    assert len(changed_lines(after)) == 4


def test_a_length_in_millimetres_that_is_given_in_inches_is_converted_too() -> None:
    after = edited(TEXT, [Edit("bar.section.height_in", 0.5)])
    assert "height_mm = 12.7" in after


def test_a_new_length_comes_in_the_unit_of_the_design() -> None:
    inch = TEXT + '\n[bench]\nunits = "inch"\n'
    edits = [
        Edit("group[1].spacing_mm", 15.24),
        Edit("group[2].tine[1].trim[2]", {"nut": "M4 hex", "at_mm": 50.8}),
    ]
    assert "spacing_mm = 15.24\n" in edited(TEXT, edits)
    assert "spacing_in = 0.6\n" in edited(inch, edits)
    assert '{ nut = "M4 hex", at_mm = 40.0 }, {nut = "M4 hex", at_in = 2.0}]' in edited(inch, edits)
    assert built(edited(inch, edits)).group[0].spacing_mm == pytest.approx(15.24)


def test_a_new_key_follows_the_last_one_of_its_table() -> None:
    after = edited(TEXT, [Edit("group[1].tine[1].stock", "M4"), Edit("group[1].tine[2].stock", "M5")])
    assert changed_lines(after) == ['+   stock = "M4"', '+   stock = "M5"']
    assert 'pitch = "D3"\n  stock = "M4"\n  # the second\n' in after
    assert 'pitch = "A3"   # a fifth\n  stock = "M5"\n\n[[group]]' in after


def test_a_new_key_of_a_table_with_tables_in_it_stands_before_them() -> None:
    after = edited(TEXT, [Edit("group[1].face_deg", 90.0)])
    assert "start_mm = 60.0\nface_deg = 90.0\n\n  # the first\n" in after
    assert built(after).group[0].face_deg == 90.0


def test_a_new_table_is_made_with_what_it_needs() -> None:
    after = edited(
        TEXT, [Edit("stock.M4.bend_diameter_mm", 3.2, besides={"kind": "threaded", "thread": "M4"})]
    )
    assert built(after).stock["M4"].bend_diameter_mm == 3.2
    assert not [line for line in changed_lines(after) if line.startswith("-")]
    assert edited(after, [Edit("stock.m4.bend_diameter_mm", 3.2, besides={"kind": "plain"})]) == after


def test_a_new_group_stands_behind_the_last_and_before_what_leads_on() -> None:
    new = {"name": "F3", "stock": "M4", "start_mm": 300.0, "tine": [{"pitch": "F3"}, {"pitch": "C4"}]}
    after = edited(TEXT, [Edit("group[3]", new)])
    assert [each.name for each in built(after).group] == ["D3 low", "E3", "F3"]
    assert after.index('name = "F3"') < after.index("# ---- what one hears")
    assert after.endswith("# ---- what one hears ----\n[listener]\ndistance_m = 2.0\n")
    assert not [line for line in changed_lines(after) if line.startswith("-")]


def test_a_new_tine_stands_in_its_group() -> None:
    after = edited(
        TEXT, [Edit("group[1].tine[3]", {"pitch": "D4"}), Edit("group[2].tine[2]", {"pitch": "B3"})]
    )
    assert [[tine.pitch for tine in group.tine] for group in built(after).group] == [
        ["D3", "A3", "D4"],
        ["E3", "B3"],
    ]


@pytest.mark.parametrize(
    ("path", "gone"),
    [
        ("group[2]", 5),
        ("group[1].tine[1]", 2),
        ("material.rod-steel.youngs_gpa", 1),
        ("stock.rod3.bend_diameter_mm", 1),
        ("nut.small.mass_g", 1),
    ],
)
def test_what_is_removed_takes_no_other_line_along(path: str, gone: int) -> None:
    after = edited(TEXT, [Edit(path, None)])
    lost = [line for line in changed_lines(after) if line.startswith("-") and line.strip("- ")]
    assert len(lost) == gone


def test_a_key_in_place_of_another_keeps_its_place_and_comment() -> None:
    text = TEXT.replace('  pitch = "A3"   # a fifth', '  pitch = "A3"   # a fifth\n  stock = "M4"')
    after = edited(text, [Edit("group[1].tine[2].pitch_hz", 221.0, comment="as heard", instead_of="pitch")])
    assert '  pitch_hz = 221.0 # as heard; a fifth\n  stock = "M4"\n' in after


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("bar.section.heigth_mm", "bar.section: unknown key 'heigth_mm'; did you mean 'height_mm'?"),
        ("group[D3 lowe].start_mm", "group: there is no 'D3 lowe'; did you mean 'D3 low'?"),
        ("group[5].start_mm", "group: there is no entry 5; it has 2"),
        ("group.start_mm", "group: nothing is called 'start_mm' there; write group[1]"),
        ("bar.material.density", "bar.material: nothing is called 'density' there; end the path before it"),
        ("bar.section.height", "bar.section: 'height' lacks its unit; write height_mm"),
        ("barr.section.height_mm", "unknown key 'barr'; did you mean 'bar'?"),
        ("bar..section", "'bar..section' is not the path of a key; write it like"),
        ("", "'' is not the path of a key; write it like"),
    ],
)
def test_a_path_that_leads_nowhere_names_what_is_there(path: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        edited(TEXT, [Edit(path, 1.0)])
    assert str(refused.value).startswith(said)


def test_what_is_not_there_cannot_be_removed() -> None:
    with pytest.raises(InputError, match=r"bar\.price_per_m: there is no 'price_per_m' that could go"):
        edited(TEXT, [Edit("bar.price_per_m", None)])


def test_the_plain_tree_and_the_file_change_alike() -> None:
    edits = [
        Edit("stock.M4.bend_diameter_mm", 3.2, besides={"kind": "threaded", "thread": "M4"}),
        Edit("nut.small.grip", 0.25),
        Edit("tines.clamp_loss_factor", 0.002),
    ]
    tree = tomllib.loads(TEXT)
    before = edited_design(tree, edits)
    assert tree == tomllib.loads(TEXT)
    put(tree, edits)
    assert tomllib.loads(edited(TEXT, edits)) == tree
    assert built(edited(TEXT, edits)) == before


def test_each_line_keeps_the_end_it_had() -> None:
    mixed = "\ufeff" + TEXT.replace("\n", "\r\n").replace('kind = "threaded"\r\n', 'kind = "threaded"\n')
    after = edited(mixed, [Edit("group[2].start_mm", 210.0), Edit("group[2].face_deg", 3.0)])
    lines = after.splitlines(keepends=True)
    assert [each for each in lines if not each.endswith("\r\n")] == ['kind = "threaded"\n']
    assert changed_lines(after, mixed) == ["- start_mm = 200.0", "+ start_mm = 210.0", "+ face_deg = 3.0"]
    assert after.startswith("\ufeff#")


def everyday_text(seed: int) -> str:
    """A random everyday design as a maker might write it: comments, blank lines, tables in one line or in many."""
    draw, tree = random.Random(seed), design_tree(seed)
    document = tomlkit.document()
    document.add(tomlkit.comment("words above"))
    for key, value in tree.items():
        if draw.random() < 0.5 and isinstance(value, dict):  # in one line
            document[key] = tomlkit.item(value, _parent=tomlkit.array())
        else:
            document[key] = value
    lines = []
    for line in tomlkit.dumps(document).splitlines():
        lines += [f"# words {len(lines)}"] if draw.random() < 0.1 else [""] if draw.random() < 0.1 else []
        ends = line and not line.endswith(("[", ",")) and not line.startswith("#")
        lines.append(f"{line}   # words, {len(lines)}" if ends and draw.random() < 0.3 else line)
    return draw.choice(["\n", "\r\n"]).join([*lines, "# the last words", ""])


@pytest.mark.parametrize("seed", range(60))
def test_an_everyday_design_is_edited_where_it_must_be_and_says_what_was_meant(seed: int) -> None:
    text, draw = everyday_text(seed), random.Random(seed)
    design = built(text)
    group = draw.randrange(len(design.group))
    name, start = design.group[group].name, design.group[group].start_mm + 0.25
    edits = [
        Edit(f"group[{name}].start_mm", start),
        Edit("bar.supports[1].at_mm", design.bar.supports[0].at_mm + 0.5),
        Edit(f"group[{group + 1}].split_cents", 2.5),
        Edit("stock.rod3.price_per_m", 4.0),
        Edit("pickup.quality", 3.0),
    ]
    after = edited(text, edits)
    lines = changed_lines(after, text)
    assert len([each for each in lines if each.startswith("-")]) <= 4
    assert len([each for each in lines if each.startswith("+")]) <= 4 + 4
    for number in range(len(text.splitlines())):
        assert after.count(f"words, {number}\r" if "\r" in text else f"words, {number}\n") == text.count(
            f"words, {number}\r" if "\r" in text else f"words, {number}\n"
        )
    assert after.count("\r\n") == (after.count("\n") if "\r\n" in text else 0)
    new = built(after)
    assert new.group[group].start_mm == pytest.approx(start, rel=1e-6)
    assert new.bar.supports[0].at_mm == pytest.approx(design.bar.supports[0].at_mm + 0.5, rel=1e-6)
    assert new.group[group].split_cents == 2.5
    assert new.stock["rod3"].price_per_m == 4.0
    assert new.pickup.quality == 3.0
    back = [
        Edit(f"group[{name}].start_mm", design.group[group].start_mm),
        Edit("bar.supports[1].at_mm", design.bar.supports[0].at_mm),
        Edit(f"group[{group + 1}].split_cents", None),
        Edit("stock.rod3.price_per_m", None),
        Edit("pickup", None),
    ]
    assert built(edited(after, back)).group[group].tine == design.group[group].tine


ODD = """\
bar.section = { shape = "round", diameter_mm = 20.0 }   # dotted
bar.path = [{ straight_mm = 400.0 }]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
# ---- the row
[[group]]
  name = "a"
  stock = "M4"
  start_mm = 150.0
  [[group.tine]]
    pitch = "D3"
    trim_to.partial = 2
    trim_to.ratio = 6.0   # six
    trim_to.nut = "M4 hex"
  # the next
  [[group.tine]]
    pitch = "E3"
    [group.tine.trim_to]
    partial = 2
    ratio = 6.0
    nut = "M4 hex"
  # the last
  [[group.tine]]
    pitch = "F3"
    [[group.tine.trim]]
    nut = "M4 hex"
    at_mm = 30.0
# ---- stock again
[stock.rod4]
kind = "plain"
diameter_mm = 4.0
# the end
"""


def leaves(node: object, path: str = "") -> list[str]:
    """The paths of everything that is written."""
    if isinstance(node, dict):
        inner = [(f"{path}.{key}" if path else key, each) for key, each in node.items()]
    else:
        inner = (
            [(f"{path}[{n}]", each) for n, each in enumerate(node, start=1)] if isinstance(node, list) else []
        )
    return [path for path, _ in inner] + [found for path, each in inner for found in leaves(each, path)]


@pytest.mark.parametrize("path", leaves(tomllib.loads(ODD)))
def test_whatever_is_removed_only_what_stands_inside_it_goes(path: str) -> None:
    after = edited(ODD, [Edit(path, None)])
    outside = ["# ---- the row", "# ---- stock again", "# the end"]
    if not path.startswith("group") or path.startswith("group[1].tine["):
        outside += ["  # the next", "  # the last"]
    if path == "stock":  # two tables with the row between them
        outside.remove("# ---- the row")
    assert [line for line in after.splitlines() if line in outside] == sorted(outside, key=ODD.index)
    assert edited(after, []) == after


def test_tables_that_stand_apart_stay_where_they_stand() -> None:
    edits = [
        Edit("stock.rod4.diameter_mm", 5.0),
        Edit("stock.rod4.price_per_m", 2.0),
        Edit("stock.rod3.price_per_m", 1.0),
    ]
    lines = changed_lines(edited(ODD, edits), ODD)
    assert sorted(lines) == sorted(
        ["- diameter_mm = 4.0", "+ diameter_mm = 5.0", "+ price_per_m = 2.0", "+ price_per_m = 1.0"]
    )
    after = edited(ODD, edits)
    assert after.index("price_per_m = 1.0") < after.index("# ---- the row") < after.index("price_per_m = 2.0")


def test_a_table_of_its_own_value_stays_as_it_is_written() -> None:
    tree = tomllib.loads(ODD)
    same = [Edit("group[1].tine[2]", tree["group"][0]["tine"][1]), Edit("stock", tree["stock"])]
    assert edited(ODD, [*same, Edit("group", tree["group"])]) == ODD


def test_a_key_of_an_entry_that_is_not_there_yet_stands_in_its_table() -> None:
    """Else the value itself stood there: "41.5 stands where a table is wanted"."""
    tree: dict[str, object] = {"group": [{"name": "x", "tine": [{"pitch": "D3"}]}]}
    put(tree, [Edit("group[x].tine[1].trim[1].at_mm", 41.5)])
    assert tree == {"group": [{"name": "x", "tine": [{"pitch": "D3", "trim": [{"at_mm": 41.5}]}]}]}


@pytest.mark.skipif(os.name == "nt", reason="no such permissions")
def test_a_copy_of_a_design_is_read_by_those_who_may_read_the_design(tmp_path: Path) -> None:
    file = tmp_path / "rail.toml"
    file.write_text(TEXT)
    file.chmod(0o600)
    assert backup(file).stat().st_mode & 0o777 == 0o600
