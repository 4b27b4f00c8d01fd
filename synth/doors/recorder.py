"""An improvisation kept: what was played as a sound file, and beside it as a stroke script.

In: a path, blocks as the sound card got them, the strokes. Out: both files, whole, when the playing ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from synth.errors import InputError
from synth.files import atomic_write, check_place, write_text
from synth.playing.script_writer import notated
from synth.sound.audio import FORMATS, RATE, check_output
from synth.sound.live_contacts import Performer
from synth.sound.live_output import LiveOutput


def script_beside(path: Path) -> Path:
    """Where the stroke script of a sound file goes. Raises `InputError` where a file stands there already."""
    check_output(path)
    script = path.with_suffix(".toml")
    check_place(script)
    if script.exists():
        raise InputError(
            "the stroke script would go here, and this file is there already",
            remedy="record under another name",
            file=str(script),
        )
    return script


@contextmanager
def taped(
    path: Path, voice: LiveOutput, *, lost: type[Exception] | tuple[()] = ()
) -> Iterator[Callable[[], None]]:
    """Keeps what `voice` plays in `path`. Gives what has to be called now and then, to bring blocks to the disk.

    An exception of the kind `lost` ends the take and goes on; after any other there is no file.
    """
    import soundfile

    tape = voice.keep()
    with (
        atomic_write(path) as beside,
        soundfile.SoundFile(
            beside,
            "w",
            samplerate=RATE,
            channels=voice.channels,
            subtype="PCM_24",
            format=FORMATS[path.suffix.lower()],
        ) as file,
    ):

        def flush() -> None:
            while tape:
                file.write(tape.popleft())

        loss: Exception | None = None
        try:
            yield flush
        except lost as ending:
            loss = ending
        flush()
    if loss is not None:
        raise loss


def write_script(path: Path, performer: Performer, *, name: str, seconds: float) -> bool:
    """Writes the script, if anything was played; whether it was."""
    if not performer.played:
        return False
    scene = performer.scene
    text = notated(performer.played, scene.instrument, name=name, through=scene.through, seconds=seconds)
    write_text(path, text)
    return True
