"""How exactly a stroke's force reaches the ears: the drive against every bin of force on every mode.

    .venv/bin/python scripts/drive_table.py [DESIGN] [--group G] [--quick]

Strokes a group at 0.1, 0.3, 1 and 3 m/s through bar, pickup and every board, and prints for each how far the sound
is from the plain evaluation, in dB of the sound's energy: over the whole sound below 20 kHz (`whole`, to be below
-60), and after the last touch (`after`, to be below -80). Plain is: the Laplace transform of every bin times the
resonance of every mode, and after the last touch the sum over all bins and modes, with no grid, no chunks and no
filter. Also what it costs: processor time of the drive beside that of the contact.
"""

from __future__ import annotations

import argparse
import math
import time
from pathlib import Path

import numpy as np

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.contact.stroke_contact import Contact, stroke_row
from synth.playing.stroke import ForceTrace, Stroke
from synth.sound.audio import RATE
from synth.sound.bandlimit import REACH
from synth.sound.bank import render
from synth.sound.drive import reciprocal
from synth.sound.overlay import Overlay
from synth.sound.render import ContactSettings, Scene, scene
from synth.sound.stroke_sound import StrokeSound
from synth.vibration.modal_model import tip_shape

RAIL = Path(__file__).resolve().parent.parent / "designs" / "quay-rail.toml"
SPEEDS = (0.1, 0.3, 1.0, 3.0)
HIGHEST_HZ = 20_000.0
AFTER = 0.3  # s of ring that is looked at
FADE = math.log(1e9)  # on the contour: what would wrap round is a thousand millionth


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("design", nargs="?", type=Path, default=RAIL)
    parser.add_argument("--group", help="by its name; the middle one unless told")
    parser.add_argument("--quick", action="store_true", help="two speeds through the bar alone")
    words = parser.parse_args()
    instrument = resolve(load(words.design), str(words.design))
    names = [each.name for each in instrument.groups]
    group = len(names) // 2 if words.group is None else names.index(words.group)
    throughs = ["bar"] if words.quick else ["bar", "pickup", *instrument.boards]
    print(f"{words.design.name}, {names[group]}: dB of the sound\n")
    print("through        m/s   modes    bins    whole    after    drive s  contact s")
    for through in throughs:
        listening = scene(instrument, through)
        for speed in SPEEDS[1:3] if words.quick else SPEEDS:
            stroke = Stroke(group=group, stick=next(iter(instrument.sticks.values())), speed=speed)
            try:
                print(f"{through:12s} {speed:5.1f}  {row(listening, stroke)}")
            except InputError as refused:
                print(f"{through:12s} {speed:5.1f}  not played: {refused.finding}")


def row(position: Scene, stroke: Stroke) -> str:
    """One line of the table."""
    began = time.process_time()
    contact = stroke_row(stroke, position.instrument, position.row.modes, allow_yield=True)
    touched = time.process_time()
    striker = position.striker(ContactSettings(stick=False))
    struck = striker(contact, height=stroke.height)
    driven = time.process_time()
    whole, after = errors(position, contact, struck, height=stroke.height)
    return (
        f"{len(position.model.pole):6d} {len(contact.trace.time):7d} {whole:8.1f} {after:8.1f} "
        f"{driven - touched:10.2f} {touched - began:10.2f}"
    )


def errors(position: Scene, contact: Contact, struck: StrokeSound, *, height: float) -> tuple[float, float]:
    """dB of the whole sound below 20 kHz, and of the ring after the last touch; the worse contact signal."""
    seconds = (
        math.ceil((float(contact.trace.time.max()) + AFTER) * 100.0) / 100.0
    )  # whole frames, and whole bins
    frames = round(seconds * RATE)
    sound = heard(position, struck, frames)
    return max(_whole(position, contact.trace, sound, height)), max(
        _after(position, contact.trace, sound, height)
    )


def heard(position: Scene, struck: StrokeSound, frames: int) -> np.ndarray:
    """Contact signals (P, T): what rings, and the touch on top of it."""
    events = zip((struck.driven.ends / RATE).tolist(), struck.driven.states, strict=True)
    sound = render(position.model.pole, position.radiator.weights, events, rate=RATE, frames=frames).astype(
        float
    )
    touch = Overlay(len(sound))
    touch.add(struck.driven.frame, struck.driven.signals)
    touch.onto(sound, 0)
    return sound


def _whole(position: Scene, trace: ForceTrace, sound: np.ndarray, height: float) -> list[float]:
    """By Laplace transforms on a contour to the right of the poles, where the sound dies away before its end."""
    fine = round(1.0 / trace.bin_s)
    frames = sound.shape[1]
    seconds = frames / RATE
    fade = FADE / seconds
    frequency = np.arange(int(HIGHEST_HZ * seconds)) / seconds
    at = fade + 2j * math.pi * frequency
    found = np.fft.rfft(sound * np.exp(-fade * np.arange(frames) / RATE), axis=1)[:, : len(at)] / RATE
    pole, weights = position.model.pole, position.radiator.weights
    plain = np.zeros((len(weights), len(at)), complex)
    first = float(trace.time.min())
    points = np.rint((trace.time - first) * fine).astype(int)
    for tine in np.unique(trace.tine):
        shape = tip_shape(position.model, height, tine=[tine])[0]
        mine = trace.tine == tine
        for added, impulse in zip(reciprocal(pole, shape), trace.impulse[mine].T, strict=True):
            grid = np.zeros(round(seconds * fine))
            np.add.at(grid, points[mine], impulse)
            grid *= np.exp(-fade * np.arange(len(grid)) / fine)
            pushed = np.fft.rfft(grid)[: len(at)] * np.exp(-at * first)
            plain += pushed * resonances(pole, weights * added, position.radiator.immediate, at)
    low = np.abs(found - plain) ** 2
    return [float(each) for each in 10.0 * np.log10(low.sum(axis=1) / (np.abs(plain) ** 2).sum(axis=1))]


def resonances(pole: np.ndarray, residue: np.ndarray, immediate: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Contact signals per force (P, F): all modes with residues (P, M), and what hears the force at once."""
    out = np.empty((len(residue), len(at)), complex)
    for part in range(0, len(at), 2048):
        here = at[part : part + 2048, None]
        out[:, part : part + 2048] = (
            residue @ (1.0 / (here - pole)).T + residue.conj() @ (1.0 / (here - pole.conj())).T
        ) / 2.0
    return out + np.where(immediate, (residue / pole).real.sum(axis=1), 0.0)[:, None]


def _after(position: Scene, trace: ForceTrace, sound: np.ndarray, height: float) -> list[float]:
    """By the plain sum over all bins and modes."""
    pole, last = position.model.pole, float(trace.time.max())
    state = np.zeros(len(pole), complex)
    for tine in np.unique(trace.tine):
        mine = np.flatnonzero(trace.tine == tine)
        added = reciprocal(pole, tip_shape(position.model, height, tine=[tine])[0])
        for part in np.array_split(mine, math.ceil(len(mine) / 1024)):
            turned = np.exp(np.outer(last - trace.time[part], pole))
            state += (trace.impulse[part].T @ turned * added).sum(axis=0)
    first = math.ceil(last * RATE) + REACH
    moment = np.arange(first, sound.shape[1]) / RATE - last
    ring = np.concatenate(
        [
            ((position.radiator.weights * state) @ np.exp(np.outer(pole, part))).real
            for part in np.array_split(moment, 16)
        ],
        axis=1,
    )
    rest = sound[:, first:] - ring
    return [float(each) for each in 10.0 * np.log10((rest**2).sum(axis=1) / (ring**2).sum(axis=1))]


if __name__ == "__main__":
    main()
