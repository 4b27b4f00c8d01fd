"""A slow stroke against statics, and what a stroke gives against published plucks, as orders of magnitude."""

import math

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact.arrays import InitialState
from synth.playing.contact.closed_form import pluck
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT
from synth.playing.contact.run import sweep
from synth.playing.contact.stick import stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import REFERENCE, stroke_row
from synth.playing.stroke import Stroke
from synth.units import decibels
from synth.vibration.tine import solve_tines

DB = 1.0
SMOOTH = 0.03  # of a contact's length, over which the hold force is read


@pytest.fixture(scope="module")
def row(request):
    path = request.config.rootpath / "tests" / "data" / "contact-row.toml"
    instrument = resolve(load(path), str(path))
    lengths = [tine.goal.length for tine in instrument.tines]
    return instrument, solve_tines(instrument.tines, lengths, [()] * len(lengths))


def held(row, stroke, resolution=EVENT):
    """Hold forces (T,): the greatest of the force along the row, smoothed; and those of the closed form."""
    instrument, tines = row
    way = passage(stroke, instrument, tines.frequency[:, 0, 0])
    tip = tips(tines, way.tine, depth=0.0, count=resolution.tine_modes)
    stick = stick_modes(stroke.stick, tilt=stroke.tilt, skew=stroke.skew, beam_modes=resolution.beam_modes)
    rest = InitialState(np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape), np.zeros(len(way.tine)))
    form = pluck(stroke, way, tip)
    swept = sweep(stroke, way, tip, stick, rest, resolution, leaves=float(form.leave.max()))
    forces = []
    for k in range(len(way.tine)):
        mine = swept.tine == k
        bins = swept.bin[mine] - swept.bin[mine].min()
        force = np.zeros(bins.max() + 1)
        force[bins] = np.hypot(*swept.impulse[mine].T) / swept.width
        window = max(1, round(SMOOTH * len(force)))
        forces.append(np.convolve(force, np.ones(window) / window, "same").max())
    return np.array(forces), form.hold_force


@pytest.fixture(scope="module")
def slowly(row):
    """A slow stroke of wood, what it holds the tines with and the stroke as it is told."""
    stroke = Stroke(0, row[0].sticks["wood"], speed=0.05)
    return stroke, held(row, stroke)[0], stroke_row(stroke, *row).touches


@pytest.mark.parametrize(
    ("bite", "stick"),
    [
        *((bite, stick) for bite in (1e-3, 2e-3) for stick in ("wood", "nylon", "brass")),
        (4e-3, "wood"),
        *(pytest.param(4e-3, stick, marks=pytest.mark.slow) for stick in ("nylon", "brass")),
    ],
)
def test_in_the_pluck_regime_the_hold_force_is_that_of_the_closed_form(row, stick, bite):
    contact, closed = held(row, Stroke(0, row[0].sticks[stick], speed=0.05, bite=bite))
    assert abs(decibels(float(np.median(contact / closed)))) < 1.5 * DB


def test_a_tine_held_slowly_bends_as_the_textbook_cantilever(slowly):
    _, force, touches = slowly
    bends = [touch.bend for touch in touches]
    length = np.linspace(0.140, 0.050, 12)
    textbook = 3.0 * 193e9 * math.pi * 0.003**4 / 64.0 / length**3  # 3 E I/L^3
    np.testing.assert_allclose(
        bends, force / textbook, rtol=0.08
    )  # a slow chatter of some per cent rides on it


def test_a_tine_held_slowly_is_stressed_at_its_root_as_the_textbook_cantilever(slowly):
    _, force, touches = slowly
    stress = [touch.root_stress for touch in touches]
    expected = 32.0 * force * np.linspace(0.140, 0.050, 12) / (math.pi * 0.003**3)  # 32 F L/(pi d^3)
    np.testing.assert_allclose(stress, expected, rtol=0.15)


def test_a_long_tine_is_plucked_with_the_energy_of_a_plectrum(row):
    # Plectrum and guitar string: 1 to 2 kN/m, 2 mm, 2 to 4 mJ (Zollner and Zwicker, Physics of the Electric Guitar,
    # 1.5). The longest tine, 0.84 kN/m bent by 2 mm, stores as much and keeps a part of it. In soft fingers that
    # takes a bite of 15 mm.
    instrument, tines = row
    stroke = Stroke(0, instrument.sticks["wood"], speed=0.3, bite=15e-3)
    touch = stroke_row(stroke, instrument, tines, resolution=REFERENCE).touches[0]
    assert 1e-3 < touch.bend < 5e-3
    assert 0.2e-3 < touch.energy < 4e-3


def test_the_finger_on_a_harp_string_holds_long_and_slips_fast_and_so_does_the_stick(row, slowly):
    # Sticking of 0.1 s and more against slipping in some ms: Chadefaux et al., JASA 131 (2012) 844 and 133 (2013)
    # 2444, model read, times from memory. An order of magnitude: holding lasts several times as long as slipping.
    instrument, tines = row
    stroke, _, touches = slowly
    way = passage(stroke, instrument, tines.frequency[:, 0, 0])
    form = pluck(stroke, way, tips(tines, way.tine, depth=0.0, count=10))
    assert np.all(form.slip - form.touch > 0.05)
    touch = touches[0]
    assert 0.05 < touch.last_release - touch.first_touch < 0.5
