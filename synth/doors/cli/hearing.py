"""A rendering to a file, and in words how loud it is.

In: a `Rendering`, a path, a gain. Out: the sentences to print; the file is there, whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from synth.design.rooms import MeasuredRoom
from synth.doors.cli.arguments import progress

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.playing.stroke import Stroke
    from synth.sound.loudness import LoudnessMeter
    from synth.sound.render import ContactSettings, Rendering, Scene


def write(
    rendering: Rendering,
    path: Path,
    *,
    gain_db: float,
    touch: float | None = None,
    meter: LoudnessMeter | None = None,
) -> list[str]:
    """Write the file at true level plus the gain; what to tell of it. Raises `InputError` where it would clip.

    Of a single stroke that begins at `touch` s it is told besides what an ear would say. A `meter` given hears the
    blocks as they are made; else they are measured as they are written.
    """
    from synth.sound import audio, ear, loudness

    heard: list[NDArray[np.floating[Any]]] = []
    seconds, measured = 0.0, meter or loudness.LoudnessMeter(audio.RATE)

    def blocks() -> Iterator[NDArray[np.floating[Any]]]:
        nonlocal seconds
        for block in progress(rendering.blocks, total=rendering.block_count, what=path.name):
            if meter is None:
                measured.hear(block)
            seconds += block.shape[1] / audio.RATE
            if touch is not None:
                heard.append(np.asarray(block, dtype=np.float32))
            yield block

    peak_db = audio.write(path, blocks(), gain_db=gain_db)
    said = [
        f"{path}: {seconds:.2f} s through {rendering.through}, gain {gain_db:+z.1f} dB, peak {peak_db:z.1f} dBFS",
        *loudness.words(measured.told(), gain_db=gain_db),
    ]
    if touch is not None:
        said += ear.stroke_sentences(ear.describe(np.concatenate(heard, axis=1), audio.RATE, since=touch))
    return said


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
