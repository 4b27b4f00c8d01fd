"""Files that appear whole or not at all, so that no user's file is ever lost or half written.

In: the path that is wanted. Out: a temporary path beside it, moved there when the writing ended well.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from synth.errors import InputError


def check_place(path: Path) -> None:
    """Refuse a file whose folder is missing or closed, or whose name is a folder's. Raises `InputError`."""
    if path.is_dir():
        raise InputError("this is a folder", remedy="name a file in it", file=str(path))
    if not path.parent.is_dir():
        raise InputError(f"there is no folder '{path.parent}'", remedy="make it first", file=str(path))
    if not os.access(path.parent, os.W_OK):
        raise InputError(
            f"the folder '{path.parent}' cannot be written to", remedy="choose another", file=str(path)
        )


def make_folder(path: Path) -> Path:
    """The folder, made if it is not there. Raises `InputError` where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as failure:
        raise InputError(
            f"this folder cannot be made ({failure.strerror})", remedy="choose another", file=str(path)
        ) from failure
    return path


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A path to write to: it becomes `path` when the block ends well and vanishes when it does not.

    Raises `InputError` where the place is wrong or the disk refuses.
    """
    check_place(path)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
    except OSError as failure:
        raise _refused(path, failure) from failure
    os.close(handle)
    beside = Path(name)
    try:
        yield beside
        beside.chmod(0o666 & ~_umask())
        os.replace(beside, path)
    except OSError as failure:
        raise _refused(path, failure) from failure
    finally:
        beside.unlink(missing_ok=True)


def _refused(path: Path, failure: OSError) -> InputError:
    return InputError(
        f"cannot be written ({failure.strerror or failure})", remedy="is the disk full?", file=str(path)
    )


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
