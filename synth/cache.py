"""What has been solved is kept in the user's cache folder and read again at once.

In: what a solution depends on, and how to solve it. Out: the solution, from the folder or fresh. The name of a file
is the hash of everything the solution depends on, the program's own source among it, so nothing ever has to be
declared out of date. A file is

    MAGIC | length and CRC-32 of the header | header (JSON) | arrays, each on a multiple of 64 bytes

written beside its place and moved there whole; two processes at worst write the same twice. The header holds the
length and the CRC-32 of the arrays: a torn or altered file is noticed, and solved again. Arrays are mapped, not
read, but on Windows, where a mapped file could not be replaced. A folder that cannot be written or read costs time,
never the answer.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import importlib
import json
import os
import struct
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.files import atomic_write, sweep_leftovers

Solution = TypeVar("Solution")

FOLDER_VARIABLE: Final = "TINEWRIGHT_CACHE"  # the environment's word for another folder
SUFFIX: Final = ".kept"  # without ".so" in it: what looks for loaded libraries takes mapped files by that
OLD_SUFFIX: Final = ".solved"  # of versions before
MAGIC: Final = b"TINEWRT1"
NUMBERS: Final = "biufc"  # kinds of arrays: never objects, whose bytes would be addresses
ALIGNED: Final = 64  # bytes, a cache line
_WORDS: Final = (float, str, int, bool, type(None))  # as they are, the most frequent first
MAPPED: Final = os.name != "nt"
LARGEST: Final = 1 << 30  # bytes of kept files: some ten large instruments; the longest unused go first
_MANY: Final = 8  # of a tuple, so that its words are worth keeping
_FRONT: Final = struct.Struct("<8sQI")
_SOLVING: Final = (  # whose source a solution depends on
    "air.py",
    "units.py",
    "design",
    "vibration",
    "playing",
    "sound",
    "workshop/strength.py",
    "workshop/check_screen.py",
)
_BROKEN: Final = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    ImportError,
    IndexError,
    OverflowError,
    RecursionError,
)


def cached(name: str, depends_on: object, solve: Callable[[], Solution], *, fresh: bool = False) -> Solution:
    """The solution `name` of what it `depends_on` (dataclasses, arrays, numbers, words), kept or solved.

    `fresh` solves again and keeps that. A solution is a frozen dataclass of such things; the arrays of a kept one
    cannot be written to.
    """
    path = folder() / f"{name}-{fingerprint(depends_on)}{SUFFIX}"
    if not fresh:
        with contextlib.suppress(*_BROKEN):
            found = cast(Solution, read(path))
            with contextlib.suppress(OSError):
                os.utime(path)  # used just now: the last to be thrown out
            return found
    solution = solve()
    with contextlib.suppress(OSError, InputError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write(path, solution)
        if _due(path):
            _make_room(path)
    return solution


def folder() -> Path:
    """Where solutions are kept: the user's cache folder, or what TINEWRIGHT_CACHE says."""
    import platformdirs

    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else Path(platformdirs.user_cache_path("tinewright"))


def fingerprint(value: object) -> str:
    """A hash of all that `value` holds and of the program that interprets it."""
    told: list[str] = []
    _tell(value, told, {})
    return hashlib.sha256(_program() + " ".join(told).encode()).hexdigest()[:32]


def write(path: Path, solution: object) -> None:
    """Write a solution to `path`, whole or not at all. Raises `OSError` or `InputError`."""
    arrays: list[NDArray[Any]] = []
    tree = _plain(solution, arrays)
    solid = [np.ascontiguousarray(array) for array in arrays]
    places, size, crc = [], 0, 0
    for array in solid:
        places.append(size)
        for piece in (array.reshape(-1).view(np.uint8), _padding(array.nbytes)):
            crc, size = zlib.crc32(piece.data, crc), size + piece.nbytes
    index = [[a.dtype.str, list(a.shape), at] for a, at in zip(solid, places, strict=True)]
    header = json.dumps({"tree": tree, "arrays": index, "size": size, "crc": crc}).encode()
    header += b" " * (-(_FRONT.size + len(header)) % ALIGNED)
    with atomic_write(path, sweep=False) as beside, beside.open("wb") as file:
        file.write(_FRONT.pack(MAGIC, len(header), zlib.crc32(header)) + header)
        for array in solid:
            file.write(array.reshape(-1).view(np.uint8).data)
            file.write(_padding(array.nbytes).data)


def read(path: Path) -> object:
    """The solution in a file. Raises one of `_BROKEN` where the file is missing, torn or not one of ours."""
    with path.open("rb") as file:
        magic, length, crc = _FRONT.unpack(file.read(_FRONT.size).ljust(_FRONT.size, b"\0"))
        if magic != MAGIC or length > os.fstat(file.fileno()).st_size:
            raise ValueError("not a kept solution")
        words = file.read(length)
        if zlib.crc32(words) != crc:
            raise ValueError("torn header")
        header = json.loads(words)
        if os.fstat(file.fileno()).st_size != _FRONT.size + length + header["size"]:
            raise ValueError("torn file")
    data: NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
    if header["size"] and MAPPED:
        data = np.memmap(path, dtype=np.uint8, mode="r", offset=_FRONT.size + length)
    elif header["size"]:
        data = np.fromfile(path, dtype=np.uint8, offset=_FRONT.size + length)
    if zlib.crc32(data.data) != header["crc"]:
        raise ValueError("altered file")
    return _restored(header["tree"], [_array(data, *each) for each in header["arrays"]])


def _array(data: NDArray[np.uint8], dtype: str, shape: list[int], at: int) -> NDArray[Any]:
    kind = np.dtype(dtype)
    if kind.kind not in NUMBERS:
        raise ValueError(f"{dtype} is no number")
    count = int(np.prod(shape, dtype=np.int64))
    found = np.asarray(data[at : at + count * kind.itemsize]).view(kind).reshape(shape)
    found.flags.writeable = False
    return found


def _padding(size: int) -> NDArray[np.uint8]:
    return np.zeros(-size % ALIGNED, dtype=np.uint8)


def _plain(value: Any, arrays: list[NDArray[Any]]) -> Any:
    """The value as JSON can write it; arrays are put aside and numbered."""
    kind: Any = type(value)
    if kind in _WORDS:
        return value
    if kind is tuple or kind is list:
        return {"tuple": [_plain(each, arrays) for each in value]}
    if (known := _fields(kind)) is not None:
        name, names = known
        fields = ((each, getattr(value, each)) for each in names)
        plain = {each: field if type(field) in _WORDS else _plain(field, arrays) for each, field in fields}
        return {"type": name, "fields": plain}
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic):
        return _plain(value.item(), arrays)
    if isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, tuple | list):
        return {"tuple": [_plain(each, arrays) for each in value]}
    if isinstance(value, dict):
        return {"dict": {str(key): _plain(each, arrays) for key, each in value.items()}}
    raise TypeError(f"{kind.__name__} cannot be kept")


def _tell(value: Any, told: list[str], known: dict[int, str]) -> None:
    """All that the value holds, in words that no other value has; a dataclass that is `known` is asked once."""
    kind: Any = type(value)
    if kind in _WORDS:
        told.append(repr(value))
    elif kind is tuple and len(value) > _MANY and _fields(cast(type, type(value[0]))) is not None:
        told.append(_told(_Same(value)))
    elif kind is tuple or kind is list:
        told.append(_several(value, known))
    elif (own := _fields(kind)) is not None:
        if id(value) not in known:
            name, names = own
            parts = [name]
            for field in (getattr(value, each) for each in names):
                if type(field) in _WORDS:  # as most are: spared a call
                    parts.append(repr(field))
                else:
                    _tell(field, parts, known)
            known[id(value)] = " ".join(parts)
        told.append(known[id(value)])
    elif isinstance(value, np.ndarray):
        content = hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()
        told.append(f"{value.dtype.str}{value.shape}{content}")
    elif isinstance(value, dict):
        told.append("{")
        for key in sorted(value, key=str):
            told.append(repr(str(key)))
            _tell(value[key], told, known)
        told.append("}")
    elif isinstance(value, np.generic):
        _tell(value.item(), told, known)
    elif isinstance(value, tuple | list):
        _tell(tuple(value), told, known)
    elif isinstance(value, str | int | float):
        told.append(next(of.__repr__(value) for of in (str, int, float) if isinstance(value, of)))
    else:
        raise TypeError(f"{kind.__name__} cannot be kept")


def _several(values: Sequence[Any], known: dict[int, str]) -> str:
    told = ["("]
    for each in values:
        _tell(each, told, known)
    return " ".join([*told, ")"])


@dataclasses.dataclass(frozen=True, eq=False)
class _Same:
    """One tuple of dataclasses, kept: it is itself alone, whatever others hold."""

    value: tuple[Any, ...]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.value is self.value

    def __hash__(self) -> int:
        return id(self.value)


@functools.lru_cache(maxsize=8)
def _told(kept: _Same) -> str:
    """Its words: an instrument's tines are asked for by all that is solved of them, and neither they nor the tuple
    can be changed."""
    return _several(kept.value, {})


@functools.cache
def _fields(kind: type) -> tuple[str, tuple[str, ...]] | None:
    """What a dataclass is called and its fields; None for other types."""
    if not dataclasses.is_dataclass(kind):
        return None
    return f"{kind.__module__}:{kind.__qualname__}", tuple(each.name for each in dataclasses.fields(kind))


def _restored(tree: Any, arrays: list[NDArray[Any]]) -> Any:
    if not isinstance(tree, dict):
        return tree
    if "array" in tree:
        return arrays[tree["array"]]
    if "tuple" in tree:
        return tuple(_restored(each, arrays) for each in tree["tuple"])
    if "dict" in tree:
        return {key: _restored(each, arrays) for key, each in tree["dict"].items()}
    return _type(tree["type"])(**{key: _restored(each, arrays) for key, each in tree["fields"].items()})


def _type(name: str) -> Callable[..., Any]:
    """A dataclass of this package by name: a file can ask for nothing else."""
    module, _, kind = name.partition(":")
    if not module.startswith("synth."):
        raise ValueError(f"{module} is not of this package")
    found = getattr(importlib.import_module(module), kind)
    if not dataclasses.is_dataclass(found):
        raise TypeError(f"{name} is no dataclass")
    return cast(Callable[..., Any], found)


@functools.cache
def _program() -> bytes:
    """A hash of the source that solves: another version has other answers."""
    digest = hashlib.sha256()
    for path in _sources():
        with open(path, "rb", buffering=0) as file:
            digest.update(path.name.encode() + file.read())
    return digest.digest()


def _sources() -> list[Path]:
    """Not by `Path.rglob`, which takes five times as long."""
    found, places = [], [os.path.join(os.path.dirname(__file__), each) for each in _SOLVING]
    while places:
        place = places.pop()
        if place.endswith(".py"):
            found.append(place)
        elif not place.endswith("__pycache__") and os.path.isdir(place):
            places += [os.path.join(place, each) for each in os.listdir(place)]
    return [Path(each) for each in sorted(found)]


def _due(newest: Path) -> bool:
    """Whether the folder is looked through after this file, which takes a while where it holds thousands.

    By lot, which the fingerprint in its name draws: on the average whenever a 64th of `LARGEST` was written.
    """
    lot = int(newest.name.removesuffix(SUFFIX)[-8:], 16) / 16.0**8
    return lot < 64.0 * newest.stat().st_size / LARGEST


def _make_room(newest: Path) -> None:
    """Throw out what has gone unused longest where the folder holds too much, and what killed processes left."""
    sweep_leftovers(newest.parent)
    found = []
    with os.scandir(newest.parent) as entries:  # not as paths: a full folder has thousands
        for entry in entries:
            if entry.name.endswith((SUFFIX, OLD_SUFFIX)) and not entry.name.startswith("."):
                with contextlib.suppress(OSError):
                    status = entry.stat()
                    found.append((status.st_mtime, status.st_size, entry.path))
    total = newest.stat().st_size
    for _, size, path in sorted(found, reverse=True):
        if path == str(newest):
            continue
        total += size
        if total > LARGEST:
            with contextlib.suppress(OSError):
                os.unlink(path)
