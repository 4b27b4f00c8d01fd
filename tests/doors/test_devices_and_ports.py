"""What devices and ports are asked for, and what of them is given on; nothing is opened."""

import gc
import platform
import signal
import subprocess
import sys
from contextlib import suppress
from types import SimpleNamespace

import numpy as np
import pytest

from synth.doors import devices, ports, recorder, threads
from synth.doors.live import checked_setting
from synth.doors.live_session import Setting
from synth.errors import InputError

NAMES = ["Keys:out 20:0", "Pads:out 24:0", "Drum 3 28:1"]


class Stream:
    """Keeps what it was asked for."""

    def __init__(self, **words):
        self.words, self.closed = words, False

    def start(self):
        pass

    def close(self):
        self.closed = True


@pytest.fixture
def system(monkeypatch):
    """PortAudio's binding, in which everything that is made is kept."""
    made = []

    def stream(**words):
        made.append(Stream(**words))
        return made[-1]

    asked = []
    found = SimpleNamespace(
        made=made,
        asked=asked,
        InputStream=stream,
        OutputStream=stream,
        PortAudioError=OSError,
        query_devices=lambda *words: asked.append(words),
        _terminate=lambda: asked.append("let go"),
    )
    monkeypatch.setattr(devices, "_sounddevice", lambda: found)
    return found


def test_blocks_of_a_microphone_stay_as_they_were_when_the_driver_fills_its_own_again(system):
    with devices.microphone(None, rate=44_100, block=4) as blocks:
        (stream,) = system.made
        buffer = np.zeros((4, 1), np.float32)
        for value in (0.5, 0.25):
            buffer[:] = value
            stream.words["callback"](buffer, 4, None, SimpleNamespace(input_overflow=False))
        assert [next(blocks).tolist() for _ in range(2)] == [[0.5] * 4, [0.25] * 4]
    assert (stream.words["device"], stream.words["dtype"]) == (None, "float32")


@pytest.mark.parametrize(("named", "device"), [("3", 3), ("USB", "USB"), (None, None)])
def test_a_sound_device_is_opened_as_it_is_named_and_asks_with_its_flags(system, named, device):
    filled = []
    with devices.sound_device(
        named, lambda *given: filled.append(given), rate=48_000, block=128, channels=2
    ) as stream:
        callback = stream.words.pop("callback")
        assert stream.words == {
            "device": device,
            "samplerate": 48_000,
            "blocksize": 128,
            "channels": 2,
            "dtype": "float32",
            "latency": "low",
        }
        callback("out", 128, "time", "flags")
    assert filled == [("out", "flags")]
    assert stream.closed
    devices.check_sound_device(named)
    assert system.asked == [(device, "output"), "let go"]  # a microphone of that name is none to play on


def test_a_port_is_its_number_its_name_or_a_part_of_it_and_no_number_past_the_last():
    assert [ports.chosen(each, NAMES) for each in ("0", "2", "pads", "DRUM")] == [
        NAMES[0],
        NAMES[2],
        NAMES[1],
        NAMES[2],
    ]
    assert ports.chosen("3", NAMES) == "Drum 3 28:1"  # no number of a port, but a part of a name
    assert ports.chosen("3", NAMES[:2]) is None
    assert ports.chosen("2", NAMES[:2]) == NAMES[0]  # of "20:0"


def test_a_port_that_returns_is_the_same_one_under_a_new_number_and_never_another():
    assert ports.returned("keys", NAMES[0], NAMES) == NAMES[0]
    assert ports.returned("keys", NAMES[0], ["Pads:out 24:0", "Keys:out 32:0"]) == "Keys:out 32:0"
    assert ports.returned("keys", NAMES[0], ["My Keys 7:0"]) == "My Keys 7:0"
    assert ports.returned("0", NAMES[0], ["Pads:out 24:0"]) is None  # whatever stands first now
    assert ports.returned("keys", NAMES[0], ["Pads:out 24:0"]) is None


def test_a_port_that_goes_is_told_once_and_taken_again(monkeypatch):
    there, opened = [NAMES[:2]], []

    def opens(name, receive):
        opened.append((name, receive))
        return Stream()

    backend = SimpleNamespace(names=lambda: there[0], open=opens)
    port = ports.WatchedPort(backend, "pads", NAMES[1], "receive")
    first = port._port
    assert port.look() == ""
    there[0] = NAMES[:1]
    assert port.look() == "the MIDI port 'pads' is gone: it is played on again when it returns"
    assert first.closed
    assert port.look() == ""
    there[0] = [*NAMES[:1], "Pads:out 40:0"]
    assert port.look() == "the MIDI port 'pads' is back"
    assert port.look() == ""
    assert opened == [(NAMES[1], "receive"), ("Pads:out 40:0", "receive")]


def test_a_port_whose_process_is_lost_is_taken_again_in_the_same_look(monkeypatch):
    opened = []

    def opens(name, receive):
        opened.append(Stream())
        return opened[-1]

    port = ports.WatchedPort(SimpleNamespace(names=lambda: NAMES, open=opens), "pads", NAMES[1], "receive")
    opened[0].closed = True
    assert port.look() == "the MIDI port 'pads' was lost and is back"
    assert port._port is opened[1]
    assert port.look() == ""
    opened[1].closed = True
    monkeypatch.setattr(port._backend, "open", lambda *_: 1 / 0)
    assert port.look() == "the MIDI port 'pads' is gone: it is played on again when it returns"
    assert port.look() == ""
    monkeypatch.setattr(port._backend, "open", opens)
    assert port.look() == "the MIDI port 'pads' is back"


def test_its_own_look_at_the_ports_is_none_of_them():
    backend = ports.Backend.__new__(ports.Backend)
    backend._probe = SimpleNamespace(get_ports=lambda: ["tinewright looks", *NAMES])
    assert backend.names() == NAMES


def test_a_named_device_that_is_missing_is_refused_though_it_is_recorded(monkeypatch, tmp_path):
    def none(_):
        raise InputError("there is none")

    monkeypatch.setattr("synth.doors.live.check_sound_device", none)
    told = []
    setting = Setting(midi_socket="localhost:9080", record=tmp_path / "take.wav")
    assert checked_setting(setting, tell=told.append).silent
    for wrong in (
        Setting(midi_socket="localhost:9080", record=tmp_path / "take.wav", device="organ"),
        Setting(midi_socket="localhost:9080"),
    ):
        with pytest.raises(InputError, match="there is none"):
            checked_setting(wrong, tell=told.append)
    assert told == [f"there is none: unheard, into {tmp_path / 'take.wav'}"]


def test_a_take_goes_to_its_place_in_the_end_or_where_the_device_is_lost_and_else_stays_unfinished(tmp_path):
    class LostError(Exception):
        pass

    for ending, stands in ((LostError, "take.wav"), (ValueError, "take (unfinished).wav")):
        (tmp_path / ending.__name__).mkdir()
        path = tmp_path / ending.__name__ / "take.wav"
        waiting = [np.full((64, 2), 0.25, np.float32)]
        voice = SimpleNamespace(channels=2, keep=lambda w=waiting: SimpleDeque(w))
        with suppress(ending), recorder.taped(path, voice, lost=LostError):
            raise ending
        assert [each.name for each in path.parent.iterdir()] == [stands]


class SimpleDeque(list):
    def popleft(self):
        return self.pop(0)


def test_a_script_that_stands_there_or_a_folder_of_its_name_is_in_the_way(tmp_path):
    (tmp_path / "take.toml").write_text("mine")
    with pytest.raises(InputError, match="is there already"):
        recorder.script_beside(tmp_path / "take.flac")
    assert recorder.script_beside(tmp_path / "other.flac") == tmp_path / "other.toml"


def test_threads_collection_and_interrupts_are_put_back_as_they_were():
    before, handler = sys.getswitchinterval(), signal.getsignal(signal.SIGINT)
    with threads.calm_threads():
        assert sys.getswitchinterval() == pytest.approx(0.0005)
    assert sys.getswitchinterval() == pytest.approx(before)
    frozen, collected = gc.get_freeze_count(), gc.get_threshold()
    for often in (700, 200_000):
        gc.set_threshold(often)
        with threads.nothing_to_collect():
            assert gc.get_freeze_count() > frozen
            assert gc.get_threshold()[0] == min(often, threads.FEW)
        assert gc.get_threshold()[0] == often
    assert gc.get_freeze_count() == 0
    gc.set_threshold(*collected)
    with threads.deaf_to_interrupts():
        assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN
    assert signal.getsignal(signal.SIGINT) is handler


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_what_was_freed_between_things_that_stay_goes_back_to_the_system():
    """Two of three pieces are freed: 150 MB that glibc keeps, since none of it is at the heap's end."""
    code = (
        "from synth.doors.threads import give_memory_back\n"
        "def held(): return int(next(l for l in open('/proc/self/status') if 'RssAnon' in l).split()[1])\n"
        "pieces = [bytes([1]) * 50_000 for n in range(4500)]\n"
        "filled = held()\n"
        "for n in range(4499): pieces[n] = pieces[n] if n % 3 == 0 else None\n"
        "kept = held()\n"
        "give_memory_back()\n"
        "print(filled, kept, held(), sum(map(sum, filter(None, pieces))))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    filled, kept, left, stay = map(int, done.stdout.split())
    assert kept > filled - 10_000  # kB
    assert left < filled - 120_000
    assert stay == 50_000 * 1501


@pytest.mark.parametrize(
    ("words", "terminal", "playable"),
    [
        ({}, False, False),
        ({}, True, True),
        ({"midi_port": "keys"}, False, True),
        ({"midi_socket": "localhost:9080"}, False, True),
    ],
)
def test_there_must_be_something_to_play_on(monkeypatch, words, terminal, playable):
    monkeypatch.setattr("synth.doors.live.check_sound_device", lambda _: None)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: terminal))
    setting = Setting(**words)
    if playable:
        assert checked_setting(setting, tell=None) is setting
    else:
        with pytest.raises(InputError, match="there is nothing to play on"):
            checked_setting(setting, tell=None)
