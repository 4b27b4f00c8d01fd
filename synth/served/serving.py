"""A design opened: its session, its watch and its server, from the first address to the last goodbye.

In: a path. Out: a `Serving`, which is entered as a context and then answers by itself; or the tuner's page alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread
from types import TracebackType

from synth.errors import InputError
from synth.served.address import Address, keep, known
from synth.served.answers import Answers
from synth.served.server import Server
from synth.served.session import Session
from synth.served.tuning_page import TuningAnswers, TuningFeed
from synth.served.watch import FileWatch


class Serving:
    """Raises `InputError` where the design cannot be played or the port is taken."""

    def __init__(self, path: Path, *, through: str = "bar", port: int | None = None) -> None:
        self.session = Session(path)
        through = self.session.model.instrument.listening(through)
        self.session.model.packet(through)  # warm before the first page asks
        self._answers = Answers(self.session, through)
        self._server = _bound(known(path), port, self._answers)
        keep(path, self._server.address)
        self._watch = FileWatch(path, self.session.seen, self.session.lock)
        self._thread = Thread(target=self._server.serve_forever, args=(0.05,), name="serve", daemon=True)

    def listens(self, feed: TuningFeed) -> None:
        """The tuner that listens in this process is shown at the address, under `tune`."""
        self._answers.feed = feed

    @property
    def address(self) -> Address:
        return self._server.address

    def __enter__(self) -> Serving:
        self._watch.start()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.session.hub.close()
        if self._answers.feed is not None:
            self._answers.feed.hub.close()
        self._watch.stop()
        self._server.shutdown()
        self._server.server_close()


def _bound(last: Address, port: int | None, answers: Answers) -> Server:
    """At the port that was asked for; else where it was the last time, or any that is free."""
    if port is not None:
        try:
            return Server(Address(port, last.secret), answers)
        except OSError as error:
            raise InputError(
                f"port {port} cannot be had ({error.strerror})",
                remedy="take another, or none",
                location="--port",
            ) from None
    try:
        return Server(last, answers)
    except OSError:
        return Server(Address(0, last.secret), answers)


@contextmanager
def tuner_served(feed: TuningFeed, address: Address) -> Iterator[Address]:
    """The tuner's page alone, at this address; where it is served in the end. Raises `InputError`."""
    try:
        server = Server(address, TuningAnswers(feed))
    except OSError as error:
        raise InputError(f"no page can be served ({error.strerror})", remedy="leave it out") from None
    thread = Thread(target=server.serve_forever, args=(0.05,), name="serve", daemon=True)
    thread.start()
    try:
        yield server.address
    finally:
        feed.hub.close()
        server.shutdown()
        server.server_close()
