"""What the command line says of slips, and of counts and figures that are next to nothing."""

import os
import re
from pathlib import Path

import pytest

from synth.doors.cli import run
from synth.errors import InputError
from synth.files import write_text

SYNTH = Path(__file__).parents[2] / "synth"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["draft", "--notes", "D3 F3 A3"],
            "'D3 F3 A3' is not a note name; put commas between notes: D3,F3,A3",
        ),
        (["draft", "--notes", "D3;F3"], "'D3;F3' is not a note name; put commas between notes: D3,F3"),
        (
            ["draft", "--notes", "D3,x"],
            "'x' is not a note name; write a letter, # or b, and the octave: C#4, Bb2",
        ),
        (
            ["draft", "--notes", "D3", "--tines", "many"],
            "Invalid value for '--tines': 'many' is not a whole number; 1 to 40 is possible.",
        ),
    ],
)
def test_a_slip_in_a_wish_says_what_would_be_right(words, said, tmp_path, capsys):
    """Commas were not asked for; 'many' was "not a valid integer range"."""
    assert run([*words, "-o", str(tmp_path / "a.toml")]) == 2
    assert capsys.readouterr().err == f"error: {said}\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("option", ["--seconds", "--gain-db", "--bite-mm", "--lean"])
def test_a_word_for_a_number_is_told_from_where_to_where_numbers_go(slat, option, tmp_path, capsys):
    """It said: 'x' is not a valid float range."""
    words = ["stroke", str(slat.design), "--group", "low", "-o", str(tmp_path / "x.wav"), option, "x"]
    assert run(words) == 2
    assert re.fullmatch(
        rf"error: Invalid value for '{option}': 'x' is not a number; \S+ to \S+ is possible\.\n",
        capsys.readouterr().err,
    )


def test_a_draft_of_one_group_counts_one_group(tmp_path, capsys):
    """It counted "1 groups"."""
    assert run(["draft", "--notes", "D3", "-o", str(tmp_path / "a.toml")]) == 0
    assert "a.toml: 1 group, 9 tines; " in capsys.readouterr().out.replace("\n", "")


def test_a_folder_that_takes_no_files_is_named_as_that(tmp_path, monkeypatch):
    """It asked whether a file that is not there is open in another program."""

    def refused(source, goal):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refused)
    monkeypatch.setattr("synth.files._PATIENCE", 0.1)
    with pytest.raises(InputError, match="its folder takes no files from you: name another"):
        write_text(tmp_path / "a.csv", "new")


def test_no_figure_with_a_sign_is_minus_nothing():
    """ "D3 -0" and "-0.0 dB": every signed figure says z, which takes the sign of a nought away (PEP 682)."""
    signed = re.compile(r":\+\.\d[fg]\}")
    left = [f"{path.name}: {line}" for path in SYNTH.rglob("*.py") for line in path.read_text("utf-8").splitlines()
            if signed.search(line)]  # fmt: skip
    assert left == []


@pytest.mark.parametrize("kind", ["OutputStream", "InputStream"])
@pytest.mark.parametrize("device", [None, "organ"])
def test_a_sound_device_that_was_not_named_is_not_blamed_by_option(kind, device, monkeypatch):
    """`tune --listen F --tones` without a card blamed --device, which nobody had given."""
    from types import SimpleNamespace

    from synth.doors import devices

    def missing(**_):
        raise ValueError("no device")

    sound = SimpleNamespace(PortAudioError=OSError, **{kind: missing})
    monkeypatch.setattr(devices, "_sounddevice", lambda: sound)
    opened = (
        devices.sound_device(device, lambda *_: None, rate=48_000, block=64, channels=2)
        if kind == "OutputStream"
        else devices.microphone(device, rate=48_000, block=64)
    )
    with pytest.raises(InputError) as refused, opened:
        pass
    assert refused.value.location == ("" if device is None else "--device")
