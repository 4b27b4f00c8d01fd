"""The order of work, and a file that lets tomorrow go on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from synth.errors import InputError
from synth.recording.tuning_progress import LastTap, begun, progress_path

NAME = ('low "D".1', "low D.2", "a.1", "a.2")
TARGET = np.array([220.0, 110.0, np.nan, 165.0])


def tap(cents: float, *, done: bool) -> LastTap:
    return LastTap(cents, 0.25, done, "2024-05-06T07:08:09+02:00", 17.5)


def test_low_tines_come_first_and_those_without_a_pitch_never(tmp_path: Path) -> None:
    assert begun(NAME, TARGET, first=None, path=tmp_path / "x").order == (1, 3, 0)
    assert begun(NAME, TARGET, first=3, path=tmp_path / "x").order == (3, 0, 1)
    with pytest.raises(InputError, match=r"a\.1 no pitch"):
        begun(NAME, TARGET, first=2, path=tmp_path / "x")


def test_what_is_kept_is_read_again_and_what_is_done_is_passed_over(tmp_path: Path) -> None:
    path = progress_path(tmp_path / "rail.toml")
    progress = begun(NAME, TARGET, first=None, path=path)
    progress.last[1] = tap(-1.5, done=True)
    progress.last[0] = tap(12.25, done=False)
    progress.keep(path)
    again = begun(NAME, TARGET, first=None, path=path)
    assert path.name == "rail.tuning.toml"
    assert again.last == progress.last
    assert again.left() == [3, 0]
    assert again.following() == 3


@pytest.mark.parametrize("text", ["[tine", "tine = 3", '[tine."a.2"]\ncents = 1.0', "\xff"])
def test_a_spoilt_file_is_one_line_and_stays_as_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rail.tuning.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match="cannot be read as progress"):
        begun(NAME, TARGET, first=None, path=path)
    assert path.read_bytes() == text.encode("latin-1")
