"""A stroke meets the row as it rings by then, also after a palm, and whoever hears it hears the same row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.script import Performance, Played
from synth.playing.stroke import Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, perform, play, scene

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
AGAIN = 0.8  # s, when the row is stroked again


@pytest.fixture(scope="module")
def heard():
    return scene(resolve(load(DESIGN), str(DESIGN)), "bar")


def strokes(heard):
    stick = heard.instrument.sticks["birch"]
    return [Stroke(group=0, stick=stick, start=at, bite=1.4e-3) for at in (0.0, AGAIN)]


def followed(heard, stroke, ringing=None, seed=1):
    contact = stroke_row(stroke, heard.instrument, heard.row.modes, seed=seed, ringing=ringing)
    return contact, [each.greatest_force for each in sorted(contact.touches, key=lambda each: each.tine)]


def forces(report):
    return [each["greatest_force_n"] for each in report["tines"]]


def test_a_second_stroke_finds_the_ring_of_the_first_as_it_is_by_then(heard):
    first, second = strokes(heard)
    reports = perform(heard, [first, second], seconds=0.01).reports
    ring = ModalState(heard.model)
    driven = heard.striker(ContactSettings())(followed(heard, first)[0], height=first.height).driven
    ring.take(driven.ends / RATE, driven.states)
    expected = followed(heard, second, ring.ahead(AGAIN), seed=2)[1]
    assert forces(reports[1]) == pytest.approx(expected, rel=1e-9)
    still = followed(heard, second, seed=2)[1]
    assert np.abs(np.divide(still, expected) - 1.0).max() > 1e-4  # the ring is felt


def test_after_a_palm_a_stroke_finds_the_row_nearly_still(heard):
    first, second = strokes(heard)
    palms = [Hold(group=n, start=0.3, seconds=0.3, by="palm") for n in range(len(heard.instrument.groups))]
    calm = forces(perform(heard, [first, *palms, second], seconds=0.01).reports[1])
    loud = forces(perform(heard, [first, second], seconds=0.01).reports[1])
    still = followed(heard, second, seed=2)[1]
    assert np.abs(np.divide(calm, still) - 1.0).max() < 0.2 * np.abs(np.divide(loud, still) - 1.0).max()


def test_a_palm_takes_the_ring_from_whatever_it_is_heard_through(heard):
    """A palm written for the bar stops what rings through the pickup as well: it is the same row of tines."""
    first, _ = strokes(heard)
    palms = [Hold(group=n, start=0.3, seconds=0.3, by="palm") for n in range(len(heard.instrument.groups))]
    alone = Performance("", (Played(first, "pickup"),), 1.0)
    held = Performance("", (Played(first, "pickup"), *(Played(palm, "bar") for palm in palms)), 1.0)
    free, stopped = (_tines_alone(play(heard.instrument, each).sound()[0, 36_000:]) for each in (alone, held))
    assert stopped < 0.1 * free


def _tines_alone(sound):
    """What is about 110 Hz, the low A of the tines: the bar goes on to ring elsewhere, whatever is done to them."""
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    return float(spectrum[np.abs(np.fft.rfftfreq(len(sound), 1.0 / 48_000) - 110.0) < 8.0].max())
