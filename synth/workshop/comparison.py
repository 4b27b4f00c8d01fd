"""Comparison: one group, one stroke, and what changes when one thing of it is changed.

In: an instrument, a plain stroke and what to vary. Out: a folder with every combination at one true level and
matched in loudness, a table of what was measured, and a picture with spectrograms on common axes.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.errors import InputError, named, nearest
from synth.files import whole_set
from synth.playing.stroke import CHOICES, CONTROLS, Stroke, shaped
from synth.sound import features
from synth.sound.audio import RATE
from synth.sound.file_sets import SetMember, write_sets
from synth.sound.render import ContactSettings, perform, scene
from synth.table import Column, Table
from synth.units import MS
from synth.vibration.modal_model import ModalModel

MOST: Final = 64  # combinations: more than anyone compares by ear
PARTIALS: Final = 3  # whose decay the model tells

Watch = Callable[[Iterable[Any], int], Iterator[Any]]  # passes items on, showing how many of so many are done


@dataclass(frozen=True)
class Variant:
    """One combination: what was chosen, by the outside name."""

    chosen: tuple[tuple[str, str], ...]
    stroke: Stroke
    through: str

    @property
    def name(self) -> str:
        return "_".join(f"{key}={value}" for key, value in self.chosen)


@dataclass(frozen=True)
class Compared:
    """What one combination sounds like and what it did. `decay_s` of the lowest tine's first partials."""

    pressure: NDArray[np.float32]
    attack_s: float
    centroid_hz: float
    decay_s: tuple[float, ...]
    energy_j: float
    stress_mpa: float
    warnings: tuple[str, ...]


def varied(given: Sequence[str]) -> dict[str, list[str]]:
    """What varies, from "KEY=VALUE,VALUE". Raises `InputError`."""
    found: dict[str, list[str]] = {}
    for words in given:
        key, equals, values = words.partition("=")
        chosen = [each.strip() for each in values.split(",") if each.strip()]
        key = key.strip().removeprefix("--").replace("-", "_")
        if not equals or not chosen:
            raise InputError(f"'{words}' varies nothing", remedy="write KEY=VALUE,VALUE", location="--vary")
        if key in found:
            raise InputError(f"'{key}' is varied twice", remedy="put all values in one", location="--vary")
        found[key] = list(dict.fromkeys(chosen))
    if not found:
        raise InputError("nothing is varied", remedy="add --vary KEY=VALUE,VALUE", location="--vary")
    return found


def variants(
    instrument: Instrument, plain: Stroke, through: str, varied: Mapping[str, Sequence[str]]
) -> list[Variant]:
    """Every combination of the varied values. Raises `InputError`."""
    count = math.prod(len(values) for values in varied.values())
    if count > MOST:
        raise InputError(f"{count} combinations", remedy=f"at most {MOST} are rendered", location="--vary")
    return [
        _variant(instrument, plain, through, dict(zip(varied, values, strict=True)))
        for values in itertools.product(*varied.values())
    ]


def _variant(instrument: Instrument, plain: Stroke, through: str, chosen: Mapping[str, str]) -> Variant:
    stroke = plain
    for key, value in chosen.items():
        if key == "through":
            through = instrument.listening(value, location=f"--vary {key}")
        elif key == "stick":
            stroke = dataclasses.replace(stroke, stick=instrument.stick(value, location=f"--vary {key}"))
        elif key in CHOICES:
            stroke = dataclasses.replace(stroke, **{key: _one_of(value, key)})  # type: ignore[arg-type]
        else:
            stroke = shaped(stroke, {_control(key): _number(value, key)})
    return Variant(tuple(chosen.items()), stroke, through)


def _one_of(value: str, key: str) -> str:
    return named(value, CHOICES[key].words, "there is no", location=f"--vary {key}")


def _control(key: str) -> str:
    keys = [each.key for each in CONTROLS]
    if key not in keys:
        others = ["stick", "through", *CHOICES]
        raise InputError(
            f"'{key}' cannot be varied", remedy=nearest(key, [*keys, *others]), location="--vary"
        )
    return key


def _number(value: str, key: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise InputError(f"'{value}' is not a number", location=f"--vary {key}") from None


def render_variants(
    instrument: Instrument,
    chosen: Sequence[Variant],
    *,
    seconds: float,
    settings: ContactSettings,
    watch: Watch,
) -> list[Compared]:
    """Every combination rendered, on as many cores as there are, up to two. Raises `InputError`."""
    for through in dict.fromkeys(each.through for each in chosen):
        scene(instrument, through)  # solved once, kept for the workers
    jobs = [(instrument, each, seconds, settings) for each in chosen]
    if len(jobs) == 1 or (os.cpu_count() or 1) == 1:
        return list(watch(map(_heard, jobs), len(jobs)))
    workers = ProcessPoolExecutor(max_workers=2, initializer=_end_when_told)
    try:
        return list(watch(workers.map(_heard, jobs), len(jobs)))
    except BrokenProcessPool:
        raise MemoryError from None  # the system ends a process that takes too much
    finally:
        workers.shutdown(wait=False, cancel_futures=True)


def _end_when_told() -> None:
    """A worker ends at once and without a word: what is to be said, its parent says."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)


def _heard(job: tuple[Instrument, Variant, float, ContactSettings]) -> Compared:
    instrument, variant, seconds, settings = job
    listening = scene(instrument, variant.through)
    try:
        rendering = perform(listening, [variant.stroke], seconds=seconds, settings=settings)
    except InputError as error:
        raise error.within("", variant.name) from None
    pressure = rendering.sound()
    group = instrument.groups[variant.stroke.group]
    lowest = group.first + int(np.argmin(listening.row.mounted_hz[group.tines]))
    tines = rendering.reports[0]["tines"]
    touched = [each for each in tines if each["first_touch_s"] is not None]
    since = min((each["first_touch_s"] for each in touched), default=0.0)
    until = max((each["last_release_s"] for each in touched), default=seconds)
    return Compared(
        pressure=pressure.astype(np.float32),
        attack_s=features.attack_time(pressure, RATE, since=since, until=until + features.SMOOTH),
        centroid_hz=features.centroid(pressure, RATE),
        decay_s=partial_decays(listening.model, lowest),
        energy_j=math.fsum(each["energy_j"] for each in tines),
        stress_mpa=max((each["root_stress_mpa"] for each in tines), default=0.0),
        warnings=rendering.warnings,
    )


def partial_decays(model: ModalModel, tine: int) -> tuple[float, ...]:
    """Seconds to fall by 60 dB of a tine's first partials, swinging along the row; nan beyond its highest.

    Each is that of the mode of the whole, bar and board and all, in which this partial of this tine moves most.
    """
    rows = model.tine_dof[tine, 0, :PARTIALS]
    return tuple(
        math.nan if row < 0 else float(model.decay[np.argmax(np.abs(model.vectors[row]))]) for row in rows
    )


def write(chosen: Sequence[Variant], heard: Sequence[Compared], folder: Path) -> list[SetMember]:
    """Both sets of sounds, `comparison.csv` and `comparison.png` below a folder. Raises `InputError`."""
    sounds = {variant.name: each.pressure for variant, each in zip(chosen, heard, strict=True)}
    with whole_set(folder) as beside:
        members = write_sets(sounds, beside)
        text = table(members, heard).csv()
        (beside / "comparison.csv").write_text(text, encoding="utf-8", newline="")
        _picture(members, heard).savefig(beside / "comparison.png", dpi=110)
    return members


def table(members: Sequence[SetMember], heard: Sequence[Compared]) -> Table:
    """A row a combination: how loud, at which gains, and what was measured."""

    def decay(n: int) -> Column:
        return Column(f"decay_{n + 1}_s", value=lambda row: [*row[1].decay_s, *[math.nan] * PARTIALS][n])

    return Table(
        [
            Column("combination", "combination", value=lambda row: row[0].name),
            Column("file", value=lambda row: row[0].file),
            Column("loudest_dba", "dB(A)", "{:.1f}", lambda row: row[0].loudness.loudest),
            Column("average_dba", value=lambda row: row[0].loudness.average),
            Column("loudness_lufs", value=lambda row: row[0].integrated),
            Column("true_gain_db", "true gain dB", "{:+.0f}", lambda row: row[0].true_gain_db),
            Column("matched_gain_db", "matched gain dB", "{:+.1f}", lambda row: row[0].matched_gain_db),
            Column("attack_ms", value=lambda row: row[1].attack_s, unit=MS),
            Column("centroid_hz", value=lambda row: row[1].centroid_hz),
            *(decay(n) for n in range(PARTIALS)),
            Column("energy_mj", value=lambda row: row[1].energy_j, unit=1e-3),
            Column("greatest_stress_mpa", value=lambda row: row[1].stress_mpa),
        ],
        list(zip(members, heard, strict=True)),
    )


def too_quiet(members: Sequence[SetMember]) -> list[str]:
    """What to tell of sounds that are too quiet for the meter at true level."""
    quiet = [each.name for each in members if each.gated]
    if not quiet:
        return []
    return [
        f"too quiet at true level for the loudness meter (-70 LUFS): {', '.join(quiet)}; "
        "loudness_lufs is left empty there, the match holds (each is measured as raised to full scale)"
    ]


def _picture(members: Sequence[SetMember], heard: Sequence[Compared]) -> Any:
    """Spectrograms on common axes, at most four in a row."""
    from matplotlib.figure import Figure
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    columns = min(4, len(heard))
    rows = math.ceil(len(heard) / columns)
    figure = Figure(figsize=(4.0 * columns + 0.8, 2.8 * rows + 0.6), layout="constrained")
    axes = np.atleast_1d(figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)).ravel()
    transform = ShortTimeFFT(hann(4096), hop=1024, fs=RATE, scale_to="magnitude")
    floor, image = 1e-7, None
    for panel, member, each in zip(axes, members, heard, strict=False):
        spectrum = np.abs(transform.stft(each.pressure.mean(axis=0)))
        level = 20.0 * np.log10(np.maximum(spectrum / math.sqrt(2.0) / 20e-6, floor))
        image = panel.imshow(
            level,
            origin="lower",
            aspect="auto",
            vmin=-20.0,
            vmax=60.0,
            cmap="magma",
            extent=(0.0, each.pressure.shape[1] / RATE, 0.0, RATE / 2000.0),
        )
        panel.set_title(member.name.replace("_", " "), fontsize=8)
        panel.set_ylim(0.0, 12.0)
    for panel in axes[len(heard) :]:
        panel.set_axis_off()
    figure.supxlabel("seconds")
    figure.supylabel("kHz")
    if image is not None:
        figure.colorbar(image, ax=list(axes), label="dB SPL per line", shrink=0.8)
    return figure
