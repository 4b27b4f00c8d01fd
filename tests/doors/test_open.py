"""`tinewright open` as a maker starts and ends it: the address first, q and Ctrl-C, a port of one's own."""

import http.client
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from synth.doors.cli import run
from tests.served.conftest import DESIGN

ROOT = Path(__file__).parents[2]


@pytest.fixture
def design(tmp_path):
    path = tmp_path / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


def started(design, *words, stdin=subprocess.DEVNULL):
    return subprocess.Popen(
        [sys.executable, "-c", "from synth.doors.cli import main; main()", "open", str(design), *words],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        cwd=ROOT,
    )


def answered(address):
    found = urlsplit(address)
    connection = http.client.HTTPConnection(found.hostname, found.port, timeout=30)
    connection.request("GET", found.path)
    answer = connection.getresponse()
    connection.close()
    return answer.status


def test_q_in_a_line_of_another_program_ends_it(design):
    process = started(design, "--no-browser", stdin=subprocess.PIPE)
    assert answered(process.stdout.readline().strip()) == 200
    _, said = process.communicate("no\nq\n", timeout=20)
    assert process.returncode == 0
    assert said.endswith("closed\n")


def test_the_first_line_is_the_whole_address_and_ctrl_c_ends_it(design):
    process = started(design, "--no-browser")
    address = process.stdout.readline().strip()
    assert address.startswith("http://127.0.0.1:")
    assert answered(address) == 200
    process.send_signal(signal.SIGINT)
    rest, said = process.communicate(timeout=20)
    assert (process.returncode, rest) == (0, "")
    assert said.endswith("closed\n")
    assert "Traceback" not in said
    with pytest.raises(ConnectionError):
        answered(address)


def test_q_ends_it(design):
    ours, theirs = pytest.importorskip("pty", reason="a terminal of Unix").openpty()
    process = started(design, "--no-browser", stdin=theirs)
    os.close(theirs)
    assert answered(process.stdout.readline().strip()) == 200
    os.write(ours, b"q")
    process.communicate(timeout=20)
    assert process.returncode == 0
    os.close(ours)


def test_a_port_of_ones_own_is_taken_or_refused_in_a_line(design, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert run(["open", str(design), "--no-browser", "--port", str(port)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"error: --port: port {port} cannot be had")
    process = started(design, "--no-browser", "--port", str(port))
    assert f":{port}/" in process.stdout.readline()
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=20)


def test_a_design_that_cannot_be_built_is_refused_in_a_line(design, capsys):
    design.write_text(DESIGN.replace('root = "A3"', 'root = "H3"'), encoding="utf-8")
    assert run(["open", str(design), "--no-browser"]) == 2
    assert f"error: {design}: group[2].root: 'H3' is not a note name" in capsys.readouterr().err
    assert run(["open", str(design.with_name("none.toml")), "--no-browser"]) == 2
    assert "there is no such file" in capsys.readouterr().err


def test_the_browser_is_opened_at_the_address(design, monkeypatch, capsys):
    opened = []
    monkeypatch.setattr("webbrowser.open", lambda words: opened.append(words) or True)
    monkeypatch.setattr("synth.doors.cli.open._wait", lambda: None)
    assert run(["open", str(design), "--through", "panel"]) == 0
    assert opened == [capsys.readouterr().out.splitlines()[0]]
    assert run(["open", str(design), "--through", "lid"]) == 2
