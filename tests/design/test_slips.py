"""The usual slips in a TOML file, in the maker's words, with their line and what to write."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.design.file import load, read_toml
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.units import INCH, MM

DESIGN = """# a comment, with an apostrophe's sign and a = b
[bar]
section = { shape = "rectangle", width_mm = 20.0, height_mm = 20.0 }
path = [{ straight_mm = 300.0 }]
[recipe.pair]
members = ["1/1", "3/2"]
[[group]]
name = "low"
stock = "M3"
root = "D4"
recipe = "pair"
start_mm = 30.0
spacing_mm = 12.0
"""


@pytest.fixture
def refused(tmp_path):
    def refusal(text):
        (tmp_path / "design.toml").write_text(text, encoding="utf-8")
        with pytest.raises(InputError) as caught:
            resolve(load(tmp_path / "design.toml"))
        line = str(caught.value)
        assert "\n" not in line
        return line

    return refusal


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('["1/1", "3/2"]', "[1/1, 3/2]", 'line 6: 1/1 is no number; write a ratio in quotes: "1/1"'),
        ('["1/1", "3/2"]', '["1/1", 3/2]', 'line 6: 3/2 is no number; write a ratio in quotes: "3/2"'),
        (
            '["1/1", "3/2"]',
            '[\n  "1/1",\n  3:2,\n]',
            'line 8: 3:2 is no number; write a ratio in quotes: "3:2"',
        ),
        (
            "[recipe.pair]",
            "[recipe.zwei für D]",
            'line 5: the name zwei für D stands without quotes; write it in quotes: "zwei für D"',
        ),
        (
            "spacing_mm = 12.0",
            "länge_mm = 12.0",
            'line 13: the name länge_mm stands without quotes; write it in quotes: "länge_mm"',
        ),
        ("12.0\n", "12,5 # wide\n", "line 13: 12,5 has a decimal comma; write it with a point: 12.5"),
        (
            "width_mm = 20.0",
            "width_mm = 20,5",
            "line 3: 20,5 has a decimal comma; write it with a point: 20.5",
        ),
        ('root = "D4"', "root = D4", 'line 10: D4 stands without quotes; write text in quotes: "D4"'),
        (
            'name = "low"',
            "name = Low D",
            'line 8: Low D stands without quotes; write text in quotes: "Low D"',
        ),
        ('name = "low"', "name = Ré", 'line 8: Ré stands without quotes; write text in quotes: "Ré"'),
        ('name = "low"', 'name = "low', "line 8: a quote is not closed; write text in quotes, on one line"),
        ('name = "low"', "name = “low”", 'line 8: “ is a printer\'s quote; write straight quotes: "..."'),
        ('name = "low"', 'name: "low"', "line 8: 'name' is followed by a colon; write name = ..."),
        (
            "[[group]]",
            "[group]",
            "group: a table stands where a list of them is wanted; write [[group]], in double",
        ),
        ("[bar]", "[[bar]]", "bar: is written as a list; write [bar], in single brackets"),
        (
            "start_mm = 30.0",
            "start_mm = 30.0\nstart_mm = 31.0",
            "line 13: 'start_mm' is given twice; keep one",
        ),
        (
            '["1/1", "3/2"]',
            '["1/1"]\nmembers = [\n  "1/1",\n  "3/2",\n]',
            "line 7: 'members' is given twice; keep one",
        ),
        (
            '["1/1", "3/2"]',
            '["1/1"]\nmembers = [\n"1/1",\n"3/2",\n"2/1",\n]',
            "line 11: not TOML: Cannot overwrite a value",  # too far above to be told by name
        ),
    ],
)
def test_a_slip_is_told_with_its_line_and_what_to_write(refused, old, new, said):
    assert said in refused(DESIGN.replace(old, new, 1))


def test_single_brackets_for_several_groups_are_told(refused):
    group = DESIGN[DESIGN.index("[[group]]") :].replace("low", "high")
    single = group.replace("[[group]]", "[group]")
    first = DESIGN.replace("[[group]]", "[group]")
    assert "line 14: [group] is written twice; keep one, or write [[group]] each time" in refused(
        first + single
    )
    assert "line 14: [group] is written twice; keep one, or write [[group]] each time" in refused(
        DESIGN + single
    )
    assert "line 14: [[group]] follows a [group]; write [[group]] above, too" in refused(first + group)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    text=st.text(st.sampled_from("ab=[]{}\"',.#/: 0123\n\t-_é“"), max_size=60), at=st.integers(0, len(DESIGN))
)
def test_whatever_is_typed_into_a_file_is_read_or_told_in_one_line_with_a_place(tmp_path, text, at):
    path = tmp_path / "design.toml"
    path.write_text(DESIGN[:at] + text + DESIGN[at:], encoding="utf-8")
    error = refusal_of(read_toml, path)
    assert error is None or ("\n" not in str(error) and error.location.startswith("line "))


def refusal_of(read, path):
    try:
        read(path)
    except InputError as error:
        return error
    return None


LENGTHS = {  # key, its table, and what the schema allows, mm
    "spacing": ("[[group]]\n", 1.0, 500.0),
    "start": ("[[group]]\n", 0.0, 10_000.0),
    "kerf": ("[bench]\n", 0.0, 20.0),
    "stock_length": ("[bench]\n", 100.0, 10_000.0),
    "gap": ("[pickup]\n", 0.1, 500.0),
}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(key=st.sampled_from(list(LENGTHS)), inches=st.floats(-1.0, 500.0, allow_subnormal=False))
def test_a_length_in_inches_is_within_its_range_or_refused_in_inches_under_its_own_key(tmp_path, key, inches):
    table, least, most = LENGTHS[key]
    text = DESIGN.replace("spacing_mm = 12.0\n", "").replace(
        "start_mm = 30.0\n", "" if key == "start" else "start_mm = 30.0\n"
    )
    text = text + (
        f"{key}_in = {inches!r}\n" if table == "[[group]]\n" else f"{table}{key}_in = {inches!r}\n"
    )
    path = tmp_path / "design.toml"
    path.write_text(text, encoding="utf-8")
    error = refusal_of(load, path)
    if error is not None:
        assert not least * 1.0006 <= inches * INCH / MM <= most * 0.9994
        assert error.location.endswith(f"{key}_in")
        limits = [
            float(each) for each in error.remedy.removeprefix("must be at least ").split(" and at most ")
        ]
        assert limits == pytest.approx([least * MM / INCH, most * MM / INCH], rel=6e-4)
        return
    design = load(path)
    where = {"[[group]]\n": design.group[0], "[bench]\n": design.bench, "[pickup]\n": design.pickup}[table]
    assert least <= getattr(where, f"{key}_mm") <= most
    assert getattr(where, f"{key}_mm") == pytest.approx(inches * INCH / MM, rel=6e-4)
