"""The design that is open: what its file says, the last state of it that can be built, and every change since.

In: what the watch sees in the file, and changes that pages ask for. Out: the state, told to all pages. The file is
the truth: a page's change is written into it, decided on the text that the page knew, or refused.
"""

from __future__ import annotations

import secrets
import traceback
from collections.abc import Sequence
from pathlib import Path
from threading import RLock
from typing import Any, Final

from synth.design.edit import Edit, edited, put_text
from synth.design.file import read_text
from synth.errors import InputError
from synth.files import atomic_write
from synth.served.drawn import as_drawn
from synth.served.history import History
from synth.served.hub import Hub
from synth.served.mistakes import Mistake, mistake
from synth.served.model import SolvedDesign, name_of_text
from synth.served.versions import Versions

REMEMBERED: Final = 8  # models that a page may still ask for


class Session:
    """Several threads may ask and change it."""

    def __init__(self, path: Path) -> None:
        """Opens the file. Raises `InputError` where it cannot be played."""
        self.path = path
        self.hub = Hub()
        self.lock = RLock()  # while it is held, the file is not written from here
        self._text = read_text(path)
        self._name, self._serial = secrets.token_hex(8), 0
        self._gone = ""
        self._mistake: Mistake | None = None
        try:
            self.model = SolvedDesign(self._text, str(path))
        except InputError as error:
            raise error.within(str(path)) from None
        self._models = {self.model.name: self.model}
        self._kept: dict[str, SolvedDesign] = {}  # of versions
        self.history = History([self._text])
        self.versions = Versions(path)

    # --- what is known ---

    def state(self) -> dict[str, Any]:
        """What a page must know, for JSON."""
        with self.lock:
            wrong = self._mistake
            return {
                "server": self._name,
                "serial": self._serial,
                "text": name_of_text(self._text),
                "model": self.model.name,
                "mistake": None if wrong is None else {"words": wrong.words, "line": wrong.line},
                "gone": self._gone,
                "undo": self.history.at if wrong is None else self.history.at + 1,
                "redo": len(self.history.texts) - 1 - self.history.at,
                "file": self.path.name,
                "versions": list(self.versions.texts),
                "unsaved_versions": self.versions.unsaved,
                "versions_folder": self.versions.folder.name,
            }

    def named(self, name: str) -> SolvedDesign:
        """A model that was told of not long ago. Raises `InputError`."""
        with self.lock:
            if name not in self._models:
                raise InputError("this state of the design is gone", remedy="ask for the present one")
            return self._models[name]

    # --- what the file says ---

    def seen(self, seen: str | InputError, settled: bool) -> None:
        """What stands in the file now; a mistake counts once the file has settled."""
        with self.lock:
            if isinstance(seen, InputError):
                if settled:
                    self._lost(seen)
                return
            if seen == self._text and not self._gone:
                return
            if not self._took(seen, settled):
                return
        self._told()

    def _lost(self, error: InputError) -> None:
        words = f"{error.finding}" + (f"; {error.remedy}" if error.remedy else "")
        if words != self._gone:
            self._gone = words
            self._told()

    def _took(self, text: str, settled: bool) -> bool:
        try:
            model = self._modelled(text)
        except Exception as error:
            if settled:
                self._text, self._gone, self._mistake = text, "", mistake(text, _told_of(error))
            return settled
        self._gone = ""
        self._stand(model, ours=False)
        return True

    # --- changes ---

    def change(self, edits: Sequence[Edit], on: str, drawn: str | None = None) -> SolvedDesign:
        """Edits written into the file by a page that knew the text called `on`. Raises `InputError`.

        What they change was drawn from the text called `drawn`, if that is another.
        """
        with self.lock:
            self._check(on)
            if self._mistake is not None:
                raise InputError("the file has a mistake", remedy="mend it there, or take it back")
            if drawn not in (None, on):
                self._check_drawn(edits, drawn)
            new = edited(self._text, edits)
            if new != self._text:
                self._write(self._modelled(new))
        self._told()
        return self.model

    def back(self, on: str) -> None:
        """The text before this one, or the last good one over a mistake. Raises `InputError`."""
        with self.lock:
            good = self.history.texts[self.history.at]
            self._move(self.history.back if self._mistake is None else good, -1, on)

    def forth(self, on: str) -> None:
        """What was taken back. Raises `InputError`."""
        with self.lock:
            self._move(self.history.forth, +1, on)

    def put(self, text: str, on: str) -> None:
        """A whole text, such as that of a version. Raises `InputError`."""
        with self.lock:
            self._check(on)
            self._write(self._modelled(text))
        self._told()

    def put_back(self) -> None:
        """The last good text, where the file is gone. Raises `InputError`."""
        with self.lock:
            if not self._gone or self.path.exists():
                raise InputError("the file is there", remedy="nothing need be put back")
            with atomic_write(self.path) as beside:
                beside.write_bytes(self.model.text.encode("utf-8"))
            self._gone = ""
            self._stand(self.model, ours=True)
        self._told()

    # --- versions ---

    def keep(self, name: str, model: str = "") -> None:
        """The text of a model that was told of, or the last good one, under a name. Raises `InputError`."""
        with self.lock:
            self.versions.keep(name, (self.named(model) if model else self.model).text)
        self._told()

    def forget(self, name: str) -> None:
        """Raises `InputError`."""
        with self.lock:
            self._kept.pop(name_of_text(self.versions.text(name)), None)
            self.versions.forget(name)
        self._told()

    def save_versions(self) -> None:
        """Into their folder. Raises `InputError`."""
        with self.lock:
            self.versions.save()
        self._told()

    def version(self, name: str) -> SolvedDesign:
        """The model of a version; without a name that of now. Raises `InputError`."""
        with self.lock:
            if not name:
                return self.model
            text = self.versions.text(name)
            found = self._kept.get(name_of_text(text)) or self._modelled(text)
            self._kept = {**self._kept, found.name: found}
            return found

    def _move(self, text: str | None, way: int, on: str) -> None:
        self._check(on)
        if text is None:
            raise InputError("there is nothing more that way")
        over_mistake = self._mistake is not None
        at = self.history.at if over_mistake else self.history.at + way
        model = self._modelled(text)
        self._replace(text)
        self.history.at = at
        self._stand(model, ours=True)
        self._told()

    def _check(self, on: str) -> None:
        if on != name_of_text(self._text):
            raise InputError("has been changed elsewhere since", remedy="look at it, then do it again")
        if self._gone:
            raise InputError(self._gone, file=str(self.path))

    def _check_drawn(self, edits: Sequence[Edit], drawn: str | None) -> None:
        shown = self._models.get(drawn or "")
        if shown is None or not as_drawn(edits, shown.tree, self.model.tree):
            raise InputError(
                "what stands there has been changed since it was shown", remedy="look at it, then do it again"
            )

    def _write(self, model: SolvedDesign) -> None:
        self._replace(model.text)
        self._stand(model, ours=True)

    def _replace(self, text: str) -> None:
        keep = not self.history.ours(self._text)
        put_text(self.path, text, read=self._text, keep=keep)
        if keep:
            self.history.kept(self._text)

    def _modelled(self, text: str) -> SolvedDesign:
        """The model of a text, one that is remembered where there is one. Raises `InputError`."""
        return self._models.get(name_of_text(text)) or SolvedDesign(text, str(self.path))

    def _stand(self, model: SolvedDesign, *, ours: bool) -> None:
        self._text, self._mistake, self.model = model.text, None, model
        self.history.take(model.text, ours=ours)
        self._models.pop(model.name, None)
        self._models[model.name] = model
        while len(self._models) > REMEMBERED:
            self._models.pop(next(iter(self._models)))

    def _told(self) -> None:
        """In the order in which it happened."""
        with self.lock:
            self._serial += 1
            self.hub.tell("state", self.state())


def _told_of(error: Exception) -> InputError:
    """What a page may be told; a fault of the program is told to the maker, and the watch goes on."""
    if isinstance(error, InputError):
        return error
    traceback.print_exception(error)
    return InputError("the program failed; its terminal says where")
