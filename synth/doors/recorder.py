"""An improvisation kept: what was played as a sound file, and beside it as a stroke script.

In: a path, blocks as the sound card got them, the strokes. Out: both files, whole, when the playing ends. Until
then the sound stands beside its place under a name of its own, on the disk as it is played and with a header that
is at most some seconds old: whatever ends the program, what was played until then can be heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.files import check_place, for_libsndfile, move_over, write_text
from synth.playing.script_writer import notated
from synth.sound.audio import FORMATS, RATE, check_output
from synth.sound.live_contacts import FORGOTTEN, Performer
from synth.sound.live_output import LiveOutput

TOLD: Final = 5.0  # s of sound between two headers


def script_beside(path: Path) -> Path:
    """Where the stroke script of a sound file goes. Raises `InputError` where a file stands there already."""
    check_output(path)
    script = path.with_suffix(".toml")
    check_place(script)
    if unfinished(path).exists():
        raise InputError(
            "a take that was cut off stands here",
            remedy="rename it, or delete it",
            file=str(unfinished(path)),
        )
    if script.exists():
        raise InputError(
            "the stroke script would go here, and this file is there already",
            remedy="record under another name",
            file=str(script),
        )
    return script


def unfinished(path: Path) -> Path:
    """Where a take stands until it is whole."""
    return path.with_name(f"{path.stem} (unfinished){path.suffix}")


class Tape:
    """A sound file that grows. Where the disk takes no more it ends, is `cut`, and the playing goes on."""

    def __init__(self, path: Path, *, channels: int) -> None:
        import soundfile

        self.path, self.frames, self.cut = path, 0, False
        self._kind, self._told = FORMATS[path.suffix.lower()], 0
        self._file: soundfile.SoundFile = soundfile.SoundFile(
            for_libsndfile(path), "x", samplerate=RATE, channels=channels, subtype="PCM_24", format=self._kind
        )

    def write(self, block: NDArray[np.float32]) -> None:
        """Frames (n, C) more."""
        if self.cut:
            return
        try:
            self._file.write(block)
            self.frames += len(block)
            if self._kind == "WAV" and self.frames - self._told > TOLD * RATE:
                self._tell()
        except (OSError, RuntimeError):  # of soundfile's, each is one of these
            self.cut = True

    def close(self) -> None:
        try:
            self._file.close()
        except (OSError, RuntimeError):
            self.cut = True

    def _tell(self) -> None:
        """The header says how long the file is now; FLAC says it in every frame."""
        import soundfile

        self._told = self.frames
        self._file.close()
        self._file = soundfile.SoundFile(for_libsndfile(self.path), "r+")
        self._file.seek(0, soundfile.SEEK_END)


@contextmanager
def taped(
    path: Path, voice: LiveOutput, *, lost: type[Exception] | tuple[()] = ()
) -> Iterator[Callable[[], bool]]:
    """Keeps what `voice` plays in `path`. Gives what has to be called now and then, to bring blocks to the disk.

    That says whether all of them got there. An exception of the kind `lost` ends the take and goes on; after any
    other what was played stays as `unfinished` has it.
    """
    waiting = voice.keep()
    try:
        tape = Tape(unfinished(path), channels=voice.channels)
    except (OSError, RuntimeError) as failure:
        raise InputError(
            f"cannot be written ({failure})", remedy="is the disk full?", file=str(path)
        ) from failure

    def flush() -> bool:
        while waiting:
            tape.write(waiting.popleft())
        return not tape.cut

    try:
        yield flush
    except BaseException as ending:
        flush()
        tape.close()
        if tape.frames == 0:
            tape.path.unlink(missing_ok=True)
        elif isinstance(ending, lost):
            move_over(tape.path, path)
        raise
    flush()
    tape.close()
    move_over(tape.path, path)


def write_script(path: Path, performer: Performer, *, name: str, seconds: float) -> bool:
    """Writes the script, if anything was played; whether it was."""
    played = [each for each in performer.played if each is not FORGOTTEN]
    if not played:
        return False
    scene = performer.scene
    text = notated(played, scene.instrument, name=name, through=scene.through, seconds=seconds)
    write_text(path, text)
    return True
