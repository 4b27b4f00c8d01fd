"""Standard streams and signals: whatever they are connected to, one line at most and no traceback."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from synth.doors import streams
from synth.doors.streams import escaped

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-c", "from synth.doors.cli import main; main()"]
PIECE = str(ROOT / "designs" / "test-piece.toml")
pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX streams and signals")


@pytest.fixture(scope="module")
def environment(tmp_path_factory):
    """With solutions kept, so that each process is quick."""
    return {**os.environ, "TINEWRIGHT_CACHE": str(tmp_path_factory.mktemp("cache"))}


def shell(line, environment, **more):
    words = " ".join(f"'{each}'" for each in COMMAND)
    return subprocess.run(
        ["bash", "-c", line.replace("tinewright", words)],
        capture_output=True,
        cwd=ROOT,
        env={**environment, **more},
        check=False,
    )


def test_a_reader_that_had_enough_is_no_error(environment):
    done = shell(f"tinewright modes {PIECE} --json | head -1; exit ${{PIPESTATUS[0]}}", environment)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("where", [">/dev/full", ">&-"])
@pytest.mark.parametrize("words", [f"check {PIECE}", f"check {PIECE} --json", "--help"])
def test_output_that_nobody_takes_is_told_in_one_line(environment, where, words):
    done = shell(f"tinewright {words} {where}", environment)
    assert done.returncode == 1
    assert done.stderr.startswith(b"error: standard output: ")
    assert done.stderr.count(b"\n") == 1


def test_a_command_with_no_stream_at_all_still_ends(environment):
    assert shell(f"tinewright check {PIECE} <&- >&- 2>&-", environment).returncode == 1
    assert shell("tinewright check nowhere.toml <&- >&- 2>&-", environment).returncode == 2


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "utf-8"])
def test_letters_that_an_encoding_lacks_are_written_as_numbers_that_json_reads_back(
    environment, tmp_path, encoding
):
    name = "Пробный 🎵 é"
    design = tmp_path / f"{name}.toml"
    text = Path(PIECE).read_text(encoding="utf-8").replace('name = "D3"', 'name = "ré♯3"')
    design.write_text(text, encoding="utf-8")
    plain = shell(f"tinewright check '{design}'", environment, PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert plain.returncode == 0, plain.stderr
    done = shell(
        f"tinewright check '{design}' --json", environment, PYTHONIOENCODING=encoding, PYTHONUTF8="0"
    )
    written = "utf-8" if encoding == "ascii" else encoding  # click takes ASCII for a slip of the system's
    assert json.loads(done.stdout.decode(written))["tines"][0]["group"] == "ré♯3"
    none = shell(f"tinewright check '{design}x'", environment, PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert none.returncode == 2
    assert none.stderr.count(b"\n") == 1


def test_a_letter_beyond_sixteen_bits_becomes_a_pair():
    error = UnicodeEncodeError("ascii", "a🎵b", 1, 2, "")
    assert escaped(error) == ("\\ud83c\\udfb5", 2)
    assert json.loads('"' + escaped(error)[0] + '"') == "🎵"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("made_of_it", [ImportError, SystemError, RuntimeError, TypeError])
def test_an_interruption_that_a_library_made_an_error_of_is_still_one(environment, number, made_of_it):
    code = f"""
import os, sys, synth.doors.cli as cli, synth.doors.cli.keys as keys
def half_loaded(**words):
    try:
        os.kill(os.getpid(), {int(number)})
        for _ in range(10**9): pass
    except KeyboardInterrupt:
        pass
    raise {made_of_it.__name__}("cannot load the rest")
keys.command.callback = half_loaded
sys.argv[1:] = ["keys"]
cli.main()
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, env=environment, cwd=ROOT, check=False
    )
    assert (done.returncode, done.stderr) == (1, b"stopped; no file was left half written\n")


def test_an_error_that_nobody_asked_for_is_not_called_an_end(environment):
    code = """
import sys, synth.doors.cli as cli, synth.doors.cli.keys as keys
def wrong(**words): raise RuntimeError("a fault of ours")
keys.command.callback = wrong
sys.argv[1:] = ["keys"]
cli.main()
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, env=environment, cwd=ROOT, check=False
    )
    assert b"a fault of ours" in done.stderr
    assert b"stopped" not in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stroke_that_is_stopped_ends_in_one_line_and_leaves_no_file(environment, tmp_path, number):
    """Wherever it is stopped: while it loads, solves, follows the contact or writes."""
    words = ["stroke", ROOT / "designs" / "quay-rail.toml", "--group", "D2", "--contact", "reference"]
    words += ["--speed-mm-s", "30", "--seconds", "60", "-o", tmp_path / "a.wav"]
    ended = []
    for delay in (0.4, 0.7, 1.0, 1.3, 1.6, 1.9, 2.2):
        with subprocess.Popen(
            [*COMMAND, *words], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, cwd=ROOT, env=environment
        ) as process:
            time.sleep(delay)
            process.send_signal(number)
            _, said = process.communicate(timeout=120)
        ended.append(process.returncode)
        if process.returncode == 0:
            (tmp_path / "a.wav").unlink()
            continue
        assert process.returncode in (1, -number)  # by the signal itself before Python is up
        if process.returncode == 1:
            assert said.splitlines()[-1] == b"stopped; no file was left half written"
            assert b"Traceback" not in said
        assert list(tmp_path.iterdir()) == []
    assert 1 in ended


def test_a_signal_that_whoever_started_it_left_out_stays_left_out(monkeypatch):
    """As `nohup` does with one; Python's own answer to Ctrl-C and the system's are replaced."""
    if not hasattr(signal, "SIGHUP"):
        pytest.skip("no such signal here")
    before = {
        signal.SIGINT: signal.default_int_handler,
        signal.SIGTERM: signal.SIG_DFL,
        signal.SIGHUP: signal.SIG_IGN,
    }
    taken = []
    monkeypatch.setattr(signal, "getsignal", before.get)
    monkeypatch.setattr(signal, "signal", lambda number, handler: taken.append((number, handler)))
    monkeypatch.setattr(streams, "_open_missing", lambda: None)
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(sys, name, None)
    streams.make_sound()
    assert taken == [(signal.SIGINT, streams._stop), (signal.SIGTERM, streams._stop)]
    assert not streams.asked_to_stop()


@pytest.mark.parametrize("code", [0, 2])
def test_what_was_printed_and_what_waits_for_the_end_is_done_before_it(environment, tmp_path, code):
    """Of a process that holds what it printed back, with an exit function that writes a file."""
    kept = tmp_path / "kept.txt"
    program = (
        "import atexit, pathlib, sys; from synth.doors import streams; print('a' * 100_000, end='');"
        f" atexit.register(lambda: pathlib.Path({str(kept)!r}).write_text(sys.stdout.name, encoding='utf-8'));"
        f" sys.stderr.write('b'); streams.end_process({code})"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, env=environment, cwd=ROOT, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (code, b"a" * 100_000, b"b")
    assert kept.read_text(encoding="utf-8") == "<stdout>"


@pytest.mark.parametrize("code", [0, 2])
def test_a_signal_that_comes_when_all_is_said_ends_the_process_as_it_was_to_end(environment, code):
    """While what waits for the end is done, which once waited for other processes: it was a traceback."""
    program = (
        "import atexit, os, signal, time; from synth.doors import streams; streams.make_sound();"
        " atexit.register(lambda: (os.kill(os.getpid(), signal.SIGINT), time.sleep(60)));"
        f" streams.end_process({code})"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        env=environment,
        cwd=ROOT,
        check=False,
        timeout=30,
    )
    assert (done.returncode, done.stdout, done.stderr) == (code, b"", b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_what_cannot_be_written_at_the_end_is_no_success(environment):
    program = "from synth.doors import streams; print('a', end=''); streams.end_process(0)"
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-c", program],
            stdout=full,
            stderr=subprocess.PIPE,
            env=environment,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode != 0
    assert b"No space left" in done.stderr
