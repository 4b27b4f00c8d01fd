"""Nothing hangs on one system: no module, call or encoding that only some of Linux, macOS and Windows have.

This is by construction; a real Windows or macOS has not run it (see DEVELOPERS.md).
"""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FILES = sorted([*(ROOT / "synth").rglob("*.py"), *(ROOT / "scripts").glob("*.py")])
POSIX_MODULES = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}
WINDOWS_MODULES = {"msvcrt", "nt", "winreg", "winsound", "_winapi"}
POSIX_CALLS = {
    *(
        "fork",
        "forkpty",
        "getuid",
        "geteuid",
        "getgid",
        "setsid",
        "getpgid",
        "killpg",
        "nice",
        "uname",
        "mkfifo",
    ),
    *(
        "sched_setscheduler",
        "sched_setaffinity",
        "sched_getaffinity",
        "getloadavg",
        "statvfs",
        "chown",
        "fchmod",
    ),
    *("WIFEXITED", "waitpid", "sysconf", "ttyname", "openpty"),
}
POSIX_SIGNALS = {
    "SIGKILL",
    "SIGHUP",
    "SIGUSR1",
    "SIGUSR2",
    "SIGALRM",
    "SIGWINCH",
    "SIGPIPE",
    "SIGCHLD",
    "SIGTSTP",
}
GUARDS = ("hasattr(", "sys.platform", "os.name", "ImportError", "AttributeError", "getattr(")


def functions(tree):
    """(node, the text of the innermost function or of the top-level statement that it stands in)."""

    def walk(node, where):
        inner = node if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) else where
        for child in ast.iter_child_nodes(node):
            place = child if inner is None and isinstance(child, ast.stmt) else inner
            yield child, place
            yield from walk(child, place)

    yield from walk(tree, None)


def only_somewhere(tree):
    """What only some systems have and nothing near it asks for: (line, what)."""
    for node, where in functions(tree):
        near = ast.unparse(where) if where is not None else ""
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        special = {*names} & (POSIX_MODULES | WINDOWS_MODULES)
        if special and (isinstance(where, ast.Import | ast.ImportFrom) or where is None):
            yield node.lineno, f"imports {special} at its top"
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            said = node.value.id == "os" and node.attr in POSIX_CALLS
            said |= node.value.id == "signal" and node.attr in POSIX_SIGNALS
            if said and not any(guard in near for guard in GUARDS):
                yield node.lineno, f"{node.value.id}.{node.attr}"


def in_the_systems_encoding(tree):
    """Text that is read or written in whatever encoding the system has: (line, what)."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        named = {each.arg for each in node.keywords}
        method = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        words = [each.value for each in node.args if isinstance(each, ast.Constant)]
        if "encoding" in named:
            continue
        if method in ("read_text", "write_text") and isinstance(node.func, ast.Attribute):
            yield node.lineno, method
        binary = any(isinstance(each, str) and "b" in each for each in words)
        if method == "open" and node.args and not binary and (isinstance(node.func, ast.Name) or words):
            yield node.lineno, ast.unparse(node)
        if "text" in named and method in ("run", "Popen", "check_output"):
            yield node.lineno, f"{method}(text=True)"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_asks_for_nothing_that_only_one_system_has(path):
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert list(only_somewhere(tree)) == []
    assert list(in_the_systems_encoding(tree)) == []
    assert "shell=True" not in text
    assert '"/tmp' not in text


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("import fcntl", 1),
        ("def f():\n    import fcntl", 0),
        ("import os\ndef f():\n    os.fork()", 1),
        ("import os\ndef f():\n    if hasattr(os, 'fork'):\n        os.fork()", 0),
        ("import signal\nsignal.signal(signal.SIGHUP, None)", 1),
    ],
)
def test_the_search_finds_what_only_one_system_has(code, found):
    assert len(list(only_somewhere(ast.parse(code)))) == found


def test_the_search_finds_text_in_the_systems_encoding():
    code = "p.read_text()\np.write_text('x', encoding='utf-8')\nopen('a')\nopen('a', 'rb')\nrun(x, text=True)"
    assert [line for line, _ in in_the_systems_encoding(ast.parse(code))] == [1, 3, 5]


ELSEWHERE = """
import importlib, importlib.abc, os, pathlib, sys
import click, msgspec, numba, numpy, scipy.signal, scipy.optimize, soundfile, matplotlib, tomlkit, llvmlite.binding
import multiprocessing.shared_memory, multiprocessing.connection, concurrent.futures, subprocess, select
import urllib.request
import asyncio, threading, tempfile, shutil, http.server, webbrowser, platform, ctypes, socket, selectors
system = sys.argv[1]
hidden = {"fcntl", "grp", "pwd", "resource", "termios", "tty", "pty"} if system == "win32" else {"msvcrt"}
gone = ["fork", "getuid", "geteuid", "sched_setscheduler", "sched_getaffinity", "sched_setaffinity"]
class Hidden(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name in hidden:
            raise ImportError(f"no module named {name} on {system}")
sys.meta_path.insert(0, Hidden())
for name in hidden:
    sys.modules.pop(name, None)
for name in gone if system == "win32" else ["sched_setscheduler", "sched_getaffinity", "sched_setaffinity"]:
    if hasattr(os, name):
        delattr(os, name)
sys.platform = system
if system == "win32":
    import signal
    for name in ("SIGHUP", "SIGKILL", "SIGUSR1", "SIGALRM", "SIGPIPE", "SIGWINCH", "SIGQUIT"):
        if hasattr(signal, name):
            delattr(signal, name)
for name in sys.argv[2:]:
    importlib.import_module(name)
print("all")
"""


@pytest.mark.slow
@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_every_module_imports_where_the_system_calls_itself_otherwise(system):
    names = []
    for path in sorted((ROOT / "synth").rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        if not name.endswith("__main__"):
            names.append(name)
    done = subprocess.run(
        [sys.executable, "-c", ELSEWHERE, system, *names],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        check=False,
    )
    assert done.stdout.strip().endswith("all"), done.stderr[-2000:]
