"""How the bench tells and keeps states: the file's, what is chosen, two players at once, versions."""

from __future__ import annotations

from typing import Any

import pytest

from .bench_tab import asked

pytestmark = pytest.mark.browser

STANDS = """([state, linked]) => { const kept = [bench.state, bench.linked];
    [bench.state, bench.linked] = [{ ...bench.state, ...state }, linked];
    tellStanding();
    const told = { words: $('stands').textContent, wrong: $('stands').classList.contains('wrong'),
      undo: [$('undo').textContent, $('undo').disabled], redo: [$('redo').textContent, $('redo').disabled],
      put_back: !$('put-back').hidden };
    [bench.state, bench.linked] = kept; tellStanding();
    return told; }"""
WRONG = {"words": "no note", "line": 7}


@pytest.mark.parametrize(
    ("state", "linked", "words", "undo", "redo"),
    [
        ({}, True, "slat.toml is as you see and hear it.", True, True),
        ({"mistake": WRONG}, True, "slat.toml, line 7: no note. What you hear is the last good state.", True,
          False),
        ({"mistake": {**WRONG, "line": 0}}, True, "slat.toml, line ?: no note. What", True, False),
        ({"gone": "no such file"}, True, "slat.toml: no such file. What you hear is its last state.", False, False),
        ({}, False, "The server does not answer.", False, False),
        ({"undo": 0, "redo": 0}, True, "slat.toml is", False, False),
    ],
)  # fmt: skip
def test_how_it_stands_says_what_can_be_done(bench, state, linked, words, undo, redo):
    """A mistake can be taken back, a file that is gone cannot; neither is gone on from."""
    told = bench.tab.evaluate(STANDS, [{"undo": 2, "redo": 3, "mistake": None, "gone": "", **state}, linked])
    assert told["words"].startswith(words)
    assert told["wrong"] == (not linked or "mistake" in state or "gone" in state)
    none = state.get("undo") == 0
    assert told["undo"] == ["Take back" if none else "Take back (2)", not undo]
    assert told["redo"] == ["Do again" if none else "Do again (3)", not redo]
    assert told["put_back"] == ("gone" in state)


@pytest.mark.parametrize(("button", "name"), [("undo", "back"), ("redo", "forth"), ("put-back", "put_back")])
def test_each_button_asks_for_its_own_change(bench, button, name):
    act = "(id) => { const button = $(id); button.disabled = false; button.click(); }"
    assert asked(bench, act, button) == [(name, {})]


@pytest.mark.parametrize(
    ("key", "how", "name"),
    [("z", {}, "back"), ("z", {"shiftKey": True}, "forth"), ("y", {}, "forth"), ("Z", {"shiftKey": True}, "forth")],
)  # fmt: skip
def test_keys_take_back_and_do_again(bench, key, how, name):
    act = """([key, how]) => { for (const id of ['undo', 'redo']) $(id).disabled = false;
        document.body.dispatchEvent(new KeyboardEvent('keydown', { key, ctrlKey: true, bubbles: true,
          ...how })); }"""
    assert asked(bench, act, [key, how]) == [(name, {})]


def test_the_two_lists_offer_the_tines_of_what_is_chosen(bench):
    chosen = """(chosen) => { choose(chosen); return [$('thing').value, $('which').hidden,
        [...$('thing-tine').options].map((each) => [each.textContent, each.value]), $('thing-tine').value]; }"""
    assert bench.tab.evaluate(chosen, {"kind": "bar"})[:2] == ["bar", True]
    assert bench.tab.evaluate(chosen, {"kind": "board", "name": "panel"})[:2] == ["board panel", True]
    tines = [["all", ""], ["1", "3"], ["2", "4"], ["3", "5"]]
    assert bench.tab.evaluate(chosen, {"kind": "group", "index": 1}) == ["group 1", False, tines, ""]
    assert bench.tab.evaluate(chosen, {"kind": "tine", "index": 4}) == ["group 1", False, tines, "4"]
    bench.tab.select_option("#thing-tine", "")
    assert bench.tab.evaluate("things.chosen") == {"kind": "group", "index": 1}
    bench.tab.select_option("#thing", "board panel")
    assert bench.tab.evaluate("things.chosen") == {"kind": "board", "name": "panel"}


def test_another_model_keeps_the_tine_that_is_chosen_by_its_group_and_number(bench):
    """The second of the second group; where it is gone, none."""
    act = """(taken) => { showTine(4); const head = structuredClone(HEAD);
        head.picture = head.picture.filter((_, r) => r !== taken);
        head.groups = [0, 1].map((g) => ({ ...head.groups[g],
          tines: [...head.picture.keys()].filter((r) => head.picture[r].group === g) }));
        const kept = structuredClone(HEAD), calls = bench.on.shown.splice(0);
        showModel(head); const found = drawing.chosen;
        showModel(kept); bench.on.shown.push(...calls); return found; }"""
    assert bench.tab.evaluate(act, 4) is None
    assert bench.tab.evaluate(act, 0) == 3
    assert bench.tab.evaluate(act, -1) == 4


def test_while_two_players_sound_each_has_half_the_room_and_the_old_one_fades(bench):
    act = """() => { const told = [];
        const gain = { setValueAtTime: (...how) => told.push(['from', ...how]),
          linearRampToValueAtTime: (...how) => told.push(['to', ...how]) };
        const player = (name) => ({ tell: (message) => told.push([name, message]), context: { currentTime: 5 },
          output: { gain, disconnect: () => told.push([name, 'off']) } });
        const end = leave(player('old'), player('new')); swap.leaving = end; end();
        return [told, swap.leaving === null, RINGS_ON]; }"""
    told, over, seconds = bench.tab.evaluate(act)
    assert over
    assert told == [
        ["old", {"headroom": 0.5}], ["new", {"headroom": 0.5}], ["from", 1, 5], ["to", 0, 5 + seconds],
        ["old", {"over": True}], ["old", "off"], ["new", {"headroom": 1}],
    ]  # fmt: skip


def test_what_is_heard_through_is_asked_of_the_player_or_of_the_server(bench):
    act = """(name) => { const kept = [window.tinewright.player, swap.running, swap.wanted], told = [];
        window.tinewright.player = { tell: (message) => told.push(message) }; swap.running = true;
          swap.wanted = null;
        $('through').value = name; doors.through(name); const { wanted } = swap;
        [window.tinewright.player, swap.running, swap.wanted] = kept; $('through').value = 'bar';
        return [told, wanted]; }"""
    model = bench.tab.evaluate("HEAD.model")
    assert bench.tab.evaluate(act, "pickup") == [[{"through": "pickup"}], None]
    assert bench.tab.evaluate(act, "panel") == [[], {"model": model, "through": "panel"}]


def test_what_is_heard_through_is_asked_of_the_model_that_is_on_its_way(bench):
    act = """() => { const kept = [bench.state, swap.running, swap.wanted];
        bench.state = { ...bench.state, model: 'newer' }; swap.running = true; swap.wanted = null;
        $('through').value = 'panel'; doors.through('panel'); const { wanted } = swap;
        [bench.state, swap.running, swap.wanted] = kept; $('through').value = 'bar'; return wanted; }"""
    assert bench.tab.evaluate(act) == {"model": "newer", "through": "panel"}


def test_what_was_foreseen_of_a_model_that_is_gone_is_not_told(bench):
    act = """async () => { const plainly = asked, { model } = HEAD; let answer;
        $('foreseen').textContent = 'as it was';
        asked = () => new Promise((told) => { answer = told; });
        try { const over = foresee(1, []); HEAD.model = 'newer';
          answer({ hz: 1, length_mm: 1, ratios: [], nearest: [], cents: [] }); await over;
          return $('foreseen').textContent; }
        finally { asked = plainly; HEAD.model = model; } }"""
    assert bench.tab.evaluate(act) == "as it was"


# sounds that are what is written in them, a player that notes them, and answers that come when they are told to
REPLAYS = """const kept = [{ ...replay }, asked, bench.state, window.AudioBufferSourceNode, window.GainNode];
    const heard = [], bodies = [], answers = [];
    const sound = (words) => ({ sounds: [{ name: 'now', true: 1, matched: 1, level_dba: 1, changes: [],
      flac: btoa(words) }], left: [] });
    const soon = () => new Promise((go) => setTimeout(go));
    asked = (name, body) => { bodies.push(body.stroke.group);
      return new Promise((told) => { answers.push(told); }); };
    window.GainNode = class { connect() {} };
    window.AudioBufferSourceNode = class { constructor(_, { buffer }) { heard.push(buffer); }
      connect(to) { return to; } start() {} stop() {} };
    Object.assign(replay, { told: null, key: '', playing: null, stroke: { group: 'low' }, context: { resume() {},
      decodeAudioData: async (bytes) => new TextDecoder().decode(bytes) } });
    const play = (told) => { playSound(told.sounds[0]); };
    const end = () => { Object.assign(replay, kept[0]);
      [, asked, bench.state, window.AudioBufferSourceNode, window.GainNode] = kept; };"""


def test_a_gesture_that_is_to_be_heard_twice_at_once_is_rendered_once_and_each_sound_is_its_own(bench):
    act = f"""async () => {{ {REPLAYS}
        try {{ const first = hear(play), again = hear(play);
          await soon(); replay.stroke = {{ group: 'high' }}; await soon();
          answers[0](sound('of low')); await soon();
          answers[1]?.(sound('of high')); await first; await again;
          const asks = bodies.length, last = hear(play);
          await soon(); answers.slice(2).forEach((told) => told(sound('of neither'))); await last;
          return [bodies, heard, asks]; }} finally {{ end(); }} }}"""
    bodies, heard, asks = bench.tab.evaluate(act)
    assert (bodies, asks) == (["low", "high"], 2)
    assert heard == ["of low", "of high", "of high"]


def test_a_gesture_is_rendered_again_by_a_server_that_was_started_again(bench):
    act = f"""async () => {{ {REPLAYS}
        try {{ const first = hear(play); await soon(); answers[0](sound('before')); await first;
          bench.state = {{ ...bench.state, server: 'another' }};
          const then = hear(play); await soon(); answers[1]?.(sound('after')); await then;
          return heard; }} finally {{ end(); }} }}"""
    assert bench.tab.evaluate(act) == ["before", "after"]


SOUNDS: list[dict[str, Any]] = [
    {"name": "low rail", "true": 0.2, "matched": 0.4, "level_dba": 61.26, "changes": []},
    {"name": "now", "true": 0.1, "matched": 0.5, "level_dba": None, "changes": ["one", "two"]},
]


@pytest.mark.parametrize("level", ["true", "matched"])
@pytest.mark.parametrize("gain_db", [-40.0, -6.0, 60.0])
def test_versions_are_as_loud_as_the_page_and_no_louder_than_it_may_be(bench, level, gain_db):
    """All by one factor: that of the page's slider, or what brings the loudest of them to -6 dBFS."""
    act = """([sounds, level, gain]) => { const kept = [replay.told, $('gain').value];
        replay.told = { sounds, left: [] };
        document.querySelector(`input[name="level"][value="${level}"]`).checked = true;
        $('gain').value = gain; const found = sounds.map(gainOf);
        [replay.told, $('gain').value] = kept;
        document.querySelector('input[name="level"][value="true"]').checked = true; return found; }"""
    low = bench.tab.evaluate("Number($('gain').min)")
    gain = max(gain_db, low)
    factor = min(10.0 ** (gain / 20.0), 0.5 / max(each[level] for each in SOUNDS))
    found = bench.tab.evaluate(act, [SOUNDS, level, gain_db])
    assert found == pytest.approx([factor * each[level] for each in SOUNDS])


def test_what_differs_is_told_of_the_version_that_is_heard(bench):
    act = """([sound]) => { const kept = replay.stroke; replay.stroke = { group: 'low' }; tellDifference(sound);
        replay.stroke = kept; return [$('said').textContent, $('differs').hidden, $('differs').textContent]; }"""
    assert bench.tab.evaluate(act, [SOUNDS[0]]) == [
        "low rail: low, true level, up to 61.3 dB(A).", True, ""
    ]  # fmt: skip
    assert bench.tab.evaluate(act, [SOUNDS[1]]) == ["As it is now: low, true level.", False, "one\ntwo"]
    found = "([told, name]) => { try { return soundOf(told, name).name; } catch (no) { return no.message; } }"
    told = {"sounds": SOUNDS, "left": [{"name": "bad", "words": "it cannot be built"}]}
    assert bench.tab.evaluate(found, [told, ""]) == "now"
    assert bench.tab.evaluate(found, [told, "low rail"]) == "low rail"
    assert bench.tab.evaluate(found, [told, "bad"]) == "it cannot be built"


@pytest.mark.parametrize(("words", "name"), [("Put into the file", "recall"), ("Forget", "forget")])
def test_a_version_s_buttons_ask_for_what_they_say_of_that_version(bench, words, name):
    act = """(words) => [...versionRow('low rail').querySelectorAll('button')]
        .find((each) => each.textContent === words).click()"""
    assert asked(bench, act, words) == [(name, {"name": "low rail"})]


def test_the_last_gesture_is_asked_for_on_every_version_through_what_is_heard(bench):
    act = """async () => { const kept = { ...replay }, state = bench.state;
        bench.state = { ...state, versions: ['one', 'two'] };
        const { value } = $('through'); $('through').append(new Option('lid', 'lid')); $('through').value = 'lid';
        Object.assign(replay, { stroke: { group: 'low', bite_mm: 1.5 }, key: '' });
        try { await replayed(); } finally { bench.state = state; Object.assign(replay, kept);
          $('through').lastChild.remove(); $('through').value = value; } }"""
    body = {"names": ["one", "two", ""], "stroke": {"group": "low", "bite_mm": 1.5}, "through": "lid"}
    body["page"] = bench.tab.evaluate("TAB")
    assert len(body["page"]) > 8
    assert asked(bench, act, replay={"sounds": [], "left": []}) == [("replay", body)]


def test_what_was_refused_can_be_sent_again_and_what_was_taken_is_sent_once(bench):
    act = """async (taken) => { const control = document.createElement('input'), sent = [];
        committed(control, 'old', () => control.value, async (next) => { sent.push(next); return taken; });
        for (const words of ['old', 'new', 'new', 'other', 'old']) {
          control.value = words; control.dispatchEvent(new Event('change'));
          await new Promise((go) => setTimeout(go)); sent.push(control.dataset.sent ?? '-'); }
        return sent; }"""
    assert bench.tab.evaluate(act, False) == ["-", "new", "-", "new", "-", "other", "-", "-"]
    assert bench.tab.evaluate(act, True) == ["-", "new", "yes", "yes", "other", "yes", "old", "yes"]


def test_advice_that_waits_for_an_older_model_is_no_longer_asked_for(bench):
    act = """async () => { const kept = { ...known }, own = [window.clearTimeout, fetchedJson], stopped = [];
        const { told } = known;
        window.clearTimeout = (timer) => { stopped.push(timer); own[0].call(window, timer); };
        fetchedJson = async () => told; known.timer = 4321;
        try { await askKnown(); const first = known.timer; await askKnown(); return [stopped[0], stopped.includes(first)]; }
        finally { clearTimeout(known.timer); [window.clearTimeout, fetchedJson] = own; Object.assign(known, kept);
          showKnown(); } }"""  # noqa: E501
    assert bench.tab.evaluate(act) == [4321, True]
