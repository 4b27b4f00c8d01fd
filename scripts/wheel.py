"""The wheel, built and installed anew in an unrelated folder, and every command run once from there.

    python scripts/wheel.py                 every Python from 3.11 on that is found
    python scripts/wheel.py --here          this Python alone
    python scripts/wheel.py --python PATH   that one

The folder's path has spaces and accents. Told is a line a Python: what ran, or what could not be installed (numba
may have no wheels yet for the newest; nothing is compiled from source). It needs a network connection. The exit
code is 1 where a command failed, or nothing was tried.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import environment

VERSIONS: Final = ("3.11", "3.12", "3.13", "3.14")
FOLDER: Final = "Werkstatt für Klänge, crème brûlée"
PIECE: Final = "designs/test-piece.toml"
TAP: Final = "papers/d3.wav"
WORDS: Final = {
    "draft": "draft -o papers/rail.toml --notes D3,A3 --tines 2",
    "check": f"check {PIECE}",
    "modes": f"modes {PIECE} --group D3",
    "map": f"map {PIECE} -o papers/map.png",
    "drawing": f"drawing {PIECE} -o papers/rail.pdf",
    "board": "board designs/quay-rail.toml panel",
    "stroke": f"stroke {PIECE} --group D3 --seconds 1 -o {TAP}",
    "play": f"play {PIECE} papers/piece.toml -o papers/piece.wav",
    "live": f"live {PIECE} --midi-socket localhost:PORT --record papers/live.wav --seconds 1",
    "page": f"page {PIECE} -o papers/rail.html",
    "open": f"open {PIECE} --no-browser",
    "compare": f"compare {PIECE} --group D3 --vary speed_mm_s=200,600 -o papers/apart",
    "strength": f"strength {PIECE}",
    "trim": f"trim {PIECE}",
    "tolerance": f"tolerance {PIECE}",
    "cutlist": f"cutlist {PIECE} -o papers/bench",
    "template": f"template {PIECE} -o papers/bench",
    "proposal": f"proposal {PIECE} -o papers/proposal",
    "suggest": f"suggest {PIECE}",
    "measure": f"measure {TAP} --csv papers/d3.csv",
    "calibrate": f"calibrate {PIECE} {TAP} --tine D3.1 -o papers/measured.toml",
    "tune": f"tune {PIECE} --tine D3.1 {TAP}",
    "keys": "keys commands",
    "stock": "stock threads",
}
MAY_REFUSE: Final = ("calibrate", "tune")  # a stroke of six tines is no tap of one: one line, exit code 2
SCORE: Final = 'tail_s = 0.5\nstroke = [{ at_s = 0.0, group = "D3" }]\n'
SAID: Final = {"open": b"q\n"}  # to a command that waits for it
LIMIT: Final = 900.0  # s for one step


@dataclass(frozen=True)
class Found:
    """A Python: its version as 3.12 and where it is."""

    version: str
    path: Path


def main(words: Sequence[str] | None = None) -> int:
    """The exit code: 0 where every command ran on every Python that the packages could be installed for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--here", action="store_true")
    parser.add_argument("--python", type=Path, action="append")
    told = parser.parse_args(words)
    here = version_of(Path(sys.executable))
    assert here is not None
    pythons = [here]
    if told.python:
        pythons = [each for path in told.python if (each := version_of(path)) is not None]
    elif not told.here:
        pythons = list({each.version: each for each in (*everywhere(), here)}.values())
    missing = [each for each in VERSIONS if each not in {found.version for found in pythons}]
    if missing and not told.here:
        print(f"not found here: Python {', '.join(missing)}")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        wheel = built(Path(name))
        failed = [tried(each, wheel, Path(name)) for each in pythons]
    return 1 if any(failed) or not pythons else 0


def everywhere() -> Iterator[Found]:
    """Every Python from 3.11 on that stands where Pythons stand."""
    names = [shutil.which(f"python{version}") for version in VERSIONS]
    managed = sorted((Path.home() / ".pyenv" / "versions").glob("3.*/bin/python"))
    on_windows = sorted((Path.home() / "AppData/Local/Programs/Python").glob("Python3*/python.exe"))
    for path in (*managed, *on_windows, *(Path(each) for each in names if each)):
        found = version_of(path)
        if found is not None and found.version in VERSIONS:
            yield found


def version_of(path: Path) -> Found | None:
    """None where it does not run: a manager's stand-in for what is not installed."""
    asked = "import sys; print('%d.%d' % sys.version_info[:2])"
    try:
        done = subprocess.run([path, "-c", asked], capture_output=True, check=True, timeout=60)
    except (OSError, subprocess.SubprocessError):
        return None
    return Found(done.stdout.decode().strip(), path)


def built(folder: Path) -> Path:
    """The wheel of this checkout."""
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(folder / "built")]
    said(run([*command, str(environment.ROOT)], folder), "the wheel could not be built")
    (wheel,) = (folder / "built").glob("*.whl")
    print(f"{wheel.name}: {wheel.stat().st_size / 1e6:.1f} MB")
    return wheel


def tried(python: Found, wheel: Path, folder: Path) -> bool:
    """Whether anything failed that should not have."""
    place = folder / f"{FOLDER} {python.version}"
    place.mkdir()
    executables = place / ".venv" / ("Scripts" if os.name == "nt" else "bin")
    said(run([python.path, "-m", "venv", place / ".venv"], place), "no virtual environment")
    install: list[str | Path] = [
        executables / "python",
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
    ]
    done = run([*install, "--only-binary", ":all:", wheel], place)
    if done.returncode != 0:
        print(f"Python {python.version}: not tried, {last_line(done)}", flush=True)
        return False
    shutil.copytree(environment.ROOT / "designs", place / "designs")
    (place / "papers").mkdir()
    (place / "papers" / "piece.toml").write_text(SCORE, encoding="utf-8", newline="\n")
    faults = list(commands(executables, place))
    for fault in faults:
        print(f"Python {python.version}: {fault}")
    print(f"Python {python.version}: {len(WORDS)} commands, {len(faults)} with a fault", flush=True)
    return bool(faults)


def commands(executables: Path, place: Path) -> Iterator[str]:
    """What went wrong: every command once, those that this script does not know by their help."""
    asked = "from synth.doors.cli import COMMANDS; import synth; print(synth.__file__, *COMMANDS, sep='\\n')"
    where, *names = run([executables / "python", "-c", asked], place).stdout.decode("utf-8").splitlines()
    if environment.ROOT in Path(where).parents:
        yield f"the checkout was imported, not the wheel: {where}"
    for name in names:
        words = WORDS.get(name, f"{name} --help").replace("PORT", str(free_port())).split()
        done = run([executables / "tinewright", *words], place, said=SAID.get(name, b""))
        refused = done.returncode == 2 and name in MAY_REFUSE and done.stderr.count(b"\n") == 1
        if (done.returncode != 0 and not refused) or b"Traceback" in done.stderr:
            yield f"{' '.join(words)}: exit code {done.returncode}, {last_line(done)}"
    done = run([executables / "python", "-m", "synth", "--version"], place)
    if done.returncode != 0:
        yield f"python -m synth: {last_line(done)}"


def run(
    command: Sequence[str | Path], folder: Path, *, said: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    """A step in a folder, with a cache of its own and nothing of this checkout in its way."""
    own = {"TINEWRIGHT_CACHE": str(folder / "kept é"), "NUMBA_CACHE_DIR": str(folder / "compiled é")}
    left = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    return subprocess.run(
        [str(each) for each in command],
        capture_output=True,
        cwd=folder,
        env={**left, **own},
        input=said,
        timeout=LIMIT,
        check=False,
    )


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return int(probe.getsockname()[1])


def said(done: subprocess.CompletedProcess[bytes], what: str) -> None:
    if done.returncode != 0:
        sys.exit(f"{what}: {done.stderr.decode('utf-8', 'replace').strip()}")


def last_line(done: subprocess.CompletedProcess[bytes]) -> str:
    lines = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
    errors = [line for line in lines if line.startswith("ERROR: ")]
    return (errors or lines or ["nothing said"])[-1]


if __name__ == "__main__":
    sys.exit(main())
