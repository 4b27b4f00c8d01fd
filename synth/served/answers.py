"""What is answered under each name: the page, what is known of a model, what happens, every change.

In: an `Ask`. Out: an `Reply`. The table at the end is all there is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from threading import Lock
from typing import Any, Final

from synth.design.edit import Edit
from synth.errors import InputError
from synth.page import functions
from synth.served import knowledge, papers
from synth.served.bench_page import bench_page
from synth.served.foresight import foreseen
from synth.served.hub import said
from synth.served.listening import Replayed, names_of, replayed
from synth.served.search import better
from synth.served.server import Ask, Reply, RequestError, json_answer
from synth.served.session import Session
from synth.served.things import things
from synth.served.trims import trims
from synth.served.tuning_page import TuningFeed, events_reply, press_reply, tuning_reply

BYTES: Final = "application/octet-stream"
HTML: Final = "text/html; charset=utf-8"
NOW: Final = "now"  # what the present state is called beside versions
MOST_EDITS: Final = 1000
REPLAYS: Final = 4  # pages whose last replay can be listened to: each is some megabytes
LOOKS_AGAIN: Final = 500  # ms after which a page looks for a server that is gone


class Answers:
    """For one session."""

    def __init__(self, session: Session, through: str) -> None:
        self.session = session
        self.through = through
        self._replayed: dict[str, Replayed] = {}  # by page, the last one last
        self._keeping = Lock()
        self.feed: TuningFeed | None = None  # while the same process listens to taps

    def __call__(self, method: str, ask: Ask) -> Reply:
        """Raises `RequestError` for what there is not, `InputError` for what cannot be."""
        found = _TABLE.get((method, ask.parts[0]))
        if found is None:
            raise RequestError(404, "there is nothing of this name")
        return found(self, ask)

    # --- the page and its model ---

    def page(self, _: Ask) -> Reply:
        model = self.session.model
        through = self.through if self.through in model.through else "bar"
        return Reply(bench_page(model, through).encode("utf-8"), HTML)

    def code(self, _: Ask) -> Reply:
        return Reply(functions.compiled(), BYTES)

    def model(self, ask: Ask) -> Reply:
        """model/NAME/THROUGH, a frame; with /bytes the arrays alone."""
        packet = self.session.named(_part(ask, 1)).packet(_part(ask, 2))
        self.through = _part(ask, 2)
        return Reply(packet.content if ask.parts[3:] == ("bytes",) else packet.framed(), BYTES)

    def events(self, _: Ask) -> Reply:
        @contextmanager
        def stream() -> Iterator[Iterator[str]]:
            with self.session.hub.listening() as told:
                yield _after(said("state", self.session.state()), told)

        return Reply(kind="text/event-stream", stream=stream)

    # --- the tuner ---

    def tune(self, _: Ask) -> Reply:
        return tuning_reply(self.feed)

    def tuning(self, _: Ask) -> Reply:
        return events_reply(self._listening())

    def press(self, ask: Ask) -> Reply:
        return press_reply(self._listening(), ask)

    def _listening(self) -> TuningFeed:
        if self.feed is None:
            raise InputError("nobody listens to taps", remedy="open the design with --listen")
        return self.feed

    # --- what is known of it ---

    def things(self, ask: Ask) -> Reply:
        return json_answer(things(self.session.named(_part(ask, 1))))

    def know(self, ask: Ask) -> Reply:
        return json_answer(knowledge.knowledge(self.session.named(_part(ask, 1))))

    def advise(self, ask: Ask) -> Reply:
        model = self.session.named(_part(ask, 1))
        if model is not self.session.model:
            raise InputError("the design has changed since", remedy="ask of the present one")
        return json_answer(knowledge.advised(model))

    def board(self, ask: Ask) -> Reply:
        return json_answer(knowledge.board_knowledge(self.session.named(_part(ask, 1)), _part(ask, 2)))

    def paper(self, ask: Ask) -> Reply:
        """papers/NAME/FILE."""
        content, kind = papers.paper_file(self.session.named(_part(ask, 1)), _part(ask, 2))
        return Reply(content, kind, saved_as=_part(ask, 2))

    def trims(self, ask: Ask) -> Reply:
        """trims/NAME/TINE."""
        index = _part(ask, 2)
        return json_answer(trims(self.session.named(_part(ask, 1)), int(index) if index.isdecimal() else -1))

    def foresee(self, ask: Ask) -> Reply:
        model = self.session.named(_text(ask.body, "model"))
        tine, nuts = ask.body.get("tine"), ask.body.get("nuts")
        if (
            not isinstance(tine, int)
            or not isinstance(nuts, list)
            or not all(isinstance(n, dict) for n in nuts)
        ):
            raise InputError("a tine and its nuts are missing")
        return json_answer(foreseen(model, tine, nuts))

    def suggest(self, ask: Ask) -> Reply:
        model = self.session.named(_text(ask.body, "model"))
        return json_answer(better(model, still=lambda: self.session.model is model))

    # --- changes ---

    def change(self, ask: Ask) -> Reply:
        given = ask.body.get("edits")
        if not isinstance(given, list) or not 0 < len(given) <= MOST_EDITS:
            raise InputError("edits are missing", remedy="give a list of them")
        edits = [_edit(each) for each in given]
        on = _text(ask.body, "on")
        drawn = _text(ask.body, "drawn") if "drawn" in ask.body else on
        return self._stands(lambda: self.session.change(edits, on, drawn))

    def back(self, ask: Ask) -> Reply:
        return self._stands(lambda: self.session.back(_text(ask.body, "on")))

    def forth(self, ask: Ask) -> Reply:
        return self._stands(lambda: self.session.forth(_text(ask.body, "on")))

    def put_back(self, _: Ask) -> Reply:
        return self._stands(self.session.put_back)

    # --- versions ---

    def keep(self, ask: Ask) -> Reply:
        model = (_text(ask.body, "model"),) if "model" in ask.body else ()
        return self._stands(lambda: self.session.keep(_text(ask.body, "name"), *model))

    def forget(self, ask: Ask) -> Reply:
        return self._stands(lambda: self.session.forget(_text(ask.body, "name")))

    def save_versions(self, _: Ask) -> Reply:
        return self._stands(self.session.save_versions)

    def recall(self, ask: Ask) -> Reply:
        text = self.session.version(_text(ask.body, "name")).text
        return self._stands(lambda: self.session.put(text, _text(ask.body, "on")))

    def replay(self, ask: Ask) -> Reply:
        """The last gesture on versions, the first of which the others are held against."""
        stroke = ask.body.get("stroke")
        if not isinstance(stroke, dict):
            raise InputError("a stroke is missing", remedy="play one first")
        names = names_of(ask.body.get("names"))
        models = {name or NOW: self.session.version(name) for name in names}
        page = _text(ask.body, "page") if "page" in ask.body else ""
        found = replayed(models, stroke, _text(ask.body, "through"))
        with self._keeping:
            self._replayed.pop(page, None)
            self._replayed[page] = found
            while len(self._replayed) > REPLAYS:
                self._replayed.pop(next(iter(self._replayed)))
        return json_answer(found.sounds())

    def listen(self, ask: Ask) -> Reply:
        """listen/PAGE: the workshop's page to listen, of what this page replayed last."""
        found = self._replayed.get(_part(ask, 1))
        if found is None:
            raise InputError("nothing was replayed yet", remedy="replay a gesture on two versions first")
        return Reply(found.page().encode("utf-8"), HTML)

    def _stands(self, act: Callable[[], object]) -> Reply:
        """How it stands when this was done, whoever does what next."""
        with self.session.lock:
            act()
            return json_answer(self.session.state())


def _edit(given: Any) -> Edit:
    if not isinstance(given, dict):
        raise InputError("an edit has a path and a value")
    return Edit(
        _text(given, "path"),
        given.get("value"),
        comment=str(given.get("comment", "")),
        instead_of=str(given.get("instead_of", "")),
    )


def _after(first: str, rest: Iterator[str]) -> Iterator[str]:
    yield f"retry: {LOOKS_AGAIN}\n\n{first}"
    yield from rest


def _part(ask: Ask, index: int) -> str:
    """A part of the address; empty where it is not there."""
    return ask.parts[index] if index < len(ask.parts) else ""


def _text(body: Mapping[str, Any], key: str) -> str:
    found = body.get(key)
    if not isinstance(found, str):
        raise InputError(f"'{key}' is missing", remedy="give it as text")
    return found


_TABLE: Final[dict[tuple[str, str], Callable[[Answers, Ask], Reply]]] = {
    ("GET", ""): Answers.page,
    ("GET", "code"): Answers.code,
    ("GET", "model"): Answers.model,
    ("GET", "events"): Answers.events,
    ("GET", "tune"): Answers.tune,
    ("GET", "tuning"): Answers.tuning,
    ("POST", "press"): Answers.press,
    ("GET", "things"): Answers.things,
    ("GET", "know"): Answers.know,
    ("GET", "advise"): Answers.advise,
    ("GET", "board"): Answers.board,
    ("GET", "trims"): Answers.trims,
    ("GET", "papers"): Answers.paper,
    ("GET", "listen"): Answers.listen,
    ("POST", "foresee"): Answers.foresee,
    ("POST", "suggest"): Answers.suggest,
    ("POST", "change"): Answers.change,
    ("POST", "back"): Answers.back,
    ("POST", "forth"): Answers.forth,
    ("POST", "put_back"): Answers.put_back,
    ("POST", "keep"): Answers.keep,
    ("POST", "forget"): Answers.forget,
    ("POST", "save_versions"): Answers.save_versions,
    ("POST", "recall"): Answers.recall,
    ("POST", "replay"): Answers.replay,
}
