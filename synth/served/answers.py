"""What is answered under each name: the page, its models, what happens, and every change that may be asked for.

In: an `Ask`. Out: an `Answer`. The table at the end is all there is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from synth.design.edit import Edit
from synth.errors import InputError
from synth.page import functions
from synth.served.bench_page import bench_page
from synth.served.hub import said
from synth.served.server import Answer, Ask, Refused, data
from synth.served.session import Session

BYTES: Final = "application/octet-stream"


class Answers:
    """For one session."""

    def __init__(self, session: Session, through: str) -> None:
        self.session = session
        self.through = through

    def __call__(self, method: str, ask: Ask) -> Answer:
        """Raises `Refused` for what there is not, `InputError` for what cannot be."""
        found = _TABLE.get((method, ask.parts[0]))
        if found is None:
            raise Refused(404, "there is nothing of this name")
        return found(self, ask)

    def page(self, _: Ask) -> Answer:
        model = self.session.model
        through = self.through if self.through in model.through else "bar"
        return Answer(bench_page(model, through).encode("utf-8"), "text/html; charset=utf-8")

    def code(self, _: Ask) -> Answer:
        return Answer(functions.compiled(), BYTES)

    def model(self, ask: Ask) -> Answer:
        """model/NAME/THROUGH, a frame; with /bytes the arrays alone."""
        _, name, through, *rest = (*ask.parts, "", "")
        packet = self.session.named(name).packet(through)
        return Answer(packet.content if rest[:1] == ["bytes"] else packet.framed(), BYTES)

    def events(self, _: Ask) -> Answer:
        from collections.abc import Iterator
        from contextlib import contextmanager

        @contextmanager
        def stream() -> Iterator[Iterator[str]]:
            with self.session.hub.listening() as told:
                yield _after(said("state", self.session.state()), told)

        return Answer(kind="text/event-stream", stream=stream)

    def change(self, ask: Ask) -> Answer:
        edits = [Edit(_text(each, "path"), each.get("value")) for each in _list(ask.body, "edits")]
        return self._stands(lambda: self.session.change(edits, _text(ask.body, "on")))

    def back(self, ask: Ask) -> Answer:
        return self._stands(lambda: self.session.back(_text(ask.body, "on")))

    def forth(self, ask: Ask) -> Answer:
        return self._stands(lambda: self.session.forth(_text(ask.body, "on")))

    def put_back(self, _: Ask) -> Answer:
        return self._stands(self.session.put_back)

    def _stands(self, act: Callable[[], object]) -> Answer:
        act()
        return data(self.session.state())


def _after(first: str, rest: Any) -> Any:
    yield first
    yield from rest


def _text(body: Any, key: str) -> str:
    found = body.get(key) if isinstance(body, dict) else None
    if not isinstance(found, str):
        raise InputError(f"'{key}' is missing", remedy="give it as text")
    return found


def _list(body: Any, key: str) -> list[Any]:
    found = body.get(key)
    if not isinstance(found, list) or not found or len(found) > 1000:
        raise InputError(f"'{key}' is missing", remedy="give a list")
    return found


_TABLE: Final[dict[tuple[str, str], Callable[[Answers, Ask], Answer]]] = {
    ("GET", ""): Answers.page,
    ("GET", "code"): Answers.code,
    ("GET", "model"): Answers.model,
    ("GET", "events"): Answers.events,
    ("POST", "change"): Answers.change,
    ("POST", "back"): Answers.back,
    ("POST", "forth"): Answers.forth,
    ("POST", "put_back"): Answers.put_back,
}
