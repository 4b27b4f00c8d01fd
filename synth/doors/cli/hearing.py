"""A rendering to a file, and in words how loud it is.

In: a `Rendering`, a path, a gain. Out: the sentences to print; the file is there, whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from synth.doors.cli.arguments import progress

if TYPE_CHECKING:
    from synth.sound.render import Rendering


def write(rendering: Rendering, path: Path, *, gain_db: float, touch: float | None = None) -> list[str]:
    """Write the file at true level plus the gain; what to tell of it. Raises `InputError` where it would clip.

    Of a single stroke that begins at `touch` s it is told besides what an ear would say.
    """
    from synth.sound import audio, ear, loudness

    heard: list[NDArray[np.floating[Any]]] = []

    def blocks() -> Iterator[NDArray[np.floating[Any]]]:
        for block in progress(rendering.blocks, total=rendering.block_count, what=path.name):
            heard.append(np.asarray(block, dtype=np.float32))
            yield block

    peak_db = audio.write(path, blocks(), gain_db=gain_db)
    pressure = np.concatenate(heard, axis=1)
    measured = loudness.measure(pressure, audio.RATE)
    seconds = pressure.shape[1] / audio.RATE
    return [
        f"{path}: {seconds:.2f} s through {rendering.through}, gain {gain_db:+.1f} dB, peak {peak_db:.1f} dBFS",
        *loudness.words(measured, gain_db=gain_db),
        *([] if touch is None else ear.stroke_sentences(ear.describe(pressure, audio.RATE, since=touch))),
    ]
