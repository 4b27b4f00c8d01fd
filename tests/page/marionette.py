"""Firefox, driven from outside by its own protocol (Marionette, JSON over TCP, part of every Firefox).

In: the address of a page. Out: what scripts in it give. Enough for a test; nothing else is needed.
"""

from __future__ import annotations

import json
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any, Final

PREFERENCES: Final = {
    "marionette.port": 0,
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "datareporting.policy.dataSubmissionEnabled": False,
    "browser.shell.checkDefaultBrowser": False,
    "app.update.enabled": False,
}
PATIENCE: Final = 120.0  # s


class Firefox:
    """One headless window with a profile of its own."""

    def __init__(self, program: str) -> None:
        self._folder = tempfile.TemporaryDirectory()
        profile = Path(self._folder.name)
        port = _free_port()
        lines = {**PREFERENCES, "marionette.port": port}
        (profile / "user.js").write_text(
            "".join(f"user_pref({json.dumps(key)}, {json.dumps(value)});\n" for key, value in lines.items())
        )
        self._process = subprocess.Popen(
            [program, "--headless", "--marionette", "--no-remote", "--profile", str(profile)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._socket = _connected(port)
        self._count = 0
        self._read()  # its greeting
        self.ask("WebDriver:NewSession", {"capabilities": {"alwaysMatch": {"pageLoadStrategy": "normal"}}})
        self.ask(
            "WebDriver:SetTimeouts", {"script": round(1e3 * PATIENCE), "pageLoad": round(1e3 * PATIENCE)}
        )

    def ask(self, command: str, parameters: dict[str, Any]) -> Any:
        """The answer to a command of the protocol. Raises `RuntimeError` with what Firefox says."""
        self._count += 1
        message = json.dumps([0, self._count, command, parameters]).encode()
        self._socket.sendall(b"%d:%s" % (len(message), message))
        _, _, error, answer = self._read()
        if error:
            raise RuntimeError(error.get("message", str(error)))
        return answer

    def go(self, address: str) -> None:
        self.ask("WebDriver:Navigate", {"url": address})

    def run(self, body: str, *arguments: Any) -> Any:
        """What the body of an async function gives in the page."""
        script = (
            "const done = arguments[arguments.length - 1]; const given = Array.from(arguments).slice(0, -1);"
            f"(async (...given) => {{ {body} }})(...given).then(done, (error) => done('failed: ' + error))"
        )
        answer = self.ask("WebDriver:ExecuteAsyncScript", {"script": script, "args": list(arguments)})
        return answer["value"]

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._socket.close()
        self._folder.cleanup()

    def _read(self) -> Any:
        length = b""
        while not length.endswith(b":"):
            length += self._received(1)
        return json.loads(self._received(int(length[:-1])))

    def _received(self, count: int) -> bytes:
        parts = b""
        while len(parts) < count:
            part = self._socket.recv(count - len(parts))
            if not part:
                raise RuntimeError("Firefox is gone")
            parts += part
        return parts


def _free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


def _connected(port: int) -> socket.socket:
    for _ in range(round(PATIENCE / 0.2)):
        try:
            found = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
        except OSError:
            time.sleep(0.2)
        else:
            return found
    raise RuntimeError(f"Firefox does not answer on port {port}")
