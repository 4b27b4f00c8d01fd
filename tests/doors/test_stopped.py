"""Commands that work long, stopped or refused: one line, the right exit code, no file, and no process left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from synth.doors.cli import run
from synth.errors import ProcessLostError

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-c", "from synth.doors.cli import main; main()"]
STOPPED = b"stopped; no file was left half written\n"
RAIL = str(ROOT / "designs" / "quay-rail.toml")
SCORE = str(ROOT / "designs" / "slow-and-fast.toml")
LONG = {
    "proposal": ["proposal", RAIL, SCORE, "-o", "out"],
    "compare": ["compare", RAIL, "--group", "D3", "--vary", "speed_mm_s=200,250,300,350,400,450,500,550",
                "--vary", "through=bar,panel", "--seconds", "20", "-o", "out"],
    "tolerance": ["tolerance", RAIL, "--trials", "5000", "--seconds", "20", "--audio", "out"],
    "suggest": ["suggest", str(ROOT / "designs" / "lantern-hoop.toml"), "--tries", "5000"],
}  # fmt: skip
pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX signals and groups of processes")


@pytest.fixture(scope="module")
def environment():
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def started(words, folder, environment):
    """In a group of its own, so that a signal is sent to this process alone, and what is left can be found."""
    return subprocess.Popen(
        [*COMMAND, *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=folder, env=environment,
        start_new_session=True,
    )  # fmt: skip


def ended(process, seconds=20.0):
    """Its exit code and words; nothing of its group may be left. A copy that stays holds standard error open."""
    try:
        _, said = process.communicate(timeout=seconds)
        with pytest.raises(ProcessLookupError):
            os.killpg(process.pid, 0)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.communicate()
        pytest.fail(f"it does not end within {seconds:g} s")
    return process.returncode, said


def copies_of(process):
    found = subprocess.run(["ps", "-o", "pid=", "-g", str(process.pid)], capture_output=True, check=False)
    return [int(each) for each in found.stdout.split() if int(each) != process.pid]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "delays"),
    [
        ("proposal", (0.5, 2.0, 3.5, 5.0)),
        ("compare", (2.0, 4.0)),
        ("tolerance", (2.0, 4.0)),
        ("suggest", (1.0, 2.0)),
    ],
)
def test_a_command_whose_main_process_alone_is_interrupted_ends_at_once(environment, tmp_path, name, delays):
    """Wherever it is: while it loads, solves, or waits for its copies, which would wait for ever."""
    codes = []
    for delay in delays:
        process = started(LONG[name], tmp_path, environment)
        time.sleep(delay)
        process.send_signal(signal.SIGINT)
        code, said = ended(process)
        codes.append(code)
        assert (code, said) in ((1, STOPPED), (-signal.SIGINT, b"")) or code == 0  # before Python is up; done
        if code:
            assert list(tmp_path.iterdir()) == []
        else:
            break
    assert 1 in codes


@pytest.mark.slow
def test_a_copy_that_is_ended_from_outside_is_told_by_its_signal(environment, tmp_path):
    """SIGINT, which the command was started without, ends nothing, in a copy or here."""
    process = subprocess.Popen(
        ["bash", "-c", 'trap "" INT; exec "$@"', "-", *COMMAND, *LONG["proposal"]], stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, cwd=tmp_path, env=environment, start_new_session=True,
    )  # fmt: skip
    for _ in range(1200):
        if len(copies_of(process)) == 2:
            break
        time.sleep(0.05)
    time.sleep(0.5)
    first, _ = copies_of(process)
    os.killpg(process.pid, signal.SIGINT)
    time.sleep(0.5)
    assert len(copies_of(process)) == 2
    os.kill(first, signal.SIGTERM)
    assert ended(process) == (
        1,
        b"error: a process that shared the work was ended from outside, by SIGTERM\n",
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_stroke_that_a_copy_refuses_ends_all_with_its_line(environment, tmp_path):
    """Found while another copy is at work: the stick would pass at the tines' roots."""
    score = tmp_path / "hard.toml"
    score.write_text('stroke = [ { at_s = 0.1, group = "C4", height_mm = 60 } ]', encoding="utf-8")
    process = started(["proposal", RAIL, SCORE, str(score), "-o", "out"], tmp_path, environment)
    code, said = ended(process, seconds=120.0)
    assert code == 2
    assert said.endswith(b"height 30 mm at most for this group\n")
    assert said.count(b"\n") == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "there is no such file"),
        ('stroke = [ { at_s = 0.1, group = "H9" } ]', "there is no group 'H9'"),
    ],
)
def test_a_slip_in_a_score_is_told_before_anything_is_solved(monkeypatch, tmp_path, capsys, text, said):
    """It was told by a copy, which then was waited for without an end."""
    from synth.proposal import build

    monkeypatch.setattr(build, "facts_of", lambda *_, **__: pytest.fail("it is solved"))
    score = tmp_path / "score.toml"
    if text is not None:
        score.write_text(text, encoding="utf-8")
    assert run(["proposal", RAIL, SCORE, str(score), "-o", str(tmp_path / "out")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"error: {score}: ")
    assert said in line
    assert not (tmp_path / "out").exists()


def test_a_process_that_is_lost_is_told_and_is_no_fault_of_the_input(monkeypatch, capsys):
    from synth.doors.cli import keys

    def lost(**_):
        raise ProcessLostError("it was ended by SIGTERM")

    monkeypatch.setattr(keys.command, "callback", lost)
    assert run(["keys"]) == 1
    assert capsys.readouterr().err == "error: it was ended by SIGTERM\n"
