"""Files that appear whole or not at all, so that no user's file is ever lost or half written.

In: the path that is wanted, or the folder of a set. Out: a temporary path beside it, moved there when the writing
ended well. A temporary path is locked while it is written to: one that nobody holds was left behind by a process
that was killed, and the next writing in that folder sweeps it away.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from typing import Final

from synth.errors import InputError

PREFIX: Final = ".tinewright-"  # of everything temporary
_SETTLED: Final = 2.0  # s: a younger one may be between its making and its lock
_UNLOCKED: Final = 86_400.0  # s after which it is swept where files cannot be locked
# s: on Windows no file is replaced while any program has it open, a search index or a virus scanner for a moment
_PATIENCE: Final = 1.0 if os.name == "nt" else 0.0
_PAUSE: Final = 0.02  # s between two tries
_FOLDER_HELD: Final = 2.0  # s that a folder is waited for
_masking: Final = Lock()  # of two that look at once, one would take the other's mask for the user's


def for_libsndfile(path: Path) -> str | bytes:
    """The path as soundfile can hand it on: by its bytes where the locale has no letters for them."""
    try:
        str(path).encode(sys.getfilesystemencoding())
    except UnicodeEncodeError:
        return os.fsencode(path)
    return str(path)


def check_place(path: Path) -> None:
    """Refuse a file whose folder is missing or closed, or whose name is a folder's. Raises `InputError`."""
    if path.is_dir():
        raise InputError("this is a folder", remedy="name a file in it", file=str(path))
    if path.parent.exists() and not path.parent.is_dir():
        raise InputError(f"'{path.parent}' is a file", remedy="name a folder", file=str(path))
    if not path.parent.is_dir():
        raise InputError(f"there is no folder '{path.parent}'", remedy="make it first", file=str(path))
    if not os.access(path.parent, os.W_OK):
        raise InputError(
            f"the folder '{path.parent}' cannot be written to", remedy="choose another", file=str(path)
        )


PICTURES: Final = (".png", ".svg", ".pdf")


def check_picture(path: Path) -> None:
    """Refuse a picture of a kind that is not drawn, or in a wrong place, before any work. Raises `InputError`."""
    if path.suffix.lower() not in PICTURES:
        raise InputError(
            f"'{path.suffix}' is not a kind of picture",
            remedy=f"name it {', '.join(PICTURES[:-1])} or {PICTURES[-1]}",
            file=str(path),
        )
    check_place(path)


def check_folder(path: Path) -> None:
    """Refuse a folder that could not be made or written to, before any work is done for it. Raises `InputError`."""
    there = next((each for each in (path, *path.parents) if os.path.lexists(each)), path)
    if not there.is_dir():
        raise InputError("this is no folder", remedy="name another", file=str(there))
    if not os.access(there, os.W_OK):
        raise InputError("this folder cannot be written to", remedy="choose another", file=str(there))


def check_apart(read: Sequence[Path], written: Sequence[Path]) -> None:
    """Refuse to write over a file that is read, or twice over one file, links followed. Raises `InputError`."""
    for number, path in enumerate(written):
        for other, what in (
            *((each, "is read by this command") for each in read),
            *((each, "would be written twice") for each in written[:number]),
        ):
            if _same(path, other):
                raise InputError(f"this file {what}", remedy="name another to write to", file=str(path))


def _same(one: Path, other: Path) -> bool:
    with contextlib.suppress(OSError, ValueError):
        if os.path.samefile(one, other):
            return True
    return os.path.normcase(os.path.realpath(one)) == os.path.normcase(os.path.realpath(other))


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
def atomic_write(path: Path, *, sweep: bool = True, like: Path | None = None) -> Iterator[Path]:
    """A path to write to: it becomes `path` when the block ends well and vanishes when it does not.

    It may be read by those who may read what stands there, or the file that it is `like`.
    Leftovers beside it are removed, unless who writes does that himself at times, in a folder of thousands. Raises
    `InputError` where the place is wrong or the disk refuses.
    """
    check_place(path)
    if sweep:
        sweep_leftovers(path.parent)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=PREFIX, suffix=path.suffix)
    except OSError as failure:
        raise _refused(path, failure) from failure
    beside = Path(name)
    try:
        with _held(handle):
            yield beside
            beside.chmod(_permissions(like or path))
        move_over(beside, path)
    except OSError as failure:
        raise _refused(path, failure) from failure
    finally:
        with contextlib.suppress(OSError):  # held open by another program: swept another time
            beside.unlink(missing_ok=True)


def _permissions(path: Path) -> int:
    """Those of the file that stands there, for what is nobody else's stays so; or as the user's mask lets."""
    if os.name != "nt":
        with contextlib.suppress(FileNotFoundError):
            return stat.S_IMODE(path.stat().st_mode) & 0o777
    return 0o666 & ~_umask()


def write_text(path: Path, text: str) -> None:
    """A text file in UTF-8, line ends as they stand in the text, whole or not at all. Raises `InputError`.

    Half a letter, as names of files may hold, becomes a question mark.
    """
    with atomic_write(path) as beside:
        beside.write_text(text, encoding="utf-8", errors="replace", newline="")


@contextmanager
def whole_set(folder: Path) -> Iterator[Path]:
    """A folder to write a set of files into: they all come to stand in `folder`, or it stays as it was.

    Raises `InputError` where the place is wrong or the disk refuses; what is said of a file names its last place.
    """
    check_folder(folder)
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    make_folder(folder)
    sweep_leftovers(folder)
    beside = Path(tempfile.mkdtemp(dir=folder, prefix=PREFIX))
    try:
        with _held(_opened(beside)):
            (beside / "new").mkdir()
            yield beside / "new"
            _move_all(beside / "new", folder, aside=beside / "old")
    except InputError as error:
        told = error.file.replace(str(beside / "new"), str(folder))
        raise InputError(error.finding, remedy=error.remedy, location=error.location, file=told) from error
    except OSError as failure:
        raise _refused(folder, failure) from failure
    finally:
        shutil.rmtree(beside, ignore_errors=True)
        _remove_empty(missing)


def _move_all(new: Path, folder: Path, *, aside: Path) -> None:
    """Every file below `new` to its place below `folder`; where one cannot go, all go back."""
    files = [path.relative_to(new) for path in sorted(new.rglob("*")) if path.is_file()]
    inside = {folder / parent for name in files for parent in name.parents}
    missing = sorted((each for each in inside if not each.exists()), reverse=True)  # the deepest first
    moves: list[tuple[Path, Path]] = []
    try:
        for name in files:
            check_place(make_folder((folder / name).parent) / name.name)
            (aside / name).parent.mkdir(parents=True, exist_ok=True)
            if os.path.lexists(folder / name):
                moves.append((folder / name, aside / name))
            moves.append((new / name, folder / name))
        for source, goal in moves:
            move_over(source, goal)
    except BaseException:
        for source, goal in reversed(moves):
            if os.path.lexists(goal) and not os.path.lexists(source):
                os.replace(goal, source)
        _remove_empty(missing)
        raise


def move_over(source: Path, goal: Path) -> None:
    """Move a file over another, waiting for who has it open for a moment. Raises `OSError`."""
    end = time.monotonic() + _PATIENCE
    while True:
        try:
            os.replace(source, goal)
            return
        except PermissionError:
            if time.monotonic() >= end:
                raise
            time.sleep(_PAUSE)


def _remove_empty(folders: Sequence[Path]) -> None:
    for folder in folders:
        with contextlib.suppress(OSError):
            folder.rmdir()


def sweep_leftovers(folder: Path) -> None:
    """Remove what a killed process left in a folder: temporary paths that nobody holds."""
    with contextlib.suppress(OSError):
        for name in os.listdir(folder):  # a path for each of a thousand takes ten times as long
            if name.startswith(PREFIX):
                with contextlib.suppress(OSError):
                    _remove_orphan(folder / name)


def _remove_orphan(path: Path) -> None:
    age = time.time() - path.lstat().st_mtime
    if abs(age) < _SETTLED or path.is_symlink():  # the clock may have been set back meanwhile
        return
    handle = _opened(path)
    if handle is None:
        orphaned = age > _UNLOCKED
    else:
        orphaned = _lock(handle)
        os.close(handle)
    if orphaned and path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    elif orphaned:
        path.unlink(missing_ok=True)


def _opened(path: Path) -> int | None:
    """A handle on a file or folder to lock it by; None where the system has no such locks."""
    return None if os.name == "nt" else os.open(path, os.O_RDONLY)


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[None]:
    """Nobody else who asks for this is at work in the folder until the block ends.

    Where someone holds it for longer than `_FOLDER_HELD`, or it cannot be locked, the block is not alone.
    """
    handle = None
    with contextlib.suppress(OSError):
        handle = _opened(folder)
    end = time.monotonic() + _FOLDER_HELD
    while handle is not None and not _lock(handle) and time.monotonic() < end:
        time.sleep(_PAUSE)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


@contextmanager
def _held(handle: int | None) -> Iterator[None]:
    """Locked until the block ends. Without such locks an open file cannot be moved, so it is closed at once."""
    if handle is None or os.name == "nt":
        if handle is not None:
            os.close(handle)
        yield
        return
    _lock(handle)
    try:
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> bool:
    """Whether the lock could be had."""
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _refused(path: Path, failure: OSError) -> InputError:
    barred = isinstance(failure, PermissionError) or failure.errno == errno.EROFS
    if not barred:
        remedy = "is the disk full?"
    elif path.exists():
        remedy = "is it open in another program?"
    else:
        remedy = "its folder takes no files from you: name another"
    return InputError(
        f"cannot be written ({failure.strerror or failure})",
        remedy=remedy,
        file=str(path),
    )


def _umask() -> int:
    """The user's mask, which can only be seen by setting it, for all threads: to one that lets nobody else in."""
    with _masking:
        mask = os.umask(0o077)
        os.umask(mask)
        return mask
