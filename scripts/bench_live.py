"""What live playing costs: `python scripts/bench_live.py [--seconds 60] [--block 128] [--per-second 20] [--json]`.

168 tines in 14 groups on a board (the instrument of bench_performance.py), 48 kHz, played by JACK MIDI on a JACK
server with the dummy driver, caught at the sound card's side and compared with the offline render of what was
recorded. Prints the audio callback's share of one core, missed blocks and gaps in what was caught, how long after
its key a stroke begins, and the machine's load meanwhile. Targets: 30 % of one core, no missed block in 60 s.

The named alternative in the same run: a recursion for every mode by scipy.signal.lfilter, the same block, quiet.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from bench_performance import ROOTS, design
from jack_server import guest, on, server
from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact.stroke_contact import Contact
from synth.playing.midi_mapping import notes, speed_of_velocity
from synth.playing.script import read_script
from synth.playing.stroke import Stroke
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.livebank import LiveBank
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, Scene, play, scene, strike
from synth.units import amplitude

NOTE_ON = 0x90
EXPRESSION = (0xB0, 11, 64)  # half the bite: twenty full strokes a second would bend tines
GAIN_DB = -30.0
VELOCITIES = (127, 100, 64, 32, 16, 1)
TIMES = 3  # each stroke is measured
SERVER = "bench"


class Room:
    """A keyboard and two ears on the server."""

    def __init__(self) -> None:
        self.client = guest("keys")
        self.midi = self.client.midi_outports.register("out")
        self.ears = [self.client.inports.register(f"in_{n}") for n in (1, 2)]
        self.heard: list[Any] = []
        self.plan: list[tuple[int, tuple[int, int, int]]] = []
        self.sent: list[int] = []
        self.frames = 0
        self.client.set_process_callback(self._process)
        self.client.activate()

    def _process(self, frames: int) -> None:
        self.midi.clear_buffer()
        while self.plan and self.plan[0][0] < self.frames + frames:
            frame, message = self.plan.pop(0)
            self.midi.write_midi_event(max(0, frame - self.frames), message)
            if message[0] == NOTE_ON:
                self.sent.append(max(frame, self.frames))
        self.heard.append(np.stack([each.get_array().copy() for each in self.ears]))
        self.frames += frames

    def listen(self) -> None:
        outputs = self.client.get_ports("PortAudio", is_audio=True, is_output=True)
        for output, ear in zip(outputs, self.ears, strict=True):
            self.client.connect(output, ear)


def perform(folder: Path, heard: Scene, words: argparse.Namespace) -> dict[str, Any]:
    """One performance on a server of its own; what came of it."""
    with server(SERVER, rate=RATE, period=words.period, how=words.server):
        room = Room()
        seconds = words.seconds + 3.0
        command = [sys.executable, "-c", "from synth.doors.cli import main; main()", "live"]
        command += [str(folder / "design.toml"), "--through", "panel", "--midi-port", "keys", "--allow-yield"]
        command += [
            "--block",
            str(words.block),
            "--record",
            str(folder / "take.wav"),
            "--seconds",
            str(seconds),
        ]
        command += [
            "--gain-db",
            str(GAIN_DB),
            "--ceiling-dbfs",
            "0",
        ]  # the limiter must not change what is compared
        player = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        assert player.stdout is not None
        told = [next(player.stdout) for _ in range(3)]
        room.listen()
        dice = random.Random(7)
        numbers = sorted(notes(heard.instrument))
        begin = room.frames + RATE // 2
        room.plan += [(begin, EXPRESSION)]
        room.plan += [
            (
                begin + round((n + 0.5 * dice.random()) * RATE / words.per_second),
                (NOTE_ON, dice.choice(numbers), dice.randint(*words.velocities)),
            )
            for n in range(int(words.seconds * words.per_second))
        ]
        loads = []
        while player.poll() is None:
            loads.append(getattr(os, "getloadavg", lambda: (math.nan,) * 3)()[0])
            time.sleep(1.0)
        told += player.stdout.read().splitlines()
        room.client.deactivate()
        room.client.close()
    return compared(folder, heard, room, told) | {
        "load_average": float(np.mean(loads)),
        "cores": os.cpu_count(),
    }


def compared(folder: Path, heard: Scene, room: Room, told: list[str]) -> dict[str, Any]:
    """What was caught against the offline render of the recorded script."""
    piece = read_script(folder / "take.toml", heard.instrument)
    pressure = play(heard.instrument, piece, settings=ContactSettings(allow_yield=True)).sound()
    expected = (pressure * amplitude(GAIN_DB) / FULL_SCALE).astype(np.float32)
    caught = np.concatenate(room.heard, axis=1)
    shift = _onset(caught) - _onset(expected)
    frames = min(caught.shape[1] - shift, expected.shape[1])
    wrong = np.abs(caught[:, shift : shift + frames] - expected[:, :frames]).max(axis=0)
    starts = [each.event.start for each in piece.played if isinstance(each.event, Stroke)]
    # a stroke that was refused has no start: then keys and starts cannot be told apart
    pairs = zip(starts, room.sent, strict=True) if len(starts) == len(room.sent) else []
    delays = [(shift + start * RATE - sent) / RATE for start, sent in pairs] or [math.nan]
    return {
        "told": [line.strip() for line in told],
        "keys": len(room.sent),
        "strokes": len(starts),
        "peak": float(np.abs(expected).max()),
        "greatest_difference": float(wrong.max()),
        "first_difference_s": float(np.argmax(wrong > 2e-6) / RATE) if wrong.max() > 2e-6 else None,
        "gesture_to_start_ms": {
            f"{share} %": round(1e3 * float(np.percentile(delays, share)), 1)
            for share in (5, 50, 95, 99, 100)
        },
    }


def _onset(sound: Any) -> int:
    return int(np.argmax(np.abs(sound).max(axis=0) > 1e-5))


def callbacks(heard: Scene, block: int) -> dict[str, float]:
    """Microseconds a block, ours and by recursions, one after the other."""
    from scipy.signal import lfilter

    bank = LiveBank(heard.model.pole, heard.radiator.weights, rate=RATE)
    sound = np.zeros((2, block), np.float32)
    ours = _median(lambda: bank.fill(sound))
    turn = np.exp(bank.log_pole_per_frame)
    state = np.zeros((len(turn), 1), complex)
    silent = np.zeros(block)

    def recursions() -> None:
        for m, z in enumerate(turn):
            _, state[m] = lfilter([1.0], [1.0, -z], silent, zi=state[m])

    return {"block_us": ours, "lfilter_block_us": _median(recursions, 5)}


def strokes(heard: Scene) -> dict[str, dict[str, float]]:
    """Milliseconds of processor that a stroke of the middle group takes, by its velocity, on a still instrument."""
    settings = ContactSettings(allow_yield=True)
    whole, alone = heard.striker(settings), heard.striker(dataclasses.replace(settings, stick=False))
    middle, stick = len(heard.instrument.groups) // 2, next(iter(heard.instrument.sticks.values()))
    took = {}
    for velocity in (VELOCITIES[0], *VELOCITIES):  # the first compiles and makes the tines ready
        stroke = Stroke(group=middle, stick=stick, speed=speed_of_velocity(velocity))
        contact, of_contact = _least(
            partial(strike, heard, stroke, ModalState(heard.model), settings, seed=0)
        )
        _, of_drive = _least(partial(alone, contact, height=0.0))
        _, of_both = _least(partial(whole, contact, height=0.0))
        took[f"velocity {velocity}"] = {
            "contact": of_contact,
            "drive": of_drive,
            "stick": of_both - of_drive,
            "together": of_contact + of_both,
            "plain": _plain(heard, contact),
        }
    return took


def _plain(heard: Scene, contact: Contact) -> float:
    """Milliseconds for as many impulses as a contact has, from a few of them."""
    few, pole = 100, heard.model.pole
    state = np.zeros(len(pole), complex)
    began = time.thread_time()
    for n in range(few):
        state += 1e-3 * np.exp(pole * (1e-5 * n))
    return 1e3 * (time.thread_time() - began) * contact.trace.impulse.size / few


def _least(work: Callable[[], Any]) -> tuple[Any, float]:
    """What came of it, and the milliseconds of processor it took at least."""
    took = []
    for _ in range(TIMES):
        began = time.thread_time()
        done = work()
        took.append(1e3 * (time.thread_time() - began))
    return done, min(took)


def _median(work: Any, times: int = 400) -> float:
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return 1e6 * float(np.median(took))


def main() -> None:
    parser = argparse.ArgumentParser(description="What live playing costs.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--block", type=int, default=128)
    parser.add_argument("--per-second", type=float, default=20.0)
    parser.add_argument("--velocities", nargs=2, type=int, default=(1, 127), help="slowest and fastest key")
    parser.add_argument("--period", type=int, default=256, help="samples of the server")
    parser.add_argument("--server", default="-R", help="how the server runs: -R in real time, -r not")
    parser.add_argument("--json", action="store_true")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "design.toml").write_text(design(), encoding="utf-8")
        heard = scene(resolve(load(folder / "design.toml")), "panel")
        data: dict[str, Any] = {
            "tines": len(heard.instrument.tines),
            "groups": len(ROOTS),
            "modes": len(heard.model.pole),
        }
        data |= {"stroke_ms": strokes(heard)}
        data |= callbacks(heard, words.block) | perform(folder, heard, words)
    if words.json:
        print(json.dumps(data, indent=1))
        return
    for velocity, costs in data.pop("stroke_ms").items():
        print(f"{velocity:22} " + ", ".join(f"{name} {ms:.3g} ms" for name, ms in costs.items()))
    for key, value in data.items():
        for line in value if isinstance(value, list) else [value]:
            print(f"{key:22} {line}")


if __name__ == "__main__":
    # one thread, since the touchy contacts of an offline render add up in the order of the live one; numpy reads
    # that when it is loaded, so start again
    again = os.environ.get("OMP_NUM_THREADS") != "1"
    os.environ.update(on(SERVER))
    if again:
        os.execv(sys.executable, [sys.executable, *sys.argv])
    main()
