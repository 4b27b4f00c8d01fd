"""Files and sets of files: whole or not at all, never over what is read, nothing left behind."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.errors import InputError
from synth.files import (
    PREFIX,
    atomic_write,
    check_apart,
    check_folder,
    check_place,
    for_libsndfile,
    sweep_leftovers,
    whole_set,
    write_text,
)

ROOT = Path(__file__).resolve().parent.parent
NAMES = st.sampled_from(["a.csv", "b.pdf", "true/a.wav", "matched/a.wav", "deep/er/c.svg", "é.html"])
CONTENT = st.dictionaries(NAMES, st.text(max_size=20), max_size=6)


def laid(folder, files):
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def seen(folder):
    """Every path below a folder with what stands in it."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(old=CONTENT, new=CONTENT, missing=st.booleans())
def test_a_set_comes_to_stand_whole_over_what_was_there(tmp_path_factory, old, new, missing):
    folder = tmp_path_factory.mktemp("set") / "papers"
    laid(folder, {} if missing else old)
    with whole_set(folder) as beside:
        laid(beside, new)
        assert all(each.startswith(PREFIX) for each in set(seen(folder)) - set(seen_names(folder)))
    wanted = {name: text.encode() for name, text in ({**({} if missing else old), **new}).items()}
    assert {name: data for name, data in seen(folder).items() if data is not None} == wanted


def seen_names(folder):
    return [name for name in seen(folder) if not name.startswith(PREFIX)]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    old=CONTENT,
    new=CONTENT,
    missing=st.booleans(),
    failure=st.sampled_from(
        [KeyboardInterrupt, OSError(28, "No space left on device"), InputError("no"), "in the way"]
    ),
)
def test_a_set_that_fails_leaves_the_folder_as_it_was(tmp_path_factory, old, new, missing, failure):
    home = tmp_path_factory.mktemp("set")
    folder = home / "deep" / "papers"
    if not missing:
        laid(folder, old)
    if failure == "in the way":  # a folder where the last file is to go: found when others have moved
        (folder / "zz.csv").mkdir(parents=True)
        new = {**new, "zz.csv": "x"}
    before = seen(home)

    def write():
        with whole_set(folder) as beside:
            laid(beside, new)
            if failure != "in the way":
                raise failure

    with pytest.raises((KeyboardInterrupt, InputError)):
        write()
    assert seen(home) == before


def test_a_move_that_fails_half_way_is_taken_back(tmp_path, monkeypatch):
    laid(tmp_path, {"a.csv": "old a", "b.csv": "old b"})
    before, moves, real = seen(tmp_path), [], os.replace

    def replace(source, goal):
        moves.append(goal)
        if len(moves) == 3:  # a is there, b's old one is aside or not
            raise OSError(28, "No space left on device")
        real(source, goal)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(InputError, match="No space left"), whole_set(tmp_path) as beside:
        laid(beside, {"a.csv": "new a", "b.csv": "new b", "c.csv": "new c"})
    assert seen(tmp_path) == before


def test_what_is_said_of_a_file_in_a_set_names_its_last_place(tmp_path):
    with pytest.raises(InputError) as caught, whole_set(tmp_path / "x") as beside:
        raise InputError("is wrong", file=str(beside / "true" / "a.wav"))
    assert caught.value.file == str(tmp_path / "x" / "true" / "a.wav")


@pytest.mark.skipif(os.name == "nt", reason="folders are not locked there")
@pytest.mark.parametrize("kind", ["atomic_write", "whole_set"])
def test_what_a_killed_process_left_is_swept_and_what_a_living_one_writes_is_not(tmp_path, kind):
    program = (
        "import sys, time; from pathlib import Path; from synth import files\n"
        f"with files.{kind}(Path(sys.argv[1])) as beside:\n"
        "    (beside / 'a' if beside.is_dir() else beside).write_text('half')\n"
        "    print('writing', flush=True); time.sleep(60)\n"
    )
    goal = tmp_path / "a.csv" if kind == "atomic_write" else tmp_path
    with subprocess.Popen([sys.executable, "-c", program, goal], stdout=subprocess.PIPE, cwd=ROOT) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"writing\n"
        (left,) = tmp_path.iterdir()
        os.utime(left, (time.time() - 3600.0,) * 2)
        sweep_leftovers(tmp_path)
        assert left.exists()
        writer.send_signal(signal.SIGKILL)
    with atomic_write(tmp_path / "other.csv") as beside:
        beside.write_text("whole")
    assert list(tmp_path.iterdir()) == [tmp_path / "other.csv"]


def test_what_is_no_temporary_file_of_ours_is_never_swept(tmp_path):
    laid(tmp_path, {".design-abc.toml": "mine", ".hidden": "mine", "tinewright-a": "mine"})
    for path in tmp_path.iterdir():
        os.utime(path, (0, 0))
    before = seen(tmp_path)
    sweep_leftovers(tmp_path)
    assert seen(tmp_path) == before


def test_a_file_by_another_name_is_still_that_file(tmp_path, monkeypatch):
    design = tmp_path / "design.toml"
    design.write_text("x")
    (tmp_path / "sub").mkdir()
    (tmp_path / "link.toml").symlink_to(design)
    os.link(design, tmp_path / "hard.toml")
    monkeypatch.chdir(tmp_path)
    for other in ["design.toml", "./design.toml", "sub/../design.toml", design, "link.toml", "hard.toml"]:
        with pytest.raises(InputError, match="is read by this command"):
            check_apart([Path("design.toml")], [Path(other)])
    with pytest.raises(InputError, match="would be written twice"):
        check_apart([], [Path("sub/../new.wav"), Path("new.wav")])
    check_apart([design, design], [Path("new.wav"), Path("sub/new.wav")])  # two inputs may be one


def test_a_folder_that_cannot_be_made_is_refused_before_the_work(tmp_path):
    (tmp_path / "file").write_text("x")
    for wrong in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(InputError, match="this is no folder"):
            check_folder(wrong)
    check_folder(tmp_path / "new" / "er")
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(os.name == "nt", reason="no such permissions")
@pytest.mark.parametrize("mask", [0o022, 0o027])
def test_a_file_may_be_read_by_whom_the_users_mask_lets(mask, tmp_path):
    """A temporary file is its owner's alone: what becomes of it must not be."""
    before = os.umask(mask)
    try:
        with atomic_write(tmp_path / "a.txt") as path:
            path.write_text("heard")
    finally:
        os.umask(before)
    assert (tmp_path / "a.txt").stat().st_mode & 0o777 == 0o666 & ~mask


@pytest.mark.skipif(os.name == "nt", reason="no such permissions")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o664])
def test_what_stands_in_the_place_of_a_file_is_read_by_those_who_could_read_that(mode, tmp_path):
    """A design that its owner keeps to himself was open to all after one change."""
    path = tmp_path / "a.txt"
    path.write_text("mine")
    path.chmod(mode)
    with atomic_write(path) as beside:
        beside.write_text("mine, changed")
    assert path.read_text() == "mine, changed"
    assert path.stat().st_mode & 0o777 == mode


@pytest.mark.skipif(os.name == "nt", reason="no such permissions")
def test_two_threads_that_write_at_once_leave_the_users_mask_as_it_was(tmp_path, monkeypatch):
    """The second one looks at the mask while the first has set another to see it."""
    plainly, seen, others = os.umask, [], []

    def write(name):
        with atomic_write(tmp_path / name) as path:
            path.write_text("heard")

    def umask(mask):
        before = plainly(mask)
        seen.append(mask)
        if len(seen) == 1:
            others.append(threading.Thread(target=write, args=("b.txt",)))
            others[0].start()
            others[0].join(1.0)
        return before

    before = os.umask(0o027)
    try:
        with monkeypatch.context() as patched:
            patched.setattr(os, "umask", umask)
            write("a.txt")
            others[0].join()
    finally:
        left = os.umask(before)
    assert left == 0o027
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in ("a.txt", "b.txt")] == [0o640, 0o640]
    assert all(mask & 0o077 for mask in seen)  # nobody's file is anybody's meanwhile


def test_libsndfile_is_given_the_bytes_of_a_name_that_the_locale_cannot_write():
    assert for_libsndfile(Path("Töne/a.wav")) == "Töne/a.wav"
    if os.name == "nt":
        pytest.skip("names there are letters, not bytes")
    odd = os.fsdecode("Töne/a.wav".encode("latin-1"))  # a name that is no UTF-8, as on an old disk
    assert for_libsndfile(Path(odd)) == "Töne/a.wav".encode("latin-1")


def test_a_text_is_written_with_its_own_line_ends_and_half_a_letter_as_a_question_mark(tmp_path):
    """Names of files may hold halves of letters, which UTF-8 has no bytes for."""
    path = tmp_path / "a.txt"
    write_text(path, "one\r\ntwo\n\udce4 ä")
    assert path.read_bytes() == b"one\r\ntwo\n? \xc3\xa4"
    assert [each.name for each in tmp_path.iterdir()] == ["a.txt"]


def test_a_file_where_a_folder_is_wanted_is_no_missing_folder(tmp_path):
    (tmp_path / "a").write_text("words")
    with pytest.raises(InputError, match=r"a' is a file; name a folder"):
        check_place(tmp_path / "a" / "x.wav")
