"""A text of the design, solved, and as the bytes that the page plays.

In: the text of a design file. Out: a `SolvedDesign`: resolved and tuned when it is made, so that what cannot be
built is refused then; its modes and bytes when somebody listens. A frame is what one request fetches:

    length of the header (4 bytes, little endian) | header (JSON) | the arrays' bytes
"""

from __future__ import annotations

import hashlib
import json
import struct
from dataclasses import replace
from functools import cached_property
from threading import RLock
from typing import Any

from synth.design.decode import decode
from synth.design.file import parsed
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.frozen import frozen
from synth.page.build import header
from synth.page.pack import WHOLE, pack
from synth.sound.radiator.pickup import pickup_radiator
from synth.sound.render import Scene, scene
from synth.vibration.quarrels import Quarrel
from synth.vibration.solve import solve_quarrels, solve_row


def name_of_text(text: str) -> str:
    """The same for the same text, whoever asks and whenever."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


@frozen
class Packet:
    """What is heard through one thing, for the page."""

    head: dict[str, Any]
    content: bytes

    def framed(self) -> bytes:
        head = json.dumps(self.head, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
        return struct.pack("<I", len(head)) + head + self.content


class SolvedDesign:
    """One state of the design; several threads may ask it."""

    def __init__(self, text: str, file: str) -> None:
        """Raises `InputError` for what is no design or cannot be built."""
        self.text = text
        self.name = name_of_text(text)
        self.tree = parsed(text)
        self.design = decode(self.tree, Design)
        self.instrument = resolve(self.design, file)
        self.row = solve_row(self.instrument)
        self._lock = RLock()
        self._packets: dict[str, Packet] = {}

    @property
    def through(self) -> tuple[str, ...]:
        """What it can be heard through."""
        return ("bar", "pickup", *self.instrument.boards)

    @cached_property
    def quarrels(self) -> tuple[Quarrel, ...]:
        return solve_quarrels(self.instrument, self.row)

    def packet(self, through: str) -> Packet:
        """Bar and pickup together, which are one structure; a board by itself. Raises `InputError`."""
        through = self.instrument.listening(through)
        with self._lock:
            if through not in self._packets:
                heard = scene(self.instrument, through)
                alone = through in self.instrument.boards
                self._packets[through] = self._packed([heard] if alone else self._both(heard))
            return self._packets[through]

    def _both(self, heard: Scene) -> list[Scene]:
        """The bar and the pickup, where one of them is there; the pickup costs nothing besides."""
        if heard.through == "pickup":
            return [heard, scene(self.instrument, "bar")]
        pickup = pickup_radiator(heard.model, self.instrument)
        return [heard, replace(heard, radiator=pickup, through="pickup")]

    def _packed(self, scenes: list[Scene]) -> Packet:
        packed = pack(scenes, quality=WHOLE)
        head = {**header(packed), "listening": list(self.through), "model": self.name}
        return Packet(head, packed.blob.content())
