"""At which door a server stands and whom it keeps at it, with connections that are made up."""

from __future__ import annotations

import socketserver
from types import SimpleNamespace
from typing import Any

import pytest

from synth.errors import InputError
from synth.served import server as room
from synth.served.address import Address
from synth.served.server import Server
from synth.served.serving import _bound

SECRET = "neither-the-same-forwards-nor-backwards"
NOTHING: Any = None


def test_where_the_last_port_is_taken_another_has_the_same_secret():
    first = Server(Address(0, SECRET), NOTHING)
    taken = first.address
    try:
        second = _bound(taken, None, NOTHING)
        second.server_close()
        assert (second.address.secret, second.address.host) == (SECRET, taken.host)
        assert second.address.port not in (0, taken.port)
        with pytest.raises(InputError, match=f"port {taken.port} cannot be had"):
            _bound(Address(0, SECRET), taken.port, NOTHING)
    finally:
        first.server_close()
    again = _bound(taken, None, NOTHING)
    assert again.address == taken
    again.server_close()


def test_who_has_shown_the_secret_counts_too_and_is_never_the_one_to_go(monkeypatch):
    """Of three places two are a guest's each: a second stranger takes that of the first."""
    monkeypatch.setattr(room, "CONNECTIONS", 3)
    monkeypatch.setattr(socketserver.ThreadingMixIn, "process_request", lambda *_: None)
    server, hung_up = Server(Address(0, SECRET), NOTHING), []
    try:
        people = [SimpleNamespace(shutdown=lambda _, n=n: hung_up.append(n)) for n in range(6)]
        for each in people[:2]:
            server.process_request(each, None)
            assert server.welcome(each)
            assert not server.welcome(each)  # twice is once
        server.process_request(people[2], None)
        assert hung_up == []
        server.process_request(people[3], None)
        assert hung_up == [2]
        server.gone(people[0], guest=True)
        server.process_request(people[4], None)
        assert hung_up == [2]
        server.gone(people[3], guest=False)
        server.process_request(people[5], None)
        assert hung_up == [2]
    finally:
        server.server_close()
