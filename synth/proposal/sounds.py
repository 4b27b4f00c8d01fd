"""The sounds of a proposal: one stroke and every score, through bar, pickup and board, at 1 m and in the room.

In: an instrument, scores, what is wanted. Out: `RenderedSound`s with their levels, then files at one gain: FLAC,
and a small compressed copy. All are raised by the same amount, so that they are heard against each other as they
will be.
"""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.files import make_folder
from synth.frozen import frozen
from synth.playing.score import performance
from synth.playing.script import Performance
from synth.playing.stroke import Stroke
from synth.sound import audio
from synth.sound.file_sets import file_names
from synth.sound.loudness import Loudness, measure, shared_gain
from synth.sound.render import Rendering, perform, play, scene
from synth.sound.surroundings import FREE_AIR, Surroundings
from synth.sound.zwicker import loudness_over_time
from synth.units import amplitude
from synth.workers import workers
from synth.workshop.variant_sounds import Watch

TOUCH: Final = 0.05  # s, when the stick meets the first tine
EASY_SPEED: Final = 0.4  # m/s, an easy pass
SECONDS: Final = 6.0
CHUNK: Final = 65_536  # samples written at once: libsndfile's coders take long ones badly
SMALL: Final = (("MP3", ".mp3", "audio/mpeg"), ("OGG", ".ogg", "audio/ogg"))  # the first that is there


@frozen
class RenderedSound:
    """One rendering: of what, through what, where ("" for free air), with the room's noise or without."""

    title: str
    through: str
    surroundings: Surroundings
    pressure: NDArray[np.float32]
    loudness: Loudness
    sone: float

    @property
    def where(self) -> str:
        if not self.surroundings.room:
            return "at 1 m, no room"
        noise = ", with its noise" if self.surroundings.noise else ""
        return f"in {self.surroundings.room}{noise}"


def example_stroke(instrument: Instrument, group: int) -> Stroke:
    """An easy pass over a group with the design's first stick."""
    return Stroke(group=group, stick=next(iter(instrument.sticks.values())), start=TOUCH, speed=EASY_SPEED)


@frozen
class RenderJob:
    """What is played through one thing, in every place: the contacts are the same, and so is what is solved."""

    instrument: Instrument
    group: int
    score: Path | None  # None for the example stroke
    through: str
    places: tuple[Surroundings, ...]


def jobs_of(
    instrument: Instrument,
    scores: Sequence[Path],
    *,
    group: int,
    through: Sequence[str],
    places: Sequence[Surroundings],
) -> list[RenderJob]:
    """The example stroke through everything, then every score; scores without the room's noise."""
    quiet = tuple(each for each in places if not each.noise)
    strokes = [RenderJob(instrument, group, None, name, tuple(places)) for name in through]
    return [
        *strokes,
        *(RenderJob(instrument, group, score, name, quiet) for score in scores for name in through),
    ]


def check_scores(scores: Sequence[Path], instrument: Instrument) -> None:
    """Reads them, so that a slip in one is told before anything is solved. Raises `InputError`."""
    for each in scores:
        performance(each, instrument)


def rendered(jobs: Sequence[RenderJob], watch: Watch) -> list[RenderedSound]:
    """Every sound, on as many cores as help. Raises `InputError`."""
    with workers(len(jobs)) as run:
        return [sound for done in watch(run(_job, jobs), len(jobs)) for sound in done]


def _job(job: RenderJob) -> list[RenderedSound]:
    instrument = job.instrument
    if job.score is None:
        stroke, title = (
            example_stroke(instrument, job.group),
            f"One stroke of {instrument.groups[job.group].name}",
        )
        return [
            _sound(title, job.through, each, perform(there, [stroke], seconds=SECONDS))
            for each in job.places
            for there in [scene(instrument, job.through, surroundings=each)]
        ]
    piece, _ = performance(job.score, instrument, through=job.through)
    piece = _through(piece, job.through)
    return [
        _sound(job.score.stem, job.through, each, play(instrument, piece, surroundings=each))
        for each in job.places
    ]


def _through(piece: Performance, name: str) -> Performance:
    """All of it through one thing, whatever the score says: a proposal compares."""
    return dataclasses.replace(
        piece, played=tuple(dataclasses.replace(each, through=name) for each in piece.played)
    )


def _sound(title: str, through: str, surroundings: Surroundings, rendering: Rendering) -> RenderedSound:
    pressure = rendering.sound()
    return RenderedSound(
        title,
        through,
        surroundings,
        pressure.astype(np.float32),
        measure(pressure, audio.RATE),
        loudness_over_time(pressure[:, : round(SECONDS * audio.RATE)], audio.RATE).loudest_sone,
    )


@frozen
class SoundFiles:
    """The files of a sound in `audio/`, and the small one's content for a page."""

    sound: RenderedSound
    whole: str
    small: str
    kind: str  # the small one's media type
    content: bytes


def write_sounds(sounds: Sequence[RenderedSound], folder: Path) -> tuple[list[SoundFiles], float]:
    """The files of all, and the gain in dB that they share. Raises `InputError` where they cannot be written."""
    gain = shared_gain([each.loudness for each in sounds])
    names = file_names([f"{each.title}-{each.through}-{each.where}" for each in sounds])
    place, found = make_folder(folder / "audio"), []
    for name, sound in zip(names, sounds, strict=True):
        audio.write(place / f"{name}.flac", [sound.pressure.astype(np.float64)], gain_db=gain)
        content, ending, kind = compressed(sound.pressure, gain)
        (place / f"{name}{ending}").write_bytes(content)
        found.append(SoundFiles(sound, f"audio/{name}.flac", f"audio/{name}{ending}", kind, content))
    return found, gain


def compressed(pressure: NDArray[Any], gain_db: float) -> tuple[bytes, str, str]:
    """A small file of pressure (C, N), its ending and media type: MP3 where libsndfile knows it, else Ogg."""
    import soundfile

    there = soundfile.available_formats()
    kind, ending, media = next(each for each in SMALL if each[0] in there)
    samples = (pressure.T * (amplitude(gain_db) / audio.FULL_SCALE)).astype(np.float32)
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", samplerate=audio.RATE, channels=samples.shape[1], format=kind) as file:
        for first in range(0, len(samples), CHUNK):
            file.write(samples[first : first + CHUNK])
    return out.getvalue(), ending, media


def places_of(room: str, noisy: bool) -> list[Surroundings]:
    """Free air, and where there is a room that, silent and with its noise."""
    return [
        FREE_AIR,
        *([Surroundings(room)] if room else []),
        *([Surroundings(room, True)] if room and noisy else []),
    ]
