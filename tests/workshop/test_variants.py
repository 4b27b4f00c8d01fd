"""Variants: keys of a design by their names in the file, in their units; what cannot be is left out in a line."""

import dataclasses
import random

import numpy as np
import pytest

from synth.design.instrument import FixedLength
from synth.errors import InputError
from synth.playing.stroke import Stroke
from synth.vibration.solve import solve_row
from synth.workshop import variants as module
from synth.workshop.variants import Plain, WrittenDesign, variants
from synth.workshop.varied import parted, value_of, variant_words, varied

DESIGN = """
name = "Offcut"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 30.0, kind = "rubber" }, { at_in = 10.0, kind = "cord" }]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"
[stick.cane]
material = "bamboo"
diameter_mm = 5.0
length_mm = 150.0
[[group]]
name = "D3"
stock = "M4"
start_mm = 40.0
spacing_mm = 15.0
[[group.tine]]
pitch = "D3"
[[group.tine]]
pitch = "A3"
trim = [{ nut = "M4 hex", at_mm = 60.0 }]
[[group.tine]]
pitch = "D3"
trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" }
[[group]]
name = "aside"
stock = "rod3"
start_mm = 150.0
spacing_mm = 20.0
[[group.tine]]
free_length_mm = 100.0
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 400.0
thickness_mm = 4.0
feet = [{ bar_mm = 90.0, x_mm = 110.0, y_mm = 120.0 }]
"""
MM, INCH = 1e-3, 25.4e-3


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "offcut.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return module.read_designs([path])


def plain(group="D3", through="bar"):
    def stroke(instrument):
        stick = next(iter(instrument.sticks.values()))
        return Stroke(group=instrument.group_index(group), stick=stick)

    return Plain(stroke, through)


def made(written, *given, **options):
    return variants(written, plain(), varied(given), **options)


def ask(path):
    """What an instrument has at a path of attributes and indices."""

    def of(variant):
        found = variant
        for step in path:
            found = found[step] if isinstance(step, int) or isinstance(found, dict) else getattr(found, step)
        return found

    return of


KEYS = {
    "bar.section.height_mm=20,25,30": (
        ("instrument", "bar", "section", "height"),
        [20 * MM, 25 * MM, 30 * MM],
    ),
    "bar.supports[1].at_mm=40,50": (("instrument", "bar", "supports", 0, "position"), [40 * MM, 50 * MM]),
    # it stands in inches; the number given under the name in mm is in mm, and the other way round
    "bar.supports[2].at_mm=254,200": (("instrument", "bar", "supports", 1, "position"), [254 * MM, 200 * MM]),
    "bar.supports[2].at_in=9.5,9": (("instrument", "bar", "supports", 1, "position"), [9.5 * INCH, 9 * INCH]),
    "group[D3].spacing_mm=10,14": (("instrument", "tines", 1, "position"), [50 * MM, 54 * MM]),
    "group[2].tine[1].free_length_mm=80,90.5": (
        ("instrument", "tines", 3, "goal", "length"),
        [80 * MM, 90.5 * MM],
    ),
    "group[D3].tine[2].trim[1].at_mm=61,70": (
        ("instrument", "tines", 1, "trim", 0, "position"),
        [61 * MM, 70 * MM],
    ),
    "group[D3].tine[1].pitch_hz=150,160": (None, None),
    "stock.rod3.diameter_mm=2.8,3": (("instrument", "tines", 3, "rod", "diameter"), [2.8 * MM, 3 * MM]),
    "stick.cane.diameter_mm=4,6": (("instrument", "sticks", "cane", "diameter"), [4 * MM, 6 * MM]),
    "listener.distance_m=1,2": (("instrument", "listener", "distance"), [1.0, 2.0]),
    "speed_mm_s=200,600": (("stroke", "speed"), [0.2, 0.6]),
    "--bite-mm=1,1.5": (("stroke", "bite"), [1 * MM, 1.5 * MM]),
    "stick=birch,brass": (("stroke", "stick", "name"), ["birch", "brass"]),
    "through=bar,panel": (("through",), ["bar", "panel"]),
    "grip=light,firm": (("stroke", "grip"), ["light", "firm"]),
}


@pytest.mark.parametrize("given", [each for each, (path, _) in KEYS.items() if path])
def test_a_key_is_varied_in_its_unit(written, given):
    path, wanted = KEYS[given]
    found, left = made(written, given)
    assert left == []
    got = [ask(path)(each) for each in found]
    assert got == (wanted if isinstance(wanted[0], str) else pytest.approx(wanted))
    key, values = given.removeprefix("--").replace("-", "_").split("=")
    assert [each.name for each in found] == [f"{key}={value}" for value in values.split(",")]


def test_a_pitch_beside_another_is_told_of_and_left_out(written):
    """tine[1] has a pitch by name already: two are refused, as in the file."""
    with pytest.raises(InputError, match=r"pitch"):
        made(written, "group[D3].tine[1].pitch_hz=150,160")


def test_keys_of_design_and_stroke_mix_and_what_is_not_varied_stays(written):
    found, _ = made(written, "bar.section.height_mm=10,12", "stick=brass,cane", "bite_mm=1")
    assert [round(1e3 * each.instrument.bar.section.height, 6) for each in found] == [10, 10, 12, 12]
    assert [each.stroke.stick.name for each in found] == ["brass", "cane", "brass", "cane"]
    assert {each.stroke.bite for each in found} == {1e-3}
    unvaried, _ = made(written, "bite_mm=2")
    same = dataclasses.replace(found[0].instrument, bar=unvaried[0].instrument.bar)
    assert same == unvaried[0].instrument


def test_the_stick_is_that_of_the_varied_design(written):
    found, _ = variants(
        written,
        Plain(lambda made: Stroke(group=0, stick=made.stick("cane")), "bar"),
        varied(["stick.cane.diameter_mm=4,6"]),
    )
    assert [each.stroke.stick.diameter for each in found] == pytest.approx([0.004, 0.006])


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("sped_mm_s=1", "--vary: 'sped_mm_s' cannot be varied; did you mean 'speed_mm_s'?"),
        ("bar.secton.height_mm=1", "did you mean 'section'?"),
        ("bar.section.heigth_mm=20", "did you mean 'height_mm'?"),
        ("group[D4].spacing_mm=10", "there is no 'D4'"),
        ("group[D3].tine[9].pitch=D3", "there is no entry 9"),
        ("group[D3].tine[2].trim[1].att_mm=9", "did you mean 'at_mm'?"),
        ("bar.section.height_mm", "varies nothing"),
        ("bar.section.height_mm=", "varies nothing"),
        ("=3", "varies nothing"),
        ("bar..height=3", "is not the path of a key"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest(written, given, said):
    with pytest.raises(InputError) as refused:
        made(written, given)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "given",
    [
        ("bite_mm=1", "bite-mm=2"),
        ("bar.supports[2].at_mm=250", "bar.supports[2].at_in=9"),
        ("group[D3].start_mm=40", "group[1].start_mm=50"),
    ],
)
def test_a_key_is_varied_once_whatever_it_is_called(written, given):
    with pytest.raises(InputError, match="is varied twice"):
        made(written, *given)


@pytest.mark.parametrize(
    ("given", "good", "said"),
    [
        ("bar.section.height_mm=12,1", 1, "bar.section.height_mm: 1 is not possible"),
        ("bar.section.height_mm=thick,12", 1, "bar.section.height_mm"),
        ("board.panel.material=birch plywood 4 mm,cheese", 1, "'cheese'"),
        ("group[D3].spacing_mm=14,500", 1, "is off the bar's end"),
        ("through=bar,pannel", 1, "did you mean 'panel'?"),
        ("stick=birch,bras", 1, "did you mean 'brass'?"),
        ("speed_mm_s=200,quick", 1, "'quick' is not a number"),
        ("speed_mm_s=200,nan", 1, "nan is out of range"),
    ],
)
def test_what_cannot_be_built_is_told_and_left_out(written, given, good, said):
    found, left = made(written, given)
    assert len(found) == good
    (one,) = left
    assert said in one.words
    assert "\n" not in one.words


def test_too_many_combinations_are_refused(written):
    many = ",".join(map(str, range(10, 19)))
    with pytest.raises(InputError, match="81 combinations; at most 64"):
        made(written, f"bar.section.height_mm={many}", f"speed_mm_s={many}")


def test_lengths_follow_from_pitches_anew(written):
    thin, thick = made(written, "bar.section.height_mm=10,25")[0]
    rows = [solve_row(each.instrument) for each in (thin, thick)]
    assert [each.mounted_hz[:3] for each in rows] == [
        pytest.approx([146.832, 220.0, 146.832], rel=1e-5) for _ in rows
    ]
    assert abs(rows[0].length[0] - rows[1].length[0]) > 0.05 * MM


def test_steel_already_cut_keeps_its_lengths_and_its_nuts(written):
    """The lengths are those of the design as written, though the first variant is another."""
    base = solve_row(made(written, "bite_mm=2")[0][0].instrument)
    found, _ = made(written, "bar.section.height_mm=25,4", "stock.rod3.diameter_mm=2", keep_lengths=True)
    rows = [solve_row(each.instrument) for each in found]
    for row in rows:
        assert row.length == pytest.approx(base.length, abs=1e-9)
        assert [nut.position for trim in row.trim for nut in trim] == pytest.approx(
            [nut.position for trim in base.trim for nut in trim], abs=1e-9
        )
    thick, thin = (1200.0 * np.log2(row.mounted_hz[0] / base.mounted_hz[0]) for row in rows)
    assert thick != pytest.approx(0.0, abs=0.05)
    assert abs(thin) > 1.0


def test_what_is_varied_wins_over_steel_already_cut(written):
    cut, _ = made(written, "group[aside].tine[1].free_length_mm=80,90", keep_lengths=True)
    assert [each.instrument.tines[3].goal for each in cut] == [FixedLength(0.08), FixedLength(0.09)]
    moved, _ = made(written, "group[D3].tine[2].trim[1].at_mm=50,70", keep_lengths=True)
    assert [each.instrument.tines[1].trim[0].position for each in moved] == pytest.approx([0.05, 0.07])
    wished, _ = made(written, "group[D3].tine[3].trim_to.ratio=5.9,6.1", keep_lengths=True)
    rows = [solve_row(each.instrument) for each in wished]
    assert [each.modes.frequency[2, 0, 1] / each.modes.frequency[2, 0, 0] for each in rows] == pytest.approx(
        [5.9, 6.1], rel=3e-3
    )


def test_several_designs_are_told_apart_by_their_files(tmp_path):
    paths = [tmp_path / "old.toml", tmp_path / "new.toml", tmp_path / "sub" / "new.toml"]
    paths[2].parent.mkdir()
    for n, path in enumerate(paths):
        path.write_text(DESIGN.replace("height_mm = 10.0", f"height_mm = {10 + n}.0"), encoding="utf-8")
    found, left = variants(module.read_designs(paths[:2]), plain(), varied([]))
    assert [(each.name, round(each.instrument.bar.section.height, 6)) for each in found] == [
        ("design=old", 0.010),
        ("design=new", 0.011),
    ]
    assert left == []
    assert len({each.name for each in module.read_designs(paths)}) == 3
    assert len(module.read_designs([paths[0], paths[0]])) == 1
    kept, _ = variants(module.read_designs(paths[:2]), plain(), varied([]), keep_lengths=True)
    rows = [solve_row(each.instrument) for each in kept]
    assert rows[1].length == pytest.approx(rows[0].length, abs=1e-9)


def test_a_key_that_one_of_the_designs_lacks_leaves_that_one_out(tmp_path):
    old, new = tmp_path / "old.toml", tmp_path / "new.toml"
    old.write_text(DESIGN.replace('name = "aside"', 'name = "beside"'), encoding="utf-8")
    new.write_text(DESIGN, encoding="utf-8")
    found, left = variants(module.read_designs([old, new]), plain(), varied(["group[aside].spacing_mm=9,11"]))
    assert [each.name.split("_")[0] for each in found] == ["design=new"] * 2
    assert ["there is no 'aside'" in each.words for each in left] == [True, True]


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("20", 20),
        ("2.5", 2.5),
        ("M4", "M4"),
        ('"12"', "12"),
        ("birch plywood 4 mm", "birch plywood 4 mm"),
        ("3/2", "3/2"),
        ("true", True),
        ("[]", []),
        ('["1/1", "3/2"]', ["1/1", "3/2"]),
        ('{ nut = "M4 hex", at_mm = 60.0 }', {"nut": "M4 hex", "at_mm": 60.0}),
        ("2020-01-01", "2020-01-01"),
        ("1\nother = 2", "1\nother = 2"),
    ],
)
def test_a_value_is_read_as_in_the_file(words, value):
    assert value_of(words) == value


def test_lists_and_tables_are_values_with_their_commas():
    (each,) = varied(
        ['group[D3].tine[2].trim=[],[{ nut = "M4 hex", at_mm = 60 }, { nut = "M4 hex", at_mm = 70 }]']
    )
    assert each.values == ("[]", '[{ nut = "M4 hex", at_mm = 60 }, { nut = "M4 hex", at_mm = 70 }]')


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("a=1,2", ["a", "1,2"]),
        ("group['x=y].z'].at=3", ["group['x=y].z'].at", "3"]),
        ('group["it\'s"].at=3', ['group["it\'s"].at', "3"]),
        ("t=[{ a = 1, b = [1, 2] }]", ["t", "[{ a = 1, b = [1, 2] }]"]),
        ("t=}]", ["t", "}]"]),
        ("", [""]),
    ],
)
def test_marks_in_quotes_and_brackets_part_nothing(words, parts):
    assert parted(words, "=") == parts


def test_what_was_chosen_is_told_in_words():
    chosen = (("design", "old"), ("group[D3].spacing_mm", "10"), ("speed_mm_s", "200"), ("stick", "birch"))
    assert variant_words(chosen) == "design old, group D3 spacing 10 mm, speed 200 mm/s, stick birch"
    assert variant_words((("group[D3].tine[2].trim[1].at_mm", "60"),)) == "group D3 tine 2 trim 1 at 60 mm"


def leaves(tree, path=""):
    """Every key of a tree that has a value, as a path."""
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree, start=1):
        inside = f"{path}[{key}]" if isinstance(tree, list) else f"{path}.{key}" if path else key
        if isinstance(value, dict | list):
            yield from leaves(value, inside)
        else:
            yield inside, value


def edit_of(draw, tree):
    """A key of the tree with values a maker might try: near the old one, far off, of another kind, misspelt."""
    path, old = draw.choice(list(leaves(tree)))
    if isinstance(old, float | int):
        values = [f"{old * draw.choice([0.5, 0.9, 1.0, 1.1, 2.0, 30.0, -1.0]):.4g}" for _ in range(2)]
    else:
        values = [
            draw.choice(["M3", "M4", "rod3", "cord", "rubber", "tube", "D3", "1", "", "[]", "x=y"]),
            str(old),
        ]
    if draw.random() < 0.1:
        at = draw.randrange(len(path))
        path = path[:at] + path[at + 1 :]
    return f"{path}={','.join(values)}"


@pytest.mark.parametrize("seeds", [range(40), pytest.param(range(40, 500), marks=pytest.mark.slow)])
def test_random_edits_of_everyday_designs_are_built_or_told_in_a_line(everyday, seeds):
    built, refusals = 0, []
    for seed in seeds:
        draw = random.Random(seed)
        tree = everyday.design_tree(seed)
        given = [edit_of(draw, tree) for _ in range(draw.choice([1, 1, 2]))]
        found, said = tried(tree, given)
        assert all(words and "\n" not in words for words in said), given
        assert tree == everyday.design_tree(seed), "the tree itself stays"
        built += bool(found)
        refusals += said if not found else []
    assert built > len(seeds) / 2
    assert refusals


def tried(tree, given):
    """What could be built, and the words on what could not."""
    try:
        found, left = variants(
            [WrittenDesign("a.toml", "a", tree)], plain(tree["group"][0]["name"]), varied(given)
        )
    except InputError as error:
        return [], [str(error)]
    return found, [each.words for each in left]


def test_steel_already_cut_has_its_nuts_in_their_order_and_a_wish_that_is_another_is_met_anew(tmp_path):
    """A wish beside a nut at 90 mm: the nut set for it stands below; of another partial it is looked for anew."""
    text = DESIGN.replace(
        'trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" }',
        'trim = [{ nut = "M4 hex", at_mm = 90.0 }]\ntrim_to = { partial = 2, ratio = 6.6, nut = "M4 hex" }',
    )
    path = tmp_path / "nuts.toml"
    path.write_text(text, encoding="utf-8")
    written = module.read_designs([path])
    base = solve_row(made(written, "bite_mm=2")[0][0].instrument)
    (kept,), _ = made(written, "bar.section.height_mm=14", keep_lengths=True)
    tine = kept.instrument.tines[2]
    assert tine.wish is None
    places = [nut.position for nut in tine.trim]
    assert places == sorted(places)
    assert places == pytest.approx(sorted(nut.position for nut in base.trim[2]))
    (other,), _ = made(written, "group[D3].tine[3].trim_to.ratio=6.5", keep_lengths=True)
    assert other.instrument.tines[2].wish is not None
    assert [nut.position for nut in other.instrument.tines[2].trim] == pytest.approx([0.09])
    assert other.instrument.tines[0].goal == FixedLength(base.length[0])
    assert other.instrument.tines[3].goal == FixedLength(0.1)


def test_two_files_of_one_name_are_told_apart_by_their_paths(tmp_path):
    paths = [tmp_path / "a" / "rail.toml", tmp_path / "b" / "rail.toml", tmp_path / "hoop.toml"]
    for path in paths:
        path.parent.mkdir(exist_ok=True)
        path.write_text(DESIGN, encoding="utf-8")
    assert [each.name for each in module.read_designs(paths)] == [str(paths[0]), str(paths[1]), "hoop"]
