"""Live playing for real: MIDI in through JACK, sound out through PortAudio, caught and held against renders.

JACK's dummy driver stands in for a sound card. The machine's own server, if it has one, is left alone.
"""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg  # noqa: F401 its library must be there to be held to one thread
import soundfile
from threadpoolctl import threadpool_limits

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.script import read_script
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.render import play

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
NOTE_ON, A2 = 0x90, 45
BIT_24 = 2.0**-23
VELOCITIES = (30, 50, 70, 90)
GAP = 0.4  # s between notes
HEARD = RATE // 10  # frames of each stroke that are compared
LATEST = RATE * 35 // 100  # frames after its key at which a stroke is looked for
TRIES = 4  # a machine that is busy with other work misses blocks, and what is caught has a gap

pytestmark = [
    pytest.mark.realtime,
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("jackd") is None, reason="no JACK server (apt-get install jackd2)"),
]


@pytest.fixture
def server(jack_server, monkeypatch):
    """The server, for MIDI as well."""
    pytest.importorskip("rtmidi", reason="no python-rtmidi")
    monkeypatch.setenv("MIDO_BACKEND", "mido.backends.rtmidi/UNIX_JACK")
    return jack_server


class Room:
    """A keyboard and two ears on the server: sends MIDI at exact frames, keeps all it hears."""

    def __init__(self, server):
        import jack

        for _ in range(50):
            assert server.poll() is None
            try:
                self.client = jack.Client("keys", no_start_server=True)
                break
            except jack.JackOpenError:
                time.sleep(0.1)
        self.midi = self.client.midi_outports.register("out")
        self.ears = [self.client.inports.register(f"in_{n}") for n in (1, 2)]
        self.heard, self.plan, self.sent, self.frames = [], [], [], 0
        self.missed = []  # cycles of the server that someone was late for: what was sent in one may be lost
        self.client.set_xrun_callback(self.missed.append)
        self.client.set_process_callback(self._process)
        self.client.activate()

    def _process(self, frames):
        self.midi.clear_buffer()
        while self.plan and self.plan[0][0] < self.frames + frames:
            frame, message = self.plan.pop(0)
            self.midi.write_midi_event(max(0, frame - self.frames), message)
            self.sent.append(max(frame, self.frames))
        self.heard.append(np.stack([each.get_array().copy() for each in self.ears]))
        self.frames += frames

    def listen(self):
        outputs = self.client.get_ports("PortAudio", is_audio=True, is_output=True)
        for output, ear in zip(outputs, self.ears, strict=True):
            self.client.connect(output, ear)

    def play(self):
        begin = self.frames + RATE // 5
        self.plan += [
            (begin + round(n * GAP * RATE), (NOTE_ON, A2, velocity)) for n, velocity in enumerate(VELOCITIES)
        ]

    def close(self):
        self.client.deactivate()
        self.client.close()


def performed(server, folder, block):
    """One performance: what was caught (C, N), the frames of the notes, the lines that were told, missed cycles."""
    room = Room(server)
    words = [
        str(DESIGN),
        "--midi-port",
        "keys",
        "--latency-ms",
        "200",
        "--block",
        block,
        "--record",
        str(folder / "take.wav"),
    ]
    command = [sys.executable, "-c", "from synth.doors.cli import main; main()", "live", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as player:
        told = []
        for line in player.stdout:
            told.append(line)
            if "own delay" in line:
                break
        assert player.poll() is None, player.stderr.read()
        room.listen()
        room.play()
        time.sleep(0.2 + GAP * len(VELOCITIES) + 1.0)
        player.send_signal(signal.SIGTERM)  # as a supervisor ends it: the take is kept
        rest, errors = player.communicate(timeout=20)
        assert player.returncode == 0, errors
    room.close()
    return np.concatenate(room.heard, axis=1), room.sent, [*told, rest], room.missed


def offline(folder):
    """The recorded script, rendered, full scale 1."""
    instrument = resolve(load(DESIGN), str(DESIGN))
    with threadpool_limits(1):
        piece = read_script(folder / "take.toml", instrument)
        return piece, play(instrument, piece).sound() / FULL_SCALE


def free_port():
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return probe.getsockname()[1]


def place_of(part, caught):
    """Where in what was caught (C, N) a part of the offline render (C, n) lies: N not much longer than n."""
    from scipy.signal import correlate

    return int(
        np.argmax(sum(correlate(heard, mine, "valid") for heard, mine in zip(caught, part, strict=True)))
    )


@pytest.mark.parametrize("block", ["256", "128"])
def test_what_is_caught_is_the_offline_render_of_the_same_strokes(server, tmp_path, block):
    equal = set()
    for number in range(TRIES):
        folder = tmp_path / str(number)
        folder.mkdir()
        caught, sent, told, missed = performed(server, folder, block)
        piece, expected = offline(folder)
        if missed and len(piece.played) < len(VELOCITIES):
            continue
        assert len(piece.played) == len(VELOCITIES), told
        assert np.abs(expected).max() > 1e-3
        if ", 0 states and sounds late" not in told[-1]:
            continue
        # a block that comes too late is lost in the room only: the recording has no gaps
        recorded = soundfile.read(folder / "take.wav")[0].T
        frames = min(recorded.shape[1], expected.shape[1])
        assert np.abs(recorded[:, :frames] - expected[:, :frames]).max() < 1.5 * BIT_24
        for n, (each, frame) in enumerate(zip(piece.played, sent, strict=True)):
            first = round(each.event.start * RATE)
            part = expected[:, first : first + HEARD]
            at = frame + place_of(part, caught[:, frame : frame + LATEST + HEARD])
            if np.abs(caught[:, at : at + HEARD] - part).max() < BIT_24:
                equal.add(n)
                assert 0 < at - frame < RATE  # after its key, by the stated law and what the machine adds
        if len(equal) == len(VELOCITIES):
            break
    assert equal == set(range(len(VELOCITIES)))


def test_when_the_server_goes_it_is_told_and_the_take_is_kept(server, tmp_path):
    words = [str(DESIGN), "--midi-socket", f"localhost:{free_port()}", "--record", str(tmp_path / "take.wav")]
    command = [sys.executable, "-c", "from synth.doors.cli import main; main()", "live", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as player:
        for line in player.stdout:
            if "own delay" in line:
                break
        time.sleep(0.3)
        server.terminate()
        out, errors = player.communicate(timeout=20)
    assert player.returncode == 1, errors
    assert "ended: the sound device is gone" in out
    assert soundfile.info(tmp_path / "take.wav").frames > 0


def test_a_keyboard_that_is_unplugged_is_played_on_again_when_it_returns(server, tmp_path):
    """And one whose port's process is lost, as where its library follows a pointer that nobody has set yet."""
    room = Room(server)
    words = [str(DESIGN), "--midi-port", "keys", "--record", str(tmp_path / "take.wav")]
    command = [sys.executable, "-c", "from synth.doors.cli import main; main()", "live", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as player:
        told = iter(player.stdout)
        next(line for line in told if "own delay" in line)
        room.close()
        gone = next(line for line in told if "MIDI port" in line)
        room = Room(server)
        back = next(line for line in told if "MIDI port" in line)
        ports = [each for each in children(player.pid) if "_rtmidi" in maps(each)]
        assert len(ports) == Path("/proc/self/maps").exists()
        for port in ports:
            os.kill(port, signal.SIGSEGV)
            lost = next(line for line in told if "MIDI port" in line)
            assert lost.strip() == "the MIDI port 'keys' was lost and is back"
            assert not maps(port)
        room.play()
        time.sleep(0.2 + GAP * len(VELOCITIES) + 1.0)
        player.send_signal(signal.SIGTERM)
        out, errors = player.communicate(timeout=20)
        room.close()
    assert gone.strip() == "the MIDI port 'keys' is gone: it is played on again when it returns"
    assert back.strip() == "the MIDI port 'keys' is back"
    assert player.returncode == 0, errors
    assert f"; {len(VELOCITIES)} strokes" in out
    assert soundfile.info(tmp_path / "take.wav").frames > RATE


def children(process):
    """None where there is no /proc to tell."""
    tasks = Path(f"/proc/{process}/task").glob("*/children")
    return [int(each) for task in tasks for each in task.read_text().split()]


def maps(process):
    path = Path(f"/proc/{process}/maps")
    return path.read_text() if path.exists() else ""
