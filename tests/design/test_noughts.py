"""A nought that is written is a nought and no absent key: the design of `test_every_key` with one at a time."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from synth.design import schema
from synth.design.decode import decode
from synth.design.edit import Edit, put
from synth.design.resolve import resolve
from tests.design.test_every_key import DESIGN, at

NOUGHTS = {  # the key, and where it arrives
    "bar.price_per_m": "bench.bar_price",
    "bar.supports[1].rotation_nm_rad": "bar.supports.0.rotation_stiffness",
    "bar.supports[1].loss_factor": "bar.supports.0.loss_factor",
    "tines.root_length_per_diameter": "tines.1.root.added_length",
    "tines.clamp_loss_factor": "tines.0.root.loss_factor",
    "stock.rod.price_per_m": "bench.rod_price.rod",
    "nut.collar.price": "bench.nut_price.collar",
    "nut.collar.grip": "tines.1.trim.0.nut.grip",
    "group[2].midi_note": "groups.1.midi_note",
    "group[2].tine[1].clamp_loss_factor": "tines.1.root.loss_factor",
    "group[2].clamp_loss_factor": "tines.2.root.loss_factor",
    "stick.mine.friction": "sticks.mine.friction",
    "stick.mine.behind_mm": "sticks.mine.behind",
    "board.lid.feet[1].sideways_n_mm": "boards.lid.feet.0.sideways",
    "board.lid.feet[1].loss_factor": "boards.lid.feet.0.loss_factor",
    "pickup.at_mm": "pickup.position",
    "listener.spacing_mm": "listener.spacing",
    "listener.angle_deg": "listener.angle",
    "listener.azimuth_deg": "listener.azimuth",
    "bench.kerf_mm": "bench.kerf",
    "bench.saw_allowance_mm": "bench.saw_allowance",
    "bench.tuning_allowance_mm": "bench.tuning_allowance",
    "bench.protrusion_mm": "bench.protrusion",
    "bench.washers": "bench.washers",
    "bench.washer_price": "bench.washer_price",
}


def made(path: str, value: Any):
    tree = tomllib.loads(DESIGN)
    put(tree, [Edit(path, value)])
    return resolve(decode(tree, schema.Design))


@pytest.mark.parametrize(("path", "way"), NOUGHTS.items(), ids=list(NOUGHTS))
def test_a_nought_arrives_as_one(path: str, way: str) -> None:
    found = at(made(path, 0), way)
    assert found == 0
    assert found is not None
    assert found is not False


def test_a_nought_of_cents_is_a_round_tine_and_says_so_before_its_group() -> None:
    assert made("tines.split_cents", 0).tines[0].split == 1.0
    assert made("group[2].split_cents", 0).tines[1].split == 1.0
    one = made("group[2].tine[1].split_cents", 0)
    assert [each.split == 1.0 for each in one.tines] == [False, True, False]
