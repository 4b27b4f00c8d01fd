"""Commands run inside this process and judged by the contract of the command line.

In: the words of a command and the folder it works in. Out: what broke the contract, if anything did: a traceback,
another exit code than 0, 1 and 2, a refusal of more or less than one line, a warning of a library, a temporary file
left behind, something written by a command that refused.
"""

from __future__ import annotations

import contextlib
import io
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from synth.doors.cli import run
from synth.files import PREFIX


@dataclass(frozen=True)
class Verdict:
    """How a command ended. `code` is None where it ended in a traceback."""

    words: tuple[str, ...]
    code: int | None
    said: str
    faults: tuple[str, ...]


def judged(words: Sequence[object], folder: Path) -> Verdict:
    """The verdict on one command."""
    spoken = tuple(str(each) for each in words)
    before = _files(folder)
    out, err = io.StringIO(), io.StringIO()
    code: int | None = None
    faults: list[str] = []
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = run(spoken)
        except BaseException as failure:
            faults.append(traceback.format_exc())
            if isinstance(failure, KeyboardInterrupt):
                raise
    said = err.getvalue()
    if code not in (None, 0, 1, 2):
        faults.append(f"exit code {code}")
    if code == 2 and not (said.endswith("\n") and said.splitlines()[-1].startswith("error: ")):
        faults.append(f"a refusal that is not one line: {said!r}")
    if "Traceback" in said or "Warning:" in said:
        faults.append(said)
    after = _files(folder)
    if any(path.name.startswith(PREFIX) for path in after):
        faults.append("a temporary file is left")
    if code == 2 and after != before:
        faults.append(f"refused, and yet wrote {sorted(str(path) for path in after - before)}")
    return Verdict(spoken, code, said, tuple(faults))


def _files(folder: Path) -> set[Path]:
    return set(folder.rglob("*"))
