"""Live playing without a sound card: sockets, keys, lists, refusals, a recording."""

import os
import pty
import threading
import time
from pathlib import Path

import mido
import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its library must be there to be held to one thread
import soundfile
from mido.sockets import connect
from threadpoolctl import threadpool_limits

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.doors.keyboard import keyboard
from synth.doors.ports import chosen, midi_socket
from synth.doors.stage import Setting, Stage
from synth.doors.take import script_beside, taped, write_script
from synth.errors import InputError
from synth.playing.score import read_script
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.livebank import LiveBank
from synth.sound.performer import Pace
from synth.sound.render import play, scene
from synth.sound.voice import Voice

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
A2 = 45
BLOCK = 256
BIT_24 = 2.0**-23


@pytest.fixture(scope="module")
def heard():
    return scene(resolve(load(DESIGN), str(DESIGN)), "bar")


@pytest.fixture
def sound_card(heard):
    """A stage whose blocks are asked for in time by a thread, as a driver would; what it played, put together."""
    bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
    stage = Stage(heard, Setting(), Voice(bank, heard.radiator))
    out, stop = [], threading.Event()

    def ask():
        begin = time.perf_counter()
        for n in range(100_000):
            time.sleep(max(0.0, begin + n * BLOCK / RATE - time.perf_counter()))
            block = np.zeros((BLOCK, stage.sound.channels), np.float32)
            stage.sound.fill(block)
            out.append(block)
            if stop.is_set():
                return

    with threadpool_limits(1):
        stage.make_ready()
        stage.performer.pace = Pace(0.1, 0.5)  # whatever else this machine has to do
        card = threading.Thread(target=ask, daemon=True)
        with stage.at_work():
            card.start()
            yield stage, lambda: np.concatenate(out)
            stop.set()
            card.join()


def free_port():
    import socket

    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return probe.getsockname()[1]


def until(condition, seconds=10.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "this should have come by now"
        time.sleep(0.01)


@pytest.mark.realtime
def test_what_comes_in_by_mido_s_sockets_is_recorded_and_plays_again_as_it_was(sound_card, tmp_path):
    stage, _ = sound_card
    port = free_port()
    with (
        midi_socket(f"localhost:{port}", stage.hear) as alive,
        taped(tmp_path / "take.wav", stage.sound) as flush,
    ):
        first = stage.sound.bank.frame  # the tape begins here, the script at the first block of all
        with connect("localhost", port) as keys:
            for velocity in (40, 60, 80):
                keys.send(mido.Message("note_on", note=A2, velocity=velocity))
                time.sleep(0.15)
            keys.send(mido.Message("note_off", note=A2))
            keys.send(mido.Message("note_on", note=100, velocity=64))
        until(lambda: len(stage.performer.played) == 4 and stage.unplayable == 1)
        assert alive()
        until(lambda: stage.sound.bank.frame > (stage.performer.played[-1].start + 0.5) * RATE)
        flush()
    seconds = stage.sound.bank.frame / RATE
    assert write_script(tmp_path / "take.toml", stage.performer, name="take", seconds=seconds)
    instrument = stage.scene.instrument
    piece = read_script(tmp_path / "take.toml", instrument)
    assert [each.event for each in piece.played] == stage.performer.played
    offline = play(instrument, piece).sound() / FULL_SCALE
    recorded, rate = soundfile.read(tmp_path / "take.wav")
    assert rate == RATE
    part = offline[:, first : first + len(recorded)].T
    assert stage.sound.bank.late == 0
    assert np.abs(part).max() > 1e-3
    assert (
        np.abs(recorded[: len(part)] - part).max() < 1.5 * BIT_24
    )  # a bit for the sum, half a bit for the file


@pytest.mark.realtime
def test_keys_of_the_terminal_play_too(sound_card):
    stage, played = sound_card
    for key in "3as ":
        stage.hear(key)
    until(lambda: len(stage.performer.played) == 4)
    groups = [each.group for each in stage.performer.played]
    assert groups == [0, 1, 0, 1]
    until(lambda: np.abs(played()).max() > 1e-4)


def test_the_terminal_gives_keys_one_by_one_and_is_put_back_as_it_was(monkeypatch):
    import termios

    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        before = termios.tcgetattr(theirs)
        with keyboard() as read:
            os.write(ours, b"aS")
            assert read(1.0) == "aS"
            assert read(0.0) == ""
            assert not termios.tcgetattr(theirs)[3] & termios.ICANON
        assert termios.tcgetattr(theirs) == before
    os.close(ours)


def test_where_there_is_no_terminal_there_are_no_keys(monkeypatch):
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        with keyboard() as read:
            assert read is None


def test_a_port_is_found_by_name_part_or_number():
    names = ["Keys:out 1", "Pads:out"]
    assert chosen("Pads:out", names) == "Pads:out"
    assert chosen("keys", names) == "Keys:out 1"
    assert chosen("1", names) == "Pads:out"
    assert chosen("organ", names) is None


def test_a_script_never_takes_the_place_of_a_file(tmp_path):
    (tmp_path / "rail.toml").write_text("a design")
    with pytest.raises(InputError, match=r"rail\.toml: the stroke script would go here"):
        script_beside(tmp_path / "rail.wav")
    assert script_beside(tmp_path / "take.wav") == tmp_path / "take.toml"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "there is nothing to play on"),
        (["--midi-socket", "nowhere"], "--midi-socket: cannot listen on 'nowhere'"),
        (["--record", "take.mp3"], "take.mp3: '.mp3' is not an audio format written here"),
        (["--cap-dbfs", "3"], "3.0 is not in the range"),
    ],
)
def test_what_cannot_be_opened_is_told_in_one_line(words, said, monkeypatch, capsys):
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        assert run(["live", str(DESIGN), *words]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert said in lines[-1]


def test_the_list_tells_what_is_missing_and_is_no_error(capfd):
    assert run(["live", "--list"]) == 0
    out = capfd.readouterr().out
    assert "MIDI input ports:" in out
    assert "sound devices:" in out
