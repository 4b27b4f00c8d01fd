"""Where a hand's trail begins, where a pedal is down and how fast a kept stroke is: at their very bounds."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture
def ask(opened):
    return lambda act, argument=None: opened("straight").tab.evaluate(act, argument)


@pytest.mark.parametrize(
    ("trail", "sign", "swept"),
    [
        ([0.09, 0.12], 1, True), ([0.11, 0.12], 1, False), ([0.12, 0.09], 1, False), ([0.17, 0.15], -1, True),
        ([0.15, 0.14], -1, False), ([0.15, 0.17], -1, False), ([0.09, 0.12], -1, False),
    ],
)  # fmt: skip
def test_a_hand_came_from_outside_a_group_if_its_trail_begins_there(ask, trail, sign, swept):
    act = """([trail, sign]) => Hand.prototype.swept.call({ trail: trail.map((at) => ({ point: [at] })),
        view: { on: (_, [at]) => ({ at }), spans: [[0.10, 0.16]] } }, 0, sign)"""
    assert ask(act, [trail, sign]) is swept


@pytest.mark.parametrize(("number", "what"), [(64, "damper"), (66, "sostenuto")])
@pytest.mark.parametrize(("value", "down"), [(0, False), (63, False), (64, True), (127, True)])
def test_a_pedal_is_down_from_the_middle_of_its_way(ask, number, what, value, down):
    act = """([number, what, value]) => { const channel = { ...channelOf(5), down: new Set([1]), waiting: new Set(),
          held: new Set() }; control(channel, number, value); return [channel[what], [...channel.held]]; }"""
    assert ask(act, [number, what, value]) == [down, [1] if down and number == 66 else []]


@pytest.mark.parametrize(("since", "wait"), [(0, 300), (120, 180), (900, 0)])
def test_a_palm_of_a_key_rests_for_three_tenths_of_a_second_at_least(ask, since, wait):
    """The clock stands: what is left of them is waited for before it is lifted."""
    act = """(since) => { const own = [window.setTimeout, performance.now], waits = [];
        window.setTimeout = (_, wait) => waits.push(wait); performance.now = () => 5000;
        row.resting.set('z', { groups: [0], since: 5000 - since });
        try { released(new KeyboardEvent('keyup', { key: 'z', code: 'KeyZ' }));
          return [waits, row.resting.has('z')]; }
        finally { [window.setTimeout, performance.now] = own; row.resting.delete('z'); } }"""
    assert ask(act, since) == [[wait], False]


@pytest.mark.parametrize(
    ("wish", "firsts", "speed"),
    [
        ({}, [1.0, 1.05], 2000.0),  # keys: what was wished
        ({"at_mm": 0.0}, [1.0, 1.05], 1200.0),  # a hand: 60 mm in 50 ms
        ({"at_mm": 0.0}, [1.0, 1.02], 3000.0),
        ({"at_mm": 0.0}, [1.0, 1.01], 5000.0),  # no faster than a script may be
        ({"at_mm": 0.0}, [1.0, 11.0], 10.0),  # nor slower
        ({"at_mm": 0.0}, [1.0, 1.0], 2000.0),
        ({"at_mm": 0.0}, [1.0], 2000.0),
    ],
)
def test_a_stroke_is_kept_as_fast_as_the_stick_went(ask, wish, firsts, speed):
    act = """([wish, firsts]) => { const { picture } = HEAD, met = firsts.map((first, tine) => ({ first, tine }));
        HEAD.picture = [{ x: 0.20 }, { x: 0.14 }];
        try { return asPlayed({ group: 0, direction: 'backward' }, { stick: 'birch', grip: 'firm',
          speed_mm_s: 2000, ...wish }, met); } finally { HEAD.picture = picture; } }"""
    kept = ask(act, [wish, firsts])
    assert kept.pop("speed_mm_s") == pytest.approx(speed)
    assert kept == {
        "group": ask("HEAD.groups[0].name"), "direction": "backward", "stick": "birch", "grip": "firm",
        "bite_mm": 2, "lean": 0, "height_mm": 0, "tilt_deg": 45, "pressure_n": 0,
    }  # fmt: skip
    bright = ask(act, [{"brightness": 96, "bite_mm": 3.5, "lean": 0.25, "pressure_n": 0.1}, firsts])
    assert [bright[each] for each in ("brightness", "bite_mm", "lean", "pressure_n")] == [96, 3.5, 0.25, 0.1]
    assert "brightness" not in ask(act, [{"brightness": 64}, firsts])


@pytest.mark.parametrize(
    ("point", "at", "off"),
    [
        ([-0.03, 0.03], 0.17, 0.01),  # carried on beyond both ends
        ([0.10, 0.33], 0.61, 0.0),
        ([0.04, 0.05], 0.24, 0.03),
        ([0.13, 0.03], 0.31, 0.03),
        ([0.13, -0.01], 0.30, 0.0424),  # within, no further than the corner
        ([0.11, 0.12], 0.40, 0.01),
    ],
)
def test_the_line_through_tines_goes_on_beyond_its_ends_and_round_its_corners(ask, point, at, off):
    """Clamps at (0, 0), (0.1, 0), (0.1, 0.2) at 0.2, 0.3 and 0.5 m along the bar, met 20 mm above them."""
    act = """([tines, point]) => View.prototype.along.call({ clamps: [[0, 0], [0.1, 0], [0.1, 0.2]],
        places: [0.2, 0.3, 0.5], up: () => ({ way: [0, 1] }) }, tines, point, 0.02)"""
    found = ask(act, [[0, 1, 2], point])
    assert (found["at"], found["off"]) == (pytest.approx(at), pytest.approx(off, abs=1e-4))
    one = ask(act, [[1], [0.13, 0.05]])
    assert (one["at"], one["off"]) == (pytest.approx(0.33), pytest.approx(0.03))


def test_silence_ends_all_that_sounds_waits_or_rests(ask):
    act = """() => { const cleared = [], each = (name) => ({ clear: () => cleared.push(name) });
        const engine = { voices: [1], waiting: [2], resting: new Map([[0, 1]]), banks: [each('bank'), each('bank')],
          ears: [each('ear')] };
        Engine.prototype.silence.call(engine);
        return [engine.voices, engine.waiting, engine.resting.size, cleared]; }"""
    assert ask(act) == [[], [], 0, ["bank", "bank", "ear"]]


def test_a_record_goes_from_its_first_sound_to_the_end_of_its_last(ask):
    act = """(parts) => { const was = { ...record };
        Object.assign(record, { on: true, from: null, to: 0, sounds: [] });
        for (const [at, length] of parts) kept({ at, left: new Float32Array(length), right: [] });
        const found = [record.from, record.to, record.sounds.length];
        record.on = false; kept({ at: 0, left: [1], right: [] }); found.push(record.sounds.length);
        Object.assign(record, was); return found; }"""
    assert ask(act, [[96_000, 4800], [100_800, 24_000]]) == [2.0, 2.6, 2, 2]
