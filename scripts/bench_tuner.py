"""How soon the listening tuner answers: run `python scripts/bench_tuner.py [--taps N] [--seed S] [--json]`.

Tines above 100 Hz of random everyday designs (`everyday`), plain ones that the bar leaves alone, are tapped dry,
near a microphone and in rooms, in sounds made by plain formulas (`room_table`), and heard block by block. Told for
each kind: seconds from the tap to the figure, sound and work, of the middle tap and of 95 in 100; the work's share;
the shares of taps answered within 0.7 s, of answers of the right tine, of taps with a stated deviation of a cent at
most; how far figures are off. The named alternative, in the same run: a discrete Fourier transform of the same
sound, sixteen times as fine, its greatest peak within a semitone of the target told between its bins by a parabola;
its time, and how far it is off.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import runpy
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ["OMP_NUM_THREADS"] = "1"  # before numpy: one core

import numpy as np

from everyday import everyday
from synth.arrays import Array
from synth.design.decode import decode
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.recording.design_planes import BY_BAR, parted_by_bar
from synth.recording.tap_listener import LOW, Answer, Listener, rehearse
from synth.recording.tuning_targets import TuningTargets, tuning_targets
from synth.units import CENT
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune

ROOMS = runpy.run_path(str(Path(__file__).parent / "room_table.py"))
KINDS: dict[str, dict[str, float]] = {
    "dry": {"direct": 20.0, "over_noise": 30.0},
    "near": {"direct": 20.0, "over_noise": 50.0},
    "rooms": {},
}
BLOCK = 256
TAPPED = 0.4  # s
WITHIN = 0.7  # s
ROD = 6.2669  # second over first partial of a clamped rod (22.0345 / 3.5160: any textbook)
SECONDS = 1.3


def instruments(seed: int) -> Any:
    """Designs that can be built, with what their tines should sound."""
    draw = random.Random(seed)
    while True:
        try:
            instrument: Instrument = resolve(decode(everyday(draw), Design), "")
            targets = tuning_targets(instrument, tune(instrument, mounting(instrument)))
        except InputError:
            continue
        high = np.flatnonzero((targets.target > LOW) & _plain(targets))
        if len(high):
            yield targets, high


def _plain(targets: TuningTargets) -> Any:
    """Which tines sound as a clamped rod alone: planes alike, the second partial where a rod has it."""
    model = targets.frequency
    planes = np.abs(np.log(model[:, 0, 0] / model[:, 1, 0])) / CENT
    second = np.abs(np.log(np.maximum(model[:, :, 1], 1.0) / model[:, :, 0] / ROD)) / CENT
    by_bar = np.array([parted_by_bar(targets, tine) for tine in range(len(targets.name))])
    return (planes < 5.0) & (by_bar < BY_BAR) & np.all(second < 20.0, axis=1)


def tap(targets: TuningTargets, tine: int, kind: str, dice: Any) -> tuple[Array, int, float]:
    """The sound, its rate and how many cents the mean of both planes is above the target."""
    wanted = float(targets.target[tine]) * 2.0 ** (15.0 * dice.normal() / 1200.0)
    rod = ROOMS["Rod"](clamp_loss=dice.uniform(5e-4, 2e-3))
    length = 0.1 * float(np.sqrt(ROOMS["partials"](rod, 0.1, 1)[0] / wanted))
    tone = ROOMS["tone"](rod, length, dice)
    tone = replace(tone, hz=tone.hz * wanted / np.sqrt(np.prod(tone.hz[0])))
    room = replace(ROOMS["room"](dice), **KINDS[kind])
    sound = ROOMS["recording"]([tone], room, SECONDS, dice)
    return sound, room.rate, float(np.log(wanted / targets.middle[tine]) / CENT)


def heard(listener: Listener, sound: Array) -> tuple[float, float, Answer | None]:
    """Seconds from the tap to the first figure, the work's share of them, and the answer: what is asked while
    the ear is still busy waits."""
    free = 0.0
    for at in range(0, len(sound), BLOCK):
        start = time.perf_counter()
        told = listener.feed(sound[at : at + BLOCK])
        spent = time.perf_counter() - start
        free = max(free, (at + BLOCK) / listener.rate) + spent
        if figures := [each for each in told if each.verdict.tine is not None]:
            return free - TAPPED, spent, figures[0]
    return np.inf, 0.0, None


def by_transform(sound: Array, rate: int, target: float) -> float:
    """Hz of the greatest peak near the target in as much sound as the tuner has."""
    part = sound[round((TAPPED + 0.006) * rate) : round((TAPPED + 0.586) * rate)]
    power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 16 * len(part)))
    step = rate / (16 * len(part))
    low, high = (int(target * 2.0 ** (each / 12.0) / step) for each in (-1, 1))
    top = low + int(np.argmax(power[low:high]))
    a, b, c = np.log(power[top - 1 : top + 2])
    return float((top + 0.5 * (a - c) / (a - 2.0 * b + c)) * step)


def measured(kind: str, count: int, seed: int) -> dict[str, float]:
    """One line of the table."""
    dice, designs, rows = np.random.default_rng([seed, *kind.encode()]), instruments(seed), []
    for _ in range(count):
        targets, high = next(designs)
        tine = int(dice.choice(high))
        sound, rate, truth = tap(targets, tine, kind, dice)
        rehearse(targets, rate)
        listener = Listener(targets, rate)
        listener.announced = tine
        seconds, spent, answer = heard(listener, sound)
        start = time.perf_counter()
        plainly = by_transform(sound, rate, float(targets.target[tine]))
        spent_plainly = time.perf_counter() - start
        off = abs(float(np.log(plainly / targets.middle[tine]) / CENT) - truth)
        if answer is None:
            rows.append((np.inf, np.nan, False, False, np.nan, spent_plainly, off))
        else:
            told = answer.verdict
            sure = told.cents_sd <= 1.0
            rows.append(
                (seconds, spent, told.tine == tine, sure, abs(told.cents - truth), spent_plainly, off)
            )
    table = np.array(rows, float)
    return {
        "middle_s": float(np.median(table[:, 0])),
        "of_95_s": float(np.quantile(table[:, 0], 0.95, method="lower")),
        "work_s": float(np.nanmedian(table[:, 1])),
        "work_of_95_s": float(np.nanquantile(table[:, 1], 0.95)),
        "in_time": float(np.mean(table[:, 0] <= WITHIN)),
        "right_tine": float(np.mean(table[np.isfinite(table[:, 0]), 2])),
        "within_a_cent": float(np.mean(table[:, 3])),
        "off_cents": float(np.nanmedian(table[:, 4])),
        "transform_s": float(np.median(table[:, 5])),
        "transform_off_cents": float(np.median(table[:, 6])),
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--taps", type=int, default=30)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--json", action="store_true")
    chosen = options.parse_args()
    data = {kind: measured(kind, chosen.taps, chosen.seed) for kind in KINDS}
    if chosen.json:
        print(json.dumps(data, indent=1))
    else:
        for kind, row in data.items():
            print(kind, *(f"{key} {value:.3g}" for key, value in row.items()), sep="  ")


if __name__ == "__main__":
    main()
