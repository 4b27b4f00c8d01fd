"""The audio thread's script, run beside the page: what it is told reaches the engine, what it plays goes out."""

from __future__ import annotations

import importlib.resources

import numpy as np
import pytest

pytestmark = pytest.mark.browser

CEILING = 10.0 ** (-6.0 / 20.0)
SCRIPT = (importlib.resources.files("synth.page") / "web" / "worklet.js").read_text(encoding="utf-8")
# the thread's globals as stand-ins; an engine that plays one number, and tells what it is asked for
BESIDE = """async ([messages, blocks]) => {
    const sent = [], asked = [], currentTime = 7.5;
    class AudioWorkletProcessor {
      constructor() { this.port = { postMessage: (message) => sent.push(message) }; }
    }
    let Made = null;
    const registerProcessor = (_, made) => { Made = made; };
    SCRIPT
    const { module, functions } = await content;
    const compiled = new Compiled(module, functions);
    const said = (name) => (...words) => asked.push([name, ...words]);
    const player = Object.create(Made.prototype);
    const level = { now: 0 };
    Object.assign(player, {
      port: { postMessage: (message) => sent.push(message) }, headroom: 1, over: false, blocks: 0, taken: 0,
        peak: 0,
      busy: 0, worst: 0, kept: null, left: new Float64Array(BLOCK), right: new Float64Array(BLOCK),
      engine: {
        rate: 48000, frame: 4800, gain: 1, reports: [], voices: [], limiter: new Limiter(compiled, 48000),
        meter: { take: () => {}, levels: () => ({ spl_db: 61, a_db: 52 }) }, swings: () => [0.25],
        process(left, right) { left.fill(level.now); right.fill(-0.5 * level.now); this.frame += BLOCK; },
        ...Object.fromEntries(['stick', 'begin', 'move', 'end', 'schedule', 'rest', 'through', 'silence']
          .map((name) => [name, said(name)])),
      },
    });
    for (const each of messages) player.hear(each);
    const out = [];
    for (const each of blocks) {
      if (typeof each !== 'number') { player.hear(each); continue; }
      level.now = each;
      const [left, right] = [new Float32Array(BLOCK), new Float32Array(BLOCK)];
      out.push([player.process([], [[left, right]]), left.at(-1), right.at(-1), Math.max(...left)]);
    }
    const plain = sent.map((each) => each.sound
      ? { sound: { at: each.sound.at, left: Array.from(each.sound.left), right:
        Array.from(each.sound.right) } } : each);
    return { sent: plain, asked, out, gain: player.engine.gain };
}""".replace("SCRIPT", SCRIPT)


@pytest.fixture
def beside(opened):
    return lambda *messages, blocks=(): opened("straight").tab.evaluate(
        BESIDE, [list(messages), list(blocks)]
    )


@pytest.mark.parametrize("headroom", [1.0, 0.5])
def test_two_players_that_share_full_scale_stay_within_it_together_and_as_loud_as_before(beside, headroom):
    """Each has its share of the ceiling; what does not reach that is as loud as alone."""
    told = beside({"gain_db": 20.0}, {"headroom": headroom}, blocks=[0.012] * 3 + [3.0] * 9 + [0.0] * 24)
    quiet, loud = np.array(told["out"])[:3, 1:], np.array(told["out"])[3:12, 1:]
    assert quiet[:, 0] == pytest.approx([0.12] * 3, rel=1e-6)
    assert quiet[:, 1] == pytest.approx([-0.06] * 3, rel=1e-6)
    assert loud[:, 2].max() == pytest.approx(headroom * CEILING, rel=1e-5)
    assert loud[-1, 1] == pytest.approx(-0.5 * headroom * CEILING, rel=1e-5)
    levels, _, later = (each for each in told["sent"] if "limited_db" in each)
    over = 20.0 * np.log10(30.0 / headroom / CEILING)
    assert levels["limited_db"] == pytest.approx(over, abs=0.01)
    assert levels["peak"] == pytest.approx(headroom * CEILING, rel=1e-5)
    assert (levels["spl_db"], levels["a_db"], levels["swings"], levels["audio"]) == (61, 52, [0.25], 7.5)
    # 12 blocks of 128 at 40 dB/s have been given back since, and what was louder before is not told again
    assert (later["limited_db"], later["peak"]) == (pytest.approx(over - 1.28, abs=0.02), 0.0)
    assert levels["time"] == pytest.approx((4800 + 11 * 128) / 48_000)


def test_a_gain_of_nought_decibels_is_said_too(beside):
    assert beside({"gain_db": 12.0}, {"gain_db": 0.0})["gain"] == 1.0
    assert beside({"gain_db": 12.0})["gain"] == pytest.approx(10.0**0.6)


def test_every_message_reaches_what_it_is_for(beside):
    begin, move, rest = {"id": "a"}, {"id": "a", "at_mm": 3.0}, {"palm": "low", "down": True}
    told = beside(
        {"prepare": {"stick": "birch", "grip": "firm"}}, {"begin": begin}, {"move": move}, {"end": "a"},
        {"play": {"group": "low", "at_s": 0.25}}, {"rest": rest}, {"through": "pickup"}, {"silence": True},
    )  # fmt: skip
    assert told["asked"] == [
        ["stick", "birch", "firm"], ["begin", begin], ["move", move], ["end", "a"],
        ["schedule", {"group": "low", "at_s": pytest.approx(0.35)}], ["rest", rest], ["through", "pickup"],
        ["silence"],
    ]  # fmt: skip


def test_what_is_recorded_goes_out_in_parts_that_follow_each_other(beside):
    """From the frame at which it began, every block once, to the end; nothing before and after."""
    blocks = [
        0.1,
        {"record": True},
        *[0.01 * n for n in range(1, 15)],
        {"record": False},
        0.2,
        {"over": True},
        0.3,
    ]
    told = beside(blocks=blocks)
    parts = [each["sound"] for each in told["sent"] if "sound" in each]
    assert len(parts) == 2
    assert parts[0]["at"] == 4800 + 128
    assert parts[1]["at"] == parts[0]["at"] + len(parts[0]["left"])
    left = np.concatenate([each["left"] for each in parts])
    assert left == pytest.approx(np.repeat(0.01 * np.arange(1, 15), 128), rel=1e-6)
    assert np.concatenate([each["right"] for each in parts]) == pytest.approx(-0.5 * left, rel=1e-6)
    assert told["sent"][-1] == {"recorded": True}
    assert [each[0] for each in told["out"]][-2:] == [True, False]
