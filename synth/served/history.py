"""The texts that a design has had since it was opened, to go back to and forth again.

In: texts as they come to stand in the file. Out: the one before, the one after. Nothing is written here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

MOST: Final = 2000  # texts, of some kilobytes each: more than anyone goes back


@dataclass
class History:
    """`at` is the one that stands in the file."""

    texts: list[str]
    at: int = 0
    _ours: set[str] = field(default_factory=set)  # which need no copy: they can be had again from here

    def take(self, text: str, *, ours: bool) -> None:
        """A text that is new; what was taken back before it is forgotten."""
        if ours:
            self._ours.add(text)
        if text == self.texts[self.at]:
            return
        self.texts[self.at + 1 :] = [text]
        del self.texts[1 : max(1, len(self.texts) - MOST + 1)]  # the one it was opened with stays
        self.at = len(self.texts) - 1

    def ours(self, text: str) -> bool:
        """Whether this text was written from here, or a copy of it is kept."""
        return text in self._ours

    def kept(self, text: str) -> None:
        """A copy of it stands beside the file now."""
        self._ours.add(text)

    @property
    def back(self) -> str | None:
        return self.texts[self.at - 1] if self.at > 0 else None

    @property
    def forth(self) -> str | None:
        return self.texts[self.at + 1] if self.at + 1 < len(self.texts) else None
