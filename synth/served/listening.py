"""One gesture on several states of the design: rendered as `stroke` renders it, at true level and matched.

In: models by name, a stroke in a script's words, what it is heard through. Out: sounds for the page with what
changed against the first, or the workshop's page to listen, which has the blind test.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.score import performance
from synth.playing.stroke import START, Stroke
from synth.served.model import SolvedDesign
from synth.sound.file_sets import set_members
from synth.sound.render import ContactSettings
from synth.workshop.comparison import heard_sounds, page_of, since_first
from synth.workshop.listening import playable
from synth.workshop.variant_sounds import Compared, render_variants
from synth.workshop.variants import LeftOut, Variant

SECONDS: Final = 4.0  # a stroke and most of its ring
MOST: Final = 24  # versions at once


@frozen
class Replayed:
    """What could be rendered, the first being what the others are held against, and what could not."""

    heard: tuple[Compared, ...]
    left: tuple[LeftOut, ...]

    def sounds(self) -> dict[str, Any]:
        """For JSON: each sound, its factors, and in lines what changed against the first."""
        members = set_members({each.variant.name: each.pressure for each in self.heard})
        return {
            "sounds": [
                {"name": each.variant.chosen[0][1], **playable(sound), "changes": self._changes(each)}
                for each, sound in zip(self.heard, heard_sounds(members, self.heard), strict=True)
            ],
            "left": [{"name": each.chosen[0][1], "words": each.words} for each in self.left],
        }

    def page(self) -> str:
        """The page to listen."""
        members = set_members({each.variant.name: each.pressure for each in self.heard})
        return page_of(members, self.heard, self.left)

    def _changes(self, each: Compared) -> list[str]:
        if each is self.heard[0]:
            return []
        return since_first([self.heard[0], each]).lines(100)


def replayed(models: Mapping[str, SolvedDesign], given: Mapping[str, Any], through: str) -> Replayed:
    """The stroke on every model. Raises `InputError` where it can be made on none of them."""
    if not 1 <= len(models) <= MOST:
        raise InputError(f"{len(models)} versions", remedy=f"1 to {MOST} can be heard")
    heard: list[Compared] = []
    left: list[LeftOut] = []
    for name, model in models.items():
        chosen = (("version", name),)
        try:
            instrument = model.instrument
            variant = Variant(chosen, instrument, stroke_of(instrument, given), instrument.listening(through))
            # one by one: nothing is forked beside the server's threads
            done, refused = render_variants(
                [variant], seconds=SECONDS, settings=ContactSettings(), watch=_unseen
            )
            heard += done
            left += refused
        except InputError as error:
            left.append(LeftOut(chosen, str(error)))
    if not heard:
        raise InputError(left[0].words)
    return Replayed(tuple(heard), tuple(left))


def stroke_of(instrument: Instrument, given: Mapping[str, Any]) -> Stroke:
    """A stroke in a script's words. Raises `InputError`."""
    piece, _ = performance({"stroke": [{**given, "at_s": START}]}, instrument, through="bar")
    (played,) = piece.played
    if not isinstance(played.event, Stroke):
        raise InputError("this is no stroke", remedy="play one")
    return played.event


def _unseen(items: Iterable[Any], _: int) -> Iterator[Any]:
    yield from items


def names_of(given: Any) -> Sequence[str]:
    """Names that a page sends. Raises `InputError`."""
    if not isinstance(given, list) or not all(isinstance(each, str) for each in given):
        raise InputError("names are missing", remedy="give a list of them")
    return given
