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
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from synth import cache

HOST: Final = "127.0.0.1"
SECRET_BYTES: Final = 24  # 192 bits: nobody guesses it


@dataclass(frozen=True)
class Address:
    """Where a design is served; port 0 is any that is free."""

    port: int
    secret: str

    @property
    def words(self) -> str:
        return f"http://{HOST}:{self.port}/{self.secret}/"


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


def keep(path: Path, address: Address) -> None:
    """For the next time; where it cannot be kept, a page that is left open then does not find back."""
    place = _place(path)
    with contextlib.suppress(OSError):
        place.parent.mkdir(parents=True, exist_ok=True)
        place.unlink(missing_ok=True)
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"port": address.port, "secret": address.secret}, file)


def _place(path: Path) -> Path:
    name = hashlib.sha256(os.fsencode(path.resolve())).hexdigest()[:24]
    return cache.folder() / f"open-{name}.json"
