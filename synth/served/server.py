"""The server: this machine alone, a secret in every address, nothing from or for another site, no file by its path.

In: an `Address` and what answers. Out: HTTP. A request is looked at in this order and refused at the first fault:
its size, Host, Origin, where the browser says it comes from, secret, the name of what it asks for, its body. There
are only names that were given to the server; none is a path of the disk.

Connections that have not yet shown the secret are let go oldest first when there are too many: a flood of them
takes no page's place.
"""

from __future__ import annotations

import contextlib
import hmac
import json
import socket
import traceback
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Lock
from typing import Any, Final, cast
from urllib.parse import parse_qsl, unquote, urlsplit

from synth.errors import InputError
from synth.frozen import frozen
from synth.served.address import Address

LARGEST: Final = 1 << 20  # bytes of a body: a design is no larger
CONNECTIONS: Final = 96  # at once; a page holds two, a browser six
PATIENCE: Final = 10.0  # s for the next byte of a request
WAITING: Final = 1024  # connections that the system holds before they are taken
GUARDS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Content-Security-Policy": "frame-ancestors 'none'",
}
PAPER_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"


@frozen
class Ask:
    """A request that may be answered: the parts of its path after the secret, its query, its body."""

    parts: tuple[str, ...]
    query: Mapping[str, str] = field(default_factory=dict)
    body: Mapping[str, Any] = field(default_factory=dict)


@frozen
class Reply:
    """What goes out, whole; or a stream of events."""

    content: bytes = b""
    kind: str = "application/json"
    status: int = 200
    saved_as: str = ""
    stream: Callable[[], contextlib.AbstractContextManager[Iterator[str]]] | None = None


@frozen
class RequestError(Exception):
    """A request that is not answered."""

    status: int
    words: str


def json_answer(value: Any, status: int = 200) -> Reply:
    """Plain data."""
    return Reply(json.dumps(value, ensure_ascii=False).encode("utf-8"), status=status)


Answering = Callable[[str, Ask], Reply]  # the method, what is asked


class Server(ThreadingHTTPServer):
    """Answers in a thread for each connection until it is shut down."""

    daemon_threads = True
    request_queue_size = WAITING

    def __init__(self, address: Address, answering: Answering) -> None:
        """Takes the port, or another that is free where it is 0. Raises `OSError`."""
        super().__init__((address.host, address.port), Handler)
        self.address = Address(self.server_address[1], address.secret, address.host)
        self.answering = answering
        self._lock = Lock()
        self._strangers: dict[int, socket.socket] = {}  # in the order in which they came
        self._guests = 0

    def server_bind(self) -> None:
        """As its parent, which asks the network what this machine is called: up to seconds for nothing."""
        # Windows would let another program have the same port too, where it is reused
        alone = getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR)
        self.socket.setsockopt(socket.SOL_SOCKET, alone, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), self.server_address[1]

    def process_request(self, request: Any, client_address: Any) -> None:
        oldest = None
        with self._lock:
            self._strangers[id(request)] = request
            if len(self._strangers) + self._guests > CONNECTIONS:
                oldest = self._strangers.pop(next(iter(self._strangers)))
        if oldest is not None:
            with contextlib.suppress(OSError):
                oldest.shutdown(socket.SHUT_RDWR)
        super().process_request(request, client_address)

    def welcome(self, request: Any) -> bool:
        """A connection that has shown the secret; whether it was a stranger until now."""
        with self._lock:
            new = self._strangers.pop(id(request), None) is not None
            self._guests += new
            return new

    def gone(self, request: Any, *, guest: bool) -> None:
        with self._lock:
            self._strangers.pop(id(request), None)
            self._guests -= guest

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A connection that broke is nobody's fault."""


class Handler(BaseHTTPRequestHandler):
    """One connection."""

    protocol_version = "HTTP/1.1"
    server_version, sys_version = "tinewright", ""
    timeout = PATIENCE
    disable_nagle_algorithm = True
    server: Server
    guest = False

    def do_GET(self) -> None:
        self._answer("GET")

    def do_POST(self) -> None:
        self._answer("POST")

    def finish(self) -> None:
        self.server.gone(self.request, guest=self.guest)
        with contextlib.suppress(OSError):
            super().finish()

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing: the address has the secret in it."""

    def _answer(self, method: str) -> None:
        try:
            ask = self._ask(method)
            answer = self.server.answering(method, ask)
        except RequestError as no:
            self.close_connection = True
            answer = json_answer({"refused": no.words}, no.status)
        except InputError as error:
            answer = json_answer({"refused": str(error)}, 409)
        except OSError as error:
            answer = json_answer({"refused": f"the disk refuses ({error.strerror or error})"}, 507)
        except Exception:  # a fault of the program: told to the maker and to the page, and the others go on
            traceback.print_exc()
            answer = json_answer({"refused": "the program failed; its terminal says where"}, 500)
        with contextlib.suppress(ConnectionError, TimeoutError):
            self._send(answer)

    def _ask(self, method: str) -> Ask:
        length = self._length(method)
        self._check_site()
        found = urlsplit(self.path)
        secret, _, rest = unquote(found.path).removeprefix("/").partition("/")
        if not hmac.compare_digest(secret.encode(), self.server.address.secret.encode()):
            raise RequestError(403, "this address has not the secret")
        if self.server.welcome(self.request):
            self.guest = True
        body = self._body(length) if method == "POST" else {}
        return Ask(tuple(rest.split("/")), dict(parse_qsl(found.query)), body)

    def _length(self, method: str) -> int:
        if "Transfer-Encoding" in self.headers:
            raise RequestError(411, "say how long the body is")
        said = self.headers.get("Content-Length", "0")
        if not said.isdecimal() or len(said) > 12:
            raise RequestError(400, "this is no length")
        if int(said) > (LARGEST if method == "POST" else 0):
            raise RequestError(413, f"a body has at most {LARGEST} bytes here")
        return int(said)

    def _check_site(self) -> None:
        """From and for this server: no other name of it, so that no name that is turned to it counts."""
        own = f"{self.server.address.host}:{self.server.address.port}"
        if self.headers.get_all("Host", []) != [own]:
            raise RequestError(421, "this server has another name")
        if self.headers.get("Origin", f"http://{own}") != f"http://{own}":
            raise RequestError(403, "nothing is done for another site")
        if self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            raise RequestError(403, "nothing is done for another site")

    def _body(self, length: int) -> Mapping[str, Any]:
        if self.headers.get_content_type() != "application/json":
            raise RequestError(415, "a body is JSON here")
        try:
            found = json.loads(self.rfile.read(length))
        except (ValueError, RecursionError):
            raise RequestError(400, "this is no JSON") from None
        if not isinstance(found, dict):
            raise RequestError(400, "a body is an object")
        return cast("dict[str, Any]", found)

    def _send(self, answer: Reply) -> None:
        self.send_response(answer.status)
        self.send_header("Content-Type", answer.kind)
        guards = dict(GUARDS)
        if answer.saved_as:
            self.send_header("Content-Disposition", f'inline; filename="{answer.saved_as}"')
            guards["Content-Security-Policy"] = PAPER_POLICY
        for name, value in guards.items():
            self.send_header(name, value)
        if answer.stream is not None:
            self.close_connection = True
            self.end_headers()
            with answer.stream() as events:
                for each in events:
                    self.wfile.write(each.encode("utf-8"))
            return
        if self.close_connection:
            self.send_header("Connection", "close")
        self.send_header("Content-Length", str(len(answer.content)))
        self.end_headers()
        self.wfile.write(answer.content)
