"""Where sound goes out and comes in: the system's sound devices, and a clock in place of one. Opened here alone.

In: names as a person writes them. Out: running streams. The driver is imported when it is wanted; what is missing
or gone is told in one line with what to do.
"""

from __future__ import annotations

import atexit
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from synth.doors.drivers import LostError, in_words, quiet_drivers
from synth.errors import InputError

if TYPE_CHECKING:
    import sounddevice

Fill = Callable[[Any, Any], None]  # out (n, C) float32, the driver's flags

NO_PORTAUDIO: Final = "live sound needs the system's PortAudio library"
HOW_PORTAUDIO: Final = (
    "on Debian and Ubuntu: sudo apt-get install libportaudio2" if sys.platform == "linux" else "install it"
)


PATIENCE: Final = 2.0  # s without a block from a microphone that gives one every few ms
LIST_DEVICES: Final = "tinewright live --list shows what there is"
MICROPHONE_GONE: Final = "the microphone is gone"
NO_CARD: Final = "there is no sound device to play on"


class DeviceLostError(LostError):
    """The sound device: PortAudio waits for ever to stop one that is gone."""


def check_sound_device(device: str | None) -> None:
    """Raises `InputError` where there is none of that name or number, or for None no usual one."""
    with quiet_drivers():
        sd = _sounddevice()
        try:
            sd.query_devices(_number(device), "output")
        except (sd.PortAudioError, ValueError) as failure:
            if device is None:
                raise InputError(NO_CARD, remedy="with --record FILE it is played into a file") from failure
            raise InputError(
                f"there is no sound device '{device}'", remedy=LIST_DEVICES, location="--device"
            ) from failure
        finally:
            sd._terminate()  # a sound server would keep a guest that never plays


class SilentDevice:
    """A sound card's clock without a card: asks for blocks when they are due."""

    latency = 0.0
    output_underflow = False

    def __init__(self, fill: Fill, *, rate: float, block: int, channels: int) -> None:
        import numpy as np

        self._fill, self._lasts = fill, block / rate
        self._block = np.zeros((block, channels), np.float32)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._ask, daemon=True)
        self._thread.start()

    @property
    def active(self) -> bool:
        return self._thread.is_alive()

    def close(self) -> None:
        self._over.set()
        self._thread.join()

    def _ask(self) -> None:
        due = time.perf_counter()
        while not self._over.wait(max(0.0, due - time.perf_counter())):
            self._fill(self._block, self)
            due += self._lasts


@contextmanager
def silent_device(fill: Fill, *, rate: float, block: int, channels: int) -> Iterator[SilentDevice]:
    """Runs as a sound device does, unheard."""
    device = SilentDevice(fill, rate=rate, block=block, channels=channels)
    try:
        yield device
    finally:
        device.close()


@contextmanager
def sound_device(
    device: str | None, fill: Fill, *, rate: float, block: int, channels: int
) -> Iterator[sounddevice.OutputStream]:
    """A running stream that asks `fill` for frames. Raises `InputError`."""
    sd = _sounddevice()
    try:
        stream = sd.OutputStream(
            device=_number(device),
            samplerate=rate,
            blocksize=block,
            channels=channels,
            dtype="float32",
            latency="low",
            callback=lambda out, frames, time, status: fill(out, status),
        )
        stream.start()
    except (sd.PortAudioError, ValueError) as failure:
        raise InputError(
            f"the sound device cannot be opened ({in_words(failure)})",
            remedy=LIST_DEVICES,
            location="" if device is None else "--device",
        ) from failure
    with _closed(sd, stream):
        yield stream


@contextmanager
def _closed(sd: Any, stream: Any) -> Iterator[None]:
    """A stream is closed in the end, unless its device is lost: then it cannot be, and the process ends without."""
    try:
        yield
    except DeviceLostError:
        atexit.unregister(sd._exit_handler)  # it aborts the process where it cannot tidy up
        raise
    except BaseException:
        stream.close()
        raise
    stream.close()


@contextmanager
def microphone(device: str | None, *, rate: int, block: int) -> Iterator[Iterator[Any]]:
    """Blocks (block,) of float32 as they come from the sound device, without end; None where sound was lost.

    Raises `InputError`.
    """
    waiting: queue.Queue[Any] = queue.Queue()

    def take(heard: Any, _frames: int, _time: Any, status: Any) -> None:
        if status.input_overflow:
            waiting.put(None)
        waiting.put(heard[:, 0].copy())

    with quiet_drivers():
        sd = _sounddevice()
    try:
        stream = sd.InputStream(
            device=_number(device),
            samplerate=rate,
            blocksize=block,
            channels=1,
            dtype="float32",
            callback=take,
        )
    except (sd.PortAudioError, ValueError) as failure:
        raise InputError(
            f"there is no microphone to listen with ({in_words(failure)})",
            remedy="plug one in, or give a recording to listen to",
            location="" if device is None else "--device",
        ) from failure
    with _closed(sd, stream):
        stream.start()
        yield _heard(stream, waiting)


def _heard(stream: Any, waiting: queue.Queue[Any]) -> Iterator[Any]:
    """The blocks and gaps as they come. Raises `DeviceLostError` once none come any more."""
    while True:
        try:
            yield waiting.get(timeout=PATIENCE)
        except queue.Empty:
            raise DeviceLostError(MICROPHONE_GONE) from None


def devices() -> list[str]:
    """The sound devices that can play, one a line as `--device` takes them. Raises `InputError`."""
    with quiet_drivers():
        sd = _sounddevice()
        services = sd.query_hostapis()
        found = list(enumerate(sd.query_devices()))
    return [
        f"{number}: {each['name']}, {services[each['hostapi']]['name']}, {each['max_output_channels']} channels"
        for number, each in found
        if each["max_output_channels"] > 0
    ]


def _number(device: str | None) -> int | str | None:
    """As PortAudio's binding takes it: the number that `--list` shows, or a part of the name."""
    return int(device) if device is not None and device.isdigit() else device


def _sounddevice() -> Any:
    try:
        import sounddevice
    except OSError as missing:  # the package is there, the library is not
        raise InputError(NO_PORTAUDIO, remedy=HOW_PORTAUDIO) from missing
    if not sounddevice._initialized:  # `check_sound_device` lets go of it
        sounddevice._initialize()
    return sounddevice
