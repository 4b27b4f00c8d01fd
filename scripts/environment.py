"""Makes the project's own `.venv` with the standard library alone: once, and again when pyproject changes.

In: the extras that are wanted. Out: the path of the environment's Python. Quiet when all is well.
"""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"
STAMP = FOLDER / "installed"
OLDEST = (3, 11)


class StepError(Exception):
    """A step that did not work: what was tried, why it failed, what to do."""


def python(*, extras: tuple[str, ...] = ()) -> Path:
    """The Python of `.venv`, made and filled if it is not there yet or not up to date. Raises `StepError`."""
    if sys.version_info < OLDEST:
        raise StepError(f"this is Python {sys.version.split()[0]}; Tinewright needs 3.11 or newer")
    have = _have()
    wanted = have | set(extras)
    if (
        _executable().exists()
        and STAMP.exists()
        and STAMP.read_text(encoding="utf-8") == _fingerprint(wanted)
    ):
        return _executable()
    if not _works():
        _make()
    print(f"installing into {FOLDER} (a few minutes the first time)", file=sys.stderr)
    _install(wanted)
    STAMP.write_text(_fingerprint(wanted), encoding="utf-8")
    return _executable()


def peak_memory() -> float:
    """The most memory in bytes that this process has held; nan where the system does not tell."""
    try:
        import resource
    except ImportError:  # Windows
        return math.nan
    unit = 1.0 if sys.platform == "darwin" else 1024.0
    return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit)


def _executable() -> Path:
    return FOLDER / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _have() -> set[str]:
    """The extras that an earlier run installed: the demo does not take the test tools away again."""
    if not STAMP.exists():
        return set()
    return set(STAMP.read_text(encoding="utf-8").splitlines()[1].split())


def _fingerprint(extras: set[str]) -> str:
    text = (ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode() + sys.version.encode()
    return f"{hashlib.sha256(text).hexdigest()}\n{' '.join(sorted(extras))}\n"


def _works() -> bool:
    """Whether the environment can run pip: false for none, a half-made one, or one whose Python has gone."""
    try:
        _run([str(_executable()), "-m", "pip", "--version"])
    except (OSError, StepError):
        return False
    return True


def _make() -> None:
    try:
        _run([sys.executable, "-m", "venv", "--clear", str(FOLDER)])
    except StepError as failure:
        raise StepError(
            "Python could not make a virtual environment.\n"
            "On Debian and Ubuntu install its module first: sudo apt-get install python3-venv\n"
            f"{failure}"
        ) from failure


def _install(extras: set[str]) -> None:
    target = f"{ROOT}[{','.join(sorted(extras))}]" if extras else str(ROOT)
    command = [str(_executable()), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    try:
        _run([*command, "--editable", target])
    except StepError as failure:
        raise StepError(
            f"the packages could not be installed (is there a network connection?)\n{failure}"
        ) from failure


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", cwd=ROOT, check=False)
    if done.returncode != 0:
        said = (done.stderr.strip() or done.stdout.strip()).splitlines()[-15:]
        raise StepError("\n".join([f"failed: {' '.join(command)}", *said]))
