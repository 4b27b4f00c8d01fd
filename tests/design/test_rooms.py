"""Rooms of a design: what is refused of one, by its key, its axis and its figures."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from synth.errors import InputError

HALL: dict[str, Any] = {
    "length_m": 11.0,
    "width_m": 7.0,
    "height_m": 4.0,
    "floor": "terrazzo",
    "ceiling": [0.2] * 6,
    "walls": [0.3] * 6,
    "instrument_at_m": [2.0, 3.0, 1.0],
    "listener_at_m": [8.0, 4.0, 1.5],
}
MEASURED: dict[str, Any] = {"impulse_response": "church.wav", "reference_m": 2.0}


@pytest.mark.parametrize("who", ["instrument_at_m", "listener_at_m"])
@pytest.mark.parametrize(("axis", "name", "whole"), [(0, "length", 11), (1, "width", 7), (2, "height", 4)])
def test_what_stands_outside_is_told_along_which_side(build, tree, who, axis, name, whole):
    for at in (0.0, float(whole)):
        place = [2.0, 3.0, 1.0]
        place[axis] = at
        tree["room"] = {"hall": HALL | {who: place}}
        with pytest.raises(InputError) as refused:
            build(tree)
        assert f"room.hall.{who}: {at:g} m is not inside the room" in str(refused.value)
        assert f"along its {name} it goes from 0 to {whole} m" in str(refused.value)


@pytest.mark.parametrize(
    ("room", "said"),
    [
        (HALL | {"noise_dba": 30.0, "noise_nc": 20.0}, "room.one: noise_dba and noise_nc exclude each other"),
        (HALL | {"reference_m": 1.0}, "room.one: reference_m belongs to an impulse_response"),
        (MEASURED | {"floor": "terrazzo"}, "room.one: impulse_response and floor exclude each other"),
        (MEASURED | {"wall_y1": [0.1] * 6}, "room.one: impulse_response and wall_y1 exclude each other"),
        ({"impulse_response": "church.wav"}, "room.one: the key 'reference_m' is missing"),
        ({"noise_nc": 20.0}, "room.one: the key 'length_m' is missing"),
        (HALL | {"reverberation_s": [1.0] * 6}, "room.one: reverberation_s and floor exclude each other"),
        (HALL | {"walls": "glas wool"}, "room.one.wall_x0: there is no surface 'glas wool'"),
        ({k: v for k, v in HALL.items() if k != "height_m"}, "room.one: the key 'height_m' is missing"),
        ({k: v for k, v in HALL.items() if k != "floor"}, "room.one: nothing is said of its floor"),
        ({k: v for k, v in HALL.items() if k != "ceiling"}, "room.one: nothing is said of its ceiling"),
        ({k: v for k, v in HALL.items() if k != "walls"}, "room.one: nothing is said of its walls"),
    ],
)
def test_what_a_room_cannot_be_is_refused_at_its_key(build, tree, room, said):
    tree["room"] = {"hall": HALL, "one": room}
    with pytest.raises(InputError) as refused:
        build(copy.deepcopy(tree))
    assert said in str(refused.value)
