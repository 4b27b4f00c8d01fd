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
from synth.design.edit import Edit, edited, edited_design, put, write_edited
from synth.design.file import load
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


def written(tmp_path: Path, text: str = TEXT) -> Path:
    path = tmp_path / "d.toml"
    path.write_bytes(text.encode())
    return path


def test_the_old_file_is_kept_beside_the_new_under_a_name_that_was_free(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "d.toml.bak").write_text("mine")
    assert write_edited(path, [Edit("group[2].start_mm", 210.0)]) == tmp_path / "d.toml.bak2"
    assert (tmp_path / "d.toml.bak").read_text() == "mine"
    assert (tmp_path / "d.toml.bak2").read_bytes() == TEXT.encode()
    assert load(path).group[1].start_mm == 210.0


def test_a_copy_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    path, goal = written(tmp_path), tmp_path / "new.toml"
    write_edited(path, [Edit("group[2].start_mm", 210.0)], goal=goal)
    assert path.read_bytes() == TEXT.encode()
    assert load(goal).group[1].start_mm == 210.0
    assert sorted(each.name for each in tmp_path.iterdir()) == ["d.toml", "new.toml"]


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (Edit("group[2].start_mm", 2000.0), "off the bar's end"),
        (Edit("group[2].start_mm", -1.0), "must be at least 0"),
        (Edit("group[2].stock", "M44"), "is not in stock"),
        (Edit("group[2]", None), "that could go"),
    ],
)
def test_a_refused_edit_leaves_the_folder_as_it_was(tmp_path: Path, edit: Edit, said: str) -> None:
    text = (
        TEXT if edit.value is not None else TEXT.replace('[[group]]\nname = "E3"', '[[group]]\nname = "E3"')
    )
    path = written(tmp_path, text)
    edits = [edit] if edit.value is not None else [edit, Edit("bar.price_per_m", None)]
    with pytest.raises(InputError, match=said) as refused:
        write_edited(path, edits)
    assert str(refused.value).startswith(f"{path}: ")
    assert [(each.name, each.read_bytes()) for each in tmp_path.iterdir()] == [("d.toml", text.encode())]


def test_a_file_that_changed_since_it_was_read_is_not_written_over(tmp_path: Path) -> None:
    path = written(tmp_path, TEXT + "# a line of mine\n")
    with pytest.raises(InputError, match=r"d\.toml: has been changed since it was read"):
        write_edited(path, [Edit("group[2].start_mm", 210.0)], read=TEXT)
    assert [each.name for each in tmp_path.iterdir()] == ["d.toml"]


def test_a_disk_that_fails_at_the_last_step_leaves_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, replace = written(tmp_path), os.replace

    def full(source: Path, goal: Path) -> None:
        if Path(goal) == path:
            raise OSError(28, "No space left on device")
        replace(source, goal)

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputError, match="No space left"):
        write_edited(path, [Edit("group[2].start_mm", 210.0)])
    assert path.read_bytes() == TEXT.encode()
    assert not [each for each in tmp_path.iterdir() if each.name.startswith(".")]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    path, link = written(tmp_path), tmp_path / "link.toml"
    link.symlink_to(path)
    write_edited(link, [Edit("group[2].start_mm", 210.0)])
    assert link.is_symlink()
    assert load(path).group[1].start_mm == 210.0


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


def test_each_tine_knows_the_keys_it_came_from() -> None:
    text = TEXT.replace('order = "falling"', "").replace(
        '[[group]]\nname = "E3"\n', '[[group]]\norder = "falling"\nname = "E3"\n'
    )
    text = text.replace('tine = [{ pitch = "E3", trim', 'tine = [{ pitch_hz = 100.0 }, { pitch = "E3", trim')
    text = text.replace("[listener]", '[recipe."1 and 5"]\nmembers = ["1/1", "3/2"]\n[listener]')
    drone = {"name": "d", "start_in": 12.0, "stock": "M4", "root": "D3", "recipe": "1 AND 5"}
    tines = resolve(decode(tomllib.loads(edited(text, [Edit("group[3]", drone)])), Design)).tines
    written = [tine.written for tine in tines]
    assert [each.there for each in written] == [
        *(
            "group[1].tine[1]",
            "group[1].tine[2]",
            "group[2].tine[2]",
            "group[2].tine[1]",
            "group[3]",
            "group[3]",
        )
    ]
    assert [each.goal for each in written[2:]] == [
        *("group[2].tine[2].pitch", "group[2].tine[1].pitch_hz"),
        *("recipe.'1 and 5'.members[1]", "recipe.'1 and 5'.members[2]"),
    ]
    assert {each.stock for each in written} == {"group[1].stock", "group[2].stock", "group[3].stock"}
    assert written[-1].start == "group[3].start_in"
    assert written[-1].spacing == "group[3].spacing_mm"


def test_the_instrument_says_which_key_a_length_stands_under() -> None:
    instrument = resolve(decode(tomllib.loads(TEXT), Design))
    assert instrument.key("bar.section.width_mm") == "bar.section.width_in"
    assert instrument.key("bar.section.height_mm") == "bar.section.height_mm"
    assert instrument.key("bar.supports[2].at_mm") == "bar.supports[2].at_in"
    assert instrument.inches == {
        "bar.section.width_mm",
        "bar.supports[2].at_mm",
        "stock.rod3.bend_diameter_mm",
    }


def test_a_design_is_in_inches_when_most_of_its_lengths_are_or_its_bench_says_so() -> None:
    inch = TEXT.replace("straight_mm = 500.0", "straight_in = 19.685").replace(
        "start_mm = 60.0", "start_in = 2.4"
    )
    assert resolve(decode(tomllib.loads(TEXT), Design)).bench.units == "mm"
    assert resolve(decode(tomllib.loads(inch), Design)).bench.units == "mm"  # five of ten
    inch = inch.replace("start_mm = 200.0", "start_in = 8.0")
    assert resolve(decode(tomllib.loads(inch), Design)).bench.units == "inch"
    assert resolve(decode(tomllib.loads(inch + '\n[bench]\nunits = "mm"\n'), Design)).bench.units == "mm"


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
