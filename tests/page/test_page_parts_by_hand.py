"""Parts of the page's engine by hand: the order of tines, places, palms in time, slots, ears, numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.page.blob import rounded
from synth.playing.mute import moments
from synth.playing.stroke import Hold

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(
    ("direction", "order"), [("forward", [4, 0, 2, 1, 3]), ("backward", [1, 3, 2, 0, 4])]
)
def test_tines_are_met_along_the_way_and_those_side_by_side_by_number(ask, direction, order):
    act = """(_, direction) => { const voice = { engine: { place: [0.2, 0.4, 0.3, 0.4, 0.1] },
          wish: { direction } };
        Voice.prototype.order.call(voice, [0, 1, 2, 3, 4]); return [voice.tines, voice.sign, voice.origin]; }"""
    tines, sign, origin = ask(act, direction)
    assert tines == order
    assert (sign, origin) == ((1, 0.1) if direction == "forward" else (-1, 0.4))


def test_a_stick_begins_where_it_stands_in_no_tine_that_it_touches(ask):
    """Tines at 0, 15 and 30 mm, half 1.5 + 0.5 mm, the second passed over; an end of 4 mm."""
    act = """(_, at) => Voice.prototype.clear.call({ tines: [0, 1, 2], stick: { law: [0, 0, 0, 0.004] },
        given: { 'row.form': { at: Float64Array.from([0, 0.002, 0.0015, 0.0005, 9, 0.015, -1, 0.0015, 0.0005, 9,
          0.030, 0.003, 0.0015, 0.0005, 9]) } } }, at, -0.02)"""
    assert ask(act, -0.05) == pytest.approx(-0.05)
    assert ask(act, 0.015) == pytest.approx(0.015)
    assert ask(act, 0.001) == pytest.approx(0.0 - 0.002 - 0.010 - 0.002)
    assert ask(act, 0.031) == pytest.approx(0.030 - 0.002 - 0.010 - 0.003)
    for at in (-0.0101, 0.0061, 0.0199, 0.0361):
        assert ask(act, at) == pytest.approx(at)


def test_a_report_has_every_tine_s_own_tally_in_the_order_of_meeting(ask):
    act = """(_, tally) => Voice.prototype.report.call({ id: 'a', tines: [6, 5], stuck: true, lost: 3,
        wish: { group: 1, direction: 'backward', stick: 'birch', speed: 0.4 }, given: { 'state.tally': { at:
          tally } } })"""
    told = ask(act, [float(n) for n in range(14)])
    names = ("first", "last", "force", "work", "moment", "bend", "touches")
    assert told["touches"] == [
        {"tine": 6, **dict(zip(names, range(7), strict=True))}, {"tine": 5, **dict(zip(names, range(7, 14),
          strict=True))},
    ]  # fmt: skip
    rest = {key: value for key, value in told.items() if key != "touches"}
    assert rest == {
        "id": "a", "group": 1, "direction": "backward", "stick": "birch", "speed": 0.4, "stuck": True, "lost": 3,
    }  # fmt: skip


def test_slots_are_asked_for_of_tines_that_push_at_the_stroke_s_own_height(ask):
    act = """() => { const asked = [], bank = { slot: (...how) => { asked.push(how); return 10 * how[0]; } };
        const voice = { slots: new Map(), tines: [6, 5, 4], wish: { height: 0.012 }, loud: { items: 8, at: [0n,
          1n, 0n, 0n, 1n, 0n, 0n, 0n]
          .map(Number) }, arena: { array: (kind, items) => ({ at: new BigInt64Array(items) }) } };
        const found = Voice.prototype.slotsOf.call(voice, bank); return [asked, Array.from(found.at, Number)]; }"""
    assert ask(act) == [[[6, 0.012], [4, 0.012]], [60, 61, 0, 0, 40, 41, 0, 0]]


def test_palms_act_when_those_of_the_command_line_do(ask):
    for seconds in (0.3, 0.001, 1.7):
        told = ask(
            "(engine, hold) => engine.moments('wires', hold)"
            ".map((each) => [each.since, each.start, each.group, each.touch])",
            {"at_s": 2.0, "hold_s": seconds},
        )
        times = moments(Hold(1, 2.0, seconds, "palm"))
        assert [each[:2] for each in told] == [
            pytest.approx(pair) for pair in np.stack([times[:-1], times[1:]], axis=1)
        ]
        assert all(each[2:] == [1, False] for each in told)
    assert ask("(engine) => engine.moments('threads', { at_s: 0, touch: 'threads' })[0].touch")


def test_a_palm_that_rests_takes_first_often_then_seldom_until_it_is_lifted(ask):
    """2 ms, then each 1.25 times longer, to 20 ms: in the block in which each falls, so many frames on."""
    act = """(engine) => { engine.frame = 0; engine.resting = new Map(); engine.rest({ palm: 'wires', down: true });
        const found = [];
        for (let block = 0; block < 40; block++, engine.frame += BLOCK)
          for (const each of engine.rests(engine.frame + BLOCK)) found.push([each.since, each.start,
            engine.frame + each.offset, each.group]);
        engine.rest({ palm: 'wires', down: false }); return [found, engine.rests(engine.frame + 9000)]; }"""
    found, after = ask(act)
    steps = np.array([each[1] - each[0] for each in found])
    assert after == []
    assert steps[:4] == pytest.approx([2e-3 * 1.25**n for n in range(4)])
    assert steps.max() <= 20e-3 + 1e-12
    for since, start, frame, group in found:
        assert group == 1
        assert frame - 1e-6 <= math.ceil(start * 48_000 - 1e-9) + 1e-6
        assert since < start
    assert [each[0] for each in found[1:]] == pytest.approx([each[1] for each in found[:-1]])


def test_what_waits_is_played_in_its_block_and_no_sooner(ask):
    """A stroke a block and LEAD frames before its first touch less 1.5 mm of its way; a hold in its own frame."""
    act = """(engine) => { engine.waiting = []; engine.voices = []; engine.resting = new Map(); engine.frame = 0;
        const launched = []; engine.launch = (wish) => launched.push([wish.id, engine.frame]);
        engine.schedule({ id: 'late', group: 1, at_s: 0.05, speed_mm_s: 500 });
        engine.schedule({ id: 'soon', group: 0, at_s: 0.02, speed_mm_s: 100 });
        engine.schedule({ palm: 'wires', at_s: 0.03, hold_s: 0.001 });
        const held = [];
        for (let block = 0; block < 30; block++, engine.frame += BLOCK)
          for (const each of engine.due()) held.push([engine.frame, each.offset, each.since, each.start]);
        return [launched, held, engine.waiting.length]; }"""
    launched, held, left = ask(act)
    assert left == 0
    for name, seconds, speed in (("soon", 0.02, 0.1), ("late", 0.05, 0.5)):
        (frame,) = [each[1] for each in launched if each[0] == name]
        wanted = (seconds - 1.5e-3 / speed) * 48_000 - 32
        assert frame <= wanted < frame + 128 or (frame == 0 and wanted < 128)
    ((frame, offset, since, start),) = held
    assert frame + offset == math.ceil(0.031 * 48_000 - 1e-9)
    assert (since, start) == (pytest.approx(0.03), pytest.approx(0.031))


@pytest.mark.parametrize("sign", [1, -1])
def test_a_stick_s_directions_are_square_to_each_other_and_mirrored_by_the_way_it_goes(ask, sign):
    down, sideways, back = np.array(
        ask("(_, [way, sign]) => directions(way, sign)", [{"tilt": 0.6, "skew": 0.25}, sign])
    )
    plain = np.array(ask("(_, way) => directions(way, 1)", {"tilt": 0.6, "skew": 0.25}))
    frame = np.stack([down, sideways, back])
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)
    assert frame == pytest.approx(plain * [sign, 1.0, 1.0])
    assert plain[2] == pytest.approx(
        [math.sin(0.6) * math.cos(0.25), math.sin(0.6) * math.sin(0.25), math.cos(0.6)]
    )


def test_a_stick_s_weights_are_sorted_by_ear_at_full_scale_one(ask):
    """From (direction, ear, part, mode) to (ear, part, both directions' modes), over full scale."""
    act = """(engine, raw) => Array.from(Stick.prototype.byEar.call({ line: { modes: 3 },
          engine: { content: { head: { full_scale_pa: 2 } } } },
          { array: (kind, ...shape) => ({ at: new Float64Array(shape.reduce((a, b) => a * b, 1)) }) },
        { at: raw }).at)"""
    raw = np.arange(24.0).reshape(2, 2, 2, 3)
    found = np.array(ask(act, raw.ravel().tolist())).reshape(2, 2, 2, 3)
    assert found == pytest.approx(raw.transpose(1, 2, 0, 3) / 2.0)


def test_rounded_numbers_are_read_as_they_were_written(ask):
    """Of every size and sign, by an independent reading of the same bytes."""
    dice = np.random.default_rng(3)
    values = dice.normal(size=(4, 2, 6)) * 10.0 ** dice.uniform(-6, 3, (4, 1, 6))
    few = rounded(values, 14, np.full((4, 6), 1e-12))
    raw = few.number.view(np.uint8).reshape(-1, 2)
    parts = [few.scale.tobytes(), few.power.tobytes(), raw[:, 0].tobytes(), raw[:, 1].tobytes()]
    at = len(parts[0])
    told = {"kind": "z", "shape": [4, 2, 6], "bits": 14, "scale": 0, "at": at}
    content = b"".join(parts)
    act = "(_, [bytes, told]) => Array.from(new Content({}, Uint8Array.from(bytes).buffer).numbers(told))"
    found = np.array(ask(act, [list(content), told])).reshape(4, 2, 6)
    assert found == pytest.approx(few.values(), rel=1e-6)
    assert np.abs(found - values).max() < 1e-3 * np.abs(values).max()


def test_a_magnet_s_voltage_grows_as_the_tine_comes_nearer_and_the_circuit_hears_it(ask):
    """Motion times gain over the cube of the gap's share; no nearer than a tenth of it."""
    act = """(_, [gap, gain]) => { const signal = new Float64Array(2 * BLOCK), sound = new Float64Array(BLOCK);
        [0, 0.5, -0.5, -2].forEach((x, n) => { signal[n] = x * gap; signal[BLOCK + n] = 3; });
        Ear.prototype.sense.call({ told: { magnet: { gap, gain } } }, signal, sound); const bent =
          Array.from(sound.slice(0, 4));
        Ear.prototype.sense.call({ told: {} }, signal, sound); return [bent, Array.from(sound.slice(0, 3))]; }"""
    bent, plain = ask(act, [0.003, 2.0])
    assert bent == pytest.approx([6.0, 6.0 / 1.5**3, 6.0 / 0.5**3, 6.0 / 0.1**3])
    assert plain == pytest.approx([0.0, 0.0015, -0.0015])


@pytest.mark.parametrize("circuit", [False, True])
def test_an_ear_adds_both_channels_with_a_gain_that_moves_through_the_block(ask, circuit):
    act = """(_, circuit) => { const [left, right] = [new Float64Array(BLOCK).fill(1), new Float64Array(BLOCK)];
        const signal = { at: Float64Array.from({ length: 2 * BLOCK }, (_, n) => (n < BLOCK ? 2 : 4)) };
        const ear = { signal, sections: circuit, single: { at: new Float64Array(BLOCK) }, filter: () => {},
          sense: (from, to) => to.fill(6) };
        Ear.prototype.onto.call(ear, left, right, 0.25, 0.75); return [[left[0], left[64]], [right[0],
          right[64]]]; }"""
    left, right = ask(act, circuit)
    one, other = (6.0, 6.0) if circuit else (2.0, 4.0)
    assert left == pytest.approx([1.0 + 0.25 * one, 1.0 + 0.5 * one])
    assert right == pytest.approx([0.25 * other, 0.5 * other])


def test_in_silence_one_tine_after_another_is_made_ready_first_to_be_heard_then_for_palms(ask):
    act = """(engine) => { const done = [];
        const bank = (name, soft) => ({ soft: new Set(soft), slot: (r, depth) => { done.push([name, 'slot', r,
          depth]); return 2 * r; }, soften(r) { done.push([name, 'soft', r]); this.soft.add(r); } });
        const banks = [bank('a', [0, 1]), bank('b', [])]; engine.place = new Float64Array(3); engine.banks = banks;
        const ready = new Set([0]); engine.ear = { ready, bank: banks[1], prepare: (slot) => ready.add(slot) };
        for (let n = 0; n < 7; n++) engine.prepareOne(); return done; }"""
    assert ask(act) == [
        ["b", "slot", 1, 0], ["b", "slot", 2, 0], ["a", "soft", 2], ["b", "soft", 0], ["b", "soft", 1], ["b",
          "soft", 2],
    ]  # fmt: skip


def test_lines_of_a_script_take_their_defaults_and_refuse_what_is_not_said_there(ask):
    act = "(_, [entry, defaults]) => { try { return scripted(entry, defaults, 90, 'bar'); } catch (no) { return no.message; } }"  # noqa: E501
    line = ask(act, [{"at_beat": 3, "group": "low", "bite_mm": 1}, {"bite_mm": 3, "lean": 0.5}])
    assert line == {"at_beat": 3, "group": "low", "bite_mm": 1, "lean": 0.5, "at_s": 2}
    assert "'bits' is not known here" in ask(act, [{"at_s": 0, "bits": 1}, {}])
    assert "at_s or at_beat" in ask(act, [{"at_s": 0, "at_beat": 0}, {}])
    assert "one render is heard through one thing" in ask(act, [{"at_s": 0, "through": "lid"}, {}])


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        ({"stroke": [{"at_s": 0.5, "group": "one"}]}, 4.5), ({"stroke": []}, 4.0),
        ({"stroke": [], "seconds": 1.25}, 1.25),
        ({"stroke": [{"at_s": 1, "palm": "wires", "hold_s": 0.75}, {"at_s": 1.5, "group": "one"}]}, 5.75),
    ],
)  # fmt: skip
def test_a_script_without_an_end_ends_four_seconds_after_its_last_stroke_or_palm(ask, said, seconds):
    """Its first step begins 32 frames and two blocks before it, in whole blocks: 3 of 128."""
    act = """async (engine, said) => { const own = ['schedule', 'process', 'through'];
        const kept = own.map((name) => Engine.prototype[name]);
        own.forEach((name) => { Engine.prototype[name] = () => {}; });
        try { return -384 / renderScript(await content, said).next().value / engine.rate; }
        finally { own.forEach((name, n) => { Engine.prototype[name] = kept[n]; }); } }"""
    assert ask(act, said) == pytest.approx(seconds)
