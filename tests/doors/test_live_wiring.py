"""What a player sets reaches the sound: from the command's words to the process that plays, without hardware."""

from __future__ import annotations

import dataclasses
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import synth.doors.cli.live  # noqa: F401 the command, whose name the function it calls shares
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors import audio_process as speaker_room
from synth.doors import live as live_room
from synth.doors import live_session as stage_room
from synth.doors.audio_process import SHARED, Job, Speaker
from synth.doors.cli import run
from synth.doors.devices import DeviceLostError
from synth.doors.live_session import Setting, Stage
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.live_contacts import Performer
from synth.sound.live_output import LAID, LiveOutput, Report
from synth.sound.livebank import Arrivals, LiveBank
from synth.sound.radiator import Direct
from synth.sound.render import scene
from synth.units import amplitude

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
HZ = 500.0
POLE = np.array([-1e-9 + 2j * np.pi * HZ])
EARS = Direct(np.array([[1.0], [0.5]], dtype=complex))


class StopError(Exception):
    """Ends what would otherwise open a device."""


def job_of(**chosen):
    usual = {
        "device": None,
        "silent": False,
        "block": 256,
        "gain_db": 0.0,
        "ceiling_db": -6.0,
        "record": None,
    }
    return Job(pole=POLE, radiator=EARS, **usual | chosen)


@pytest.fixture(scope="module")
def heard():
    return scene(resolve(load(DESIGN), str(DESIGN)), "bar")


@pytest.fixture
def cards(monkeypatch):
    """A sound card of any name, and the names that were looked for."""
    looked_for = []
    monkeypatch.setattr(live_room, "check_sound_device", looked_for.append)
    return looked_for


def test_every_word_of_the_command_is_set_in_its_unit(monkeypatch, tmp_path, cards):
    asked = []
    monkeypatch.setattr(live_room, "live", lambda scene, setting, **_: asked.append((scene, setting)) or True)
    before = signal.getsignal(signal.SIGTERM)
    words = {
        "--through": "panel",
        "--midi-port": "keys",
        "--midi-socket": "localhost:9",
        "--device": "card",
        "--block": "128",
        "--gain-db": "-7.5",
        "--ceiling-dbfs": "-12",
        "--record": str(tmp_path / "a.wav"),
        "--seconds": "2.5",
        "--latency-ms": "40",
    }
    assert (
        run(["live", str(DESIGN), "--allow-yield", *(each for pair in words.items() for each in pair)]) == 0
    )
    ((scene, setting),) = asked
    assert scene.through == "panel"
    assert setting == Setting(
        midi_port="keys",
        midi_socket="localhost:9",
        device="card",
        silent=False,
        block=128,
        gain_db=-7.5,
        ceiling_db=-12.0,
        record=tmp_path / "a.wav",
        seconds=2.5,
        latency=0.04,
        allow_yield=True,
    )
    assert cards == ["card"]
    assert signal.getsignal(signal.SIGTERM) == before


def test_without_words_the_gain_is_none_and_the_cap_six_decibels_down(monkeypatch, cards):
    asked = []
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr(live_room, "live", lambda scene, setting, **_: asked.append(setting) or True)
    assert run(["live", str(DESIGN)]) == 0
    assert asked == [Setting()]
    assert cards == [None]
    assert (Setting().gain_db, Setting().ceiling_db, Setting().latency) == (0.0, -6.0, 0.0)


@pytest.mark.parametrize("silent", [False, True])
def test_the_process_of_the_sound_is_given_what_was_set(monkeypatch, heard, tmp_path, silent):
    jobs = []

    def made(job):
        jobs.append(job)
        raise StopError

    monkeypatch.setattr(live_room, "Speaker", made)
    record = tmp_path / "a.wav"
    setting = Setting(device="card", silent=silent, block=64, gain_db=9.0, ceiling_db=-20.0, record=record)
    with pytest.raises(StopError):
        live_room.live(heard, setting, tell=lambda words: None, show=lambda words: None)
    (job,) = jobs
    assert (job.device, job.silent, job.block) == ("card", silent, 64)
    assert (job.gain_db, job.ceiling_db, job.record) == (9.0, -20.0, record)
    np.testing.assert_array_equal(job.pole, heard.model.pole)
    assert job.radiator is heard.radiator


def test_a_voice_in_the_process_has_the_jobs_gain_and_cap(monkeypatch):
    voices = []
    monkeypatch.setattr(speaker_room, "hurry", lambda: None)
    monkeypatch.setattr(speaker_room, "_sound", lambda job, voice, pipe, shared: voices.append(voice))
    before = signal.getsignal(signal.SIGINT)
    try:
        for job in (job_of(gain_db=6.0, ceiling_db=-1.0), job_of(gain_db=40.0, ceiling_db=-20.0)):
            speaker_room._speak(job, SimpleNamespace(recv_bytes=lambda: b"begin"), None)
    finally:
        signal.signal(signal.SIGINT, before)
    quiet, loud = (played(voice, 0.1 * FULL_SCALE) for voice in voices)
    assert np.abs(quiet).max() == pytest.approx(0.1 * amplitude(6.0), rel=1e-3)
    assert np.abs(loud).max() == pytest.approx(amplitude(-20.0), rel=1e-3)


def played(voice, pascals):
    voice.add(np.array([0.0]), np.array([[complex(pascals)]]))
    return asked(voice, blocks=8)


def asked(voice, blocks):
    out = np.zeros((256 * blocks, voice.channels), np.float32)
    for first in range(0, len(out), 256):
        voice.fill(out[first : first + 256])
    return out


@pytest.fixture
def piped():
    """The player's side, the messages that it sends, and what has a voice read them on the other side."""
    messages = []
    player = Speaker.__new__(Speaker)
    player._pipe = SimpleNamespace(send_bytes=messages.append)
    player._shared = [0.0] * len(SHARED)

    def read_by(voice):
        ended, waiting = threading.Event(), iter(messages)

        def next_of_pipe():
            for message in waiting:
                return message
            raise EOFError

        speaker_room._receive(SimpleNamespace(recv_bytes=next_of_pipe), voice, ended)
        assert ended.is_set()

    return player, messages, read_by


def touch(dice, points, channels):
    signals = 0.1 * dice.standard_normal((points, LAID + 50)).astype(
        np.float32
    )  # more than go into one message
    pressure = 0.1 * dice.standard_normal((channels, 900)).astype(np.float32)
    return SimpleNamespace(
        driven=SimpleNamespace(frame=100, signals=signals), stick=SimpleNamespace(frame=37, pressure=pressure)
    )


def test_states_and_touches_go_through_the_pipe_as_if_there_were_none(piped):
    """Messages of the player's side, read by the other: the voice plays what it would have been given directly."""
    player, messages, read_by = piped
    dice = np.random.default_rng(3)
    pole = -dice.uniform(1.0, 50.0, 5) + 2j * np.pi * dice.uniform(100.0, 5000.0, 5)
    weights = dice.standard_normal((2, 5)) + 1j * dice.standard_normal((2, 5))
    time = np.sort(dice.uniform(0.005, 0.02, 70))  # more than go into one message
    rows = 0.1 * (dice.standard_normal((70, 5)) + 1j * dice.standard_normal((70, 5)))
    one_ear = SimpleNamespace(
        channels=1, stream=lambda rate: lambda signals: signals.sum(axis=0, keepdims=True)
    )
    direct, other = (LiveOutput(LiveBank(pole, weights, rate=RATE), one_ear) for _ in range(2))
    player._arrivals, struck = Arrivals(pole, RATE), touch(dice, points=2, channels=1)
    direct.add(time, rows)
    direct.post("signals", struck.driven.frame, struck.driven.signals, silences=0)  # whole
    direct.post("pressure", struck.stick.frame, struck.stick.pressure, silences=0)
    player.add(time, rows)
    player.lay(struck)
    assert len(messages) == 3 + 2 + 1
    read_by(other)
    expected, sound = (asked(voice, blocks=70) for voice in (direct, other))
    assert not expected[:37].any()
    assert np.abs(expected[37:100]).min() > 0.0  # the stick alone
    assert np.abs(expected[LAID + 100 : LAID + 150]).min() > 0.0
    np.testing.assert_array_equal(sound, expected)


def test_what_goes_through_the_pipe_carries_the_silences_that_its_player_knew_of(piped):
    player, _, read_by = piped
    player._arrivals, struck = Arrivals(POLE, RATE), touch(np.random.default_rng(4), points=2, channels=2)
    read = []
    for _ in range(3):
        player.add(np.array([0.01]), np.array([[1.0 + 0.5j]]))
        player.lay(struck)
        player.silence()
    bank = LiveBank(POLE, EARS.weights, rate=RATE)
    read_by(
        SimpleNamespace(
            bank=bank, channels=2, post=lambda layer, frame, sound, silences: read.append((layer, silences))
        )
    )
    layers = ("states", "signals", "signals", "pressure")
    assert read == [(layer, silences) for silences in range(3) for layer in layers]
    assert player._shared[SHARED.index("silences")] == 3.0


def test_how_it_goes_is_told_across_the_memory_number_by_number():
    report = Report(blocks=11, missed=2, share=0.3, recent=0.4, worst=0.5, late_count=6, deepest=7.5)
    voice = SimpleNamespace(
        clock=SimpleNamespace(start=12.25), bank=SimpleNamespace(frame=48_000), report=lambda: report
    )
    player = Speaker.__new__(Speaker)
    player._shared = [0.0] * len(SHARED)
    player._shared[SHARED.index("latency")] = 0.0125
    speaker_room._tell(voice, player._shared)
    assert player.report() == report
    assert player.latency == 0.0125
    assert player.seconds == 1.0
    assert player.second(14.0) == 1.75


@pytest.fixture
def stage(heard):
    bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
    setting = Setting(block=128, ceiling_db=-12.0, latency=0.25, allow_yield=True)
    return Stage(heard, setting, LiveOutput(bank, heard.radiator, ceiling_db=-12.0))


def test_the_lead_that_is_asked_for_comes_on_top_of_what_was_measured(stage, monkeypatch):
    monkeypatch.setattr(stage.performer, "rehearse", lambda: 0.05)
    stage.make_ready()
    assert stage.performer.latency == pytest.approx(0.3)
    assert stage.performer._block == pytest.approx(128 / RATE)
    assert stage.performer.settings.allow_yield


def test_the_player_is_told_block_lead_and_cap_as_they_are(stage):
    stage.performer.latency = 0.3
    said = stage.words()
    assert "block 128 samples (2.7 ms)" in said
    assert "a stroke begins 300 ms after its key; " in said
    assert "nothing above -12 dBFS, 88 dB SPL where full scale is 100" in said


def test_status_and_summary_tell_each_number_in_its_place(stage, monkeypatch):
    report = Report(blocks=11, missed=2, share=0.031, recent=0.4, worst=0.55, late_count=6, deepest=7.5)
    monkeypatch.setattr(stage.sound, "report", lambda: report)
    stage.performer.strokes, stage.performer.dropped, stage.unplayable = 9, 4, 3
    assert stage.status() == "load 40 % of a core, missed blocks 2, late 6, strokes 9, limiter -7.5 dB"
    assert stage.summary() == (
        "11 blocks, 2 missed; load 3.1 % of a core, at worst 55 % of a block; 9 strokes, "
        "4 left out as too late, 6 states and sounds late, 3 notes without a group; limiter at most -7.5 dB"
    )


def test_memory_is_given_back_once_when_nothing_is_left_to_do_and_never_before(stage, monkeypatch):
    """It takes 10 ms, and all that is worked out stands still meanwhile."""
    performer, tidied, kept_up = stage.performer, [], []
    wanted = [0.0] * 3

    def keep_up(now, **_):
        kept_up.append(len(tidied))
        if wanted:
            wanted.pop()

    monkeypatch.setattr(stage_room, "give_memory_back", lambda: tidied.append(len(kept_up)))
    monkeypatch.setattr(performer, "next_wanted", lambda: wanted[-1] if wanted else None)
    monkeypatch.setattr(performer, "next_added", lambda: None)
    monkeypatch.setattr(performer, "keep_up", keep_up)
    monkeypatch.setattr(performer, "play", lambda *_, **__: wanted.extend([0.0] * 2))
    with stage.at_work():
        for times in (1, 2):
            end = time.monotonic() + 20.0
            while len(tidied) < times and time.monotonic() < end:
                time.sleep(0.01)
            time.sleep(3.0 * stage_room.REST)
            assert len(tidied) == times
            if times == 1:
                stage.hear("a")
    assert (tidied, kept_up) == ([3, 5], [0, 0, 0, 1, 1])


@pytest.mark.parametrize("act", ["play", "keep_up", "finish"])
def test_a_fault_of_the_program_in_the_contacts_ends_the_playing_and_is_told(
    heard, monkeypatch, tmp_path, act
):
    """Else every key were mute without a word; what was played until then is kept."""

    class Unheard(LiveOutput):
        latency, there, cut, seconds = 0.0, True, False, 1.5

        def __enter__(self):
            record.write_bytes(b"sound")

        def __exit__(self, *_):
            pass

    @contextmanager
    def keys():
        waiting = ["s", "a"]

        def read(seconds):
            time.sleep(seconds)
            looks.append(seconds)
            return waiting.pop() if waiting else "q" if act == "finish" else ""

        yield read

    def fail(*_, **__):
        raise ZeroDivisionError("in a contact")

    record, told, kept, looks = tmp_path / "take.wav", [], [], []
    bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
    monkeypatch.setattr(live_room, "Speaker", lambda job: Unheard(bank, heard.radiator))
    monkeypatch.setattr(live_room, "keyboard", keys)
    monkeypatch.setattr(live_room, "write_script", lambda *what, **_: kept.append(what[0]) or True)
    monkeypatch.setattr(Performer, "rehearse", lambda self: 0.01)
    monkeypatch.setattr(Performer, act, fail)
    with pytest.raises(ZeroDivisionError, match="in a contact"):
        live_room.live(heard, Setting(record=record, seconds=20.0), tell=told.append, show=lambda line: None)
    assert sum(looks) < 10.0
    assert kept == [tmp_path / "take.toml"]
    assert told[-2].startswith("0 blocks, 0 missed")
    assert told[-1] == "ended: the program failed, as is told below; no key sounds any more"


def test_a_stroke_that_would_bend_a_tine_for_good_is_played_where_that_is_allowed(heard):
    from synth.playing.stroke import Stroke
    from synth.sound.render import ContactSettings

    stick = heard.instrument.sticks["brass"]
    hard = Stroke(group=0, stick=stick, start=0.1, bite=18e-3, speed=4.0, grip="firm")
    outcomes = []
    for allowed in (False, True):
        bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
        performer = Performer(
            heard,
            LiveOutput(bank, heard.radiator),
            block=0.005,
            settings=ContactSettings(allow_yield=allowed),
            clock=lambda: 0.0,
        )
        performer.play(hard, 0.1)
        while performer.next_wanted() is not None:
            performer.keep_up(0.1)
        outcomes.append((len(performer.played), performer.remarks[0]))
    assert [count for count, _ in outcomes] == [0, 1]
    assert "not played" in outcomes[0][1]
    assert "bent for good" in outcomes[1][1] or "yield" in outcomes[1][1]


def test_the_device_s_delay_missed_blocks_and_loss_are_told(monkeypatch):
    """A device that takes three blocks, two of them too late, and is gone: the player's side reads just that."""
    voice = LiveOutput(LiveBank(POLE, EARS.weights, rate=RATE), EARS)
    shared, sent, flushed, hold = [0.0] * len(SHARED), [], [], threading.Event()

    class Stream:
        latency = 0.011

        def __init__(self, fill):
            self.fill, self.looks = fill, 0

        @property
        def active(self):
            self.looks += 1
            if self.looks == 1:
                for late in (True, False, True):
                    self.fill(np.zeros((480_000, 2), np.float32), SimpleNamespace(output_underflow=late))
            return self.looks == 1

    @contextmanager
    def opened(job, voice, fill):
        yield Stream(fill), lambda: flushed.append(voice.bank.frame)

    def nothing_comes():
        hold.wait(30.0)
        raise EOFError

    monkeypatch.setattr(speaker_room, "_opened", opened)
    pipe = SimpleNamespace(send=sent.append, recv_bytes=nothing_comes)
    with pytest.raises(DeviceLostError):
        speaker_room._sound(job_of(), voice, pipe, shared)
    hold.set()
    player = Speaker.__new__(Speaker)
    player._shared, player._process = shared, SimpleNamespace(is_alive=lambda: True)
    assert sent == [None]
    assert flushed == [0, 3 * 480_000]
    assert player.latency == 0.011
    assert (player.report().blocks, player.report().missed) == (3, 2)
    assert player.seconds == 30.0
    assert not player.there


def test_what_was_played_is_written_with_what_it_was_heard_through(heard, tmp_path):
    from synth.doors.recorder import write_script
    from synth.playing.script import read_script
    from synth.playing.script_writer import as_written
    from synth.playing.stroke import Stroke

    stick = heard.instrument.sticks["brass"]
    one = as_written(Stroke(group=1, stick=stick, start=0.25, speed=0.31, direction="backward", lean=0.2))
    performer = SimpleNamespace(scene=dataclasses.replace(heard, through="panel"), played=[one])
    assert write_script(tmp_path / "a.toml", performer, name="a", seconds=1.5)
    piece = read_script(tmp_path / "a.toml", heard.instrument)
    assert [(each.event, each.through) for each in piece.played] == [(one, "panel")]
    assert piece.seconds == pytest.approx(1.5)
    nothing = SimpleNamespace(scene=heard, played=[])
    assert not write_script(tmp_path / "b.toml", nothing, name="b", seconds=1.0)
    assert not (tmp_path / "b.toml").exists()


def test_the_process_of_the_sound_lets_go_of_its_device_before_it_is_gone(tmp_path):
    """PortAudio is ended by what waits for a process's end: a JACK server that loses it unasked misses blocks."""
    mark = tmp_path / "let go"
    code = (
        "import atexit, pathlib; from synth.doors import audio_process as room; "
        f"mark = pathlib.Path({str(mark)!r}); atexit.register(mark.touch); "
        "room._speak = lambda *_: None; room._only_speak(None, None, None); mark.unlink()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert mark.exists()
