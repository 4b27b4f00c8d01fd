"""A recording as one channel of finite numbers, with what is wrong with it said aloud.

In: a sound file of any format, rate and channel count that libsndfile reads. Out: a `Take`. At most
`MOST_FRAMES` samples are ever held, so that a two-hour file costs no more than a short one. Several channels are
combined along the direction they share (the first principal component), which neither cancels a pair
recorded in opposite phase nor spoils a good channel with a silent one.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.files import for_libsndfile
from synth.frozen import frozen

if TYPE_CHECKING:
    import soundfile

CUT: Final = "cut it into shorter files"  # what helps where a command has no options for a part of it
MOST_SECONDS: Final = 300.0  # a whole group, tapped one by one, fits with room to spare
MOST_FRAMES: Final = 32_000_000  # samples over all channels: 128 MB as float32
SHORTEST: Final = 0.05  # s; below that no partial has a decay
SLOWEST_RATE: Final = 2000  # Hz; below that not even a long tine's second partial is heard
_BLOCK: Final = 1 << 20  # frames read at once
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "ULAW": 8, "ALAW": 8}
_STEP: Final = dict.fromkeys(_BITS, 2.0**-7) | {"FLOAT": 1e-6, "DOUBLE": 1e-6, "PCM_24": 1e-6, "PCM_32": 1e-6}
_LOSSY: Final = {"VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"}
_FLAT_TOP: Final = 3  # equal samples at the peak: a sine rarely has two, a clipped one has many

Samples = NDArray[np.float64]


@frozen
class Recording:
    """What was recorded: samples (T,) with full scale 1, `start` seconds into the file."""

    file: str
    rate: int
    start: float
    samples: Samples
    clipped: NDArray[np.bool_]  # (T,) where a flat top cut the wave
    warnings: tuple[str, ...]

    @property
    def seconds(self) -> float:
        return len(self.samples) / self.rate


def read_recording(
    path: str | Path,
    start: float = 0.0,
    seconds: float | None = None,
    *,
    remedy: str = "choose another part with --start-s and --seconds",
) -> Recording:
    """The file's samples from `start`, for `seconds` or to its end, at most `MOST_SECONDS`.

    `remedy` is what to do where more is there. Raises `InputError` on what holds no sound.
    """
    frames, rate, subtype, whole = _frames(Path(path), start, min(seconds or MOST_SECONDS, MOST_SECONDS))
    file = str(path)
    warnings = _limits(len(frames) / rate, whole - start, seconds, remedy=remedy) + _format(subtype)
    if len(frames) < SHORTEST * rate:
        raise InputError(
            f"only {1e3 * len(frames) / rate:.0f} ms of sound", remedy="record at least one second", file=file
        )
    frames, mended = _finite(frames, file)
    clipped = _flat_tops(frames, _STEP.get(subtype, 2.0**-15))
    samples = _together(frames)
    if not np.any(np.abs(samples) > 1e-7):
        raise InputError("the recording is silent", remedy="check the input and its level", file=file)
    warnings += mended + _clipping(clipped, rate)
    return Recording(file, rate, start, samples, clipped, tuple(warnings))


def _frames(path: Path, start: float, seconds: float) -> tuple[NDArray[np.float32], int, str, float]:
    """Frames (T, C), the rate, the sample format, and how long the whole file is in seconds."""
    import soundfile

    if path.is_dir():
        raise InputError("is a folder", remedy="name the sound file in it", file=str(path))
    if not path.exists():
        raise InputError("there is no such file", file=str(path))
    try:
        with soundfile.SoundFile(for_libsndfile(path)) as sound:
            return _read_blocks(sound, start, seconds, str(path))
    except (soundfile.LibsndfileError, TypeError, OSError, ValueError) as trouble:
        # a headerless extension (.raw) makes soundfile ask for a rate with a TypeError
        raise InputError(
            "is not a sound file that can be read",
            remedy="use WAV, FLAC, AIFF, OGG or MP3",
            file=str(path),
        ) from trouble


def _read_blocks(
    sound: soundfile.SoundFile, start: float, seconds: float, file: str
) -> tuple[NDArray[np.float32], int, str, float]:
    rate, channels = int(sound.samplerate), int(sound.channels)
    if rate < SLOWEST_RATE:
        raise InputError(
            f"{rate} Hz is too slow a sampling rate", remedy="record at 44100 Hz or more", file=file
        )
    # some formats do not know their length; reading to the end is then the only way
    whole = sound.frames / rate if 0 < sound.frames < 1 << 62 else np.inf
    if start >= whole:
        raise InputError(f"ends at {whole:.2f} s, before the start asked for ({start:.2f} s)", file=file)
    if start > 0.0:
        sound.seek(round(start * rate))
    wanted = min(round(seconds * rate), MOST_FRAMES // channels)
    blocks: list[NDArray[np.float32]] = []
    while wanted > 0:
        block = sound.read(min(wanted, _BLOCK), dtype="float32", always_2d=True)
        if len(block) == 0:
            break
        blocks.append(block)
        wanted -= len(block)
    frames = np.concatenate(blocks) if blocks else np.zeros((0, channels), np.float32)
    return frames, rate, str(sound.subtype), whole


def _limits(held: float, available: float, asked: float | None, *, remedy: str) -> list[str]:
    if held >= min(available, asked or available) - 0.01 or not np.isfinite(available):
        return []
    return [f"only {held:.0f} s of {available:.0f} s were read; {remedy}"]


def _format(subtype: str) -> list[str]:
    if subtype in _BITS:
        return [f"{_BITS[subtype]}-bit samples: partials some 50 dB below the peak drown in rounding noise"]
    if subtype in _LOSSY:
        return ["lossy compression: weak partials and decays may be the encoder's; record WAV or FLAC"]
    return []


def _finite(frames: NDArray[np.float32], file: str) -> tuple[NDArray[np.float32], list[str]]:
    """Gaps of NaN or infinity bridged by straight lines; refused where they are more than one in a hundred."""
    bad = ~np.isfinite(frames)
    count = int(np.count_nonzero(bad))
    if count == 0:
        return frames, []
    if count > frames.size // 100:
        raise InputError(
            f"{count} of {frames.size} samples are not numbers (NaN or infinite)",
            remedy="export the recording again",
            file=file,
        )
    mended = frames.copy()
    position = np.arange(len(frames))
    for channel in range(frames.shape[1]):
        hole = bad[:, channel]
        mended[hole, channel] = np.interp(position[hole], position[~hole], frames[~hole, channel])
    return mended, [f"{count} samples are not numbers (NaN or infinite); bridged by straight lines"]


def _flat_tops(frames: NDArray[np.float32], step: float) -> NDArray[np.bool_]:
    """(T,) where a channel stays at its own extreme and enters it with a jump: the sign of clipping.

    The jump tells a cut wave from a slow one whose rounded crest fills a coarse step (8 bit).
    """
    clipped = np.zeros(len(frames), bool)
    for channel in frames.T:
        for side in (channel, -channel):
            top = np.max(side)
            if top > 0.05:  # a quiet, constant file is not clipped
                clipped |= _cut_runs(side, top, 1.5 * step)
    return clipped


def _cut_runs(side: NDArray[np.float32], top: np.float32, jump: float) -> NDArray[np.bool_]:
    """(T,) the runs of at least `_FLAT_TOP` samples at `top` whose neighbours lie a `jump` lower."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (side == top).view(np.int8), [0]))))
    padded = np.concatenate(([-np.inf], side, [-np.inf]))
    kept = np.zeros(len(side), bool)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        entered = top - max(padded[first], padded[last + 1]) > jump
        kept[first:last] = entered and last - first >= _FLAT_TOP
    return kept


def _clipping(clipped: NDArray[np.bool_], rate: int) -> list[str]:
    places = np.flatnonzero(clipped)
    if len(places) == 0:
        return []
    first, last = places[0] / rate, places[-1] / rate
    return [
        f"clipped between {first:.2f} s and {last:.2f} s ({len(places)} samples at the top): "
        "levels there are too low, record at a lower one"
    ]


def _together(frames: NDArray[np.float32]) -> Samples:
    """(T,) the channels without their offset, combined along their first principal component, gain 1."""
    offset: Samples = np.asarray(np.mean(frames, axis=0, dtype=np.float64))
    weight = np.ones(1)
    if frames.shape[1] > 1:
        shared = sum((each.T @ each for each in _blocks(frames, offset)), np.zeros((frames.shape[1],) * 2))
        weight = np.linalg.eigh(shared)[1][:, -1]
        weight *= np.sign(weight[np.argmax(np.abs(weight))]) / np.sum(np.abs(weight))
    return np.concatenate([each @ weight for each in _blocks(frames, offset)])


def _blocks(frames: NDArray[np.float32], offset: Samples) -> Iterator[NDArray[np.float64]]:
    """The frames as float64, a block at a time: a copy of them all would be twice their size again."""
    for first in range(0, len(frames), _BLOCK):
        yield frames[first : first + _BLOCK] - offset
