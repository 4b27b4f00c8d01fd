"""A rectangular room against hand-worked times, plain reflections, a brute image count and the diffuse field."""

import itertools

import numpy as np
import pytest

from synth.sound.shoebox import (
    Shoebox,
    clarity_db,
    diffuse_gain,
    direct_gain,
    eyring_time,
    images,
    reverberation_time,
    sabine_time,
)

HALL = np.array([18.0, 9.0, 6.0])
SOURCE, LISTENER = np.array([4.0, 2.0, 1.1]), np.array([13.5, 6.5, 1.7])
UNEVEN = np.array([[[0.1], [0.2]], [[0.05], [0.3]], [[0.15], [0.4]]])


def even(absorption, size=HALL):
    return Shoebox(size, np.full((3, 2, 1), absorption))


def test_sabine_and_eyring_of_the_hall_are_those_worked_by_hand():
    # V = 972 m3, S = 2 (54 + 108 + 162) = 648 m2; 24 ln 10 / 343.2 = 0.16102
    assert sabine_time(even(0.2))[0] == pytest.approx(0.16102 * 972 / (648 * 0.2), rel=1e-4)
    assert eyring_time(even(0.2))[0] == pytest.approx(0.16102 * 972 / (648 * 0.223144), rel=1e-4)


def test_each_wall_counts_by_its_own_area():
    # walls of 54, 108, 162 m2: 54 * 0.3 + 108 * 0.35 + 162 * 0.55 = 143.1 m2
    assert sabine_time(Shoebox(HALL, UNEVEN))[0] == pytest.approx(0.16102 * 972 / 143.1, rel=1e-4)


def test_the_six_first_reflections_come_from_behind_their_own_wall():
    found = images(Shoebox(HALL, UNEVEN), SOURCE, LISTENER, within=40.0)
    assert found.position[0] == pytest.approx(SOURCE)
    assert found.energy[0, 0] == 1.0
    for axis, end in itertools.product(range(3), range(2)):
        mirrored = SOURCE.copy()
        mirrored[axis] = 2 * end * HALL[axis] - SOURCE[axis]
        one = np.flatnonzero(np.all(np.isclose(found.position, mirrored), axis=1))
        assert len(one) == 1
        assert found.energy[one[0], 0] == pytest.approx(1 - UNEVEN[axis, end, 0])
        assert found.delay[one[0]] == pytest.approx(np.linalg.norm(mirrored - LISTENER) / 343.2)
        assert list(np.flatnonzero(found.flipped[one[0]])) == [axis]


def test_images_are_those_of_mirrors_set_up_one_after_another():
    within, room = 30.0, Shoebox(HALL, UNEVEN)
    met = {tuple(np.round(SOURCE, 6)): 1.0}
    wave = dict(met)
    for _ in range(14):
        later = {}
        for place, left in wave.items():
            for axis, end in itertools.product(range(3), range(2)):
                wall = end * HALL[axis]
                if (place[axis] - wall) * (1 if end else -1) >= 0:  # it stands behind this wall already
                    continue
                new = list(place)
                new[axis] = round(2 * wall - place[axis], 6)
                if np.abs(np.array(new) - LISTENER).max() < within + 2 * HALL[axis]:
                    later.setdefault(tuple(new), left * (1 - UNEVEN[axis, end, 0]))
        wave = {place: left for place, left in later.items() if place not in met}
        met.update(wave)
    near = {p: e for p, e in met.items() if np.linalg.norm(np.array(p) - LISTENER) < within}
    found = images(room, SOURCE, LISTENER, within=within)
    assert len(found.distance) == len(near) > 50
    for place, energy in zip(found.position, found.energy[:, 0], strict=True):
        assert near[tuple(np.round(place, 6))] == pytest.approx(energy)


def images_over_diffuse_db(room):
    """All images at the listener over direct sound and even field; and the same of Barron's falling field."""
    time, absorption = eyring_time(room)[0], room.mean_absorption[0]
    found = images(room, SOURCE, LISTENER, within=343.2 * 1.2 * time)
    r = found.distance[0]
    counted = (found.energy[:, 0] / (4 * np.pi * found.distance**2)).sum()
    even_field = direct_gain(r) + diffuse_gain(room)[0]
    late = 4 / (-room.surface * np.log(1 - absorption)) * np.exp(-6 * np.log(10) * r / (343.2 * time))
    return 10 * np.log10(np.array([counted, direct_gain(r) + late]) / even_field)


@pytest.mark.parametrize("absorption", [0.2, 0.3, 0.4])
def test_all_images_at_a_far_seat_lie_between_the_even_field_and_the_falling_one(absorption):
    # Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618: what reaches a seat r away has lost exp(-13.8 r / c T)
    counted, falling = images_over_diffuse_db(even(absorption))
    assert falling < counted < 0.0
    assert counted > -2.0


def test_an_exponential_decay_gives_back_its_time_and_its_clarity():
    rate, seconds = 8000.0, 1.2
    squared = np.exp(-6 * np.log(10) * np.arange(4 * int(rate)) / rate / seconds)
    assert reverberation_time(squared, rate) == pytest.approx(seconds, rel=1e-3)
    assert reverberation_time(squared, rate, top_db=0.0, bottom_db=-10.0) == pytest.approx(seconds, rel=1e-3)
    # of an exponential: C80 = 10 lg (exp(13.8155 * 0.08 / T) - 1)
    assert clarity_db(squared, rate) == pytest.approx(
        10 * np.log10(np.exp(13.8155 * 0.08 / 1.2) - 1), abs=0.01
    )


def test_the_images_of_an_even_room_die_near_eyrings_time():
    room, rate = even(0.3, np.array([8.0, 7.0, 6.0])), 1000.0
    found = images(room, np.array([2.0, 3.0, 1.5]), np.array([6.0, 4.5, 2.2]), within=343.2 * 1.2)
    squared = np.bincount((found.delay * rate).astype(int), found.energy[:, 0] / found.distance**2)
    assert reverberation_time(squared, rate) == pytest.approx(eyring_time(room)[0], rel=0.2)


def test_what_is_no_room_is_refused():
    with pytest.raises(ValueError, match="below 1"):
        even(1.0)
    with pytest.raises(ValueError, match="inside"):
        images(even(0.2), SOURCE, np.array([19.0, 2.0, 1.0]), within=10.0)
