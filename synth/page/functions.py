"""All compiled functions of a page: which they are, the types of what they take, and the module made of them.

Kept like a solution: made anew when the source of the contact or of this room changes, or the compiler.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.cache import cached
from synth.compiled import tell_of_compiling
from synth.cores import spread
from synth.errors import InputError
from synth.frozen import frozen
from synth.page import approach, holding, response, sounding, wasm
from synth.playing.contact import kernel, layout
from synth.sound import bandlimit

MODES: Final = 8  # of a tine in each plane, as `run.EVENT`
# what numba compiles for: no wider vectors than a browser has, or they are taken apart again (half the speed)
PLAIN: Final = {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""}

_ROOMS: Final = (approach, response, sounding, holding)
# every argument by its name: a letter and the number of directions for arrays, else a number's type
_SHAPES: Final = {
    layout.Row: "f8[4] f8[2] f8[2] f8[2] f8[2] f8[2] f8[3] f8[2] f8[2]",
    layout.Held: "f8[4] f8[2] f8[2] f8[2] i8[1] f8[2] f8[3]",
    layout.Course: "f8 " * 13 + "i8 i8",
    layout.State: "f8[2] f8[2] f8[1] f8[2] f8[2] i8[2] f8[2] f8[2] f8[2] f8[1] i8[1]",
    approach.Tines: "f8[1] f8[1] f8[1] f8[1] f8[2] f8[2] f8[2] f8[1] f8[1] f8[1] f8[3] f8[3]",
    approach.Stick: "f8[1] f8[1] f8[2] i8[1] f8[1]",
    response.Body: "i8[3] f4[3] f8[3] f8[4] f8[1] f8[4] f8[3]",
}
_FUNCTIONS: Final = (
    "run: row Row, held Held, course Course, state State, history f8[2], steps i8",
    "lay: tines Tines, stick Stick, index i8[1], wish f8[1], row Row, held Held, state State, lever f8[1]",
    "meet: index i8[1], dof i8[3], vectors f4[3], pole f8[2], amplitude f8[2], moment f8, turned f8[2],"
    " state State",
    "set_off: stick Stick, wish f8[1], row Row, state State, course f8[1]",
    "emptied: state State, history f8[2]",
    "windows: node f8[1], share_of_node f8[1], weights f8[2], past f8[1], share f8[2], low f8[1]",
    "tables: pole f8[2], rate f8, past f8[1], share f8[2], ring f8[2], turns f4[3], step f8[3], limited f4[3]",
    "weigh: step f8[3], weights f8[3], table f4[3]",
    "driven: tines Tines, body Body, pole f8[2], r i8, depth f8, slot i8, drives f4[3]",
    "answers: pole f8[2], rate f8, weights f8[3], immediate i8, low_pass f8[1], limited f4[3], turns f4[3],"
    " drives f4[3], slot i8, heard f4[2], within f4[4], beyond f4[4]",
    "spread: history f8[2], used i8, axis f8[1], lever f8[1], line f8[2], start f8, step f8, rate f8,"
    " origin f8, weights f8[2], grid f8[2]",
    "touched: grid f8[2], size i8, loud i8[1]",
    "shift: grid f8[2], size i8",
    "leave: grid f8[2], first i8, count i8, loud i8[1], slots i8[1], turns f4[3], drives f4[3], left f4[2],"
    " state f8[2]",
    "hear: grid f8[2], first i8, count i8, size i8, loud i8[1], slots i8[1], reach i8, within f4[4],"
    " beyond f4[4], out f8[2]",
    "ring: state f8[2], step f8[3], table f4[3], first i8, count i8, total f4[2], out f8[2]",
    "advance: state f8[2], step f8[3], count i8",
    "filtered: sections f8[2], memory f8[3], sound f8[2]",
    "limited: sound f8[2], memory f8[1], ceiling f8, attack f8, release f8, gain f8[1]",
    "line_weights: pole f8[2], thickness f8[2], residue f8[3], strength f8[1], point f8[2], directions f8[2],"
    " ears f8[2], sound_speed f8, nearest f8, weights f8[4]",
    "gathered: body Body, pole f8[2], r i8, momenta f4[3]",
    "quietened: body Body, pole f8[2], r i8, per_hz f8, flat f8, turned f8[2], momenta f4[3], amplitude f8[2]",
    "turned_to: pole f8[2], amplitude f8[2], time f8, turned f8[2]",
    "swings: dof i8[3], vectors f4[3], amplitude f8[2], swing f8[2]",
)


@frozen
class Module:
    """The bytes (B,) of the compiled module."""

    code: NDArray[np.uint8]


def compiled() -> bytes:
    """The module for the browser, kept or made. Raises `InputError` where this numba cannot."""
    return cached("page", _edition(), _made).code.tobytes()


def sources() -> list[wasm.Source]:
    """Every function with the types of what it takes."""
    found = []
    for line in _FUNCTIONS:
        name, _, words = line.partition(": ")
        pairs = (word.split() for word in words.split(","))
        function = kernel.runner(MODES) if name == "run" else _named(name)
        found.append(wasm.Source(name, function, {each: _type(kind) for each, kind in pairs}))
    return found


def _named(name: str) -> Any:
    """By the module that defines it; others may have imported it."""
    found = (getattr(each, name, None) for each in _ROOMS)
    return next(each for each in found if each is not None and hasattr(each, "py_func"))


def _type(kind: str) -> Any:
    from numba import types

    for table, shapes in _SHAPES.items():
        if kind == table.__name__:
            named: Any = types.NamedTuple
            return named([_type(each) for each in shapes.split()], table)
    number = {"f8": types.float64, "f4": types.float32, "i8": types.int64}[kind[:2]]
    return types.Array(number, int(kind[3]), "C") if "[" in kind else number


def _edition() -> tuple[str, ...]:
    import llvmlite
    import numba

    files = sorted(
        [
            *Path(kernel.__file__).parent.glob("*.py"),
            *(Path(str(each.__file__)) for each in (*_ROOMS, bandlimit, wasm)),
            Path(__file__),
        ]
    )
    source = zlib.crc32(b"".join(each.read_bytes() for each in files))
    return str(source), numba.__version__, llvmlite.__version__


def _made() -> Module:
    """By processes of their own: numba chooses what it compiles for when it starts."""
    tell_of_compiling("the functions of a page")
    names = [line.partition(":")[0] for line in _FUNCTIONS]
    with tempfile.TemporaryDirectory() as folder:
        work = [(Path(folder) / str(n), some) for n, some in enumerate((names[:1], names[1:]))]
        found = [text for some in spread(_apart, work) for text in some]
    return Module(np.frombuffer(wasm.linked(found), np.uint8))


def _apart(work: tuple[Path, Sequence[str]]) -> list[str]:
    """The texts of some functions, by way of a file."""
    out, names = work
    done = subprocess.run(
        [sys.executable, "-m", "synth.page.functions", str(out), *names],
        env={**os.environ, **PLAIN, **_path()},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode:
        line = done.stderr.strip().splitlines()[-1:] or [f"the compiler ended with {done.returncode}"]
        raise InputError(f"the page's functions cannot be compiled ({line[0]})", remedy=f"{wasm.TRIED} can")
    told: list[str] = json.loads(out.read_text(encoding="utf-8"))
    return told


def _path() -> dict[str, str]:
    """So that it finds this very program."""
    return {"PYTHONPATH": os.pathsep.join(each for each in sys.path if each)}


if __name__ == "__main__":
    try:
        written = wasm.texts([each for each in sources() if each.name in sys.argv[2:]])
        Path(sys.argv[1]).write_text(json.dumps(written), encoding="utf-8", newline="\n")
    except InputError as error:
        sys.exit(str(error))
