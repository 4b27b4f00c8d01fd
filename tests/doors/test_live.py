"""Live playing without a sound card: sockets, keys, lists, refusals, a recording."""

import dataclasses
import os
import re
import signal
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import mido
import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its library must be there to be held to one thread
import soundfile
from mido.sockets import connect
from threadpoolctl import threadpool_limits

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors import devices
from synth.doors.cli import run
from synth.doors.drivers import quiet_drivers
from synth.doors.keyboard import keyboard
from synth.doors.live import checked_setting, live
from synth.doors.live_session import Setting, Stage
from synth.doors.ports import chosen, midi_socket
from synth.doors.recorder import script_beside, taped, write_script
from synth.errors import InputError
from synth.playing.script import read_script
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.live_output import LiveOutput
from synth.sound.livebank import LiveBank
from synth.sound.render import play, scene

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
    output = LiveOutput(bank, heard.radiator)
    stage = Stage(heard, Setting(), output)
    out, stop = [np.zeros((0, output.channels), np.float32)], threading.Event()

    def ask():
        begin = time.perf_counter()
        for n in range(100_000):
            time.sleep(max(0.0, begin + n * BLOCK / RATE - time.perf_counter()))
            block = np.zeros((BLOCK, output.channels), np.float32)
            output.fill(block)
            out.append(block)
            if stop.is_set():
                return

    with threadpool_limits(1):
        stage.make_ready()
        stage.performer.latency = 0.15  # whatever else this machine has to do
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
        midi_socket(f"localhost:{port}", stage.hear) as look,
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
        assert look() == ""
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
    assert stage.sound.bank.late_count == 0
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
    until(lambda: np.abs(played()).max(initial=0.0) > 1e-4)


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


@pytest.fixture
def no_card(monkeypatch):
    """PortAudio as it is where there is no card: it says so on its own, and raises."""
    import sounddevice

    def query(*_):
        os.write(2, b"ALSA lib confmisc.c:855: cannot find card '0'\n")
        raise sounddevice.PortAudioError("Error querying device -1")

    monkeypatch.setattr(sounddevice, "query_devices", query)

    def solve(*_, **__):
        raise AssertionError("this was to be said before anything is solved")

    monkeypatch.setattr("synth.sound.render.scene", solve)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "there is no sound device to play on; with --record FILE it is played into a file"),
        (["--device", "organ"], "--device: there is no sound device 'organ'; tinewright live --list shows"),
        (["--device", "organ", "--record", "{}/take.wav"], "there is no sound device 'organ'"),
    ],
)
def test_no_sound_card_is_said_in_one_line_before_anything_is_solved(words, said, no_card, capfd, tmp_path):
    words = [each.format(tmp_path) for each in words]
    assert run(["live", str(DESIGN), "--midi-socket", "localhost:9080", *words]) == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert said in line
    assert not list(tmp_path.iterdir())


def test_without_a_card_a_recording_is_played_silently(no_card, capfd, tmp_path):
    told = []
    chosen_by_player = Setting(midi_socket="localhost:9080", record=tmp_path / "take.wav")
    setting = checked_setting(chosen_by_player, tell=told.append)
    assert setting.silent
    assert told == [f"there is no sound device to play on: unheard, into {tmp_path / 'take.wav'}"]
    assert not capfd.readouterr().err


def test_drivers_are_quiet_and_this_program_is_not(capfd):
    with quiet_drivers():
        os.write(2, b"jack server is not running\n")
        print("ours", file=sys.stderr)
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "ours\nafter\n"


@pytest.fixture
def terminal(monkeypatch):
    ours, theirs = pytest.importorskip("pty", reason="a terminal of Unix").openpty()
    with os.fdopen(theirs, "r") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        yield ours
    os.close(ours)


def played_silently(heard, setting, doing):
    """What was told, and how long it took from when `doing` was done to the end."""
    told, done = [], []

    def tell(line):
        told.append(line)
        if "own delay" in line:
            threading.Thread(target=lambda: (doing(), done.append(time.perf_counter()))).start()

    assert live(heard, dataclasses.replace(setting, silent=True), tell=tell, show=lambda line: None)
    return told, time.perf_counter() - done[0]


@pytest.mark.realtime
@pytest.mark.parametrize("end", ["q", "Ctrl-C"])
def test_the_end_comes_within_half_a_second_whatever_waits(heard, terminal, end):
    def do():
        os.write(terminal, b"1" + b"asAS" * 500)
        time.sleep(0.5)
        if end == "q":
            os.write(terminal, b"q")
        else:
            os.kill(os.getpid(), signal.SIGINT)

    told, took = played_silently(heard, Setting(), do)
    assert took < 0.5
    left_out = re.search(r"(\d+) strokes, (\d+) left out as too late", told[-1])
    assert 0 < int(left_out[1]) < 100
    assert int(left_out[2]) > 100


@pytest.mark.realtime
def test_the_end_does_not_wait_for_a_contact_that_is_being_worked_out(sound_card):
    stage, _ = sound_card
    entered, striker = threading.Event(), stage.performer._striker

    def slow(*words, **named):
        entered.set()
        time.sleep(2.0)
        return striker.in_pieces(*words, **named)

    stage.performer._striker = SimpleNamespace(in_pieces=slow)
    other = Stage(stage.scene, stage.setting, stage.sound)
    other.performer = stage.performer
    with other.at_work():
        for _ in range(3):
            other.hear("a")
        assert entered.wait(5.0)
        began = time.perf_counter()
    assert time.perf_counter() - began < 0.4


@pytest.mark.realtime
def test_all_sound_off_reaches_the_process_of_the_sound(heard, terminal, tmp_path):
    port = free_port()

    def do():
        with connect("localhost", port) as keys:
            keys.send(mido.Message("note_on", note=A2, velocity=90))
            time.sleep(0.5)
            keys.send(mido.Message("control_change", control=120))
            time.sleep(0.4)
            os.write(terminal, b"q")

    played_silently(heard, Setting(record=tmp_path / "take.wav", midi_socket=f"localhost:{port}"), do)
    recorded = np.abs(soundfile.read(tmp_path / "take.wav")[0])
    assert recorded.max() > 1e-3
    assert recorded[-RATE // 5 :].max() <= 1e-3 * recorded.max()


@pytest.mark.realtime
def test_arrows_do_not_end_a_take_without_a_card_and_it_plays_again_as_it_was(heard, terminal, tmp_path):
    def do():
        for keys in (b"\x1b[A", b"a", b"\x1bOP", b"s", b"\x1b[B", b" "):
            os.write(terminal, keys)
            time.sleep(0.15)
        time.sleep(0.5)
        os.write(terminal, b"\x1b")

    played_silently(heard, Setting(record=tmp_path / "take.wav", latency=0.1), do)
    with threadpool_limits(1):
        piece = read_script(tmp_path / "take.toml", heard.instrument)
        offline = play(heard.instrument, piece).sound() / FULL_SCALE
    assert len(piece.played) == 4
    recorded, _ = soundfile.read(tmp_path / "take.wav")
    frames = min(len(recorded), offline.shape[1])
    assert frames > RATE
    assert np.abs(offline).max() > 1e-3
    assert np.abs(recorded[:frames] - offline[:, :frames].T).max() < 1.5 * BIT_24


@pytest.mark.realtime
def test_all_sound_off_is_heard_within_a_tenth_of_a_second_past_all_that_waits(sound_card):
    stage, played = sound_card
    off = mido.Message("control_change", control=120)
    for _ in range(300):
        stage.hear(mido.Message("note_on", note=A2, velocity=90))
    until(lambda: np.abs(played()).max(initial=0.0) > 1e-3)
    time.sleep(0.1)
    first = stage.sound.bank.frame
    stage.hear(off)
    until(lambda: stage.sound.bank.frame > first + RATE // 2)
    out = np.abs(played())
    loud = out[first - RATE // 10 : first].max()
    assert out[first + RATE // 10 : first + RATE // 2].max() <= 1e-3 * loud
    asked = time.perf_counter()
    for _ in range(500):
        stage.hear(off)
        time.sleep(0.001)
    stage.hear(mido.Message("note_on", note=A2, velocity=90))
    first = stage.sound.bank.frame
    until(lambda: np.abs(played()[first:]).max(initial=0.0) > 0.1 * loud)
    assert time.perf_counter() - asked < 2.0
    assert stage.performer.strokes < 100


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "there is nothing to play on"),
        (["--midi-socket", "nowhere"], "--midi-socket: cannot listen on 'nowhere'"),
        (["--record", "take.mp3"], "take.mp3: '.mp3' is not an audio format written here"),
        (["--ceiling-dbfs", "3"], "3.0 is not in the range"),
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
    out, errors = capfd.readouterr()
    assert not errors
    assert "MIDI input ports:" in out
    assert "sound devices:" in out


def test_only_devices_that_play_are_listed_by_the_number_they_are_asked_for_by(monkeypatch):
    from types import SimpleNamespace

    found = [
        {"name": "microphone", "hostapi": 0, "max_output_channels": 0},
        {"name": "card", "hostapi": 1, "max_output_channels": 6},
    ]
    system = SimpleNamespace(
        query_hostapis=lambda: [{"name": "A"}, {"name": "B"}], query_devices=lambda: found
    )
    monkeypatch.setattr(devices, "_sounddevice", lambda: system)
    assert devices.devices() == ["1: card, B, 6 channels"]


def test_a_microphone_marks_where_sound_was_lost(monkeypatch):
    from types import SimpleNamespace

    asked = {}

    class Stream:
        def start(self):
            for lost, value in ((False, 0.5), (True, 0.25)):
                asked["callback"](np.full((4, 1), value), 4, None, SimpleNamespace(input_overflow=lost))

        def close(self):
            asked["closed"] = True

    system = SimpleNamespace(
        InputStream=lambda **words: asked.update(words) or Stream(), PortAudioError=OSError
    )
    monkeypatch.setattr(devices, "_sounddevice", lambda: system)
    with devices.microphone("3", rate=48_000, block=4) as blocks:
        first, gap, second = (next(blocks) for _ in range(3))
    assert (first.tolist(), gap, second.tolist()) == ([0.5] * 4, None, [0.25] * 4)
    assert (asked["device"], asked["samplerate"], asked["blocksize"], asked["channels"]) == (3, 48_000, 4, 1)
    assert asked["closed"]


def test_a_silent_device_asks_for_a_block_as_often_as_a_card_would(monkeypatch):
    """Its clock is a made-up one: each block is waited for until it is due."""
    now, waits, blocks = [100.0], [], []

    class Over:
        def wait(self, seconds):
            waits.append(seconds)
            now[0] += seconds
            return len(waits) > 4

        def set(self):
            pass

    monkeypatch.setattr(threading, "Event", Over)
    monkeypatch.setattr(time, "perf_counter", lambda: now[0])
    fill = lambda out, _: blocks.append(out.shape)  # noqa: E731
    device = object.__new__(devices.SilentDevice)
    monkeypatch.setattr(threading, "Thread", lambda **_: type("T", (), {"start": lambda _: None})())
    device.__init__(fill, rate=48_000.0, block=480, channels=2)
    device._ask()
    assert blocks == [(480, 2)] * 4
    assert waits == pytest.approx([0.0, 0.01, 0.01, 0.01, 0.01])
