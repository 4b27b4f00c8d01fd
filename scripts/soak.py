"""Live playing for long: `python scripts/soak.py [--minutes 60] [--design FILE] [--json] [--alone]`.

On a JACK server of its own with the dummy driver: 20 strokes a second of any velocity and their note-offs,
controllers a thousand times a second, program changes, all notes off, controllers reset; every 20 s all sound off;
every 30 s the keyboard's or the loudspeakers' cable is pulled for half a second. Beside it, on a server of its own,
an empty callback of the same block counts what the machine misses by itself (not with --alone).

Told are blocks missed by both, strokes left out and states that came late, MIDI ports whose process was lost, the
memory of both processes after the first minute and at the end, and by how much it grew after that minute (by the
median of the slopes between any two moments of silence: what is just being worked out lets it swing by more than a
leak would show in an hour), the loudest sample 0.15 to 0.35 s after an all-sound-off, and stuck notes: whether
anything sounds 3 s after every key went up, or after all sound was put off. The exit code is 1 where memory grows
by more than 5 MiB, a panic leaves a sound, or a note is stuck. Missed blocks may be the machine's own.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.stats import theilslopes

import environment
from jack_server import guest, on, server

sys.path.insert(0, str(environment.ROOT))  # this checkout, installed or not

from synth.doors.threads import calm_threads, nothing_to_collect

RATE: Final = 48_000
BLOCK: Final = 256
PER_SECOND: Final = 20
CONTROLS: Final = (1, 11, 16, 64, 66, 74)
NOTE_ON, NOTE_OFF, CONTROL, PROGRAM, PRESSURE = 0x90, 0x80, 0xB0, 0xC0, 0xD0
SOUND_OFF, RESET, NOTES_OFF = 120, 121, 123
PANIC_EVERY, CABLE_EVERY = 20, 30  # s
STILL: Final = 1.0  # s without a message after a panic
HEARD: Final = (0.15, 0.35)  # s after a panic: past the fade of 40 ms and the way through both servers
FIRST: Final = 60.0  # s after which memory must not grow
GROWTH: Final = 5.0  # MiB
QUIET_DBFS: Final = -120.0
FALLEN_DB: Final = 40.0  # 3 s after the last key went up, below the loudest moment
GAIN_DB: Final = "-30"


class Keyboard:
    """Hands and ears on the server: sends what is planned at its frame, keeps the loudest sample of its windows."""

    def __init__(self) -> None:
        self.client = guest("keys")
        self.midi = self.client.midi_outports.register("out")
        self.ears = [self.client.inports.register(f"in_{n}") for n in (1, 2)]
        self.plan: deque[tuple[int, tuple[int, ...]]] = deque()
        self.windows: deque[tuple[int, int]] = deque()
        self.loudest: list[float] = []  # of each window
        self.peak, self._inside, self.broken = 0.0, 0.0, 0
        self.frames = self.sent = 0
        self.client.set_process_callback(self._process)
        self.client.activate()

    def _process(self, frames: int) -> None:
        self.midi.clear_buffer()
        while self.plan and self.plan[0][0] < self.frames + frames:
            frame, message = self.plan.popleft()
            self.midi.write_midi_event(max(0, frame - self.frames), message)
            self.sent += message[0] == NOTE_ON
        peak = max(float(np.abs(each.get_array()).max()) for each in self.ears)
        self.broken += not np.isfinite(peak)
        self.peak = max(self.peak, peak)
        if self.windows and self.windows[0][1] <= self.frames:
            self.windows.popleft()
            self.loudest.append(self._inside)
        if self.windows and self.windows[0][0] <= self.frames:
            self._inside = max(self._inside, peak)
        else:
            self._inside = 0.0
        self.frames += frames

    def cables(self, *, audio: bool, plugged: bool) -> None:
        """Pull or plug in the loudspeakers' cables, or the keyboard's own."""
        pairs = [
            (self.midi, port) for port in self.client.get_ports("tinewright", is_midi=True, is_input=True)
        ]
        if audio:
            outputs = self.client.get_ports("PortAudio", is_audio=True, is_output=True)
            pairs = list(zip(outputs, self.ears, strict=False))
        for source, goal in pairs:
            there = any(each.name == goal.name for each in self.client.get_all_connections(source))
            if plugged and not there:
                self.client.connect(source, goal)
            elif there and not plugged:
                self.client.disconnect(source, goal)


def second_of_playing(
    draw: random.Random, second: int, notes: Sequence[int]
) -> list[tuple[float, tuple[int, ...]]]:
    """What a player does in one second: seconds and messages, in order. A note-off may fall into the next one."""
    made: list[tuple[float, tuple[int, ...]]] = []
    for _ in range(PER_SECOND):
        at, note = second + draw.random(), draw.choice(notes)
        made.append((at, (NOTE_ON, note, draw.randint(1, 127))))
        made.append((min(at + draw.expovariate(2.0), second + 1.0), (NOTE_OFF, note, 0)))
    for n in range(1000):
        control = draw.choice(CONTROLS)
        message = (PRESSURE, draw.randrange(128)) if n % 7 == 0 else (CONTROL, control, draw.randrange(128))
        made.append((second + n / 1000.0, message))
    if second % 3 == 0:
        made.append((second + draw.random(), (PROGRAM, draw.randrange(128))))
    if second % 7 == 0:
        made.append((second + draw.random(), (CONTROL, NOTES_OFF, 0)))
    if second % 11 == 0:
        made.append((second + draw.random(), (CONTROL, RESET, 0)))
    return sorted(made)


def soaked(words: argparse.Namespace) -> dict[str, Any]:
    """One soak; what came of it."""
    notes = notes_of(words.design)
    with served("soak"), nullcontext() if words.alone else beside(words.minutes) as missed:
        os.environ.update(on("soak"))
        keyboard = Keyboard()
        command = [sys.executable, "-m", "synth", "live", str(words.design), "--midi-port", "keys"]
        command += ["--block", str(BLOCK), "--gain-db", GAIN_DB, "--allow-yield"]
        player = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, encoding="utf-8", cwd=environment.ROOT
        )
        told = Told(player)
        told.wait_for("own delay")
        keyboard.cables(audio=True, plugged=True)
        with calm_threads(), nothing_to_collect():
            data = played(keyboard, player, notes, 60.0 * words.minutes)
        player.terminate()
        told.thread.join(60.0)
        data |= counted(told.lines[-1]) | {"exit code": player.wait(60.0)}
        data |= {"remarks": told.remarks, "MIDI ports lost": told.lost}
        keyboard.client.deactivate()
        keyboard.client.close()
        data |= {"empty callback": missed()} if missed else {}
    return data


@contextmanager
def beside(minutes: float) -> Iterator[Callable[[], Any]]:
    """The empty callback on a server of its own; what it counted can be had when it is done."""
    command = [sys.executable, __file__, "--empty", "--minutes", str(minutes)]
    with served("empty"):  # where this ends early, the callback is not waited for
        process = subprocess.Popen(command, env=on("empty"), stdout=subprocess.PIPE)
        yield lambda: json.loads(process.communicate(timeout=120.0)[0])


def played(
    keyboard: Keyboard, player: subprocess.Popen[str], notes: Sequence[int], seconds: float
) -> dict[str, Any]:
    """Plays so long, then lets every key go and puts all sound off."""
    draw, began = random.Random(24), keyboard.frames + RATE // 2
    held: list[float] = []  # MiB since the last panic: a stroke that is being worked out takes 8 for a moment
    seen: list[tuple[float, float]] = []  # seconds, and MiB held for good
    panics = 0
    for second in range(round(seconds)):
        still = second % PANIC_EVERY == PANIC_EVERY - 1 and second < seconds - 5.0  # the end is its own
        made = second_of_playing(draw, second, notes)
        if still:
            panics += 1
            at = second + 1.0 - STILL
            made = [*(each for each in made if each[0] < at), (at, (CONTROL, SOUND_OFF, 0))]
            keyboard.windows.append(tuple(began + round((at + each) * RATE) for each in HEARD))  # type: ignore[arg-type]
        keyboard.plan.extend((began + round(at * RATE), message) for at, message in made)
        if second % CABLE_EVERY == CABLE_EVERY // 2:
            keyboard.cables(audio=second % (2 * CABLE_EVERY) > CABLE_EVERY, plugged=False)
            time.sleep(0.5)
            keyboard.cables(audio=True, plugged=True)
            keyboard.cables(audio=False, plugged=True)
        look = 0.95 if still else 0.5  # where nothing rings any more, memory is given back
        while keyboard.frames < began + (second + look) * RATE:
            time.sleep(0.02)
            held += [resident(player.pid)] if still and player.poll() is None else []
        if player.poll() is not None:
            break
        held.append(resident(player.pid))
        if still:
            seen.append((second + 1.0, min(held)))
            held.clear()
            print(f"{second + 1} s: {seen[-1][1]} MiB", file=sys.stderr, flush=True)
    levels = ended(keyboard, notes)
    if player.poll() is None:
        seen.append(((keyboard.frames - began) / RATE, resident(player.pid)))
    return {
        "seconds": seconds,
        "strokes sent": keyboard.sent,
        "panics": panics,
        "memory MiB": remembered([each for each in seen if each[0] >= min(FIRST, 0.5 * seconds)]),
    } | levels


def ended(keyboard: Keyboard, notes: Sequence[int]) -> dict[str, Any]:
    """Every key up, then all sound off: what is heard then, in dBFS."""
    at = keyboard.frames + RATE
    keyboard.plan.extend(
        (at, message) for message in [(CONTROL, RESET, 0), *((NOTE_OFF, note, 0) for note in notes)]
    )
    keyboard.plan.append((at + 1, (CONTROL, NOTES_OFF, 0)))
    off = at + 4 * RATE
    keyboard.windows.extend([(at - RATE // 4, at), (at + 3 * RATE, off)])
    keyboard.plan.append((off, (CONTROL, SOUND_OFF, 0)))
    keyboard.windows.append((off + RATE // 4, off + 3 * RATE))
    while keyboard.windows:
        time.sleep(0.05)
    *after_panic, playing, up, last = keyboard.loudest
    return {
        "peak dBFS": level(keyboard.peak),
        "after a panic dBFS": level(max(after_panic, default=0.0)),
        "before the last keys went up dBFS": level(playing),
        "3 s after all keys went up dBFS": level(up),
        "after the last panic dBFS": level(last),
        "blocks not finite": keyboard.broken,
    }


def level(peak: float) -> float:
    return round(20.0 * float(np.log10(max(peak, 1e-15))), 1)


def remembered(seen: Sequence[tuple[float, float]]) -> dict[str, float | None]:
    """What was held in moments of silence, and how it rises in all, by Theil's median of slopes; if at all."""
    if len(seen) < 2:
        return dict.fromkeys(("at first", "at the end", "grew by"))
    at, held = np.transpose(seen)
    grew = round(float(theilslopes(held, at).slope * (at[-1] - at[0])), 2)
    return {"at first": seen[0][1], "at the end": seen[-1][1], "grew by": grew}


class Told:
    """What the player says, read as it comes so that it never waits; its last lines."""

    def __init__(self, player: subprocess.Popen[str]) -> None:
        self.lines: deque[str] = deque(maxlen=20)
        self.remarks = self.lost = 0
        self._player = player
        self.thread = threading.Thread(target=self._read, daemon=True)
        self.thread.start()

    def _read(self) -> None:
        assert self._player.stdout is not None
        for line in self._player.stdout:
            self.lines.append(line.strip())
            self.remarks += line.startswith(("not played", "warning"))
            self.lost += "was lost" in line

    def wait_for(self, words: str) -> None:
        end = time.monotonic() + 300.0
        while not any(words in line for line in list(self.lines)):
            if self._player.poll() is not None or time.monotonic() > end:
                sys.exit(f"the player did not begin: {list(self.lines)}")
            time.sleep(0.02)


def counted(summary: str) -> dict[str, Any]:
    """The numbers of the player's last line."""
    found = re.search(
        r"(\d+) blocks, (\d+) missed; load ([\d.]+) %.*at worst (\d+) %.*; (\d+) strokes, (\d+) left out.*"
        r", (\d+) states and sounds late",
        summary,
    )
    if found is None:
        return {"summary": summary}
    blocks, missed, load, worst, strokes, left, late = found.groups()
    return {
        "blocks": int(blocks),
        "blocks missed": int(missed),
        "load %": float(load),
        "worst block %": int(worst),
        "strokes played": int(strokes),
        "strokes left out as too late": int(left),
        "states and sounds late": int(late),
    }


def empty(seconds: float) -> None:
    """An output that does nothing, as long, with the same ears on it; prints what it missed."""
    from synth.doors.devices import sound_device
    from synth.sound.live_output import Meter

    meter, keyboard = Meter(), Keyboard()

    def fill(out: Any, flags: Any) -> None:
        began = time.perf_counter()
        out[:] = 0.0
        meter.note(time.perf_counter() - began, len(out) / RATE)
        meter.missed += bool(flags.output_underflow)

    with calm_threads(), nothing_to_collect(), sound_device(None, fill, rate=RATE, block=BLOCK, channels=2):
        keyboard.cables(audio=True, plugged=True)
        time.sleep(1.0)
        meter.missed = meter.blocks = 0  # the first blocks of a stream are its own affair
        time.sleep(seconds)
    print(json.dumps({"blocks": meter.blocks, "blocks missed": meter.missed}))


def notes_of(design: Path) -> list[int]:
    from synth.design.file import load
    from synth.design.resolve import resolve
    from synth.playing.midi_mapping import notes

    return sorted(notes(resolve(load(design), str(design))))


def resident(process: int) -> float:
    """MiB that a process and its children hold of their own, where there is a /proc.

    Pages of files are left out: the system takes them away and brings them back as it likes.
    """
    held, waiting = 0, [process]
    while waiting:
        here = Path("/proc") / str(waiting.pop())
        with suppress(FileNotFoundError, ProcessLookupError):  # it ends meanwhile
            found = re.search(r"RssAnon:\s+(\d+) kB", (here / "status").read_text(encoding="ascii"))
            held += int(found[1]) if found else 0
            for task in (here / "task").iterdir():
                waiting += [int(each) for each in (task / "children").read_text(encoding="ascii").split()]
    return round(held / 1024.0, 2)


def served(name: str) -> Any:
    """A server of that name."""
    return server(name, rate=RATE, period=BLOCK)


def faults(data: dict[str, Any]) -> Iterator[str]:
    """What is wrong with the program, whatever the machine was doing."""
    grew = data["memory MiB"]["grew by"]
    if grew is not None and grew > GROWTH:
        yield f"memory grew by {grew:.1f} MiB"
    for name in ("after a panic dBFS", "after the last panic dBFS"):
        if data[name] > QUIET_DBFS:
            yield f"{name}: {data[name]}"
    if data["3 s after all keys went up dBFS"] > data["peak dBFS"] - FALLEN_DB:
        yield "a note is stuck: it sounds though every key is up"
    if data["blocks not finite"]:
        yield "sound that is not finite"
    if data["peak dBFS"] < -80.0 or "blocks" not in data or data["exit code"] != 0:
        yield f"it did not play to its end: {data}"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--design", type=Path, default=environment.ROOT / "designs" / "quay-rail.toml")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--alone", action="store_true", help="without the empty callback beside it")
    parser.add_argument("--empty", action="store_true", help="the empty callback alone")
    told = parser.parse_args(words)
    if told.empty:
        empty(60.0 * told.minutes)
        return 0
    found = list(faults(data := soaked(told)))
    if told.json:
        print(json.dumps(data | {"faults": found}, indent=1))
    else:
        print(*(f"{name:36} {value}" for name, value in data.items()), sep="\n")
        print(*(f"fault: {each}" for each in found), sep="\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
