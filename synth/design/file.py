"""Reading a design file: bytes to a `Design`, or one line that says what is wrong with the file.

In: a path. Out: a `Design`. Everything refused names the file, and inside it the place.
"""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from typing import Final

from synth.design.decode import decode
from synth.design.schema import Design
from synth.design.slips import slip
from synth.errors import InputError

BYTE_ORDER_MARK: Final = "\ufeff"  # some editors put one in front
LARGEST: Final = 1 << 20  # bytes; a design of a thousand tines written one by one has a tenth of that
LONGEST_LINE: Final = 10_000  # characters
MOST_DOTS: Final = 300  # in a line; a dotted key of half a million parts keeps the parser busy for hours


def load(path: str | Path) -> Design:
    """The design in a TOML file. Raises `InputError` for whatever is wrong with the file or what it says."""
    try:
        return decode(read_toml(path), Design)
    except InputError as error:
        raise error.within(os.fspath(path)) from None


def read_toml(path: str | Path) -> dict[str, object]:
    """The tree of a TOML file of at most 1 MiB. Raises `InputError`."""
    return parsed(read_text(path))


def read_text(path: str | Path) -> str:
    """A text file of at most 1 MiB, its byte order mark and line ends as they are. Raises `InputError`."""
    try:
        content = _bytes(path)
        return content.decode("utf-8")
    except InputError as error:
        raise error.within(os.fspath(path)) from None
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found, remedy = f"line {line} is not UTF-8 text", "save the file as UTF-8"
        raise InputError(found, remedy=remedy, file=os.fspath(path)) from None


def parsed(text: str) -> dict[str, object]:
    """The tree of a TOML text. Raises `InputError`."""
    text = text.removeprefix(BYTE_ORDER_MARK)
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LONGEST_LINE or line.count(".") > MOST_DOTS:
            much = f"{LONGEST_LINE} characters or {MOST_DOTS} dots"
            raise InputError(f"line {number} has over {much}", remedy="write it as several lines")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise slip(text, str(error)) from None
    except RecursionError:
        raise InputError(
            "not TOML that can be read", remedy="tables and lists are nested too deeply"
        ) from None
    except ValueError as error:  # a number of thousands of digits, a day that does not exist
        raise InputError(f"not TOML that can be read: {error}") from None


def _bytes(path: str | Path) -> bytes:
    try:
        # Opened without waiting: a pipe that nobody writes to is refused, not waited for.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as file:  # raises IsADirectoryError for a directory
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise InputError("is not a regular file")
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise InputError("there is no such file") from None
    except IsADirectoryError:
        raise InputError("is a directory", remedy="name the design file in it") from None
    except PermissionError:
        if os.path.isdir(path):  # as Windows says it
            raise InputError("is a directory", remedy="name the design file in it") from None
        raise InputError("may not be read", remedy="check its permissions") from None
    except (OSError, ValueError) as error:  # a name too long, or with a null character in it
        raise InputError(f"cannot be opened: {getattr(error, 'strerror', None) or error}") from None
    if len(content) > LARGEST:
        raise InputError("is larger than 1 MiB", remedy="a design file is a few kilobytes of text")
    return content
