"""Hostile files through the commands that read them: designs, stroke scripts, MIDI and audio.

    python scripts/hostile.py                       1,500 cases of seed 1
    python scripts/hostile.py --cases 60 --seed 7
    python scripts/hostile.py --cases 1 --first 812 one of them again

A sound file with one to three things changed (a value, a key, a table; nesting, huge integers, names of other
scripts; bytes) goes to a command: what comes of it has to be an answer or a refusal of one line (`judged`). Of the
designs three in four are valid ones at the ends of what can be said: they are solved, stroked and heard, and their
sound is judged (`extreme`). All is done in a child whose time and memory are limited. Faults are printed with what
made them; the exit code is 1 where there was one, or where fewer than half of the designs were heard.
"""

from __future__ import annotations

import argparse
import copy
import io
import random
import sys
import tempfile
import tomllib
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import mido
import numpy as np
import soundfile
import tomlkit

from child import Child
from extreme import extreme, sounded
from judged import judged

ROOT: Final = Path(__file__).resolve().parent.parent
DESIGNS: Final = [ROOT / "designs" / "test-piece.toml", ROOT / "tests" / "data" / "two-tines.toml"]
SCRIPT: Final = """
name = "trial"
tempo_bpm = 90
tail_s = 0.2
tempo = [{ at_beat = 2, bpm = 120 }]
stroke = [
  { at_beat = 0, group = "D3" },
  { at_s = 0.2, palm = "D3", hold_s = 0.2 },
  { at_s = 0.3, phrase = "zwei rufe é", times = 2, every_beats = 0.5 },
]
[defaults]
speed_mm_s = 400
[phrase."zwei rufe é"]
stroke = [{ at_beat = 0, group = "D3", lean = 0.2 }, { at_beat = 0.25, touch = "D3" }]
"""
WORDS: Final = [
    "",
    "M3",
    "304",
    "D3",
    "bar",
    "up",
    "C#4",
    "é ü",
    "вверх",
    "a b",
    "#",
    "[x]",
    "x" * 300,
    "\u202e",
    "1/0",
]
NUMBERS: Final = [
    0,
    -1,
    1,
    0.1,
    1e-300,
    1e300,
    5e-324,
    10**30,
    -(10**400),
    2**63,
    float("nan"),
    float("inf"),
    127,
    360.0,
]
EXTREME: Final = 0.75  # of the designs
HEARD: Final = "heard"
COARSE: Final = "heard, the contact's books off by over 2 %"
BOOKED: Final = 0.02
TICKS: Final = (1, 96, 480, 32767)  # a beat
TEMPI: Final = (1, 100_000, 500_000, 16_777_215)  # us a beat
LONGEST_REST: Final = 2.0  # s: minutes of silence are a matter of patience
LONGEST: Final = 180.0  # s a case may take, on a busy machine
LARGEST: Final = 4 << 30  # bytes of addresses
NESTED: Final = 400  # deeper than any parser of the standard library follows


def main(words: Sequence[str] | None = None) -> int:
    """The exit code: 0 where every case was answered."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    chosen = parser.parse_args(words)
    ends: Counter[tuple[str, str]] = Counter()
    faulty = 0
    with Child(tried, seconds=LONGEST, memory=LARGEST) as child:
        for case in range(chosen.first, chosen.first + chosen.cases):
            kind = KINDS[case % len(KINDS)][0]
            end, faults, content = child(chosen.seed, case) or ("killed", ("took too long, or ended",), "")
            ends[kind, end] += 1
            if faults:
                faulty += 1
                print(
                    f"case {case} of seed {chosen.seed}: {kind}",
                    *faults,
                    content[:4000],
                    sep="\n",
                    flush=True,
                )
    for (kind, end), count in sorted(ends.items()):
        print(f"{kind:8} {end}: {count}")
    designs = sum(count for (kind, _), count in ends.items() if kind == "design")
    heard = ends["design", HEARD] + ends["design", COARSE]
    print(f"{chosen.cases} cases, {faulty} with a fault; {heard} of {designs} designs heard")
    return 1 if faulty or 2 * heard < designs else 0


def tried(seed: int, case: int) -> tuple[str, tuple[str, ...], str]:
    """One case: how it ended, what is wrong with that, what was read."""
    draw = random.Random(f"{seed}/{case}")
    kind, make = KINDS[case % len(KINDS)]
    if kind == "design" and draw.random() < EXTREME:
        return _heard(draw)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "out").mkdir()
        words, content = make(draw, folder)
        verdict = judged(words, folder)
        return f"exit code {verdict.code}", verdict.faults, f"{' '.join(verdict.words)}\n{content!r}"


def _heard(draw: random.Random) -> tuple[str, tuple[str, ...], str]:
    tree = extreme(draw)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            outcome = sounded(tree, draw)
    except MemoryError:  # the command line tells of it in one line
        return "no memory", (), repr(tree)
    except Exception:
        return "a traceback", (traceback.format_exc(),), repr(tree)
    if outcome.figures is None:
        return "refused", outcome.faults, repr(tree)
    return (HEARD if abs(outcome.figures.missing) < BOOKED else COARSE), outcome.faults, repr(tree)


def _design(draw: random.Random, folder: Path) -> tuple[list[object], bytes]:
    source = draw.choice(DESIGNS).read_bytes()
    path, content = _written(folder / "design.toml", source, draw)
    command = draw.choice(["check"] * 6 + ["cutlist", "template", "strength", "trim", "modes", "map"])
    goal = {"cutlist": folder / "out", "template": folder / "out", "map": folder / "out" / "a.png"}.get(
        command
    )
    return [command, path, *(["-o", goal] if goal else [])], content


def _script(draw: random.Random, folder: Path) -> tuple[list[object], bytes]:
    path, content = _written(folder / "piece é.toml", SCRIPT.encode(), draw)
    return ["play", DESIGNS[0], path, "-o", folder / "out" / "a.wav", "--allow-yield"], content


def _midi(draw: random.Random, folder: Path) -> tuple[list[object], bytes]:
    ticks, tempo = draw.choice(TICKS), draw.choice(TEMPI)
    file = mido.MidiFile(type=draw.choice([0, 1]), ticks_per_beat=ticks)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=tempo))
    longest = min(90, round(LONGEST_REST * 1e6 * ticks / tempo))
    for _ in range(draw.randint(0, 6)):
        note, velocity = draw.choice([50, 50, 50, 50, 50, 50, 62, 0, 127]), draw.randint(1, 127)
        track.append(mido.Message("note_on", note=note, velocity=velocity, time=draw.randint(0, longest)))
        control = draw.choice([1, 7, 11, 64, 66, 74, 120, 121, 123])
        track.append(mido.Message("control_change", control=control, value=draw.randint(0, 127), time=1))
    held = io.BytesIO()
    file.save(file=held)
    content = _scribbled(held.getvalue(), draw) if draw.random() < 0.8 else held.getvalue()
    path = folder / "tune.mid"
    path.write_bytes(content)
    skip = ["--skip-unplayable"] if draw.random() < 0.7 else []
    return ["play", DESIGNS[0], path, "-o", folder / "out" / "a.wav", "--allow-yield", *skip], content


def _audio(draw: random.Random, folder: Path) -> tuple[list[object], bytes]:
    rate, seconds = draw.choice([8000, 44_100, 48_000]), draw.choice([0.0, 0.01, 0.4, 0.7])
    time = np.arange(round(rate * seconds)) / rate
    tap = np.sin(2.0 * np.pi * 440.0 * time) * np.exp(-8.0 * time) * (time > 0.1)
    sound = draw.choice(
        [tap, np.zeros_like(tap), np.sign(tap), tap + 0.5, np.full_like(tap, np.nan), 1e30 * tap]
    )
    kind = draw.choice(["WAV", "WAV", "FLAC", "AIFF"])
    subtype = "FLOAT" if kind == "WAV" and draw.random() < 0.5 else "PCM_16"
    if subtype == "PCM_16":
        sound = np.clip(np.nan_to_num(sound), -1.0, 1.0)
    held = io.BytesIO()
    soundfile.write(held, sound, rate, format=kind, subtype=subtype)
    content = _scribbled(held.getvalue(), draw) if draw.random() < 0.7 else held.getvalue()
    path = folder / f"tap.D3-1.{kind.lower()}"
    path.write_bytes(content)
    if draw.random() < 0.3:
        return ["tune", DESIGNS[0], path, "--tine", "D3.1"], content
    return ["measure", path, "--csv", folder / "out" / "a.csv"], content


KINDS: Final[tuple[tuple[str, Callable[[random.Random, Path], tuple[list[object], bytes]]], ...]] = (
    ("design", _design),
    ("script", _script),
    ("midi", _midi),
    ("audio", _audio),
)


def _written(path: Path, source: bytes, draw: random.Random) -> tuple[Path, bytes]:
    """The file with one to three things changed, by its structure or by its bytes."""
    if draw.random() < 0.3:
        content = _scribbled(source, draw)
    else:
        tree = tomllib.loads(source.decode())
        for _ in range(draw.choice([1, 1, 1, 2, 3])):
            _mutate(tree, draw)
        content = tomlkit.dumps(tree).encode("utf-8", "surrogatepass")
        if draw.random() < 0.1:  # what a library refuses to write a person can
            deep = draw.choice(["[", "{a="]) * NESTED
            content += f"\nextra = {deep}{'9' * draw.choice([1, 400, 5000])}".encode()
    path.write_bytes(content)
    return path, content


def _mutate(tree: Any, draw: random.Random) -> None:
    places = list(_places(tree))
    if not places:
        return
    container, key = draw.choice(places)
    value = container[key]
    match draw.choice([0, 1, 1, 1, 1, 2, 3, 4, 5]):
        case 0:
            container[key] = _anything(draw)
        case 1 if isinstance(value, (int, float)) and not isinstance(value, bool):
            container[key] = value * draw.choice([-1, 0, 0.1, 0.5, 0.98, 1.02, 2, 10])
        case 2:
            del container[key]
        case 3:
            other, source = draw.choice(places)
            container[key] = copy.deepcopy(other[source]) if source in _keys(other) else value
        case 4 if isinstance(container, dict):
            container[draw.choice([*WORDS, key[:-1], key.replace("_mm", "_in")])] = container.pop(key)
        case 5 if isinstance(container, dict):
            container[draw.choice(WORDS)] = _anything(draw)
        case _ if isinstance(container, list):
            container.insert(0, copy.deepcopy(value))
        case _:
            container[key] = draw.choice(WORDS)


def _keys(container: Any) -> Any:
    return container if isinstance(container, dict) else range(len(container))


def _anything(draw: random.Random, depth: int = 0) -> Any:
    match draw.randrange(7 if depth < 4 else 4):
        case 0 | 1:
            return draw.choice(NUMBERS)
        case 2:
            return draw.choice(WORDS)
        case 3:
            return draw.choice([True, False])
        case 4:
            return [_anything(draw, depth + 1) for _ in range(draw.randrange(3))]
        case 5:
            return {draw.choice(WORDS): _anything(draw, depth + 1) for _ in range(draw.randrange(3))}
        case _:
            return [[[_anything(draw, depth + 3)]]]


def _places(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every container with every key of it, depth first."""
    for key in list(_keys(tree)):
        yield tree, key
        if isinstance(tree[key], (dict, list)):
            yield from _places(tree[key])


def _scribbled(content: bytes, draw: random.Random) -> bytes:
    """Bytes replaced (by what is printed, or by any), inserted, left out, cut off; seldom in the file's head."""
    out = bytearray(content)
    for _ in range(draw.randint(1, 3)):
        start = draw.randint(min(len(out), draw.choice([0, 22, 44])), len(out))
        fresh = draw.choice(
            [str(draw.randrange(100)).encode(), draw.choice(b'[]{}"=.,#-\n \0').to_bytes(), draw.randbytes(3)]
        )
        out[start : start + draw.choice([0, 1, 1, len(fresh), 30])] = draw.choice([b"", fresh, fresh])
    return bytes(out[: draw.randint(0, len(out))] if draw.random() < 0.15 else out)


if __name__ == "__main__":
    sys.exit(main())
