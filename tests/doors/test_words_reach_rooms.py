"""The words of a command reach the rooms below: each set away from its default, what is dear replaced by a note."""

import ast
import importlib
import inspect
import textwrap
from types import SimpleNamespace

import pytest

from synth.doors.cli import COMMANDS, arguments, hearing, run
from synth.sound.surroundings import Surroundings


class Noted:
    """Replaces functions by ones that note what they are given, and give what is said."""

    def __init__(self, monkeypatch):
        self.of, self.monkeypatch = {}, monkeypatch

    def __call__(self, *names, **given):
        for name in names:
            kept = name.rsplit(".", 1)[1]

            def noting(*words, _kept=kept, **named):
                self.of.setdefault(_kept, []).append((words, named))
                return given.get(_kept)

            self.monkeypatch.setattr(name, noting)


@pytest.fixture
def noted(monkeypatch):
    return Noted(monkeypatch)


def test_calibrate_fits_what_is_asked_for_with_lengths_as_measured(slat, noted, tmp_path):
    piece = SimpleNamespace(tree="tree", tines=[2])
    found = SimpleNamespace(edits=["an edit"])
    noted("synth.doors.cli.calibrate._piece", _piece=(["a claim"], piece))
    noted("synth.doors.cli.bench.listen", listen=["measured"])
    noted("synth.doors.cli.bench.approve", "synth.recording.calibration_list.calibration_words")
    noted("synth.recording.parameters.unknowns", unknowns=["unknown"])
    noted("synth.recording.calibrate.calibrate", calibrate=found)
    noted("synth.recording.calibrate.to_write", to_write=["rounded"])
    noted("synth.design.edit.write_edited")
    words = [
        "--tine",
        "low.2",
        "--length",
        "low.2=98.5",
        "--length-sd-mm",
        "0.05",
        "--fit",
        "youngs",
        "--fit",
        "clamp-loss",
    ]
    out = tmp_path / "corrected.toml"
    slat.said("calibrate", "a.wav", "b.wav", *words, "--yes", "-o", out)
    ((_, row, measured, tines, lengths, sd), _) = noted.of["_piece"][0]
    assert (measured, tines, lengths, sd) == (["measured"], ("low.2",), ("low.2=98.5",), 0.05)
    assert row.length.tolist() == slat.row.length.tolist()
    assert [str(each) for each in noted.of["listen"][0][0][0]] == ["a.wav", "b.wav"]
    assert noted.of["approve"][0][0][1:] == (["a claim"], True)
    assert noted.of["unknowns"][0][0][0] == "tree"
    assert noted.of["unknowns"][0][0][2] == [2]
    assert noted.of["calibrate"][0][0] == (piece, ["unknown"], ("youngs", "clamp-loss"))
    assert noted.of["to_write"][0][0][0] == ["an edit"]
    ((design, edits), how) = noted.of["write_edited"][0]
    assert (design, edits, how) == (slat.design, ["rounded"], {"read": slat.design.read_text(), "goal": out})
    slat.said("calibrate", "a.wav", "-o", out)
    assert noted.of["calibrate"][1][0][2] is None
    assert noted.of["approve"][1][0][2] is False


@pytest.mark.parametrize("noise", [False, True])
def test_a_stroke_is_as_long_as_asked_and_an_ear_is_asked_of_it_where_no_noise_is(
    slat, noted, monkeypatch, tmp_path, noise
):
    room = Surroundings("Hall", noise)
    monkeypatch.setattr(
        arguments, "surroundings_of", lambda instrument, name, loud: room if name == "hall" else None
    )
    noted("synth.sound.render.scene", scene="a scene")
    noted(
        "synth.sound.render.perform",
        perform=SimpleNamespace(warnings=["a warning"], reports=["own", "other"]),
    )
    noted(
        "synth.doors.cli.hearing.write",
        "synth.doors.cli.hearing.in_room",
        write=["written"],
        in_room=["the room"],
    )
    noted("synth.sound.sensitivity.moved_by_the_fingers", moved_by_the_fingers="moved")
    noted("synth.sound.sensitivity.words", words="by the fingers")
    noted("synth.doors.cli.stroke._write_report")
    out, report = tmp_path / "a.wav", tmp_path / "a.json"
    words = [
        "--seconds",
        "2.5",
        "--room",
        "hall",
        "--gain-db",
        "-4",
        "--through",
        "panel",
        "--fresh",
        "--seed",
        "7",
    ]
    told = slat.said("stroke", "--group", "aside", *words, "--report", report, "-o", out)
    assert told.splitlines() == ["written", "the room", "by the fingers", "a warning"]
    assert noted.of["scene"] == [((slat.instrument, "panel"), {"surroundings": room, "fresh": True})]
    (((scene, (wanted,)), how),) = noted.of["perform"]
    assert (scene, wanted.group, how["seconds"]) == ("a scene", 1, 2.5)
    assert (how["settings"].seed, how["settings"].stick) == (7, True)
    assert noted.of["write"][0][1] == {"gain_db": -4.0, "touch": None if noise else wanted.start}
    assert noted.of["in_room"][0][0] == ("a scene", slat.instrument, wanted, how["settings"])
    assert noted.of["_write_report"] == [(("own", report), {})]
    assert noted.of["moved_by_the_fingers"][0][0] == ("a scene", wanted, how["settings"])


@pytest.mark.parametrize(
    ("words", "board"), [((), "panel"), (("--board", "panel"), "panel"), (("--board", "none"), None)]
)
def test_a_drawing_stands_on_the_first_board_or_the_one_that_is_named(slat, noted, tmp_path, words, board):
    noted(
        "synth.workshop.drawing_sheet.drawing_sheet", drawing_sheet=SimpleNamespace(width=400.0, height=250.0)
    )
    noted("synth.workshop.picture.write_svg_sheet", "synth.workshop.picture.write_pdf_sheet")
    for suffix in ("svg", "PDF"):
        out = tmp_path / f"a.{suffix}"
        assert slat.said("drawing", *words, "-o", out) == f"wrote {out}: 400 x 250 mm\n"
        assert noted.of[f"write_{suffix.lower()}_sheet"][0][0][1] == out
    instrument, length, trim, under = noted.of["drawing_sheet"][0][0]
    assert under == (None if board is None else slat.instrument.boards[board])
    assert length.tolist() == slat.row.length.tolist()
    assert (instrument, trim) == (slat.instrument, slat.row.trim)


def test_a_map_shows_every_quarrel_over_the_shapes_of_the_loaded_bar(slat, noted, tmp_path):
    noted("synth.vibration.solve.solve_quarrels", solve_quarrels=("one", "two", "three"))
    noted("synth.vibration.quarrels.loaded_shapes", loaded_shapes=("shapes", "pitches"))
    figure = SimpleNamespace(savefig=lambda path, dpi: path.write_bytes(b"a picture"))
    noted("synth.workshop.map.draw_map", draw_map=figure)
    slat.said("map", "-o", tmp_path / "a.png")
    ((instrument, row, quarrels, shapes), _) = noted.of["draw_map"][0]
    assert (quarrels, shapes) == (("one", "two", "three"), "shapes")
    assert (instrument, row.trim) == (slat.instrument, slat.row.trim)
    assert (tmp_path / "a.png").read_bytes() == b"a picture"


def test_a_board_is_held_against_the_bar_alone(slat, noted, monkeypatch):
    monkeypatch.setattr(
        "synth.sound.board_forecast.solve_foretold", lambda _, __, name, *, fresh: f"on {name}"
    )
    noted("synth.sound.board_forecast.changes", "synth.sound.board_forecast.sentences", sentences=["said"])
    noted("synth.sound.boardsheet.solve_sheet", solve_sheet="sheet")
    noted("synth.workshop.board_list.stroke_words", stroke_words=["heard"])
    noted("synth.workshop.board_list.board_words", board_words="words")
    assert slat.said("board", "panel") == "words\n"
    assert noted.of["changes"][0][0] == (slat.instrument, "on None", "on panel")
    assert noted.of["sentences"][0][0] == (slat.instrument, "panel", "on None", "on panel")
    assert noted.of["board_words"][0][0][1:] == ("panel", "sheet", None, ["said", "heard"], None)
    assert noted.of["solve_sheet"][0] == ((slat.instrument, "panel"), {"fresh": False})


def test_what_hears_a_file_knows_when_it_was_touched(noted, tmp_path):
    import numpy as np

    noted("synth.sound.ear.describe", "synth.sound.ear.stroke_sentences", stroke_sentences=["ear"])
    block = np.full((2, 480), 1e-3)
    rendering = SimpleNamespace(blocks=iter([block, 2.0 * block]), block_count=2, through="bar")
    said = hearing.write(rendering, tmp_path / "a.wav", gain_db=3.0, touch=0.25)
    assert said[0].startswith(f"{tmp_path / 'a.wav'}: 0.02 s through bar, gain +3.0 dB")
    ((heard, rate), how) = noted.of["describe"][0]
    assert (heard.shape, rate, how) == ((2, 960), 48_000, {"since": 0.25})
    assert said[-1] == "ear"


def test_no_recording_of_several_is_written_over(tmp_path, capsys):
    files = [tmp_path / name for name in ("a.wav", "b.wav")]
    for each in files:
        each.write_bytes(b"mine")
    words = ["calibrate", "tests/data/two-tines.toml", *map(str, files), "-o", str(files[1]), "--overwrite"]
    assert run(words) == 2
    assert "b.wav: this file is read by this command" in capsys.readouterr().err
    assert files[1].read_bytes() == b"mine"


@pytest.mark.parametrize("name", COMMANDS)
def test_no_word_of_a_command_is_read_and_dropped(name):
    """Every argument and option has its parameter, and every parameter is looked at in the body."""
    module = importlib.import_module(f"synth.doors.cli.{name}")
    function = inspect.unwrap(module.command.callback)
    (tree,) = ast.parse(textwrap.dedent(inspect.getsource(function))).body
    assert isinstance(tree, ast.FunctionDef)
    given = {each.arg for each in (*tree.args.args, *tree.args.kwonlyargs)}
    gathered = {tree.args.kwarg.arg} if tree.args.kwarg else set()
    asked = {each.name for each in module.command.params if each.expose_value}
    assert asked - given == set() or gathered
    assert given <= asked
    looked_at = {
        each.id for each in ast.walk(tree) if isinstance(each, ast.Name) and isinstance(each.ctx, ast.Load)
    }
    assert (given | gathered) - looked_at == set()
