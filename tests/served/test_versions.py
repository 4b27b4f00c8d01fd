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


@pytest.mark.parametrize("found", [b"", b"# by hand\n", b"\xff no text\n"])
def test_no_file_in_the_folder_is_lost_to_a_version_of_its_name(tmp_path, found):
    versions = Versions(tmp_path / "rail.toml")
    versions.keep("one", "first\n")
    versions.save()
    file = tmp_path / "rail.versions" / "one.toml"
    for content in (b"first\n", found):  # as it was saved; as another program left it
        file.write_bytes(content)
        versions.forget("one")
        versions.keep("one", f"after {content!r}\n")
        versions.save()
    left = [each.read_bytes() for each in sorted(file.parent.iterdir())]
    assert left == [f"after {found!r}\n".encode(), b"first\n", found]
    assert Versions(tmp_path / "rail.toml").texts == {"one": f"after {found!r}\n"}


def test_a_version_that_stands_there_already_leaves_no_copy(tmp_path):
    folder = tmp_path / "rail.versions"
    versions = Versions(tmp_path / "rail.toml")
    folder.mkdir()
    (folder / "one.toml").write_text("first\n")
    versions.keep("one", "first\n")
    assert versions.save() == 1
    assert [each.name for each in folder.iterdir()] == ["one.toml"]
