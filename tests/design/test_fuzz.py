"""Whatever is written, the answer is an instrument or one clear line: never another exception."""

import copy
import math
import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.design.decode import decode
from synth.design.file import load
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted([*(ROOT / "designs").glob("*.toml"), ROOT / "tests" / "data" / "two-tines.toml"])
TREES = [tomllib.loads(path.read_text(encoding="utf-8")) for path in SHIPPED]
VALID = [tree for tree in TREES if "bar" in tree]  # stroke scripts lie beside the designs

NAMES = [
    "bar",
    "group",
    "tine",
    "stock",
    "M3",
    "rod3",
    "304",
    "brass",
    "small",
    "M3 hex",
    "pair",
    "box",
    "C#4",
    "",
    "zwei Worte",
    "вверх é",
    "\u202eleft",
    "x" * 300,
]
NUMBERS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, 1e-300, 5e-324, 1e300, 0.1, 1.0, 2.0, 3.0, 10.0, 12.0, 100.0, 500.0, 1e4]),
    st.integers(-3, 400),
    st.sampled_from([10**30, -(10**400)]),
)


def nested(depth, inside):
    for _ in range(depth):
        inside = [inside] if depth % 2 else {"a": inside}
    return inside


SCALARS = st.one_of(
    NUMBERS,
    st.builds(nested, st.integers(100, 200), st.just(1)),
    st.booleans(),
    st.sampled_from(NAMES),
    st.text(max_size=12),
    st.dates(),
    st.times(),
    st.datetimes(),
)
TREES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=8)), inner, max_size=4),
    ),
    max_leaves=12,
)


def answer(tree):
    """What the tree comes to: an instrument, or None with the refusal checked to be one printable line."""
    try:
        return resolve(decode(tree, Design), "fuzz.toml")
    except InputError as error:
        line = str(error)
        assert line
        assert "\n" not in line
        assert len(line) < 20_000
        return None


def places(tree):
    """Every (container, key) of a tree, depth first."""
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in list(pairs):
        yield tree, key
        if isinstance(value, (dict, list)):
            yield from places(value)


def mutate(tree, draw):
    container, key = draw(st.sampled_from(list(places(tree))))
    value = container[key]
    match draw(st.sampled_from(["replace", "number", "delete", "copy", "rename", "add"])):
        case "replace":
            container[key] = draw(TREES)
        case "number":
            numeric = isinstance(value, (int, float)) and not isinstance(value, bool)
            numeric = numeric and not abs(value) > 1e300  # an integer can be larger than any other number
            container[key] = (
                value * draw(st.sampled_from([-1, 0, 0.1, 0.5, 1.01, 2, 10, 1e3]))
                if numeric
                else draw(NUMBERS)
            )
        case "delete":
            del container[key]
        case "copy":
            other, source = (
                draw(st.sampled_from(list(places(tree)))) if list(places(tree)) else (container, key)
            )
            container[key] = copy.deepcopy(other[source])
        case "rename" if isinstance(container, dict):
            container[draw(st.sampled_from([*NAMES, key[:-1], key.replace("_mm", "_in")]))] = container.pop(
                key
            )
        case _:
            if isinstance(container, dict):
                container[draw(st.text(max_size=5))] = draw(TREES)
            else:
                container.insert(0, copy.deepcopy(value))


@settings(max_examples=60, deadline=None)
@given(
    tree=st.dictionaries(
        st.one_of(st.sampled_from(list(Design.__struct_fields__)), st.text(max_size=6)), TREES, max_size=6
    )
)
def test_any_tree_is_answered(tree):
    assert answer(tree) is None  # no random tree has a bar that a tine stands on


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(data=st.data())
def test_a_mutated_design_is_built_or_refused(data):
    tree = copy.deepcopy(data.draw(st.sampled_from(VALID)))
    for _ in range(data.draw(st.integers(1, 3))):
        if tree:
            mutate(tree, data.draw)
    instrument = answer(tree)
    if instrument is not None:
        assert_sound(instrument)


def assert_sound(instrument):
    """What every later stage takes for granted."""
    assert instrument.tines
    assert sum(group.count for group in instrument.groups) == len(instrument.tines)
    for tine in instrument.tines:
        assert 0.0 < tine.position < instrument.bar.length
        assert tine.rod.material.youngs > 0.0
        assert 0.0 < tine.rod.bend_diameter < 0.05
        assert tine.split >= 1.0
        positions = [placed.position for placed in tine.trim]
        assert positions == sorted(positions)
        finite = [tine.position, tine.face, tine.root.added_length, tine.rod.mass_diameter, tine.split_axis]
        assert all(math.isfinite(each) for each in finite)
    for stick in instrument.sticks.values():
        assert stick.frequency > 0.0
        assert stick.contact_stiffness > 0.0
    for nut in instrument.nuts.values():
        assert nut.mass > 0.0
        assert nut.rotary_inertia > 0.0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_torn_or_scribbled_file_is_read_or_refused(tmp_path, data):
    content = bytearray(data.draw(st.sampled_from([tomlkit.dumps(tree).encode() for tree in VALID[-1:]])))
    for _ in range(data.draw(st.integers(1, 5))):
        start = data.draw(st.integers(0, len(content)))
        content[start : start + data.draw(st.integers(0, 30))] = data.draw(st.binary(max_size=12))
    path = tmp_path / "torn.toml"
    path.write_bytes(bytes(content[: data.draw(st.integers(0, len(content)))]))
    line = refusal_of(path)
    assert line is None or line.startswith(str(path))


def refusal_of(path):
    try:
        resolve(load(path), str(path))
    except InputError as error:
        return str(error)
    return None


@pytest.mark.parametrize("tree", VALID, ids=lambda tree: tree["name"])
def test_mutations_start_from_designs_that_are_sound(tree):
    assert_sound(answer(tree))
