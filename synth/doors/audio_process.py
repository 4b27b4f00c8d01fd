"""Sound in a process of its own: what else this program has to do cannot hold it up.

In: states and touches from the player's process, made ready. Out: sound on a device, perhaps a recording, and how
it goes in shared memory. Python lets one thread of a process run at a time, and one that a busy machine has put
aside keeps the others waiting, the audio thread too. Here it shares its process with two threads that nearly always
sleep: one takes them from a pipe, one brings the recording to the disk and looks whether the device is still there.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.doors.devices import DeviceLostError, silent_device, sound_device
from synth.doors.drivers import quiet_drivers
from synth.doors.recorder import taped
from synth.doors.streams import end_process
from synth.doors.threads import calm_threads, deaf_to_interrupts, hurry, nothing_to_collect
from synth.errors import InputError
from synth.frozen import frozen
from synth.sound.audio import RATE
from synth.sound.clock import second
from synth.sound.live_output import STATES, LiveOutput, Meter, Report, SoundSink, layers
from synth.sound.livebank import Arrivals, LiveBank
from synth.sound.radiator import Radiator
from synth.sound.stroke_sound import StrokeSound

MARKS: Final = {STATES: b"s", "signals": b"t", "pressure": b"p"}  # what a message holds, its first byte
HEAD: Final = struct.Struct("<cqq")  # mark, silences that the player knew of, states or first frame
AT_ONCE: Final = 32  # states in one message: half a megabyte, which the audio thread hardly feels
LOOK: Final = 0.05  # s between two looks at tape and device
SILENCE: Final = 1.0  # s without a block after which the device counts as gone
PATIENCE: Final = 10.0  # s for the process to end by itself
# what stands in the shared memory, a double each
SHARED: Final = (
    "silences",  # these two from the player's side: they overtake what waits in the pipe
    "over",
    "start",
    "frame",
    "latency",
    "gone",
    "blocks",
    "missed",
    "share",
    "recent",
    "worst",
    "late_count",
    "deepest",
    "cut",
)


@frozen
class Job:
    """All that the process of the sound has to know."""

    pole: NDArray[np.complex128]
    radiator: Radiator
    device: str | None
    silent: bool
    block: int
    gain_db: float
    ceiling_db: float
    record: Path | None


class Speaker(SoundSink):
    """The player's side. As a context: sound runs inside it; entering raises `InputError` where it cannot."""

    def __init__(self, job: Job) -> None:
        context = multiprocessing.get_context("spawn")
        self._shared: Any = context.RawArray("d", len(SHARED))
        self._shared[SHARED.index("start")] = math.inf
        self._pipe, theirs = context.Pipe()
        self._arrivals = Arrivals(job.pole, RATE)
        self._process = context.Process(target=_only_speak, args=(job, theirs, self._shared), daemon=True)
        with deaf_to_interrupts():
            self._process.start()
        theirs.close()

    def __enter__(self) -> Speaker:
        self._send(b"begin")
        try:
            refused = self._pipe.recv()
        except (EOFError, OSError):
            refused = {"finding": "the process of the sound ended before it began"}
        except KeyboardInterrupt:
            self.__exit__()
            raise
        if refused is not None:
            self._process.join()
            raise InputError(**refused)
        return self

    def __exit__(self, *_: object) -> None:
        self._shared[SHARED.index("over")] = 1.0
        self._process.join(PATIENCE)
        if self._process.is_alive():  # a driver may never come back from a device that is gone
            self._process.kill()
            self._process.join()

    def add(self, time: NDArray[np.float64], rows: NDArray[np.complexfloating]) -> None:
        for first in range(0, len(time), AT_ONCE):
            frame, ready = self._arrivals(time[first : first + AT_ONCE], rows[first : first + AT_ONCE])
            self._post(STATES, len(frame), frame.tobytes() + ready.tobytes())

    def lay(self, struck: StrokeSound) -> None:
        for layer, frame, sound in layers(struck):
            self._post(layer, frame, np.ascontiguousarray(sound, dtype=np.float32).tobytes())

    def silence(self) -> None:
        self._shared[SHARED.index("silences")] += 1.0

    def second(self, now: float) -> float:
        return second(self._of("start"), now)

    def report(self) -> Report:
        return Report(
            blocks=int(self._of("blocks")),
            missed=int(self._of("missed")),
            share=self._of("share"),
            recent=self._of("recent"),
            worst=self._of("worst"),
            late_count=int(self._of("late_count")),
            deepest=self._of("deepest"),
        )

    @property
    def latency(self) -> float:
        """The device's own, s."""
        return self._of("latency")

    @property
    def seconds(self) -> float:
        """What was played, s."""
        return self._of("frame") / RATE

    @property
    def cut(self) -> bool:
        """Whether the disk took no more of the recording."""
        return bool(self._of("cut"))

    @property
    def there(self) -> bool:
        """Whether the device still takes sound."""
        return self._process.is_alive() and not self._of("gone")

    def _of(self, name: str) -> float:
        return float(self._shared[SHARED.index(name)])

    def _post(self, layer: str, number: int, content: bytes) -> None:
        self._send(HEAD.pack(MARKS[layer], int(self._of("silences")), number) + content)

    def _send(self, message: bytes) -> None:
        with suppress(OSError):  # when the other side has ended, `there` tells
            self._pipe.send_bytes(message)


def _only_speak(job: Job, pipe: Connection, shared: Any) -> None:
    """A process that does only this, and is gone then: Python would take 0.3 s to take apart what it loaded."""
    _speak(job, pipe, shared)
    end_process(0)


def _speak(job: Job, pipe: Connection, shared: Any) -> None:
    """The process of the sound: until the pipe says so, or the device is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the player's side, which then ends this one
    hurry()
    try:
        with calm_threads(), quiet_drivers():
            bank = LiveBank(job.pole, job.radiator.weights, rate=RATE)
            voice = LiveOutput(bank, job.radiator, gain_db=job.gain_db, ceiling_db=job.ceiling_db)
            voice.rehearse(job.block)
            if pipe.recv_bytes() == b"begin":
                _sound(job, voice, pipe, shared)
    except DeviceLostError:
        os._exit(0)  # the tape is on the disk; some drivers never let go of a device that is gone
    except InputError as refused:
        pipe.send(vars(refused))
    except EOFError:  # the player's side ended before it began
        pass


def _sound(job: Job, voice: LiveOutput, pipe: Connection, shared: Any) -> None:
    """Sound until the pipe says so. Raises `DeviceLostError` and, for what cannot be opened, `InputError`."""
    ended = threading.Event()
    asked = [time.perf_counter()]

    def fill(out: Any, flags: Any) -> None:
        voice.silences = int(shared[SHARED.index("silences")])
        voice.fill(out)
        voice.meter.missed += bool(flags.output_underflow)
        asked[0] = time.perf_counter()
        _tell(voice, shared)

    with nothing_to_collect(), _opened(job, voice, fill) as (stream, flush):
        shared[SHARED.index("latency")] = float(stream.latency)
        time.sleep(LOOK)
        voice.meter = Meter()  # the first blocks of a stream are its own affair: nobody plays yet
        pipe.send(None)
        threading.Thread(target=_receive, args=(pipe, voice, ended), daemon=True).start()
        while not (ended.wait(LOOK) or shared[SHARED.index("over")]):
            shared[SHARED.index("cut")] = float(not flush())
            if not stream.active or time.perf_counter() - asked[0] > SILENCE:
                shared[SHARED.index("gone")] = 1.0
                raise DeviceLostError


@contextmanager
def _opened(
    job: Job, voice: LiveOutput, fill: Callable[[Any, Any], None]
) -> Iterator[tuple[Any, Callable[[], bool]]]:
    """The running stream, and what brings the recording to the disk and says whether that goes on."""
    with ExitStack() as opened:
        flush: Callable[[], bool] = _nothing_taped
        if job.record is not None:
            flush = opened.enter_context(taped(job.record, voice, lost=DeviceLostError))
        if job.silent:
            device: Any = silent_device(fill, rate=RATE, block=job.block, channels=voice.channels)
        else:
            device = sound_device(job.device, fill, rate=RATE, block=job.block, channels=voice.channels)
        yield opened.enter_context(device), flush


def _receive(pipe: Connection, voice: LiveOutput, ended: threading.Event) -> None:
    """States and touches from the pipe to the voice, until the other process ends."""
    modes = voice.bank.log_pole_per_frame.size
    rows = {"signals": voice.bank.points, "pressure": voice.channels}
    names = {mark: layer for layer, mark in MARKS.items()}
    while True:
        try:
            message = pipe.recv_bytes()
        except (EOFError, OSError):
            ended.set()
            return
        mark, silences, number = HEAD.unpack_from(message)
        layer = names[mark]
        if layer == STATES:
            frame = np.frombuffer(message, np.int64, number, HEAD.size)
            singles = np.frombuffer(message, np.float32, offset=HEAD.size + 8 * number)
            voice.post(layer, frame, singles.reshape(number, 2, modes), silences=silences)
        else:
            sound = np.frombuffer(message, np.float32, offset=HEAD.size)
            voice.post(layer, number, sound.reshape(rows[layer], -1), silences=silences)


def _tell(voice: LiveOutput, shared: Any) -> None:
    """How it goes, for the player's side. Single numbers: each is whole whenever it is read."""
    numbers = {"start": voice.clock.start, "frame": voice.bank.frame, **vars(voice.report())}
    for name, number in numbers.items():
        shared[SHARED.index(name)] = number


def _nothing_taped() -> bool:
    return True
