"""A design file on the disk: edited or replaced whole, or left as it was; a copy where one is kept."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from synth.design.edit import Edit, put_text, write_edited
from synth.design.file import load
from synth.errors import InputError
from tests.design.test_edit import TEXT


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


OTHER = TEXT.replace("start_mm = 200.0", "start_mm = 201.0")


@pytest.mark.parametrize("keep", [True, False])
def test_a_whole_text_takes_the_place_of_the_one_that_was_read_and_a_copy_is_kept_if_asked_for(
    tmp_path: Path, keep: bool
) -> None:
    path = written(tmp_path)
    put_text(path, OTHER, read=TEXT, keep=keep)
    there = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    assert there == {"d.toml": OTHER.encode()} | ({"d.toml.bak": TEXT.encode()} if keep else {})


def test_a_whole_text_is_not_put_over_one_that_nobody_read(tmp_path: Path) -> None:
    path = written(tmp_path, TEXT + "# a line of mine\n")
    with pytest.raises(InputError, match=r"d\.toml: has been changed since it was read"):
        put_text(path, OTHER, read=TEXT, keep=True)
    assert [each.read_bytes() for each in tmp_path.iterdir()] == [(TEXT + "# a line of mine\n").encode()]


@pytest.mark.parametrize(
    "make",
    [
        lambda path: write_edited(path, [Edit("group[2].start_mm", 210.0)]),
        lambda path: put_text(path, OTHER, read=TEXT, keep=True),
    ],
    ids=["edited", "put"],
)
def test_what_somebody_else_saves_while_we_write_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: Callable[[Path], object]
) -> None:
    path, write = written(tmp_path), Path.write_bytes

    def saved_meanwhile(beside: Path, content: bytes) -> int:
        write(path, b"# theirs\n" + TEXT.encode())
        return write(beside, content)

    monkeypatch.setattr(Path, "write_bytes", saved_meanwhile)
    with pytest.raises(InputError, match="has been changed since it was read"):
        make(path)
    assert [(each.name, each.read_bytes()) for each in tmp_path.iterdir()] == [
        ("d.toml", b"# theirs\n" + TEXT.encode())
    ]
