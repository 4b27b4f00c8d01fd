"""The package's front door: its few public names, what each says of itself, and a cheap import."""

import dataclasses
import inspect
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import synth
from synth.doors.cli import run
from synth.playing.stroke import CONTROLS

ROOT = Path(__file__).resolve().parent.parent
NAMES = ["Check", "HeardBoard", "InputError", "Modes", "OpenDesign", "Sound", "__version__", "open"]
CLASSES = [synth.Check, synth.HeardBoard, synth.Modes, synth.OpenDesign, synth.Sound]
SHAPE = re.compile(r"\((?:[A-Z],|[A-Z](?:, [A-Z2-9])+)\)")  # (M,) or (R, 2, N)
UNIT = re.compile(r"\b(Hz|s|mm|m|Pa|dB|dBFS|N|g|m/\(N s\)|Pa/N)(?!\w)|full scale")


def members(kind):
    """The public functions and properties that a class defines."""
    for name, member in vars(kind).items():
        if not name.startswith("_") and (inspect.isroutine(member) or hasattr(member, "__get__")):
            found = getattr(member, "fget", None) or getattr(member, "func", None) or member
            found = getattr(found, "__func__", found)
            if inspect.isfunction(found):
                yield pytest.param(found, id=f"{kind.__name__}.{name}")


FUNCTIONS = [*(each for kind in CLASSES for each in members(kind)), pytest.param(synth.open, id="open")]


def returned(function):
    return str(inspect.signature(function).return_annotation)


def test_the_public_names_are_these():
    assert sorted(synth.__all__) == NAMES
    assert set(synth.__all__) <= set(dir(synth))
    for name in set(NAMES) - {"__version__"}:
        assert getattr(synth, name).__module__.startswith("synth.")
    with pytest.raises(AttributeError, match="it has open, OpenDesign"):
        _ = synth.lode


def test_the_walk_meets_what_a_user_calls():
    assert {
        "OpenDesign.stroke",
        "OpenDesign.with_",
        "Sound.samples",
        "Sound.loudness",
        "HeardBoard.response",
    } <= {each.id for each in FUNCTIONS}


@pytest.mark.parametrize("function", FUNCTIONS)
def test_every_public_function_says_its_shapes_units_and_errors(function):
    said = inspect.getdoc(function) or ""
    assert re.match(r"[A-Z].*", said), "no sentence"
    if "NDArray" in returned(function) or "Array" in returned(function):
        assert SHAPE.search(said), "no shape"
        assert UNIT.search(said), "no unit"
    if returned(function) == "float":
        assert UNIT.search(said), "no unit"
    takes = [each for each in inspect.signature(function).parameters if each not in ("self", "cls")]
    if takes and function.__name__ != "of":
        assert "InputError" in said, "no word of what it refuses"


@pytest.mark.parametrize("kind", CLASSES)
def test_every_public_type_says_what_each_field_is(kind):
    said = inspect.getdoc(kind)
    assert said
    for field in dataclasses.fields(kind) if dataclasses.is_dataclass(kind) else ():
        if not field.name.startswith("_"):
            assert f"`{field.name}`" in said, field.name
            if str(field.type) == "Array":
                assert re.search(rf"`{field.name}` {SHAPE.pattern} (Hz|s|mm|is what part)", said), field.name


def test_a_stroke_tells_of_every_control_that_the_table_has():
    said = inspect.getdoc(synth.OpenDesign.stroke) or ""
    assert [each.key for each in CONTROLS if f"`{each.key}`" not in said] == []


def test_the_version_is_one_everywhere(capsys):
    assert re.fullmatch(r"\d+\.\d+\.\d+", synth.__version__)
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.split() == ["tinewright,", "version", synth.__version__]
    done = subprocess.run(
        [
            sys.executable,
            "-S",
            "-c",
            "import synth; print(synth.__version__)",
        ],  # no installed package is seen
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    assert done.stdout.strip() == synth.__version__


def test_the_module_runs_as_the_command_does():
    words = [sys.executable, "-m", "synth", "check", "no-such.toml"]
    done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, check=False)
    assert (done.returncode, done.stderr.strip()) == (2, "error: no-such.toml: there is no such file")


def loaded_by(code):
    """The modules that a fresh Python loads for some code."""
    print_new = "print(*sorted(set(sys.modules) - before))"
    words = [sys.executable, "-c", f"import sys; before = set(sys.modules); {code}; {print_new}"]
    return subprocess.run(words, capture_output=True, text=True, cwd=ROOT, check=True).stdout.split()


def test_the_package_itself_loads_nothing():
    loaded = loaded_by("import synth")
    assert {each for each in loaded if each.startswith("synth")} == {"synth", "synth.version"}
    assert "numpy" not in loaded


def test_opening_a_design_loads_no_heavy_library():
    loaded = loaded_by(f"import synth; synth.open({str(ROOT / 'designs' / 'quay-rail.toml')!r})")
    heavy = {"numba", "scipy.signal", "scipy.optimize", "matplotlib", "soundfile", "sounddevice", "IPython"}
    assert heavy & set(loaded) == set()


def test_the_whole_example_runs_on_a_small_design(tmp_path):
    ins = synth.open(ROOT / "tests" / "data" / "boarded.toml")
    assert ins.check().free_length_mm == pytest.approx([150.0, 120.0])
    modes = ins.modes(through="panel")
    assert np.all(np.diff(modes.frequency_hz) >= 0.0)
    sound = ins.stroke("up", speed_mm_s=300, through="panel", seconds=0.5)
    sound.write(tmp_path / "up.wav")
    assert sound.samples.shape == (2, 24_000)
    assert "<audio controls" in sound._repr_html_()
    piece = ins.play("[[stroke]]\nat_s = 0.1\ngroup = 'up'\n")
    assert piece.seconds == pytest.approx(4.1)
    assert ins.board("panel").response([100.0, 200.0, 400.0]).shape == (2, 2, 3)
    assert ins.with_({"bar.section.height_mm": 12}).instrument.bar.section.height == pytest.approx(0.012)
    for each in (ins, ins.check(), modes, sound, piece, ins.board("panel")):
        assert re.fullmatch(r"<\w+ .+>", repr(each))
