"""A buildable design as a tree, and the way from a tree through a file to an instrument."""

import copy
import tomllib
from pathlib import Path

import pytest
import tomlkit

from synth.design.file import load
from synth.design.resolve import resolve

TWO_TINES = Path(__file__).resolve().parent.parent / "data" / "two-tines.toml"


@pytest.fixture(scope="session")
def two_tines():
    """The example design, path."""
    return TWO_TINES


@pytest.fixture
def tree():
    """The example design as a tree of its own for each test."""
    return copy.deepcopy(tomllib.loads(TWO_TINES.read_text(encoding="utf-8")))


@pytest.fixture
def build(tmp_path):
    """Write a tree as a design file, read it and resolve it."""

    def build(tree):
        path = tmp_path / "design.toml"
        path.write_text(tomlkit.dumps(tree), encoding="utf-8")
        return resolve(load(path), str(path))

    return build
