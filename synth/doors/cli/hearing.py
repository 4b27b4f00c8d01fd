"""A rendering to a file, and in words how loud it is.

In: a `Rendering`, a path, a gain; or what makes one, whose blocks are written where they are made. Out: the
sentences to print; the file is there, whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyReal
from synth.design.rooms import MeasuredRoom
from synth.doors.cli.arguments import progress

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.playing.stroke import Stroke
    from synth.sound.loudness import LoudnessMeter
    from synth.sound.render import ContactSettings, Rendering, Scene


def write(rendering: Rendering, path: Path, *, gain_db: float, touch: float | None = None) -> list[str]:
    """Write the file at true level plus the gain; what to tell of it. Raises `InputError` where it would clip.

    Of a single stroke that begins at `touch` s it is told besides what an ear would say.
    """
    from synth.sound import audio, ear, loudness

    heard: list[NDArray[np.float32]] = []
    meter = loudness.LoudnessMeter(audio.RATE)

    def blocks() -> Iterator[AnyReal]:
        for block in _watched(rendering, path):
            meter.hear(block)
            if touch is not None:
                heard.append(np.asarray(block, dtype=np.float32))
            yield block

    peak_db = audio.write(path, blocks(), gain_db=gain_db)
    said = _told(rendering, path, meter, gain_db=gain_db, peak_db=peak_db)
    if touch is not None:
        said += ear.stroke_sentences(ear.describe(np.concatenate(heard, axis=1), audio.RATE, since=touch))
    return said


def write_as_made(
    make: Callable[[Callable[[AnyReal], None]], Rendering], path: Path, *, gain_db: float
) -> list[str]:
    """The same, of what `make` renders: it is given whom to tell every block as soon as it is made.

    So a thread that makes blocks measures and writes them too.
    """
    from synth.sound import audio, loudness
    from synth.units import decibels

    meter = loudness.LoudnessMeter(audio.RATE)
    with audio.writing(path, gain_db=gain_db) as file:

        def hear(block: AnyReal) -> None:
            meter.hear(block)
            file.add(block)

        rendering = make(hear)
        for _ in _watched(rendering, path):
            pass
    said = _told(rendering, path, meter, gain_db=gain_db, peak_db=decibels(file.peak))
    return [*said, *rendering.warnings]


def _watched(rendering: Rendering, path: Path) -> Iterator[AnyReal]:
    return progress(rendering.blocks, total=rendering.block_count, what=path.name)


def _told(
    rendering: Rendering, path: Path, meter: LoudnessMeter, *, gain_db: float, peak_db: float
) -> list[str]:
    from synth.sound import loudness

    told = meter.told()
    return [
        f"{path}: {meter.seconds:.2f} s through {rendering.through}, gain {gain_db:+z.1f} dB, "
        f"peak {peak_db:z.1f} dBFS",
        *loudness.words(told, gain_db=gain_db),
    ]


def in_room(listening: Scene, instrument: Instrument, stroke: Stroke, settings: ContactSettings) -> list[str]:
    """What the room is, and from how far the stroke is heard in it; the latter not of a measured one."""
    from synth.sound.carrying import carrying, carrying_words
    from synth.sound.room_points import room_words

    room = instrument.room(listening.room)
    if isinstance(room, MeasuredRoom):
        return [
            f"In {room.name}, as measured at {room.reference:g} m: the direct sound is the instrument's own, "
            "the rest follows from all that it radiates."
        ]
    found = carrying(instrument, listening.through, room, stroke, settings)
    return [room_words(room), carrying_words(room, found)]
