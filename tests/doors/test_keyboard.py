"""Keys one by one; what arrows and function keys send is nothing."""

import importlib.util
import os
import sys
import threading
import time
from types import SimpleNamespace

import pytest

from synth.doors import keyboard as keyboard_module
from synth.doors.keyboard import console_key, keyboard, without_sequences
from synth.doors.live import END_KEYS

ARROWS = ["\x1b[A", "\x1b[B", "\x1b[C", "\x1b[D", "\x1bOA", "\x1bOD", "\x1b[1;5C", "\x1b\x1b[A"]
FUNCTIONS = ["\x1bOP", "\x1bOS", "\x1b[11~", "\x1b[15~", "\x1b[24;2~", "\x1b[[A", "\x1b[[E", "\x1bO2P"]
OTHERS = ["\x1b[H", "\x1b[F", "\x1b[2~", "\x1b[3~", "\x1b[5~", "\x1b[Z", "\x1b[I", "\x1ba", "\x1bq"]
SPECIAL = [*ARROWS, *FUNCTIONS, *OTHERS]


@pytest.mark.parametrize("sent", SPECIAL, ids=ascii)
def test_a_key_that_sends_several_characters_is_nothing_wherever_it_stands(sent):
    assert without_sequences(sent) == ""
    assert without_sequences(f"a{sent}s") == "as"
    assert without_sequences(sent * 3 + "d" + sent) == "d"


def test_escape_alone_and_plain_keys_stay_what_they_are():
    assert without_sequences("\x1b") == "\x1b"
    assert "\x1b" in END_KEYS
    assert without_sequences("asdf;'[O~1\t q") == "asdf;'[O~1\t q"


def test_what_was_begun_and_never_ended_is_no_escape():
    assert without_sequences("a\x1b[1;") == "a"
    assert without_sequences("\x1bO") == ""


def opened_pty():
    return pytest.importorskip("pty", reason="a terminal of Unix").openpty()


@pytest.fixture
def terminal(monkeypatch):
    ours, theirs = opened_pty()
    with os.fdopen(theirs, "r") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with keyboard() as read:
            yield ours, read
    os.close(ours)


def test_the_terminal_gives_no_arrow_even_when_its_characters_come_apart(terminal):
    ours, read = terminal

    def press():
        for part in ("\x1b", "[", "A", "a"):
            os.write(ours, part.encode())
            time.sleep(0.005)

    pressing = threading.Thread(target=press)
    pressing.start()
    got = read(1.0)
    pressing.join()
    assert got + read(0.1) == "a"


def test_a_hundred_arrows_held_down_are_nothing_and_escape_is_escape(terminal):
    ours, read = terminal
    os.write(ours, b"\x1b[A" * 100 + b"k")
    got = "".join(read(0.05) for _ in range(8))
    assert got == "k"
    os.write(ours, b"\x1b")
    assert read(1.0) == "\x1b"


@pytest.mark.parametrize("first", [b"\x00", b"\xe0"])
def test_on_windows_the_second_code_of_an_arrow_strokes_nothing(first):
    """Up is 0xE0 0x48, and 0x48 alone is H, a stroke."""
    waiting = [first, b"H", b"a"]
    assert console_key(lambda: waiting.pop(0), lambda: bool(waiting)) == ""
    assert waiting == [b"a"]
    assert console_key(lambda: waiting.pop(0), lambda: bool(waiting)) == "a"


def test_on_windows_a_letter_that_looks_like_a_first_code_waits_for_no_second():
    waiting = [b"\xe0"]
    assert console_key(lambda: waiting.pop(0), lambda: bool(waiting)) == ""


def test_on_windows_a_key_is_waited_for_and_none_is_made_up(monkeypatch):
    """The module as Windows would load it, with a console that has a key from the third time it is asked on."""
    asked, waiting = [], [b"a"]
    console = SimpleNamespace(kbhit=lambda: asked.append(1) or len(asked) > 2, getch=lambda: waiting.pop(0))
    monkeypatch.setitem(sys.modules, "msvcrt", console)
    spec = importlib.util.spec_from_file_location("keyboard_on_windows", keyboard_module.__file__)
    module = importlib.util.module_from_spec(spec)
    with monkeypatch.context() as faked:
        faked.setattr(sys, "platform", "win32")
        spec.loader.exec_module(module)
    assert module._read_console(0.0) == ""
    assert module._read_console(1.0) == "a"
    assert waiting == []


def test_the_terminal_gives_keys_one_by_one_and_is_put_back_as_it_was(monkeypatch):
    import termios

    ours, theirs = opened_pty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        before = termios.tcgetattr(theirs)
        with keyboard() as read:
            os.write(ours, b"aS")
            assert read(1.0) == "aS"
            assert read(0.0) == ""
            assert not termios.tcgetattr(theirs)[3] & termios.ICANON
        assert termios.tcgetattr(theirs) == before
    os.close(ours)
