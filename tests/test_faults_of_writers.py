"""What an open design, a tuning and a proposal write: full disks, closed folders, killed, by other clocks."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from synth.design.edit import Edit
from synth.doors.cli import run
from synth.errors import InputError
from synth.files import PREFIX
from synth.recording.tuning_file import LastTap, progress_path
from synth.recording.tuning_progress import TuningProgress, begun
from synth.served.session import Session
from synth.served.watch import FileWatch

from .full_disk import FullDisk

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "tests" / "data" / "two-tines.toml").read_text(encoding="utf-8")
PIECE = ROOT / "designs" / "test-piece.toml"
NAMES = ("D3.1", 'tine 2 of "\u00e9\U0001f600"')


@pytest.fixture(autouse=True)
def design(tmp_path, monkeypatch):
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "kept"))
    (tmp_path / "bench").mkdir()
    path = tmp_path / "bench" / "rail.toml"
    path.write_text(TEXT, encoding="utf-8", newline="")
    return path


@pytest.fixture(scope="module")
def solved(tmp_path_factory, page_functions):
    """What several tests solve alike is kept once."""
    folder = tmp_path_factory.mktemp("solved")
    shutil.copy(page_functions, folder)
    return folder


def on(session):
    return session.state()["text"]


def change(session, temperature):
    session.change([Edit("tuning.temperature_c", temperature)], on(session))


def snapshot(folder):
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def kept(path):
    target = np.array([220.0, 110.0])
    return begun(NAMES, (1, 0), within=3.0, shift=np.zeros(2), designed=lambda _: target, path=path)


def heard():
    progress = TuningProgress(NAMES, (1, 0), 3.0, np.zeros(2))
    progress.hear(1, LastTap(-12.0, 0.4, "2026-11-26T08:00:00", 21.0, target_hz=110.0))
    return progress


def closed(*_, **__):
    raise PermissionError(13, "Permission denied")


FAULTS = ["full at once", "full in the midst", "closed"]


def disk(monkeypatch, folder, fault):
    if fault == "closed":
        monkeypatch.setattr("tempfile.mkstemp", closed)
    else:
        FullDisk(monkeypatch, folder, 0 if fault == "full at once" else 40)


@pytest.mark.parametrize("fault", FAULTS)
def test_an_open_design_that_cannot_be_written_stays_and_the_session_knows_it(design, monkeypatch, fault):
    session = Session(design)
    change(session, 21.0)
    before, state = snapshot(design.parent), session.state()
    with monkeypatch.context() as refusing:
        disk(refusing, design.parent, fault)
        for wish in (lambda: change(session, 22.0), lambda: session.back(on(session))):
            with pytest.raises(InputError, match="cannot be written"):
                wish()
    assert snapshot(design.parent) == before
    assert session.state() == state
    change(session, 22.0)
    session.back(on(session))
    assert snapshot(design.parent) == before


@pytest.mark.parametrize("fault", FAULTS)
def test_versions_that_cannot_be_saved_are_still_there(design, monkeypatch, fault):
    session = Session(design)
    session.keep("quiet")
    session.save_versions()
    change(session, 22.0)
    session.keep("quiet 2")
    before = snapshot(design.parent)
    with monkeypatch.context() as refusing:
        disk(refusing, design.parent, fault)
        with pytest.raises(InputError, match="cannot be written"):
            session.save_versions()
    assert snapshot(design.parent) == before
    assert session.state()["unsaved_versions"] == 1
    session.save_versions()
    assert session.state()["unsaved_versions"] == 0


@pytest.mark.parametrize("fault", FAULTS)
def test_a_progress_that_cannot_be_kept_leaves_the_older_one(design, monkeypatch, fault):
    path, progress = progress_path(design), heard()
    progress.keep(path)
    before = snapshot(design.parent)
    progress.hear(0, LastTap(5.0, 0.4, "2026-11-26T09:00:00", 21.0))
    with monkeypatch.context() as refusing:
        disk(refusing, design.parent, fault)
        with pytest.raises(InputError, match="cannot be written"):
            progress.keep(path)
    assert snapshot(design.parent) == before
    again = kept(path)
    assert again.last == heard().last


@pytest.mark.slow
@pytest.mark.parametrize("room", [0, 5_000, 60_000])
def test_a_proposal_that_fills_the_disk_leaves_the_older_one(tmp_path, solved, monkeypatch, capsys, room):
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(solved))
    words = ["proposal", str(PIECE), "-o", str(tmp_path / "out")]
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "index.html").write_text("an older one", encoding="utf-8")
    before = snapshot(tmp_path / "out")
    disk = FullDisk(monkeypatch, tmp_path / "out", room)
    assert run(words) == 2
    assert disk.refused
    assert "No space left" in capsys.readouterr().err.splitlines()[-1]
    assert snapshot(tmp_path / "out") == before


# A page's changes, a version and a tap, without an end.
BUSY = """
import sys
from pathlib import Path
from synth.recording.tuning_file import progress_path
from synth.served.session import Session
from tests.test_faults_of_writers import change, heard
path = Path(sys.argv[1])
session = Session(path)
print("begun", flush=True)
while True:
    for warm in (21.0, 22.0):
        change(session, warm)
        session.forget("v") if "v" in session.versions.texts else None
        session.keep("v")
        session.save_versions()
        heard().keep(progress_path(path))
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_a_session_killed_at_any_moment_leaves_whole_texts(design):
    session, draw = Session(design), random.Random(24)
    whole = {TEXT}
    for warm in (21.0, 22.0):
        change(session, warm)
        whole.add(design.read_text(encoding="utf-8"))
    progress = kept(None)
    for _ in range(4):
        command = [sys.executable, "-c", BUSY, str(design)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as busy:
            assert busy.stdout.readline() == b"begun\n"
            time.sleep(draw.uniform(0.0, 0.5))
            busy.send_signal(signal.SIGKILL)
        assert design.read_text(encoding="utf-8") in whole
        found = [*design.parent.glob("*.bak*"), *design.parent.glob("rail.versions/*.toml")]
        assert {each.read_text(encoding="utf-8") for each in found if PREFIX not in each.name} <= whole
        progress = kept(progress_path(design))
    assert progress.last == heard().last


def test_two_sessions_on_one_file_do_not_write_over_each_other(design):
    one, other = Session(design), Session(design)
    change(one, 21.0)
    written = design.read_text(encoding="utf-8")
    with pytest.raises(InputError, match="changed"):
        change(other, 22.0)
    assert design.read_text(encoding="utf-8") == written


@pytest.mark.parametrize("shift", [-86_400.0 * 400, -3600.0, 86_400.0 * 400])
def test_a_file_saved_by_a_clock_that_was_set_is_seen(design, shift):
    told = []
    watch = FileWatch(design, lambda seen, settled: told.append((seen, settled)))
    watch.start()
    try:
        until(lambda: told and told[-1] == (TEXT, True))
        other = TEXT.replace("3", "4", 1)  # as long as it was
        design.write_text(other, encoding="utf-8", newline="")
        os.utime(design, (time.time() + shift,) * 2)
        until(lambda: told[-1] == (other, True))
        same = other.replace("4", "5", 1)  # and the moment is what it was, to the nanosecond
        status = design.stat()
        design.write_text(same, encoding="utf-8", newline="")
        os.utime(design, ns=(status.st_atime_ns, status.st_mtime_ns))
        until(lambda: told[-1] == (same, True))
    finally:
        watch.stop()


def until(condition):
    end = time.monotonic() + 20.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.mark.parametrize("name", ["con", "NUL", "aux.1", "Com1"])
def test_a_version_called_like_a_device_of_windows_is_no_device_and_comes_back(design, name):
    session = Session(design)
    session.keep(name)
    session.save_versions()
    (file,) = design.parent.glob("rail.versions/*")
    assert file.name.split(".")[0].casefold() not in {"con", "nul", "aux", "com1"}
    assert list(Session(design).versions.texts) == [name]
