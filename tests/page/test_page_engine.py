"""What the page's engine makes of what it is asked: places, speeds, palms, ears, worked by hand."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest

from .conftest import made

pytestmark = pytest.mark.browser


def places():
    return [tine.position for tine in made("straight").tines]


@pytest.mark.parametrize(("direction", "group"), [("forward", 1), ("backward", 1), ("backward", 0)])
def test_a_stroke_begins_where_the_hand_will_be_along_its_way_from_the_first_tine(ask, direction, group):
    """30 mm before the first tine a tenth of a second ago, at 0.4 m/s."""
    own = places()[4:] if group else places()[:4]
    first, sign = (max(own), -1.0) if direction == "backward" else (min(own), 1.0)
    act = """(engine, entry) => { engine.launch = (wish) => wish; engine.frame = 48000;
        const wish = engine.begin({ ...entry, time: 0.9 });
        return [wish.at, wish.start, engine.first(wish), (LEAD + BLOCK + MARGIN) / engine.rate, wish.live,
          engine.begin({ ...entry, at_mm: undefined }).at ?? null]; }"""
    entry = {
        "group": group,
        "direction": direction,
        "speed_mm_s": 400.0,
        "at_mm": 1e3 * (first - sign * 0.03),
    }
    at, start, found, ahead, live, keys = ask(act, entry)
    assert found == pytest.approx(first)
    assert at == pytest.approx(-0.03 + 0.4 * (0.1 + ahead))
    assert start == pytest.approx(1.0 + ahead + 1.5e-3 / 0.4)
    assert (live, keys) == (True, None)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_hand_that_moves_is_followed_along_its_own_way(ask, sign):
    act = """(engine, sign) => { const heard = []; engine.frame = 9600;
        engine.voices = [{ id: 'other', follow: () => heard.push('other') },
          { id: 'mine', sign, origin: 0.16, follow: (hand) => heard.push(hand) }];
        engine.move({ id: 'mine', at_mm: 190, speed_mm_s: 250, time: 0.15 });
        engine.move({ id: 'mine', at_mm: 190, speed_mm_s: 250 }); return heard; }"""
    said, unsaid = ask(act, sign)
    assert said == {"at": pytest.approx(sign * 0.03), "speed": pytest.approx(0.25), "time": 0.15}
    assert unsaid["time"] == pytest.approx(0.2)


def test_a_stick_makes_up_for_what_it_is_behind_its_hand_in_50_ms(ask):
    """At 0.1 m at 1.2 s; the hand was at 0.08 m at 1.1 s with 0.4 m/s and so is at 0.12: 0.4 + 0.02 / 0.05."""
    act = """(_, hand) => { const set = {};
        const run = { set: (name, value) => { set[name] = value; return run; } };
        const voice = Object.assign(Object.create(Voice.prototype), { run, done: false, start: 1.0, place:
          0.04, speed: 0.3,
          given: { 'state.clock': { at: [BigInt(Math.round(0.2 / STEP))] } } });
        voice.follow(hand); return [set, voice.speed, voice.place]; }"""
    told, speed, place = ask(act, {"at": 0.08, "speed": 0.4, "time": 1.1})
    assert speed == told["course.speed"] == pytest.approx(0.8)
    assert place == told["course.position"] == pytest.approx(0.1 - 0.8 * 0.2)
    assert ask(act, {"at": 0.5, "speed": 0.4, "time": 1.1})[1] == 3.0
    assert ask(act, {"at": -0.5, "speed": 0.0, "time": 1.1})[1] == 0.005


def test_a_tine_is_touched_while_its_own_flag_says_so(ask):
    act = """(_, flags) => Voice.prototype.touching.call({ tines: [6, 5, 4],
        given: { 'state.flags': { at: flags.map(BigInt) } } })"""
    assert ask(act, [1, 0, -1, 0, 1, 0, 1, 1, 1]) == [5, 4]


@pytest.mark.parametrize("touch", [False, True])
def test_a_palm_takes_by_periods_and_a_touch_by_seconds_from_every_bank_at_its_moment(ask, touch):
    """In 20 ms: a palm e to the -ln 10 / 3 a period, a touch 700 dB a second; 32 frames after its time."""
    act = """(engine, touch) => { const asked = []; engine.frame = 48000;
        engine.banks = engine.banks.map((bank) => Object.assign(Object.create(bank), {
          quieten: (state, ...how) => { asked.push(how); return bank.copy; } }));
        engine.mute({ group: 1, since: 0.98, start: 1.0, touch }, 32); return asked; }"""
    asked = ask(act, touch)
    assert len(asked) == 2
    seconds = 0.02
    per_hz = 0.0 if touch else seconds * math.log(10.0) / 3.0
    flat = seconds * 700.0 * math.log(10.0) / 20.0 if touch else 0.0
    for tines, *how in asked:
        assert tines == [4, 5, 6]
        assert how == pytest.approx([per_hz, flat, -32 / 48_000])


def test_one_ear_gives_way_to_another_in_six_blocks_of_which_each_sums_to_one(ask):
    act = """(engine) => { const told = []; engine.through('bar'); engine.leaving = null;
        const ear = (each) => Object.assign(Object.create(each), { onto: (l, r, from,
          to) => told.push([each.name, from, to]),
          hearing: { lay: () => {} }, clear: () => told.push([each.name, 'clear']) });
        engine.ears = engine.ears.map(ear); engine.ear = engine.ears[0];
        engine.through('pickup'); engine.through('pickup');
        for (let n = 0; n < 7; n++) engine.listen([], []);
        return [told, engine.ear.name]; }"""
    told, name = ask(act)
    assert name == "pickup"
    assert told[0] == ["pickup", "clear"]
    fading = [each for each in told[1:] if each[0] == "bar"]
    rising = [each for each in told[1:] if each[0] == "pickup"]
    assert [each[1:] for each in fading] == [
        pytest.approx([1.0 - n / 6.0, 1.0 - (n + 1) / 6.0]) for n in range(6)
    ]
    assert [each[1:] for each in rising] == [
        *(pytest.approx([n / 6.0, (n + 1) / 6.0]) for n in range(6)), [1.0, 1.0],
    ]  # fmt: skip


def test_an_ear_that_is_cleared_remembers_nothing_of_its_circuit(ask):
    act = """(engine) => { const ear = engine.ears.find((each) => each.memory); ear.memory.at.fill(3);
        ear.hearing.over.at.fill(2); ear.clear();
        return [Math.max(...ear.memory.at), Math.max(...ear.hearing.over.at)]; }"""
    assert ask(act) == [0, 0]


def test_a_slot_that_is_given_to_another_height_is_made_ready_anew_and_the_longest_known_goes(ask):
    """64 heights besides the tips are kept: the next takes the place of the first."""
    act = """(engine) => { const bank = engine.banks[0], ear = engine.ears.find((each) => each.bank === bank);
        const first = bank.slot(0, 0.001); ear.prepare(first); const was = ear.ready.has(first);
        let last = first; for (let n = 1; n <= OTHER; n++) last = bank.slot(0, 0.001 + 1e-5 * n);
        return [was, last === first, ear.ready.has(first), bank.slot(1, 0), bank.slot(0,
          0.001 + 1e-5 * OTHER) === last]; }"""
    assert ask(act) == [True, True, False, 2, True]


def test_levels_are_those_of_a_tone_at_full_scale_and_the_low_one_is_weighed(ask):
    """A tone of 0.1 of full scale, 80 dB SPL where that is 100; A weighs 100 Hz by -19.1 dB (IEC 61672-1)."""
    act = """(engine, hertz) => { const [l, r] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
        const { meter } = engine;
        meter.plain = meter.a = 0;
        for (let n = 0; n < 800; n++) { for (let k = 0; k < BLOCK; k++) {
          l[k] = 0.1 * Math.sin(2 * Math.PI * hertz * (n * BLOCK + k) / engine.rate); r[k] = l[k];
            } meter.take(l, r); }
        return meter.levels(); }"""
    for hertz, weight in ((100.0, -19.1), (1000.0, 0.0)):
        told = ask(act, hertz)
        assert told["spl_db"] == pytest.approx(80.0, abs=0.3)
        assert told["a_db"] - told["spl_db"] == pytest.approx(weight, abs=0.3)


def test_the_sound_that_is_kept_is_a_wav_file_of_floats_by_its_own_head(opened):
    """RIFF: format 3, two channels, 8 bytes a frame, a fact chunk with the frames."""
    act = """() => { const kept = record.sounds;
        record.sounds = [{ left: Float32Array.of(0.25, 0.5), right: Float32Array.of(-1, 1) }, { left:
          Float32Array.of(0.125),
          right: Float32Array.of(0) }];
        const bytes = Array.from(new Uint8Array(wavBytes())); record.sounds = kept; return bytes; }"""
    content = bytes(opened("straight").tab.evaluate(act))
    head = struct.unpack("<4sI4s4sIHHIIHHH4sII4sI", content[:58])
    assert head == (
        b"RIFF", len(content) - 8, b"WAVE", b"fmt ", 18, 3, 2, 48_000, 8 * 48_000, 8, 32, 0, b"fact", 4, 3,
          b"data", 24,
    )  # fmt: skip
    assert np.frombuffer(content[58:], "<f4").tolist() == [0.25, -1.0, 0.5, 1.0, 0.125, 0.0]


def test_levels_and_limits_are_told_as_they_come(opened):
    act = """(data) => { const { swings } = drawing;
        tellLevels({ swings, touching: [['a', [2]], ['b', [5]]], ...data });
        return [$('levels').textContent, $('peak').value, $('limit').textContent,
          $('limit').classList.contains('over'),
          [...drawing.lit.keys()].filter((r) => drawing.lit.get(r) > performance.now()).sort()]; }"""
    page = opened("straight")
    distance = page.tab.evaluate("HEAD.listener_m")
    told = page.tab.evaluate(act, {"peak": 0.25, "spl_db": 71.4, "a_db": 63.6, "limited_db": 2.34})
    assert told[0] == f"71 dB SPL, 64 dB(A) at {distance:.1f} m"
    assert told[1] == pytest.approx(20.0 * math.log10(0.25), abs=0.6)
    assert told[2:] == ["limiting by 2.3 dB", True, [2, 5]]
    told = page.tab.evaluate(act, {"peak": 0.0, "spl_db": -3.0, "a_db": -9.0, "limited_db": 0.0})
    assert (told[0], told[2:4]) == ("silent", ["not limiting", False])


def test_a_stroke_of_the_keys_is_in_the_manner_of_the_controls(opened):
    page = opened("straight")
    act = """(said) => { const kept = Object.fromEntries(Object.keys(said).map((id) => [id, $(id).value]));
        for (const [id, value] of Object.entries(said)) $(id).value = value;
        const told = manner(); for (const [id, value] of Object.entries(kept)) $(id).value = value;
          return told; }"""
    stick = page.tab.evaluate("Object.keys(HEAD.sticks)[1]")
    told = page.tab.evaluate(act, {"stick": stick, "grip": "firm", "bite": "1.5", "tilt": "30"})
    assert told == {"stick": stick, "grip": "firm", "bite_mm": 1.5, "tilt_deg": 30}


def test_the_engine_s_second_is_the_page_s_and_what_it_is_ahead(page):
    """The device's clock says 12.0 s where the engine plays its second 10.5: 1.5 s ahead."""
    act = """() => { const { player } = window.tinewright, { onmessage } = player.node.port;
        const mine = Object.assign(Object.create(Player.prototype), { clocks: [], context: { currentTime: 12 },
          ahead: 0 });
        const kept = player.ahead; onmessage.call(player.node.port, { data: { audio: 12, time: 10.5 } });
        mine.ahead = player.ahead; player.ahead = kept;
        const now = performance.now() / 1000; return [mine.ahead, mine.second(now) - 10.5]; }"""
    ahead, off = page.tab.evaluate(act)
    assert ahead == 1.5
    assert off == pytest.approx(0.0, abs=0.02)
