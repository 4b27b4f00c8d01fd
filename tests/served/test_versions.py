"""Versions keep any name that a maker gives, and come back from their folder as they were."""

import pytest

from synth.errors import InputError
from synth.served.versions import Versions

NAMES = ["as drawn", "höher / 24 mm", "a.b", "con: 'x' \"y\"", "100 %", "..", "長い"]


def test_names_and_texts_come_back_from_the_folder(tmp_path):
    design = tmp_path / "rail.toml"
    versions = Versions(design)
    for number, name in enumerate(NAMES):
        versions.keep(name, f"text {number}\n")
    assert not (tmp_path / "rail.versions").exists()
    assert versions.unsaved == len(NAMES)
    assert versions.save() == len(NAMES)
    assert versions.unsaved == 0
    assert versions.save() == 0
    again = Versions(design)
    assert again.texts == {name: f"text {number}\n" for number, name in enumerate(NAMES)}
    assert {each.parent for each in tmp_path.rglob("*.toml")} == {tmp_path / "rail.versions"}


def test_a_name_stands_for_one_text(tmp_path):
    versions = Versions(tmp_path / "rail.toml")
    versions.keep("High", "a")
    assert versions.keep(" high ", "a") == "High"
    with pytest.raises(InputError, match="called 'High' already"):
        versions.keep("high", "b")
    with pytest.raises(InputError, match="no name"):
        versions.keep("  ", "a")
    with pytest.raises(InputError, match="no version 'low'"):
        versions.text("low")


def test_forgetting_leaves_the_file(tmp_path):
    versions = Versions(tmp_path / "rail.toml")
    versions.keep("one", "a")
    versions.save()
    versions.forget("one")
    assert versions.texts == {}
    assert (tmp_path / "rail.versions" / "one.toml").read_text() == "a"


def test_another_text_under_a_name_that_was_forgotten_is_unsaved_until_it_is_saved(tmp_path):
    versions = Versions(tmp_path / "rail.toml")
    for name in ("one", "two"):
        versions.keep(name, f"{name}\n")
    versions.save()
    versions.forget("one")
    versions.keep("one", "another\n")
    assert versions.unsaved == 1
    assert versions.save() == 1
    assert versions.unsaved == 0
    assert Versions(tmp_path / "rail.toml").texts == {"one": "another\n", "two": "two\n"}
