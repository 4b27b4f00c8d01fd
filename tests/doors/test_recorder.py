"""A take on the disk: as it is played, whole in the end, and to be heard whatever ends the program."""

import os
import signal
import subprocess
import sys
from collections import deque
from pathlib import Path

import numpy as np
import pytest
import soundfile

from synth.doors import recorder
from synth.doors.recorder import script_beside, taped, unfinished
from synth.errors import InputError
from synth.sound.audio import RATE

ROOT = Path(__file__).resolve().parents[2]
BIT = 2.0**-23  # of 24 bits


class Voice:
    """What plays, as the recorder sees it."""

    channels = 2

    def keep(self):
        self.tape = deque()
        return self.tape

    def play(self, seconds, seed=1):
        """Noise; returned too, (n, 2)."""
        played = np.random.default_rng(seed).uniform(-0.5, 0.5, (round(seconds * RATE), 2)).astype(np.float32)
        self.tape += [played[at : at + 4096] for at in range(0, len(played), 4096)]
        return played


@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_a_take_is_what_was_played_and_stands_in_its_place_in_the_end(tmp_path, kind):
    path, voice = tmp_path / f"take.{kind}", Voice()
    path.write_bytes(b"an older take")
    with taped(path, voice) as flush:
        parts = [voice.play(4.0, seed) for seed in range(4) if flush()]
        assert path.read_bytes() == b"an older take"
    assert np.abs(soundfile.read(path)[0] - np.concatenate(parts)).max() < BIT
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_the_header_of_a_take_under_way_is_seconds_old_at_most(tmp_path):
    path, voice = tmp_path / "take.wav", Voice()
    with taped(path, voice) as flush:
        played = voice.play(12.0)
        flush()
        heard = soundfile.read(unfinished(path))[0]
        assert len(heard) >= (12.0 - recorder.TOLD) * RATE - 4096
        assert np.abs(heard - played[: len(heard)]).max() < BIT


PLAYING = """
import sys, time
from pathlib import Path
from tests.doors.test_recorder import Voice
from synth.doors.recorder import taped
voice = Voice()
with taped(Path(sys.argv[1]), voice) as flush:
    voice.play(12.0)
    flush()
    print("played", flush=True)
    time.sleep(60.0)
"""


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_a_take_that_was_killed_can_be_heard_and_no_other_goes_over_it(tmp_path, kind):
    path = tmp_path / f"take.{kind}"
    with subprocess.Popen(
        [sys.executable, "-c", PLAYING, str(path)], stdout=subprocess.PIPE, cwd=ROOT
    ) as player:
        assert player.stdout.readline() == b"played\n"
        player.send_signal(signal.SIGKILL)
    blocks = soundfile.SoundFile(unfinished(path))
    heard = blocks.read(6 * RATE)
    assert np.abs(heard - all_played()[: len(heard)]).max() < BIT
    assert len(heard) > 5 * RATE
    with pytest.raises(InputError, match="a take that was cut off stands here"):
        script_beside(path)


def all_played():
    voice = Voice()
    voice.keep()
    return voice.play(12.0)


def test_a_disk_that_takes_no_more_ends_the_take_and_not_the_playing(tmp_path, monkeypatch):
    path, voice = tmp_path / "take.wav", Voice()
    real, written = soundfile.SoundFile.write, []

    def write(self, block):
        if len(written) == 20:
            raise soundfile.LibsndfileError(2)
        written.append(len(block))
        real(self, block)

    monkeypatch.setattr(soundfile.SoundFile, "write", write)
    with taped(path, voice) as flush:
        voice.play(1.0)
        assert flush()
        played = voice.play(3.0)
        assert not flush()
        voice.play(1.0)
        assert not flush()
    heard = soundfile.read(path)[0]
    assert len(heard) == sum(written)
    assert np.abs(heard[RATE:] - played[: len(heard) - RATE]).max() < BIT


def test_a_take_of_which_nothing_was_played_leaves_no_file(tmp_path):
    with pytest.raises(InputError), taped(tmp_path / "take.wav", Voice()):
        raise InputError("the sound device cannot be opened", remedy="name another")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_minutes_of_a_take_leave_the_memory_as_it_was(tmp_path):
    def held():
        text = Path("/proc/self/status").read_text(encoding="ascii")
        return int(text.split("RssAnon:")[1].split()[0]) / 1024.0

    voice = Voice()
    with taped(tmp_path / "take.wav", voice) as flush:
        voice.play(10.0)
        flush()
        before = held()
        for _ in range(12):
            voice.play(10.0)
            flush()
        assert held() - before < 5.0  # MiB; kept, it would be 45
        assert not voice.tape
