"""A room's response: arrivals by geometry, energy against all images and the diffuse field, times by ISO 3382."""

import dataclasses
import functools
import tomllib

import numpy as np
import pytest

from synth.air import SOUND_SPEED, air_attenuation
from synth.design.decode import decode
from synth.design.resolve import resolve
from synth.design.rooms import OCTAVES_HZ
from synth.design.schema import Design
from synth.sound import room_points
from synth.sound.radiator import bar_middle, ears
from synth.sound.room_points import heard_in, shoebox_of
from synth.sound.room_response import octave_weights, room_response
from synth.sound.shoebox import (
    decay_db,
    diffuse_gain,
    direct_gain,
    eyring_time,
    images,
    late_density,
    reverberation_time,
    sabine_time,
)

RATE = 48_000
DB = 1.0
DESIGN = """
[listener]
spacing_mm = 180.0
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [ {{ straight_mm = 420.0 }} ]
supports = [ {{ at_mm = 40.0, kind = "rubber" }}, {{ at_mm = 330.0, kind = "cord" }} ]
[stock.wire]
kind = "plain"
diameter_mm = 3.0
material = "music wire"
[[group]]
name = "wires"
stock = "wire"
start_mm = 160.0
[[group.tine]]
free_length_mm = 100.0
[room.hall]
length_m = 18.0
width_m = 9.0
height_m = 6.0
{surfaces}
instrument_at_m = [4.0, 2.0, 1.1]
bearing_deg = 25.0
listener_at_m = {seat}
"""
UNEVEN = """floor = [0.02, 0.03, 0.05, 0.1, 0.15, 0.2]
ceiling = [0.4, 0.5, 0.5, 0.6, 0.6, 0.6]
walls = [0.1, 0.1, 0.15, 0.2, 0.25, 0.3]
wall_x1 = [0.3, 0.3, 0.2, 0.1, 0.1, 0.1]"""
EVEN = "\n".join(f"{each} = [0.2, 0.2, 0.2, 0.2, 0.2, 0.2]" for each in ("floor", "ceiling", "walls"))


SEAT = (13.5, 6.5, 1.7)
SEATS = [(13.5, 6.5, 1.7), (8.1, 4.3, 1.3), (16.2, 1.9, 2.6), (10.4, 7.7, 1.6), (6.7, 5.9, 3.4), (12.3, 3.1, 1.5),
         (15.1, 7.2, 4.1), (9.2, 2.4, 2.1), (3.1, 7.6, 1.8), (14.4, 4.9, 3.0)]  # fmt: skip


@functools.cache
def made(surfaces, seat=SEAT):
    text = DESIGN.format(surfaces=surfaces, seat=list(seat))
    return resolve(decode(tomllib.loads(text), Design), "hall.toml")


def heard(surfaces, seat=SEAT):
    instrument = made(surfaces, seat)
    return instrument.rooms["hall"], heard_in(instrument.rooms["hall"], instrument)


@functools.cache
def impulse(surfaces, seat=SEAT):
    """What the ears get (2, N) of an impulse of a source alike on all sides, of 1 Pa m."""
    room, there = heard(surfaces, seat)
    instrument = dataclasses.replace(made(surfaces, seat), listener=there.listener)
    way = np.linalg.norm(ears(instrument) - bar_middle(instrument), axis=1)
    response = room_response(room, there, nearest=float(way[:2].min()), rate=RATE)
    pressure = np.zeros((len(way), max(each.shape[-1] for each in (response.early, response.late))))
    pressure[:, 0] = 1.0 / way
    return response.stream()(pressure), float(way[:2].min())


@functools.cache
def octaves():
    """(8, F) of the octaves as they fade into each other."""
    frequency = np.fft.rfftfreq(1 << 18, 1 / RATE)
    weights = octave_weights(frequency)
    weights[-1, frequency > 8000 * 2] = 0.0
    return weights


def in_octaves(response):
    """Energy (8,) of a response (2, N), both ears' mean, of the octaves."""
    assert response.shape[-1] <= 1 << 18
    spectrum = (np.abs(np.fft.rfft(response, 1 << 18)) ** 2).mean(axis=0)
    return (octaves() @ spectrum) / octaves().sum(axis=1)


def filtered(response, octave):
    count = 1 << 18
    weight = octave_weights(np.fft.rfftfreq(count, 1 / RATE))[octave]
    return np.fft.irfft(np.fft.rfft(response, count) * weight, count)[:, : response.shape[1]]


def test_the_air_takes_what_iso_9613_2_tabulates():
    # ISO 9613-2:1996, Table 2, from memory: dB/km
    for celsius, humidity, decibels in (
        (20.0, 70.0, (0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6)),
        (10.0, 70.0, (0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0)),
        (30.0, 70.0, (0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3)),
        (15.0, 20.0, (0.3, 0.6, 1.2, 2.7, 8.2, 28.2, 88.8, 202.0)),
        (15.0, 80.0, (0.1, 0.3, 1.1, 2.4, 4.1, 8.3, 23.7, 82.8)),
    ):
        for hertz, told in zip(OCTAVES_HZ, decibels, strict=True):
            found = 4343.0 * air_attenuation(hertz, humidity=humidity, temperature=celsius + 273.15)
            assert found == pytest.approx(told, abs=0.05, rel=0.02)


def test_sabine_and_eyring_of_the_design_are_those_worked_by_hand():
    box = shoebox_of(heard(EVEN)[0])
    # V = 972 m3, S = 648 m2; the air at 1 kHz, 50 %, 20 degrees: 4.7 dB/km, so 4 m V = 4 * 1.07e-3 * 972 = 4.2 m2
    assert sabine_time(box)[4] == pytest.approx(0.16102 * 972 / (129.6 + 4.2), rel=2e-3)
    assert eyring_time(box)[4] == pytest.approx(0.16102 * 972 / (648 * 0.22314 + 4.2), rel=2e-3)


def test_a_wall_of_its_own_is_that_wall():
    box = shoebox_of(heard(UNEVEN)[0])
    assert box.absorption[0, 1, 1:7] == pytest.approx([0.3, 0.3, 0.2, 0.1, 0.1, 0.1])
    assert box.absorption[0, 0, 4] == box.absorption[1, 0, 4] == box.absorption[1, 1, 4] == 0.2
    assert box.absorption[2, :, 4] == pytest.approx([0.1, 0.6])


def test_reverberation_given_comes_back_by_eyrings_formula():
    times = [2.2, 2.0, 1.7, 1.5, 1.3, 1.0]
    box = shoebox_of(heard(f"reverberation_s = {times}")[0])
    assert eyring_time(box)[1:7] == pytest.approx(times, rel=1e-9)


def test_the_direct_sound_passes_as_it_is():
    response, nearest = impulse(UNEVEN)
    assert response[:, 0].max() == pytest.approx(1.0 / nearest, rel=1e-4)
    assert np.abs(response[:, 1:20]).max() < 1e-4 * response[:, 0].max()


def test_reflections_arrive_when_their_way_says_at_each_ear():
    room, _ = heard(UNEVEN)
    response, nearest = impulse(UNEVEN)
    source, seat = np.array(room.instrument), np.array(room.listener)
    # level, and at right angles to the line of sight, left first: 9.5 m along, 4.5 m across
    left = np.array([4.5, -9.5, 0.0]) / -np.hypot(4.5, 9.5)
    for ear, side in enumerate((1.0, -1.0)):
        place = seat + side * 0.09 * left
        floor = np.linalg.norm(place - source * [1, 1, -1])
        late = (floor - nearest) / SOUND_SPEED * RATE
        found = int(np.argmax(np.abs(response[ear, 12:200]))) + 12
        assert found == pytest.approx(late, abs=1.0)


def test_what_a_reflection_has_left_is_its_walls_and_its_way():
    room, there = heard(UNEVEN)
    nearest = there.listener.distance
    found = room_response(room, there, nearest=nearest, rate=RATE).early
    ways = there.early
    spectrum = np.abs(np.fft.rfft(found[0], axis=-1))
    hertz = np.fft.rfftfreq(found.shape[-1], 1 / RATE)
    for octave in (1, 4, 6):
        line = int(np.argmin(np.abs(hertz - OCTAVES_HZ[octave])))
        further = ways.way.mean(axis=1) - nearest
        kept = ways.images.energy[:, octave] * np.exp(-room.air[octave] * further)
        assert 20 * np.log10(spectrum[:, line]) == pytest.approx(10 * np.log10(kept), abs=0.2 * DB)


def all_images(surfaces, seat):
    """The energy (8,) over that of 1 Pa m at the listener of every image that matters, one by one."""
    room, _ = heard(surfaces, seat)
    box = shoebox_of(room)
    within = SOUND_SPEED * 1.1 * float(eyring_time(box).max())
    found = images(box, np.array(room.instrument), np.array(room.listener), within=within)
    further = found.distance - found.distance[0]
    air = np.exp(-np.array(room.air) * further[:, None])
    return (found.energy * air / found.distance[:, None] ** 2).sum(axis=0)


def over_seats(surfaces, reference):
    """dB (8,) by which the energy at ten seats is over a reference, their mean and their spread."""
    error = [10 * np.log10(in_octaves(impulse(surfaces, seat)[0]) / reference(seat)) for seat in SEATS]
    return np.mean(error, axis=0), np.std(error, axis=0)


@pytest.mark.slow
def test_its_energy_is_that_of_all_images_counted_one_by_one():
    # few are counted, the rest is the diffuse field's mean. Below the crowd of modes (2000 sqrt(T / V) = 85 Hz)
    # images add by their phases, and a seat is what it is: from 250 Hz on their energies are the room's. The tail
    # is a little low, since images die slower than Eyring's mean; a noise of 250 Hz has 0.5 dB of chance besides
    bias, spread = over_seats(EVEN, lambda seat: all_images(EVEN, seat))
    assert np.abs(bias[3:7]).max() < 0.8 * DB
    assert abs(bias[2]) < 1.5 * DB
    assert spread[2:7].max() < 1.0 * DB


@pytest.mark.slow
def test_where_one_surface_takes_most_the_tail_is_within_two_decibels():
    # the diffuse field's mean free path is the same in all directions; these images' are not
    bias, _ = over_seats(UNEVEN, lambda seat: all_images(UNEVEN, seat))
    assert np.abs(bias[2:7]).max() < 2.0 * DB


def test_its_energy_follows_power_and_absorption_as_barron_and_lee_say():
    def falling(seat):
        room, _ = heard(EVEN, seat)
        way = impulse(EVEN, seat)[1]
        density, rate = late_density(shoebox_of(room), way)
        return 4 * np.pi * (direct_gain(way) + density / rate)  # of 1 Pa m, rho c times the power is 4 pi

    def even(seat):
        return (
            4 * np.pi * (direct_gain(impulse(EVEN, seat)[1]) + diffuse_gain(shoebox_of(heard(EVEN, seat)[0])))
        )

    bias, _ = over_seats(EVEN, falling)
    assert np.abs(bias[2:6]).max() < 1.0 * DB
    # the even field of the handbooks knows no fall with distance, and no loss in the air
    bias, _ = over_seats(EVEN, even)
    assert np.all((bias[2:6] > -1.8 * DB) & (bias[2:6] < 1.0 * DB))


@pytest.mark.parametrize("octave", [2, 4, 6])
def test_its_reverberation_by_backward_integration_is_eyrings(octave):
    room, _ = heard(EVEN)
    wanted = eyring_time(shoebox_of(room))[octave]
    squared = (filtered(impulse(EVEN)[0], octave) ** 2).mean(axis=0)
    found = [reverberation_time(squared, RATE), reverberation_time(squared, RATE, bottom_db=-25.0)]
    assert found == pytest.approx([wanted] * 2, rel=0.12 if octave == 2 else 0.05)  # one noise's own chance
    assert decay_db(squared)[0] == 0.0


def test_more_reflections_counted_move_no_octave_by_half_a_decibel(monkeypatch):
    def energies(heard_at):
        return np.mean([10 * np.log10(in_octaves(heard_at(EVEN, seat)[0])) for seat in SEATS[:5]], axis=0)

    few = energies(impulse)
    monkeypatch.setattr(room_points, "REFLECTIONS", 120)
    many = energies(impulse.__wrapped__)  # what others ask for stays kept
    assert np.abs(many - few)[2:7].max() < 0.5 * DB


def test_pyroomacoustics_finds_the_same_images():
    pra = pytest.importorskip("pyroomacoustics")
    room, _ = heard(UNEVEN)
    box = shoebox_of(room)
    names = ("west", "east", "south", "north", "floor", "ceiling")
    octave = 4
    walls = {
        name: pra.Material(float(a))
        for name, a in zip(names, box.absorption.reshape(6, -1)[:, octave], strict=True)
    }
    witness = pra.ShoeBox(room.size, fs=RATE, materials=walls, max_order=3, air_absorption=False)
    witness.add_source(room.instrument)
    witness.add_microphone(room.listener)
    witness.image_source_model()
    source = witness.sources[0]
    found = images(box, np.array(room.instrument), np.array(room.listener), within=60.0)
    for place, amplitude in zip(source.images.T, source.damping[0], strict=True):
        same = int(np.argmin(np.linalg.norm(found.position - place, axis=1)))
        assert found.position[same] == pytest.approx(place, abs=1e-6)
        assert found.energy[same, octave] == pytest.approx(amplitude**2, rel=1e-6)
