"""Nuts written into a design: refused, the folder is as it was."""

import pytest

from synth.errors import InputError
from synth.workshop import written


def test_a_refused_change_leaves_neither_a_backup_nor_a_changed_file(made, straight, tmp_path, monkeypatch):
    def refuse(*_):
        raise InputError("the nuts could not be put into this file")

    instrument = made(straight)
    design = next(path for path in tmp_path.iterdir() if path.suffix == ".toml")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    monkeypatch.setattr(written, "_check", refuse)
    with pytest.raises(InputError, match="could not be put"):
        written.write_trims(design, instrument, {})
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_change_that_holds_keeps_the_old_file_beside_it(made, straight, tmp_path):
    instrument = made(straight)
    design = next(path for path in tmp_path.iterdir() if path.suffix == ".toml")
    old = design.read_bytes()
    copy = written.write_trims(design, instrument, {})
    assert copy.read_bytes() == old
    assert sorted(tmp_path.iterdir()) == sorted([design, copy])
