"""The address at which a design is served, the same when it is served again: a secret and a port.

In: the design's path. Out: an `Address`, kept in a file that only its user may read, so that a page that was open
when the server ended finds it again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import socket
import tempfile
from pathlib import Path
from typing import Final

from synth.cache import folder
from synth.errors import InputError
from synth.files import PREFIX
from synth.frozen import frozen

HOST: Final = "127.0.0.1"
SECRET_BYTES: Final = 24  # 192 bits: nobody guesses it


@frozen
class Address:
    """Where a design is served; port 0 is any that is free."""

    port: int
    secret: str
    host: str = HOST

    @property
    def words(self) -> str:
        return f"http://{self.host}:{self.port}/{self.secret}/"


def known(path: Path) -> Address:
    """Where this design was served the last time; anew where it never was, or where that cannot be read."""
    try:
        kept = json.loads(_place(path).read_text(encoding="utf-8"))
        secret, port = kept["secret"], kept["port"]
        if isinstance(secret, str) and len(secret) >= SECRET_BYTES and 0 < int(port) < 65536:
            return Address(int(port), secret)
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return Address(0, secrets.token_urlsafe(SECRET_BYTES))


def for_a_phone() -> Address:
    """An address of this machine that others of its network reach, new each time. Raises `InputError`."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(
                ("192.0.2.1", 9)
            )  # nothing is sent: which way it would go tells the own address (RFC 5737)
            host = str(way.getsockname()[0])
        except OSError:
            host = HOST
    if host.startswith("127."):
        raise InputError(
            "this machine is in no network that a phone could reach it by",
            remedy="join one, or say --page for a browser on this machine",
        )
    return Address(0, secrets.token_urlsafe(SECRET_BYTES), host)


def keep(path: Path, address: Address) -> None:
    """For the next time; where it cannot be kept, a page that is left open then does not find back."""
    place = _place(path)
    with contextlib.suppress(OSError):
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=place.parent, prefix=PREFIX)  # its user alone may read it
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"port": address.port, "secret": address.secret}, file)
        os.replace(beside, place)


def _place(path: Path) -> Path:
    name = hashlib.sha256(os.fsencode(path.resolve())).hexdigest()[:24]
    return folder() / f"open-{name}.json"
