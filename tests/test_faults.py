"""What goes wrong outside the program: it is killed, disks fill, folders close, clocks go back, others write too.

Whatever happens: no file half written, none lost, the answer the same, one line where there is something to tell.
"""

import builtins
import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zlib
from pathlib import Path

import numpy as np
import pytest

from synth import cache
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.files import PREFIX, atomic_write
from synth.vibration.frame import FrameModes
from synth.vibration.solve import solve_row

from .full_disk import FullDisk

ROOT = Path(__file__).resolve().parent.parent
TWO_TINES = ROOT / "tests" / "data" / "two-tines.toml"
PIECE = ROOT / "designs" / "test-piece.toml"


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv(cache.FOLDER_VARIABLE, str(tmp_path / "kept"))
    return tmp_path / "kept"


def modes(seed=1):
    rng = np.random.default_rng(seed)
    return FrameModes(rng.standard_normal(37), rng.standard_normal((500, 37)))


def snapshot(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# Writes without an end: papers over what is there, a picture, and the cache anew.
BUSY = """
import sys
from synth.doors.cli import run
design, folder = sys.argv[1:]
print("begun", flush=True)
while True:
    assert run(["cutlist", design, "-o", folder]) == 0
    assert run(["check", design, "--fresh"]) == 0
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_killed_at_any_moment_it_leaves_whole_files_and_a_cache_that_answers(tmp_path, kept):
    folder, draw = tmp_path / "papers", random.Random(24)
    assert run(["cutlist", str(TWO_TINES), "-o", str(folder)]) == 0
    whole = snapshot(folder)
    row = solve_row(resolve(load(TWO_TINES), str(TWO_TINES)))
    for _ in range(6):
        command = [sys.executable, "-c", BUSY, str(TWO_TINES), str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=ROOT) as busy:
            assert busy.stdout.readline() == b"begun\n"
            time.sleep(draw.uniform(0.0, 1.5))
            busy.send_signal(signal.SIGKILL)
        found = {path: data for path, data in snapshot(folder).items() if PREFIX not in str(path)}
        assert set(found) == set(whole)
        for path, data in found.items():  # a PDF holds the second in which it was made
            assert data == whole[path] or path.suffix == ".pdf", path
            assert path.suffix != ".pdf" or data.rstrip().endswith(b"%%EOF")
        again = solve_row(resolve(load(TWO_TINES), str(TWO_TINES)))
        np.testing.assert_array_equal(again.length, row.length)
    for path in [*folder.rglob(f"{PREFIX}*"), *kept.rglob(f"{PREFIX}*")]:
        os.utime(path, (0, 0))
    assert run(["cutlist", str(TWO_TINES), "-o", str(folder)]) == 0
    assert run(["check", str(TWO_TINES), "--fresh"]) == 0
    assert not [*folder.rglob(f"{PREFIX}*"), *kept.rglob(f"{PREFIX}*")]


COMMANDS = [
    ("cutlist", PIECE, "-o", "out"),
    ("template", PIECE, "-o", "out"),
    ("drawing", PIECE, "-o", "out/a.svg"),
    ("drawing", PIECE, "-o", "out/a.pdf"),
    ("map", PIECE, "-o", "out/a.png"),
    ("draft", "--notes", "D3,A3", "--tines", "2", "--force", "-o", "out/a.toml"),
]


@pytest.mark.slow
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: f"{words[0]}-{words[-1][-3:]}")
def test_a_disk_that_is_full_at_any_write_is_told_and_leaves_what_was_there(
    tmp_path, monkeypatch, capsys, words
):
    """From no room at all to nearly enough."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out").mkdir()
    said = [str(each) for each in words]
    assert run(said) == 0
    before = snapshot(tmp_path / "out")
    size = sum(map(len, before.values()))
    for room in (0, 1, size // 3, 2 * size // 3, size - size // 50):
        capsys.readouterr()
        with monkeypatch.context() as full:
            disk = FullDisk(full, tmp_path / "out", room)
            code = run(said)
        if not disk.refused:
            continue  # this library writes in another way: /dev/full and the small disk below see to that
        error = capsys.readouterr().err.splitlines()[-1]
        assert code == 2, error
        assert error.startswith("error: ")
        assert "No space left" in error
        assert snapshot(tmp_path / "out") == before


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 256 KiB; needs the rights to mount one."""
    place = tmp_path / "small"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)], capture_output=True, check=False
    ) if sys.platform == "linux" else None  # fmt: skip
    if made is None or made.returncode != 0:
        pytest.skip("no small disk can be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [
        ("stroke", PIECE, "--group", "D3", "--seconds", "2", "-o", "a.wav"),
        ("stroke", PIECE, "--group", "D3", "--seconds", "2", "-o", "a.flac"),
        ("stroke", PIECE, "--group", "D3", "--seconds", "0.1", "-o", "a.wav", "--trace", "a.npz"),
        ("page", PIECE, "-o", "a.html"),
        ("map", PIECE, "-o", "a.png"),
        ("compare", PIECE, "--group", "D3", "--vary", "speed_mm_s=200,600", "-o", "set"),
        ("cutlist", PIECE, "-o", "set"),
    ],
    ids=lambda words: words[-1],
)
def test_a_small_disk_runs_full_and_is_told_of_in_one_line(
    small_disk, kept, page_functions, monkeypatch, capsys, words
):
    kept.mkdir()
    shutil.copy(page_functions, kept)
    filler = small_disk / "filler"
    filler.write_bytes(bytes((256 - 8) * 1024))
    (small_disk / "mine.txt").write_text("kept", encoding="utf-8")
    monkeypatch.chdir(small_disk)
    code = run([str(each) for each in words])
    error = capsys.readouterr().err.splitlines()[-1]
    assert code in (1, 2), error
    assert error.startswith("error: ")
    assert sorted(each.name for each in small_disk.iterdir()) == ["filler", "mine.txt"]
    assert (small_disk / "mine.txt").read_text(encoding="utf-8") == "kept"


def test_a_cache_on_a_full_disk_costs_time_and_never_the_answer(small_disk, monkeypatch):
    monkeypatch.setenv(cache.FOLDER_VARIABLE, str(small_disk / "kept"))
    (small_disk / "filler").write_bytes(bytes(200 * 1024))
    for _ in range(2):
        np.testing.assert_array_equal(cache.cached("modes", 1, modes).shape, modes().shape)
    assert not list((small_disk / "kept").iterdir())


def test_a_cache_that_may_be_read_and_not_written_is_read(kept, monkeypatch):
    cache.cached("modes", 1, modes)

    def closed(*_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    for name in ("replace", "utime", "mkdir", "unlink"):
        monkeypatch.setattr(os, name, closed)
    monkeypatch.setattr("tempfile.mkstemp", closed)
    asked = []
    np.testing.assert_array_equal(
        cache.cached("modes", 1, lambda: asked.append(1) or modes()).shape, modes().shape
    )
    assert asked == []
    np.testing.assert_array_equal(cache.cached("modes", 2, lambda: modes(2)).shape, modes(2).shape)
    assert len(list(kept.iterdir())) == 1


def test_a_folder_that_may_not_be_written_to_is_refused_before_the_work(tmp_path, monkeypatch, capsys):
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK and real(path, mode))
    for words in (
        ["stroke", str(PIECE), "--group", "D3", "-o", str(tmp_path / "a.wav")],
        ["cutlist", str(PIECE), "-o", str(tmp_path)],
    ):
        assert run(words) == 2
        assert "cannot be written to" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


CLOCKS = [-3600.0, -86_400.0 * 400, 86_400.0 * 400]


@pytest.mark.parametrize("shift", CLOCKS)
def test_a_clock_that_was_set_changes_no_answer_and_loses_no_file(tmp_path, kept, monkeypatch, shift):
    """Files seem to come from the future, or from years ago."""
    cache.cached("modes", 1, modes)
    for path in kept.iterdir():
        os.utime(path, (time.time() - shift,) * 2)
    asked = []
    np.testing.assert_array_equal(
        cache.cached("modes", 1, lambda: asked.append(1) or modes()).shape, modes().shape
    )
    assert asked == []
    cache.cached("modes", 2, lambda: modes(2))
    assert len(list(kept.iterdir())) == 2
    with atomic_write(tmp_path / "a.txt") as beside:
        os.utime(beside, (time.time() - shift,) * 2)  # made before the clock was set
        with atomic_write(tmp_path / "b.txt") as other:
            other.write_text("b", encoding="utf-8")
        beside.write_text("a", encoding="utf-8")
    assert {each.name: each.read_text(encoding="utf-8") for each in tmp_path.glob("*.txt")} == {
        "a.txt": "a",
        "b.txt": "b",
    }


@pytest.mark.skipif(os.name == "nt", reason="what is orphaned is told by locks")
def test_what_a_killed_process_left_is_swept_though_the_clock_went_back_since(tmp_path):
    left = tmp_path / f"{PREFIX}left.txt"
    left.write_text("half", encoding="utf-8")
    os.utime(left, (time.time() + 86_400.0,) * 2)
    with atomic_write(tmp_path / "a.txt") as beside:
        beside.write_text("a", encoding="utf-8")
    assert [each.name for each in tmp_path.iterdir() if each.is_file()] == ["a.txt"]


def test_a_cache_of_another_version_is_neither_trusted_nor_in_the_way(kept, monkeypatch):
    """One whose types had other fields, and one that wrote another form."""
    cache.cached("modes", 1, modes)
    (path,) = kept.iterdir()
    data = path.read_bytes()
    for older in (
        data.replace(cache.MAGIC, b"TINEWRT0"),
        data.replace(b'"frequency"', b'"frequencx"'),
        data.replace(b"synth.vibration.frame:", b"synth.vibration.frams:"),
        b"",
    ):
        path.write_bytes(older)
        asked = []
        found = cache.cached("modes", 1, lambda asked=asked: asked.append(1) or modes())
        assert asked == [1]
        np.testing.assert_array_equal(found.shape, modes().shape)
    assert path.read_bytes() == data
    monkeypatch.setattr(cache, "_program", lambda: b"another")
    asked = []
    cache.cached("modes", 1, lambda: asked.append(1) or modes())
    assert asked == [1]
    assert len(list(kept.iterdir())) == 2  # the other version finds its own again


WORKING = """
import sys
from synth.doors.cli import run
sys.exit(max(run(["check", sys.argv[1], "--fresh"]) for _ in range(4)))
"""


@pytest.mark.slow
def test_two_commands_on_one_cache_both_answer(kept):
    jobs = [
        subprocess.Popen([sys.executable, "-c", WORKING, str(TWO_TINES)], cwd=ROOT, stdout=subprocess.PIPE)
        for _ in range(2)
    ]
    said = [job.communicate()[0] for job in jobs]
    assert [job.returncode for job in jobs] == [0, 0]
    assert said[0] == said[1]
    assert not [each for each in kept.iterdir() if each.name.startswith(PREFIX)]


def test_nothing_in_the_cache_is_unpickled(kept, monkeypatch):
    """Reading a kept solution never reaches pickle, marshal, eval or an import of what is not this package's."""
    import pickle

    cache.cached("modes", 1, modes)

    def never(*_, **__):
        raise AssertionError("unpickled")

    for name in ("load", "loads", "Unpickler", "_load", "_loads", "_Unpickler"):
        monkeypatch.setattr(pickle, name, never)
    monkeypatch.setattr(builtins, "eval", never)
    monkeypatch.setattr(builtins, "exec", never)
    monkeypatch.setattr(np, "load", never)
    asked = []
    np.testing.assert_array_equal(
        cache.cached("modes", 1, lambda: asked.append(1) or modes()).shape, modes().shape
    )
    assert asked == []


@pytest.mark.parametrize("kind", ["|O", "O", "|V8", "<f8,O", "M8[s]", "<U4"])
def test_an_array_of_a_file_holds_numbers_and_never_objects(kept, kind):
    """An array of objects would be addresses out of a file."""
    cache.cached("modes", 1, modes)
    (path,) = kept.iterdir()
    data = path.read_bytes()
    first = cache._FRONT.size
    end = first + cache._FRONT.unpack(data[:first])[1]
    header = data[first:end].rstrip().replace(b'"<f8"', f'"{kind}"'.encode())
    header += b" " * (-(first + len(header)) % cache.ALIGNED)
    front = cache._FRONT.pack(
        cache.MAGIC, len(header), zlib.crc32(header)
    )  # as who knows the form would write it
    path.write_bytes(front + header + data[end:])
    assert kind.encode() in header
    asked = []
    cache.cached("modes", 1, lambda: asked.append(1) or modes())
    assert asked == [1]
