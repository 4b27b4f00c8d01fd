"""The tuner on a page: what was said last, told to every browser that looks, and the one key a page may press.

In: the messages of a `TuningSession`, from the thread that listens. Out: the page's text, a state for JSON, events
of the server's stream, and keys for the thread that listens. A page shows the messages and adds nothing to them.
"""

from __future__ import annotations

import html
import importlib.resources
import queue
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from threading import Lock
from typing import Any, Final

from synth.errors import InputError
from synth.served.hub import Hub, said
from synth.served.server import Ask, Reply, RequestError, json_answer

HTML: Final = "text/html; charset=utf-8"
EVENT: Final = "tuning"
KEYS: Final = ("y",)  # "it was the announced one"; what else a key does stays at the machine
LOOKS_AGAIN: Final = 500  # ms after which a page looks for a tuner that is gone


class TuningFeed:
    """Several threads may tell, look and press."""

    def __init__(self, name: str, words: Callable[[dict[str, Any]], str]) -> None:
        """`name` of the instrument; `words` says in a line what a message of a tap says."""
        self.name, self._words = name, words
        self.hub = Hub()
        self._lock = Lock()
        self._state: dict[str, Any] = {"name": name, "tap": None, "next": None, "offer": None, "said": None}
        self._pressed: queue.SimpleQueue[str] = queue.SimpleQueue()

    def take(self, messages: Sequence[dict[str, Any]]) -> None:
        """What the session has said."""
        for message in messages:
            with self._lock:
                gone = {"said": None} if message["kind"] == "tap" else {}
                self._state = {**self._state, **gone, message["kind"]: self._with_words(message)}
        if messages:
            self.hub.tell(EVENT, self.state())

    def state(self) -> dict[str, Any]:
        with self._lock:
            return self._state

    def pressed(self) -> str:
        """The keys that pages have pressed since this was asked."""
        out = ""
        while not self._pressed.empty():
            out += self._pressed.get()
        return out

    def press(self, key: str) -> None:
        """Raises `InputError`."""
        if key not in KEYS:
            raise InputError(f"'{key}' is no key of this page", remedy=f"have {', '.join(KEYS)}")
        self._pressed.put(key)

    def _with_words(self, message: dict[str, Any]) -> dict[str, Any]:
        return {**message, "words": self._words(message)} if message["kind"] == "tap" else message


class TuningAnswers:
    """The page, its events and its key: all that is answered where the tuner alone is served."""

    def __init__(self, feed: TuningFeed) -> None:
        self.feed = feed

    def __call__(self, method: str, ask: Ask) -> Reply:
        """Raises `RequestError` for what there is not, `InputError` for what cannot be."""
        if (method, ask.parts[0]) == ("GET", ""):
            return tuning_reply(self.feed)
        if (method, ask.parts[0]) == ("GET", "tuning"):
            return events_reply(self.feed)
        if (method, ask.parts[0]) == ("POST", "press"):
            return press_reply(self.feed, ask)
        raise RequestError(404, "there is nothing of this name")


def tuning_reply(feed: TuningFeed | None) -> Reply:
    """The page; without a feed it says how to begin."""
    page = _file("tuning.html")
    parts = {
        "TITLE": html.escape("nobody listens" if feed is None else feed.name),
        "LISTENS": "" if feed is None else "listens",
        "STYLE": _file("tuning.css"),
        "SCRIPT": _file("tuning.js"),
    }
    for name, part in parts.items():
        page = page.replace(f"@{name}@", part)
    return Reply(page.encode("utf-8"), HTML)


def events_reply(feed: TuningFeed) -> Reply:
    """The state now, then as it changes."""

    @contextmanager
    def stream() -> Iterator[Iterator[str]]:
        with feed.hub.listening() as told:
            yield _after(f"retry: {LOOKS_AGAIN}\n\n{said(EVENT, feed.state())}", told)

    return Reply(kind="text/event-stream", stream=stream)


def press_reply(feed: TuningFeed, ask: Ask) -> Reply:
    """Raises `InputError`."""
    feed.press(str(ask.body.get("key")))
    return json_answer({})


def _after(first: str, rest: Iterator[str]) -> Iterator[str]:
    yield first
    yield from rest


def _file(name: str) -> str:
    return (importlib.resources.files("synth.served") / "web" / name).read_text(encoding="utf-8")
