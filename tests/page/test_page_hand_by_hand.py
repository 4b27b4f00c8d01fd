"""What a hand on the picture, a key and a record make of what they see: worked by hand, off the clock."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture
def ask(opened):
    return lambda act, argument=None: opened("straight").tab.evaluate(act, argument)


def test_a_line_through_places_has_their_value_now_and_their_slope(ask):
    pairs = [[-0.03, 0.10], [-0.02, 0.13], [-0.01, 0.13], [0.0, 0.18]]
    told = ask("(pairs) => slope(pairs)", pairs)
    assert told["slope"] == pytest.approx(2.4)  # sum of (t - mean)(v - mean) over sum of (t - mean)^2
    assert told["now"] == pytest.approx(0.135 + 2.4 * 0.015)
    assert ask("(pairs) => slope(pairs)", [[0.0, 0.2], [0.0, 0.4]]) == {"now": pytest.approx(0.3), "slope": 0}


@pytest.mark.parametrize(
    ("way", "left"),
    [
        ([0.10, 0.12, 0.14, 0.16], 4), ([0.10, 0.14, 0.13, 0.11], 3), ([0.14, 0.10, 0.11, 0.13], 3),
        ([0.10, 0.14, 0.1390, 0.1395], 4), ([0.14, 0.10, 0.14, 0.10, 0.12], 2),
    ],
)  # fmt: skip
def test_of_a_path_what_came_since_the_hand_turned_is_left(ask, way, left):
    """It has turned once it came back by 1.5 mm; the turning point is the first of what is left."""
    told = ask("(way) => sinceTurning(way.map((at, time) => ({ at, time })))", way)
    assert [each["at"] for each in told] == way[-left:]


def test_a_hand_is_told_in_millimetres_at_its_moment_and_no_faster_than_three_metres_a_second(ask):
    act = "(hand) => told(hand, { second: (time) => time + 100 }, 0.02)"
    assert ask(act, {"at": 0.25, "speed": -0.4, "time": 7.0}) == {
        "at_mm": 250, "speed_mm_s": pytest.approx(400), "time": pytest.approx(107.02),
    }  # fmt: skip
    assert ask(act, {"at": 0.25, "speed": 9.0, "time": 7.0})["speed_mm_s"] == 3000


# a hand whose view is made by hand: two groups from 0.10 to 0.16 m and from 0.30 to 0.36 m along the bar
HAND = """([words, act]) => { const sent = [];
    const player = { tell: (message) => sent.push(message), second: (time) => time };
    const view = { groups: [[0, 1], [2, 3]], spans: [[0.10, 0.16], [0.30, 0.36]], falls: [0, 0], lengths:
      [0.11, 0.10, 0.09, 0.08],
      on: (group, [at, off = 0]) => ({ at, height: 0.1, depth: 0.002, off }), pick: ([at]) => (at < 0.2 ? {
        group: 0 } : { group: 1 }) };
    const hand = Object.assign(Object.create(Hand.prototype), { view, id: 1, kind: 'mouse', pressure: 0, trail:
      [], stroke: null,
      palm: null, from: [0, 0], moved: true, since: 0 }, words);
    const result = (ACT)(hand, player);
    return [sent, result, hand.stroke, hand.palm, hand.met]; }"""


def hand(ask, act, **words):
    """What was sent, given back, and how the stroke and the palm stand."""
    return ask(HAND.replace("ACT", act), [words, None])


def path(start, speed, count=5):
    """Places 10 ms apart that end now, on the page's clock."""
    return f"""(() => {{ const now = performance.now() / 1000;
      return Array.from({{ length: {count} }}, (_, n) => ({{
      time: now - 0.01 * ({count - 1} - n), point: [{start} - {speed} * 0.01 * ({count - 1} - n)] }})); }})()"""


def coming(ask, at, speed, **words):
    act = f"(hand) => {{ hand.trail = {path(at, speed)}; const found = hand.coming();"
    act += " return found && [found.group, found.sign, found.hand.speed, found.hand.at]; }"
    return hand(ask, act, **words)[1]


@pytest.mark.parametrize(
    ("at", "speed", "group", "sign"),
    [
        (0.08, 0.5, 0, 1), (0.18, -0.5, 0, -1), (0.28, 0.5, 1, 1), (0.38, -0.5, 1, -1), (0.13, 0.5, 0, 1),
          (0.33, -0.5, 1, -1),
    ],
)  # fmt: skip
def test_the_group_ahead_of_a_hand_is_the_one_that_it_comes_to(ask, at, speed, group, sign):
    assert coming(ask, at, speed) == [group, sign, pytest.approx(speed), pytest.approx(at)]


@pytest.mark.parametrize(("at", "speed"), [(0.17, 0.5), (0.09, -0.5), (0.05, 0.5), (0.13, 0.01), (0.22, 0.5)])
def test_no_group_is_stroked_that_lies_behind_or_too_far_off_or_by_a_hand_that_stands(ask, at, speed):
    """0.06 s of its way ahead, 30 mm at half a metre a second; 20 mm/s are the slowest stroke."""
    assert coming(ask, at, speed) is None


def test_a_group_that_was_just_stroked_is_not_stroked_again_from_its_end(ask):
    """Within 6 mm of its far end on the same way; on the way back it is."""
    assert coming(ask, 0.157, 0.5, met={"group": 0, "sign": 1}) is None
    assert coming(ask, 0.157, -0.5, met={"group": 0, "sign": 1})[:2] == [0, -1]
    assert coming(ask, 0.157, 0.5, met={"group": 1, "sign": 1})[:2] == [0, 1]
    assert coming(ask, 0.103, -0.5, met={"group": 0, "sign": -1}) is None


@pytest.mark.parametrize(("at", "speed", "direction"), [(0.28, 0.5, "forward"), (0.38, -0.5, "backward")])
def test_a_stroke_begins_towards_the_group_late_by_what_it_needs(ask, at, speed, direction):
    """20 mm before the first tine less 3 mm at half a metre a second are 34 ms: more than the 14 that it needs."""
    sent, _, stroke, _, met = hand(
        ask, f"(hand, player) => {{ hand.trail = {path(at, speed)}; hand.begin(player); }}"
    )
    (begun,) = [each["begin"] for each in sent if "begin" in each]
    assert (begun["group"], begun["direction"], begun["id"]) == (1, direction, stroke["id"])
    assert begun["at_mm"] == pytest.approx(1000 * at)
    assert begun["speed_mm_s"] == pytest.approx(500)
    assert (stroke["group"], stroke["sign"]) == (1, 1 if speed > 0 else -1)
    assert stroke["late"] == pytest.approx(0.0, abs=5e-3)
    assert met == {"group": 1, "sign": stroke["sign"]}
    near = at + (0.0195 if speed > 0 else -0.0195)  # half a millimetre before it: it lags by what is wanting
    _, _, stroke, _, _ = hand(
        ask, f"(hand, player) => {{ hand.trail = {path(near, speed)}; hand.begin(player); }}"
    )
    assert stroke["late"] == pytest.approx(0.014 + 0.005, abs=6e-3)


def test_a_stroke_goes_on_until_the_hand_is_past_its_group_turns_or_leaves_the_row(ask):
    act = """(hand, player) => { hand.stroke = { id: 'mine', group: 0, sign: SIGN, late: 0 }; hand.trail = TRAIL;
        return hand.goesOn(player); }"""
    for at, speed, sign, goes in (
        (0.13, 0.5, 1, True), (0.13, -0.5, 1, False), (0.13, -0.5, -1, True), (0.13, 0.5, -1, False), (0.165,
          0.5, 1, True),
        (0.18, 0.5, 1, False), (0.095, -0.5, -1, True), (0.08, -0.5, -1, False), (0.13, -0.01, 1, True),
    ):  # fmt: skip
        sent, found, *_ = hand(ask, act.replace("SIGN", str(sign)).replace("TRAIL", path(at, speed)))
        assert found is goes, (at, speed, sign)
        if goes:
            move = sent[0]["move"]
            assert move["id"] == "mine"
            assert move["speed_mm_s"] == pytest.approx(max(0.0, 1000 * sign * speed), abs=1e-6)
            assert move["at_mm"] == pytest.approx(1000 * at)


MANNER = """([words, hand]) => { const view = { groups: [[1, 0]], spans: [[0.1, 0.15]], falls: [words.tips ?? 0],
      lengths: [0.1, 0.08] };
    const { hz: a } = HEAD.picture[0], { hz: b } = HEAD.picture[1];
    const found = Hand.prototype.manner.call({ view, kind: words.kind ?? 'mouse', pressure: words.pressure ??
      0 }, 0, hand);
    return [found, b >= a ? -1 : 1]; }"""  # the group's own tines in the order 1, 0


def test_how_deep_a_hand_goes_is_how_high_the_stick_meets_the_tines(ask):
    """Within 12 mm of the tips they are met at their tips, else in steps of 5 mm, to 0.45 of the shortest."""

    def height(depth, speed=0.4, falls=0.0, at=0.12):
        return ask(MANNER, [{}, {"at": at, "depth": depth, "falls": falls, "speed": speed}])[0]["height_mm"]

    assert [height(depth) for depth in (0.0, 0.011, 0.013, 0.0224, 0.0226, 0.06)] == pytest.approx(
        [0, 0, 15, 20, 25, 36]
    )
    # a path that falls: deeper by 6 mm at the end that lies 30 mm ahead, by 4 at the one 20 mm behind
    assert height(0.0240, falls=-0.2) == pytest.approx(20.0)  # 24 - 6 = 18 mm at the far end
    assert height(0.0240, falls=0.2) == pytest.approx(25.0)  # deeper there: the lesser is where it is
    assert height(0.0240, falls=0.2, speed=-0.4) == pytest.approx(20.0)  # 24 - 4 at the near end


def test_a_pen_bites_by_its_pressure_and_a_path_leans_by_its_fall_beyond_the_tips_own(ask):
    plain = {"at": 0.12, "depth": 0.0, "falls": 0.0, "speed": 0.4}
    assert "bite_mm" not in ask(MANNER, [{}, plain])[0]
    assert "bite_mm" not in ask(MANNER, [{"kind": "pen"}, plain])[0]
    for pressure, bite in ((0.5, 2.75), (1.0, 5.0)):
        assert ask(MANNER, [{"kind": "pen", "pressure": pressure}, plain])[0]["bite_mm"] == pytest.approx(
            bite
        )
    for falls, tips, lean in (
        (0.2, 0.0, 0.25),
        (-0.2, 0.0, -0.25),
        (0.2, 0.2, 0.0),
        (0.3, 0.1, 0.25),
        (0.08, 0.0, 0.0),
        (9.0, 0.0, 1.0),
    ):
        found, rising = ask(MANNER, [{"tips": tips}, {**plain, "falls": falls}])
        assert found["lean"] == pytest.approx(rising * lean), (falls, tips)


def test_a_finger_that_lies_still_beside_others_is_a_palm_and_is_lifted_as_one(ask):
    act = """(hand, player) => { hand.trail = [{ time: performance.now() / 1000, point: [0.34] }];
        hand.look(player, OTHERS); }"""
    still = {"moved": False, "since": -1e6, "kind": "touch"}
    sent, _, _, palm, _ = hand(ask, act.replace("OTHERS", "true"), **still)
    assert [each["rest"] for each in sent] == [{"palm": "wires", "down": True}]
    assert palm == "wires"
    for others, words in (
        ("false", {}),
        ("true", {"moved": True}),
        ("true", {"kind": "mouse"}),
        ("true", {"palm": "wires"}),
    ):
        assert hand(ask, act.replace("OTHERS", others), **still | words)[0] == []
    sent, *_ = hand(ask, "(hand, player) => hand.lift(player)", palm="threads")
    assert [each["rest"] for each in sent] == [{"palm": "threads", "down": False}]


def test_a_hand_that_stands_is_told_to_stand_where_it_is(ask):
    act = """(hand, player) => { hand.stroke = { id: 'mine', group: 0, sign: 1, late: 0 };
        hand.trail = [0.11, 0.12, 0.13].map((at, n) => ({ time: performance.now() / 1000 - 0.2 + 0.01 * n,
          point: [at] }));
        hand.look(player, false); }"""
    ((move,),) = [[each["move"] for each in hand(ask, act)[0]]]
    assert (move["id"], move["at_mm"], move["speed_mm_s"]) == ("mine", pytest.approx(130), 0)


KEYS = """([first, events]) => { const done = []; const kept = { ...row };
    const plainly = { strokeGroup, restKey, moveOn, nextStick, setControl };
    for (const name of Object.keys(plainly)) window[name] = (...how) => done.push([name, ...how]);
    row.first = first;
    for (const [code, more] of events) pressed(Object.assign(new KeyboardEvent('keydown', { code, key:
      more?.key ?? '', ...more }), {}));
    Object.assign(window, plainly); Object.assign(row, kept); return done; }"""


def test_each_key_means_what_live_means_by_it(opened):
    page = opened("straight")
    keys = KEYS.replace("pressed(Object.assign(", "(() => { const event = (").replace(
        ", {}));",
        "); Object.defineProperty(event, 'target', { value: document.body }); pressed(event); })();",
    )
    speeds = page.tab.evaluate("HEAD.midi.digits")
    told = page.tab.evaluate(keys, [0, [
        ["KeyA", {}], ["KeyS", {"shiftKey": True}], ["KeyD", {}], ["KeyZ", {}], ["KeyX", {}], ["KeyC", {}],
          ["Digit1", {}],
        ["Digit9", {}], ["Digit0", {}], ["KeyT", {}], ["Equal", {}], ["Minus", {}], ["KeyA", {"ctrlKey": True}],
        ["KeyA", {"repeat": True}], ["Space", {"key": " "}],
    ]])  # fmt: skip
    assert told == [
        ["strokeGroup", 0, "forward"], ["strokeGroup", 1, "backward"], ["restKey", "z", [0]], ["restKey", "x", [1]],
        ["setControl", "speed", speeds[0]], ["setControl", "speed", speeds[8]], ["nextStick", 1], ["moveOn", 11],
        ["moveOn", -11], ["restKey", " ", [0, 1]],
    ]  # fmt: skip
    assert page.tab.evaluate(keys, [1, [["KeyA", {}], ["KeyZ", {}]]]) == [
        ["strokeGroup", 1, "forward"], ["restKey", "z", [1]],
    ]  # fmt: skip


def test_silence_is_kept_as_palms_and_a_stroke_by_its_first_touch(ask):
    act = """() => { const kept = [record.on, record.lines, window.tinewright.player];
        Object.assign(record, { on: true, lines: [] }); window.tinewright.player = { second: () => 12.5, tell:
          () => {} };
        control(channelOf(3), 120, 0); const { lines } = record;
        [record.on, record.lines, window.tinewright.player] = kept; return lines; }"""
    assert ask(act) == [{"at": 12.5, "palm": name, "hold_s": 0.3} for name in ("threads", "wires")]


SCRIPT = """() => { const kept = { ...record };
    Object.assign(record, { from: 10.0, to: 13.25, lines: [{ at: 12.5, palm: 'b', hold_s: 0.3 }, { at: 9.0,
      group: 'a', x: 2 }],
      sounds: [] });
    const text = scriptText(); Object.assign(record, kept); return text; }"""


def test_a_script_counts_from_where_it_was_begun_and_ends_with_the_sound(ask):
    text = ask(SCRIPT)
    assert '  { at_s = 0.0, group = "a", x = 2.0 },\n  { at_s = 2.5, palm = "b", hold_s = 0.3 },' in text
    assert "tail_s = 0.75\n" in text
    assert 'name = "played on A flat bar with tines on two faces"' in text
    told = {1.0: "1.0", 0.1234567891: "0.123456789", 'say "a"': '"say \\"a\\""'}
    assert [ask("(value) => toml(value)", each) for each in told] == list(told.values())
    assert ask("() => toml(96n)") == "96"
    assert ask("() => saveName('wav')") == "a-flat-bar-with-tines-on-two-faces-played.wav"
