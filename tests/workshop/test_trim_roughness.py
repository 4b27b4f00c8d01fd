"""Ways of trimming ranked: by forgiveness, among equally forgiving ones by how the whole group's ring grates."""

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.sound.roughness import ring_roughness
from synth.vibration.solve import solve_row
from synth.vibration.tine import solve_tines
from synth.vibration.trimming.answers import every_answer, wish_of
from synth.workshop.trim_roughness import ALIKE, _in_order, ranked

TREE = {
    "bar": {
        "section": {"shape": "rectangle", "width_mm": 60.0, "height_mm": 10.0},
        "path": [{"straight_mm": 300.0}],
        "supports": [{"at_mm": 70.0, "kind": "cord"}, {"at_mm": 230.0, "kind": "cord"}],
    },
    "group": [
        {
            "name": "a", "start_mm": 50.0, "spacing_mm": 17.0, "stock": "M4",
            "tine": [
                {"pitch": "D3"},
                {"pitch": "A3", "trim_to": {"partial": 2, "ratio": 6.0, "nut": "M4 hex"}},
                {"pitch": "D4", "trim": [{"nut": "M4 thin hex", "at_mm": 40.0}]},
            ],
        },
        {"name": "b", "start_mm": 180.0, "spacing_mm": 17.0, "stock": "M4", "tine": [{"pitch": "Eb3"}]},
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def trimmed():
    import dataclasses

    instrument = resolve(decode(TREE, Design))
    bare = dataclasses.replace(
        instrument, tines=tuple(dataclasses.replace(each, wish=None) for each in instrument.tines)
    )
    row = solve_row(bare)
    tine = instrument.tines[1]
    nuts = (wish_of(tine).nut, instrument.nuts["M4 thin hex"])
    found = every_answer(1, tine, length=float(row.length[1]), pitch=float(row.clamped_hz[1]), nuts=nuts)
    return instrument, row, found, ranked(instrument, row, found)


def by_hand(instrument, row, length, nuts):
    """Group a with tine 2 so trimmed: the tine of group b, a semitone off, must not count."""
    frequency, decay, amplitude = [], [], []
    for n, (own, trim) in enumerate(((row.length[0], ()), (length, nuts), (row.length[2], row.trim[2]))):
        modes = solve_tines([instrument.tines[n]], [own], [trim])
        for k in np.flatnonzero(modes.exists[0]):
            frequency.append(modes.frequency[0, 0, k])
            decay.append(modes.decay[0, 0, k])
            tip = modes.shape[0, k][np.argmax(modes.height[0])]
            amplitude.append(abs(tip * modes.momentum[0, k]))
    return ring_roughness(np.array(frequency), np.array(decay), np.array(amplitude))


def test_the_roughness_of_each_way_is_that_of_its_group_with_it(trimmed):
    instrument, row, found, ways = trimmed
    assert len(ways.rough) == len(ways.found.solutions) == len(found.solutions) > 3
    assert ways.plain == pytest.approx(by_hand(instrument, row, found.plain.length, ()), rel=1e-6)
    for way, rough in zip(ways.found.solutions, ways.rough, strict=True):
        assert rough == pytest.approx(by_hand(instrument, row, way.length, way.nuts), rel=1e-6)
    assert np.ptp(ways.rough) > 1e-4 * ways.plain


def test_no_way_is_lost_and_none_much_less_forgiving_goes_first(trimmed):
    _, _, found, ways = trimmed
    assert sorted(map(id, found.solutions)) == sorted(map(id, ways.found.solutions))
    order = [each.unforgiving for each in ways.found.solutions]
    assert all(one <= ALIKE * other for n, one in enumerate(order) for other in order[n + 1 :])


class Way:
    def __init__(self, unforgiving):
        self.unforgiving = unforgiving


def test_equally_forgiving_ways_go_by_roughness():
    ways = [(Way(2.0), 0.3), (Way(1.0), 0.5), (Way(1.05), 0.2), (Way(1.2), 0.1), (Way(2.1), 0.2)]
    assert [(each.unforgiving, rough) for each, rough in _in_order(ways)] == [
        (1.05, 0.2), (1.0, 0.5), (1.2, 0.1), (2.1, 0.2), (2.0, 0.3),
    ]  # fmt: skip
