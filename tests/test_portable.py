"""Nothing hangs on one system: no module, call or encoding that only some of Linux, macOS and Windows have.

This is by construction; a real Windows or macOS has not run it (see DEVELOPERS.md).
"""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

from synth import files
from synth.errors import InputError
from synth.files import PREFIX
from synth.sound.file_sets import file_names

ROOT = Path(__file__).resolve().parent.parent
FILES = sorted([*(ROOT / "synth").rglob("*.py"), *(ROOT / "scripts").glob("*.py")])
TESTS = sorted((ROOT / "tests").rglob("*.py"))
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
    *("kill", "symlink", "link", "getlogin", "mkdirat", "get_terminal_size_fd", "O_NONBLOCK", "O_NOFOLLOW"),
    "rename",  # over a file only os.replace moves everywhere
}
POSIX_OF = {
    "os": POSIX_CALLS,
    "select": {"select", "poll", "epoll", "kqueue"},  # of files and terminals
    "socket": {
        "AF_UNIX",
        "SO_REUSEPORT",
        "SO_REUSEADDR",
    },  # the last lets two programs have one port on Windows
    "time": {"tzset", "clock_gettime", "pthread_getcpuclockid"},
}
POSIX_METHODS = {"add_signal_handler", "rename"}
POSIX_WORDS = {"preexec_fn", "pass_fds"}  # of subprocess
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
    """(node, the innermost function or the top-level statement that it stands in, what is asked around that)."""

    def walk(node, where, asked):
        inner = node if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) else where
        asked += ast.unparse(node.test) if isinstance(node, ast.If) else ""
        for child in ast.iter_child_nodes(node):
            place = child if inner is None and isinstance(child, ast.stmt) else inner
            yield child, place, asked
            yield from walk(child, place, asked)

    yield from walk(tree, None, "")


def only_somewhere(tree):
    """What only some systems have and nothing near it asks for: (line, what)."""
    for node, where, asked in functions(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        special = {*names} & (POSIX_MODULES | WINDOWS_MODULES)
        if special and (isinstance(where, ast.Import | ast.ImportFrom) or where is None):
            yield node.lineno, f"imports {special} at its top"
        if isinstance(node, ast.keyword) and node.arg in POSIX_WORDS:
            yield node.lineno, node.arg
        if isinstance(node, ast.Attribute):
            of = node.value.id if isinstance(node.value, ast.Name) else ""
            said = node.attr in POSIX_OF.get(of, set()) or (of == "signal" and node.attr in POSIX_SIGNALS)
            said |= node.attr in POSIX_METHODS and of not in POSIX_OF
            near = asked + ast.unparse(where) if said and where is not None else ""
            if said and not any(guard in near for guard in GUARDS):
                yield node.lineno, ast.unparse(node)


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
        if method in ("fdopen", "NamedTemporaryFile", "TemporaryFile") and not binary:
            yield node.lineno, ast.unparse(node)
        if method == "open" and node.args and not binary and (isinstance(node.func, ast.Name) or words):
            yield node.lineno, ast.unparse(node)
        if "text" in named and method in ("run", "Popen", "check_output"):
            yield node.lineno, f"{method}(text=True)"


def with_the_systems_line_ends(tree):
    """Text that is written with whatever line ends the system has, or with two of them: (line, what)."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or {"newline"} & {each.arg for each in node.keywords}:
            continue
        method = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        first = node.args[0].value if node.args and isinstance(node.args[0], ast.Constant) else None
        if (method == "write_text" and isinstance(node.func, ast.Attribute)) or (
            method == "open" and first == "w"
        ):
            yield node.lineno, ast.unparse(node)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_asks_for_nothing_that_only_one_system_has(path):
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert list(only_somewhere(tree)) == []
    assert list(in_the_systems_encoding(tree)) == []
    assert "shell=True" not in text
    assert '"/tmp' not in text


@pytest.mark.parametrize(
    "path", sorted((ROOT / "synth").rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT))
)
def test_a_text_file_has_the_line_ends_that_it_was_given(path):
    assert list(with_the_systems_line_ends(ast.parse(path.read_text(encoding="utf-8")))) == []


@pytest.mark.parametrize("path", TESTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_test_can_be_collected_on_every_system(path):
    """What a test asks of a system inside itself it skips or marks for itself."""
    found = [each for _, each in only_somewhere(ast.parse(path.read_text(encoding="utf-8")))]
    assert not [
        each for each in found if not each.startswith(("os.symlink", "os.link", "os.kill", "socket."))
    ]


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("import fcntl", 1),
        ("def f():\n    import fcntl", 0),
        ("import os\ndef f():\n    os.fork()", 1),
        ("import os\ndef f():\n    if hasattr(os, 'fork'):\n        os.fork()", 0),
        ("import signal\nsignal.signal(signal.SIGHUP, None)", 1),
        ("import os\nos.kill(1, 9)", 1),
        ("import os\nos.rename('a', 'b')", 1),
        ("path.rename('b')", 1),
        ("import select\ndef f():\n    select.select([0], [], [], 1.0)", 1),
        ("import sys\nif sys.platform != 'win32':\n    def f():\n        select.select([0], [], [], 1.0)", 0),
        ("loop.add_signal_handler(2, f)", 1),
        ("Popen(x, preexec_fn=f)", 1),
        ("import socket\ns.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)", 1),
    ],
)
def test_the_search_finds_what_only_one_system_has(code, found):
    assert len(list(only_somewhere(ast.parse(code)))) == found


def test_the_search_finds_text_in_the_systems_encoding():
    code = "p.read_text()\np.write_text('x', encoding='utf-8')\nopen('a')\nopen('a', 'rb')\nrun(x, text=True)"
    assert [line for line, _ in in_the_systems_encoding(ast.parse(code))] == [1, 3, 5]


# What is loaded here first looks at the true system; what is loaded after it, at the faked one.
ELSEWHERE = """
import importlib, importlib.abc, os, pathlib, sys
import asyncio, concurrent.futures, ctypes, http.server, multiprocessing.connection, multiprocessing.shared_memory
import platform, selectors, shutil, socket, subprocess, tempfile, threading, urllib.request, webbrowser
import click, ezdxf, llvmlite.binding, matplotlib.figure, mido, msgspec, numba, numpy, platformdirs, pyloudnorm
import reportlab.pdfgen.canvas, scipy.optimize, scipy.signal, scipy.sparse.linalg, sounddevice, soundfile
import threadpoolctl, tomlkit, types
import matplotlib.backends.backend_agg, matplotlib.backends.backend_svg, numba.core.caching
from reportlab.platypus import SimpleDocTemplate
true, system = sys.platform, sys.argv[1]
windows = system == "win32"
hidden = {"fcntl", "grp", "pwd", "resource", "termios", "tty", "pty"} if windows else {"msvcrt"}
gone = ["sched_setscheduler", "sched_getaffinity", "sched_setaffinity"]
gone += ["fork", "getuid", "geteuid", "getloadavg", "O_NONBLOCK", "killpg"] if windows else []
class Hidden(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name in hidden:
            raise ImportError(f"no module named {name} on {system}")
sys.meta_path.insert(0, Hidden())
for name in hidden:
    sys.modules.pop(name, None)
for name in gone:
    if hasattr(os, name):
        delattr(os, name)
sys.platform = system
if windows:
    multiprocessing.set_start_method("spawn")  # the only one there
    import signal
    for name in ("SIGHUP", "SIGKILL", "SIGUSR1", "SIGALRM", "SIGPIPE", "SIGWINCH", "SIGQUIT", "SIGCHLD"):
        if hasattr(signal, name):
            delattr(signal, name)
    for module in (pathlib, sys.modules.get("pathlib._local"), sys.modules.get("pathlib._os")):
        if module is not None and hasattr(module, "WindowsPath"):
            module.WindowsPath = module.PosixPath  # the disk beneath is still this one
    ctypes._os = types.SimpleNamespace(**vars(os))  # loads libraries of the true system
    os.name = "nt"
    replace, unlink = os.replace, os.unlink
    def in_use(path):  # what Windows refuses: a file that is open or mapped, here or there
        path = os.path.realpath(path)
        with open("/proc/self/maps", encoding="utf-8") as maps:
            mapped = any(line.rstrip().endswith(path) for line in maps)
        opened = [os.readlink(f"/proc/self/fd/{each}") for each in os.listdir("/proc/self/fd")
                  if os.path.lexists(f"/proc/self/fd/{each}")]
        if (mapped or path in opened) and os.path.isfile(path):
            raise PermissionError(13, "The process cannot access the file", path)
    def careful_replace(source, goal, **more):
        in_use(source), in_use(goal)
        replace(source, goal, **more)
    def careful_unlink(path, **more):
        in_use(path)
        unlink(path, **more)
    os.replace, os.unlink, os.remove = careful_replace, careful_unlink, careful_unlink
"""
IMPORTED = (
    ELSEWHERE
    + """
for name in sys.argv[2:]:
    importlib.import_module(name)
print("all")
"""
)
# What compiles and loads libraries may look at the true system again once the program has been imported.
RUN = (
    ELSEWHERE
    + """
from synth.doors.cli import COMMANDS, main
for name in COMMANDS:
    importlib.import_module(f"synth.doors.cli.{name}")
sys.platform = true
del sys.argv[1]
main()
"""
)


def elsewhere(code, system, *words, folder=ROOT, **environment):
    done = subprocess.run(
        [sys.executable, "-c", code, system, *words],
        capture_output=True,
        input=b"q\n",
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        cwd=folder,
        check=False,
    )
    return done.returncode, done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace")


@pytest.mark.slow
@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_every_module_imports_where_the_system_calls_itself_otherwise(system):
    names = []
    for path in sorted((ROOT / "synth").rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        if not name.endswith("__main__"):
            names.append(name)
    _, said, errors = elsewhere(IMPORTED, system, *names)
    assert said.strip().endswith("all"), errors[-2000:]


PIECE = str(ROOT / "designs" / "test-piece.toml")
COMMANDS = [
    ["check", PIECE, "--all"],
    ["stroke", PIECE, "--group", "D3", "--seconds", "0.5", "-o", "d3.wav", "--report", "d3.json"],
    [
        "stroke",
        PIECE,
        "--group",
        "D3",
        "--seconds",
        "0.5",
        "-o",
        "d3.wav",
        "--fresh",
    ],  # over both, and the cache
    ["cutlist", PIECE, "-o", "Werkstatt für é"],
    ["cutlist", PIECE, "-o", "Werkstatt für é"],
    ["template", PIECE, "-o", "Werkstatt für é"],
    ["stroke", PIECE, "--group", "D3", "--seconds", "0.5", "-o", "Werkstatt für é/Töne.wav"],
    ["measure", "Werkstatt für é/Töne.wav", "--csv", "Werkstatt für é/Töne.csv"],
    ["drawing", PIECE, "-o", "rail.svg"],
    ["measure", "d3.wav", "--csv", "d3.csv", "-o", "d3.png"],
    ["page", PIECE, "-o", "page.html"],
    ["compare", PIECE, "--group", "D3", "--vary", "speed_mm_s=200,600", "-o", "con"],
    ["tune", PIECE, "--tine", "D3.1", "d3.wav"],
    ["proposal", PIECE, "-o", "proposal"],
    ["open", PIECE, "--no-browser"],
]


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="what is open and mapped is read from /proc")
def test_commands_run_where_no_open_file_is_replaced_and_little_of_unix_is_there(tmp_path):
    """Windows as far as it can be faked: its names, its missing modules, its files in use, an encoding not UTF-8.

    What this cannot show: drives and backslashes, its console, its sound and MIDI, its compiled libraries.
    """
    environment = {
        "TINEWRIGHT_CACHE": str(tmp_path / "kept é"),
        "PYTHONUTF8": "0",
        "PYTHONCOERCECLOCALE": "0",
        "LC_ALL": "C",
        "LANG": "C",
    }
    for words in COMMANDS:
        code, said, errors = elsewhere(RUN, "win32", *words, folder=tmp_path, **environment)
        assert code in (0, 2 if words[0] == "tune" else 0), f"{words}: {said[-500:]} {errors[-2000:]}"
        assert "Traceback" not in errors, f"{words}: {errors[-2000:]}"
    written = {each.name for each in tmp_path.rglob("*") if each.is_file()}
    assert {"d3.wav", "d3.json", "d3.csv", "d3.png", "rail.svg", "page.html", "index.html"} <= written
    assert not [each for each in written if each.startswith(PREFIX)]
    assert b"\r" not in (tmp_path / "page.html").read_bytes()


def test_a_page_names_files_of_its_folder_as_an_address_does():
    """Never with backslashes: what is told of a path there is made of words, or asked for as_posix."""
    for path in FILES:
        whole = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        texts = [ast.unparse(node) for node in whole if isinstance(node, ast.JoinedStr)]
        for text in (each for each in texts if "href=" in each or "src=" in each):
            assert "relative_to" not in text, path
            assert "str(path)" not in text, path


@pytest.mark.parametrize(
    "line",
    ["source .venv/bin/activate", ".venv\\Scripts\\Activate.ps1", ".venv\\Scripts\\activate.bat"],
)
def test_the_readme_says_how_to_enter_the_environment_in_every_shell(line):
    assert f"`{line}`" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_no_other_program_gets_the_port_of_an_open_design(monkeypatch):
    """Where the system can promise that, as Windows does; elsewhere a port is free again at once."""
    import socket

    from synth.served.address import Address
    from synth.served.server import Server

    asked = []
    real = socket.socket.setsockopt

    def setsockopt(self, level, option, value):
        asked.append(option)
        real(self, level, socket.SO_REUSEADDR if option == 12345 else option, value)

    monkeypatch.setattr(socket.socket, "setsockopt", setsockopt)
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", 12345, raising=False)
    Server(Address(0, "secret"), None).server_close()
    assert 12345 in asked
    assert socket.SO_REUSEADDR not in asked


def test_what_is_open_for_a_moment_is_replaced_a_moment_later(tmp_path, monkeypatch):
    """A virus scanner has every new file open for a while."""
    refusals = [PermissionError(13, "in use")] * 3
    real = os.replace

    def replace(source, goal):
        if refusals:
            raise refusals.pop()
        real(source, goal)

    monkeypatch.setattr(os, "replace", replace)
    monkeypatch.setattr(files, "_PATIENCE", 5.0)
    files.write_text(tmp_path / "a.csv", "whole\r\n")
    assert (tmp_path / "a.csv").read_bytes() == b"whole\r\n"
    assert refusals == []


def test_what_stays_open_is_told_in_one_line_and_stays_as_it_was(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text("old", encoding="utf-8")

    def refused(source, goal):
        raise PermissionError(13, "in use")

    monkeypatch.setattr(os, "replace", refused)
    monkeypatch.setattr(files, "_PATIENCE", 0.1)
    with pytest.raises(InputError, match="is it open in another program"):
        files.write_text(tmp_path / "a.csv", "new")
    assert [each.name for each in tmp_path.iterdir()] == ["a.csv"]
    assert (tmp_path / "a.csv").read_text(encoding="utf-8") == "old"


@pytest.mark.parametrize("name", ["con", "NUL", "aux.1", "Com1", "lpt9.x", "prn."])
def test_no_sound_is_named_like_a_device_of_windows(name):
    (file,) = file_names([name])
    assert file.split(".")[0].casefold() not in {"con", "nul", "aux", "com1", "lpt9", "prn"}
    assert file_names(["D3", "console", "com"]) == ["D3", "console", "com"]
