"""Shared by the tests of this room: the whole instrument meshed plainly, as the truth for what is projected."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def brute_force() -> ModuleType:
    """The module beside this file: `solve_whole(bar, tines, length, trim, highest_hz=4000.0)` and its parts."""
    return _beside("brute_force")


@pytest.fixture(scope="session")
def by_hand() -> ModuleType:
    """The module beside this file: small instruments from plain numbers, and their matrices."""
    return _beside("by_hand")


@pytest.fixture(scope="session")
def plain_trimming() -> ModuleType:
    """The module beside this file: nuts settled without anything asked together."""
    return _beside("plain_trimming")


def _beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their own module up
    spec.loader.exec_module(module)
    return module
