"""One name, one meaning: a public name that stands in two modules is written down here with its reason."""

import ast
import functools
from collections import defaultdict
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "synth"


def trees():
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")
        yield name, ast.parse(path.read_text(encoding="utf-8"))


def named(tree):
    """The names that a module defines at its top, each with whether it is a constant."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name, False
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                if isinstance(target, ast.Name):
                    yield target.id, target.id.isupper()


@functools.cache
def imported():
    """(module, name) of everything that one module takes from another."""
    return {
        (str(node.module).removeprefix("synth."), alias.name)
        for _, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


@functools.cache
def standing():
    """The modules in which each public name stands: types, functions, and constants that others import."""
    taken, found = imported(), defaultdict(list)
    for module, tree in trees():
        for name, constant in named(tree):
            if not name.startswith("_") and (not constant or (module, name) in taken):
                found[name].append(module)
    return {name: modules for name, modules in found.items() if len(modules) > 1}


WRITTEN = "the table of that name as the maker writes it, and what it resolves to, complete and SI"
PREFIXED = "one verb, always called with its module's name in front, which says of what"
VARIABLE = "a type variable, of its own module only"
INLINED = "one step of the compiled contact, which numba inlines: named in its module only"

PAGE = "one step of the page's physics, compiled, and what it does in the rooms above in Python"

ALLOWED = {
    **dict.fromkeys(
        [
            "Bar",
            "Bench",
            "Board",
            "Foot",
            "Group",
            "Listener",
            "Material",
            "Room",
            "Nut",
            "Pickup",
            "PlacedNut",
            "Section",
        ],
        WRITTEN,
    ),
    **dict.fromkeys(["Stick", "Stock", "Support", "Tine", "TrimWish"], WRITTEN),
    **dict.fromkeys(["words", "write"], PREFIXED),
    **dict.fromkeys(["Function"], VARIABLE),
    **dict.fromkeys(["energy", "nearest", "push"], INLINED),
    **dict.fromkeys(
        ["Body", "MODES", "Tines", "advance", "first_touch", "meet", "rotation", "weigh", "window"], PAGE
    ),
    "Row": "the tuned tines of an instrument, and what the compiled contact keeps of them; type variables besides",
    "spread": "a force over half frames (page), loudness up the scale (Zwicker): steps named in their module",
    "command": "what each file of a command holds, found by its file's name",
    "material": "of a row of the table, and `damping.material`, the loss in it, beside its sisters",
    "tine_name": "the same, imported late",
}


def test_the_walk_sees_types_functions_and_constants():
    names = {name for module, tree in trees() if module == "units" for name, _ in named(tree)}
    assert {"MM", "cents", "note_name", "CENT"} <= names
    assert ("units", "MM") in imported()


@pytest.mark.parametrize("name", sorted({*standing(), *ALLOWED}))
def test_a_public_name_in_two_rooms_has_its_reason(name):
    assert name in ALLOWED, f"{name} stands in {standing()[name]}: rename one, or merge them"
    assert name in standing(), f"{name} stands in one room now: take it off the list"
    assert ALLOWED[name]
