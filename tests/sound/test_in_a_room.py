"""A stroke in a room: its direct sound, directivity of reflections, power, level, noise, a measured room."""

import dataclasses
import functools
import tomllib

import numpy as np
import pytest
import soundfile
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from synth.design.decode import decode
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.playing.score import performance
from synth.playing.stroke import Stroke
from synth.sound import room_points, room_response
from synth.sound.audio import RATE
from synth.sound.bands import window_levels
from synth.sound.carrying import carrying
from synth.sound.radiator import EARS, bar_middle, ears
from synth.sound.radiator.bar import nearest_distance, rod_pressures
from synth.sound.render import ContactSettings, _first_way, perform, play, scene
from synth.sound.room_noise import noise_octaves, noise_stream
from synth.sound.room_points import FAR, heard_in
from synth.sound.surroundings import Surroundings

DB = 1.0
TIMES = "reverberation_s = [0.9, 0.9, 0.8, 0.7, 0.7, 0.6]"
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
name = "threads"
stock = "M4"
start_mm = 60.0
face_deg = 30.0
[[group.tine]]
free_length_mm = 112.0
[[group.tine]]
free_length_mm = 97.0
[[group]]
name = "wires"
stock = "wire"
start_mm = 160.0
[[group.tine]]
free_length_mm = 100.0
[[group.tine]]
free_length_mm = 80.0
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 420.0
thickness_mm = 4.0
feet = [ {{ bar_mm = 50.0, x_mm = 90.0, y_mm = 70.0 }}, {{ bar_mm = 240.0, x_mm = 228.0, y_mm = 125.0 }} ]
[room.hall]
length_m = 8.0
width_m = 6.0
height_m = 3.5
reverberation_s = [0.9, 0.9, 0.8, 0.7, 0.7, 0.6]
instrument_at_m = [2.1, 2.6, 0.9]
bearing_deg = 25.0
listener_at_m = [5.2, 1.4, 1.5]
{more}
"""


@functools.cache
def made(more="noise_dba = 38.0"):
    return resolve(decode(tomllib.loads(DESIGN.format(more=more)), Design), "flat.toml")


@functools.cache
def stroked(through="bar", room="hall", noise=False, seconds=1.3):
    instrument = made()
    there = Surroundings(room, noise) if room else Surroundings()
    stroke = Stroke(group=1, stick=instrument.stick("birch"), start=0.1, speed=0.3)
    return perform(scene(instrument, through, surroundings=there), [stroke], seconds=seconds).sound()


def beside(seat, place, bearing):
    """Azimuth and angle of a listener, worked by hand: the bar turned by `bearing`, the room's axes at rest."""
    away = np.array(seat) - np.array(place)
    turn = np.radians(bearing)
    along = away[0] * np.cos(turn) + away[1] * np.sin(turn)
    front = away[0] * np.sin(turn) - away[1] * np.cos(turn)
    return np.linalg.norm(away), np.arctan2(along, front), np.arccos(away[2] / np.linalg.norm(away))


def test_the_listener_of_the_room_is_where_geometry_has_him():
    there = heard_in(made().rooms["hall"], made()).listener
    distance, azimuth, angle = beside((5.2, 1.4, 1.5), (2.1, 2.6, 0.9), 25.0)
    assert (there.distance, there.azimuth, there.angle) == pytest.approx((distance, azimuth, angle))
    assert there.spacing == pytest.approx(0.18)


@pytest.mark.parametrize("through", ["bar", "panel"])
def test_the_direct_sound_is_that_of_free_air_until_the_first_reflection(through):
    there = heard_in(made().rooms["hall"], made()).listener
    alone = dataclasses.replace(made(), listener=dataclasses.replace(there, also=()))
    stroke = Stroke(group=1, stick=alone.stick("birch"), start=0.1, speed=0.3)
    free = perform(scene(alone, through), [stroke], seconds=0.3).sound()
    # the floor comes first: the way by it against the straight one
    first = (np.hypot(np.hypot(3.1, 1.2), 2.4) - np.linalg.norm([3.1, 1.2, 0.6]) - 0.2) / 343.2
    touch = int(np.argmax(np.abs(free[0]) > 1e-3 * np.abs(free).max()))
    until = touch + int(first * RATE)
    assert until - touch > 40
    heard = stroked(through)[:, :until]
    assert heard == pytest.approx(free[:, :until], abs=2e-3 * np.abs(free[:, :until]).max())
    assert np.abs(stroked(through)[:, : free.shape[1]] - free).max() > 0.1 * np.abs(free).max()


def test_how_far_it_carries_starts_from_levels_a_metre_off():
    """In the listener's direction as free air has it there, raised by his distance; all round about as loud."""
    instrument = made()
    there = heard_in(instrument.rooms["hall"], instrument).listener
    alone = dataclasses.replace(instrument, listener=dataclasses.replace(there, also=()))
    stroke = Stroke(group=1, stick=instrument.stick("birch"), start=0.1, speed=0.3)
    free = perform(scene(alone, "bar"), [stroke], seconds=0.35).sound()
    found = carrying(instrument, "bar", instrument.rooms["hall"], stroke, ContactSettings())
    heard = window_levels(free, RATE, since=0.1, until=0.225).octaves_db
    away = np.linalg.norm([3.1, 1.2, 0.6])
    assert found.direct_db[2:] == pytest.approx(heard[2:] + 20.0 * np.log10(away), abs=0.3 * DB)
    assert np.abs(found.power_db - found.direct_db)[3:7].max() < 15.0 * DB
    assert found.diagonal == pytest.approx(np.sqrt(8.0**2 + 6.0**2 + 3.5**2))


@pytest.mark.parametrize("away", [0.25, 99.0])
def test_the_direct_sound_is_timed_from_the_nearer_of_bar_and_board(away):
    class Board:
        def distance(self, points):
            assert points.shape == (EARS, 3)
            return away

    found = scene(made(), "bar", surroundings=Surroundings("hall"))
    bar = nearest_distance(found.model, ears(found.instrument)[:EARS])
    assert 2.0 < bar < 4.0
    assert _first_way(found, None) == bar
    assert _first_way(dataclasses.replace(found, through="panel"), Board()) == min(away, bar)
    assert (
        _first_way(dataclasses.replace(found, through="pickup"), None) == found.instrument.listener.distance
    )


@pytest.mark.parametrize(
    ("image", "seat"),
    [((2.1, 2.6, -0.9), (5.2, 1.4, -1.5)), ((13.9, 2.6, 0.9), (10.8, 1.4, 1.5))],
    ids=["the floor", "the wall at the end of the length"],
)
def test_a_reflection_hears_the_instrument_from_its_own_side(image, seat):
    """The listener mirrored behind the surface, as seen from the bar."""
    instrument = made()
    there = heard_in(instrument.rooms["hall"], instrument)
    nearest = int(np.argmin(np.linalg.norm(there.early.images.position - np.array(image), axis=1)))
    distance, azimuth, angle = beside(seat, (2.1, 2.6, 0.9), 25.0)
    sight = [np.sin(angle) * np.sin(azimuth), -np.sin(angle) * np.cos(azimuth), np.cos(angle)]
    place = bar_middle(instrument) + distance * np.array(sight)
    assert there.listener.also[nearest] == pytest.approx(place)


def test_the_way_of_a_reflection_ends_at_the_ear_on_its_side():
    """He faces the bar's middle, his ears 90 mm off: what a wall on his right sends is nearer to the right one."""
    early = heard_in(made().rooms["hall"], made()).early
    seat, image = np.array([5.2, 1.4, 1.5]), np.array([13.9, 2.6, 0.9])
    left = np.array([-1.2, -3.1, 0.0]) / np.hypot(1.2, 3.1)  # he looks along (-3.1, 1.2)
    far = int(np.argmin(np.linalg.norm(early.images.position - image, axis=1)))
    ways = [np.linalg.norm(image - seat - side * 0.09 * left) for side in (1.0, -1.0)]
    assert ways[0] - ways[1] > 0.08
    assert early.way[far] == pytest.approx(ways)


def test_a_point_of_a_room_hears_what_free_air_has_there():
    instrument = made()
    there = heard_in(instrument.rooms["hall"], instrument)
    placed = dataclasses.replace(instrument, listener=there.listener)
    found = scene(instrument, "bar", surroundings=Surroundings("hall"))
    points = ears(placed)[[0, 1, 2, 9]]
    for n, point in zip((0, 1, 2, 9), points, strict=True):
        alone = rod_pressures(found.model, instrument, found.row.trim, point[None], nearest=0.0)[0]
        ways = np.linalg.norm(point - bar_middle(placed))
        nearest = nearest_distance(found.model, ears(placed)[:EARS]) if n < EARS else ways
        turned = alone * np.exp(1j * np.abs(found.model.pole.imag) * nearest / 343.2)
        error = np.abs(found.radiator.weights[n] - turned).max()
        assert error < 2e-3 * np.abs(turned).max()


def test_the_sphere_holds_the_radiated_power():
    instrument = made()
    there = heard_in(instrument.rooms["hall"], instrument)
    found = scene(instrument, "bar", surroundings=Surroundings("hall"))
    around = found.radiator.weights[EARS + len(there.early.way) :]
    rng = np.random.default_rng(4)
    many = rng.normal(size=(300, 3))
    points = bar_middle(instrument) + FAR * many / np.linalg.norm(many, axis=1, keepdims=True)
    dense = rod_pressures(found.model, instrument, found.row.trim, points, nearest=0.0)
    audible = found.model.frequency < 8000.0
    few, all_round = (np.mean(np.abs(each[:, audible]) ** 2, axis=0) for each in (around, dense))
    error = 10 * np.log10(few / all_round)
    assert np.abs(np.median(error)) < 0.3 * DB
    assert np.percentile(np.abs(error), 90) < 2.0 * DB  # of a mode alone; a sound has many


def test_more_points_round_it_move_the_late_sound_by_less_than_a_decibel(monkeypatch):
    usual = window_levels(stroked(seconds=0.65), RATE, since=0.2, until=0.6).octaves_db
    monkeypatch.setattr(room_points, "AROUND", 48)
    monkeypatch.setattr(room_response, "AROUND", 48)
    room_response.late_filters.cache_clear()
    # not kept: others ask for the usual
    finer = window_levels(stroked.__wrapped__(seconds=0.65), RATE, since=0.2, until=0.6).octaves_db
    room_response.late_filters.cache_clear()
    assert np.abs(finer - usual)[3:7].max() < 1.0 * DB
    assert np.abs(finer - usual)[2] < 4.0 * DB  # few partials there: two draws of noise differ by as much


def test_a_room_of_more_absorption_is_quieter_by_what_the_diffuse_field_says():
    def late(times):
        instrument = made(f"noise_dba = 38.0 # {times}").rooms["hall"]
        room = dataclasses.replace(instrument, absorption=((times,) * 8,) * 6)
        playing = dataclasses.replace(made(), rooms={"hall": room})
        stroke = Stroke(group=1, stick=playing.stick("birch"), start=0.1, speed=0.3)
        sound = perform(
            scene(playing, "bar", surroundings=Surroundings("hall")), [stroke], seconds=2.0
        ).sound()
        return 10 * np.log10(np.mean(sound[:, int(0.1 * RATE) :] ** 2))

    # 4 / (S ln(1 / (1 - a))) of the late field, to which the direct sound, alike in both, is added
    assert late(0.1) - late(0.4) == pytest.approx(10 * np.log10(np.log(1 - 0.4) / np.log(1 - 0.1)), abs=2.5)


def test_noise_is_laid_under_and_takes_nothing_away():
    with_noise, without = stroked(noise=True), stroked()
    under = with_noise - without
    assert window_levels(under, RATE, since=0.3, until=1.2).total_dba == pytest.approx(38.0, abs=1.0)


def test_a_piece_through_several_things_has_the_rooms_noise_once():
    instrument = made()
    stroke = {"at_s": 0.1, "group": "wires", "speed_mm_s": 300}
    script = {"stroke": [stroke, {**stroke, "at_s": 0.2}], "tail_s": 0.2}
    piece, _ = performance(script, instrument, through="bar")
    played = (piece.played[0], dataclasses.replace(piece.played[1], through="pickup"))
    piece = dataclasses.replace(piece, played=played)
    noisy, still = (
        play(instrument, piece, surroundings=Surroundings("hall", each)).sound() for each in (True, False)
    )
    once = noise_stream(noise_octaves(instrument.rooms["hall"].noise), 0.18)(noisy.shape[1])
    assert noisy - still == pytest.approx(once, abs=1e-3 * np.abs(once).max())


def test_a_monitor_in_a_room_is_as_far_as_the_bar():
    instrument = made()
    there = heard_in(instrument.rooms["hall"], instrument).listener
    near, far = scene(instrument, "pickup"), scene(instrument, "pickup", surroundings=Surroundings("hall"))
    assert far.radiator.channels == EARS + len(there.also)
    one, many = (each.radiator.response(np.array([500.0]))[:, 0, 0] for each in (near, far))
    assert np.abs(many[:EARS] / one) == pytest.approx([1.0 / there.distance] * 2, rel=0.05)
    assert np.abs(many[-1] / one[0]) == pytest.approx(1.0 / FAR)


def hall_file(path, *, rate=44_100, channels=2, direct=0.5, tail=0.2):
    """A response with a direct sound at 20 ms and one echo 50 ms later."""
    response = np.zeros((rate, channels))
    response[int(0.02 * rate)] = direct
    response[int(0.07 * rate)] = tail
    soundfile.write(path, response, rate, subtype="FLOAT")
    return path


def measured(tmp_path, more="reference_m = 4.0"):
    text = DESIGN.format(more="").split("[room.hall]")[0] + (
        f'[room.hall]\nimpulse_response = "hall.wav"\n{more}\n'
    )
    return resolve(decode(tomllib.loads(text), Design), str(tmp_path / "flat.toml"))


def test_a_measured_room_has_the_direct_sound_of_its_distance_and_the_power_behind_it(tmp_path):
    hall_file(tmp_path / "hall.wav")
    instrument = measured(tmp_path)
    stroke = Stroke(group=1, stick=instrument.stick("birch"), start=0.1, speed=0.3)
    found = scene(instrument, "bar", surroundings=Surroundings("hall"))
    assert found.instrument.listener.distance == 4.0
    away = dataclasses.replace(instrument, listener=dataclasses.replace(instrument.listener, distance=4.0))
    free = perform(scene(away, "bar"), [stroke], seconds=0.16).sound()
    heard = perform(found, [stroke], seconds=0.16).sound()
    until = int(0.145 * RATE)
    assert heard[:, :until] == pytest.approx(free[:, :until], abs=1e-4 * np.abs(free).max())
    late = found.response.late
    # an echo of 0.2 against 0.5, of a source at 4 m, from 16 points at 20 m: (0.4 * 20 / 4)^2 / 16 each
    energy = (late.astype(float) ** 2).sum(axis=(1, 2))
    assert energy == pytest.approx([(0.4 * FAR / 4.0) ** 2] * 2, rel=0.03)
    first = int(np.min(np.argmax(np.abs(late[0]) > 0.1 * np.abs(late[0]).max(), axis=1)))
    assert first / RATE == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("reverberation_s = [1, 1, 1, 1, 1, 60]", "20"),
        ('floor = "terrazzo"', "reverberation_s and floor exclude each other"),
        ("noise_nc = 30.0\nnoise_dba = 40.0", "exclude each other"),
        ("reference_m = 3.0", "belongs to an impulse_response"),
        ("length_mm = 3.0", "unknown key 'length_mm'"),
    ],
)
def test_what_cannot_be_is_one_line(more, words):
    text = DESIGN.format(more=more)
    if more.startswith("reverberation_s"):
        text = text.replace(TIMES, "")
    with pytest.raises(InputError) as refused:
        resolve(decode(tomllib.loads(text), Design), "flat.toml")
    assert words in str(refused.value)
    assert "room.hall" in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("instrument_at_m = [2.1, 2.6, 0.9]", "instrument_at_m = [9.0, 2.6, 0.9]", "not inside the room"),
        ("listener_at_m = [5.2, 1.4, 1.5]", "", "'listener_at_m' is missing"),
        (TIMES, 'floor = "terazzo"\nceiling = "brick"\nwalls = "brick"',
         "did you mean 'terrazzo'"),
        (TIMES, 'floor = "terrazzo"\nwalls = "brick"', "ceiling"),
        (TIMES, "reverberation_s = [9, 9, 9, 9, 9, 9]", "the air alone"),
    ],
)  # fmt: skip
def test_a_room_that_cannot_be_says_which_key(old, new, words):
    text = DESIGN.format(more="").replace(old, new)
    with pytest.raises(InputError) as refused:
        resolve(decode(tomllib.loads(text), Design), "flat.toml")
    assert words in str(refused.value)


@pytest.mark.parametrize(
    ("moved", "words"),
    [
        ({"listener": (2.1, 2.75, 0.9)}, "the listener stands in the instrument; move listener_at_m"),
        ({"instrument": (0.05, 2.6, 0.9)}, r"reaches 0\.1\d m through a wall"),
    ],
)
def test_a_listener_in_the_instrument_and_a_bar_through_a_wall_are_refused(moved, words):
    with pytest.raises(InputError, match=words):
        heard_in(dataclasses.replace(made().rooms["hall"], **moved), made())


@pytest.mark.parametrize(
    ("write", "words"),
    [
        (lambda path: None, "cannot be read as a sound"),
        (lambda path: path.write_text("no sound"), "cannot be read as a sound"),
        (lambda path: hall_file(path, channels=3), "has 3 channels"),
        (lambda path: hall_file(path, direct=0.0, tail=0.0), "is silent"),
    ],
)
def test_a_response_that_is_none_is_refused(tmp_path, write, words):
    write(tmp_path / "hall.wav")
    with pytest.raises(InputError) as refused:
        scene(measured(tmp_path), "bar", surroundings=Surroundings("hall"))
    assert words in str(refused.value)
    assert "impulse_response" in str(refused.value)


def test_a_response_without_its_distance_is_refused(tmp_path):
    with pytest.raises(InputError, match="'reference_m' is missing"):
        measured(tmp_path, "")


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(3.0, 30.0), st.floats(3.0, 20.0), st.floats(2.2, 12.0)),
    st.tuples(*[st.floats(0.2, 0.8)] * 3),
    st.tuples(*[st.floats(0.05, 0.95)] * 3),
    st.floats(-3.2, 3.2),
)
def test_in_any_room_every_point_is_as_far_from_the_bar_as_its_image_from_the_listener(
    size, instrument, listener, bearing
):
    place = tuple(share * side for share, side in zip(instrument, size, strict=True))
    seat = tuple(share * side for share, side in zip(listener, size, strict=True))
    assume(np.linalg.norm(np.subtract(place, seat)) > 0.5)
    box = dataclasses.replace(
        made().rooms["hall"], size=size, instrument=place, listener=seat, bearing=bearing
    )
    there = heard_in(box, made())
    images, points = there.early.images, np.array(there.listener.also)
    reflected = points[: len(images.distance)]
    assert np.linalg.norm(reflected - bar_middle(made()), axis=1) == pytest.approx(images.distance)
    assert there.early.way.mean(axis=1) == pytest.approx(images.distance, abs=0.01)
    assert np.linalg.norm(points[len(reflected) :] - bar_middle(made()), axis=1) == pytest.approx(FAR)
    assert np.all(images.distance >= there.listener.distance - 1e-9)
