"""MIDI on the page in Chromium: messages mean there what they mean in a file and in live playing."""

from __future__ import annotations

import random

import mido
import pytest

from synth.page.pack import BRIGHT
from synth.playing.midi_mapping import Keys, edged, notes
from synth.playing.stroke import CONTROLS, Hold, Stroke

from .conftest import begun, made, rests, said

pytestmark = pytest.mark.browser


def midi(page, *messages):
    for message in messages:
        page.tab.evaluate("(message) => heardMidi(message)", list(message))
    page.tab.wait_for_timeout(50)


def test_midi_notes_stroke_to_and_fro_at_the_speed_of_their_velocity(page):
    note = {group: number for number, group in notes(made("straight")).items()}[0]
    midi(page, (0x90, note, 1), (0x90, note, 127))
    first, second = begun(page)
    assert (first["group"], first["direction"], second["direction"]) == (0, "forward", "backward")
    assert first["speed_mm_s"] == pytest.approx(100.0)
    assert second["speed_mm_s"] == pytest.approx(3000.0)
    assert (first["lean"], first["bite_mm"], first["pressure_n"]) == (0.0, 2.0, 0.0)


def test_midi_controllers_mean_what_the_readme_says(page):
    note = {group: number for number, group in notes(made("straight")).items()}[0]
    midi(page, (0xB0, 1, 127), (0xB0, 11, 0), (0xB0, 16, 100), (0xD0, 127), (0x90, note, 64))
    (stroke,) = begun(page)
    assert (stroke["lean"], stroke["bite_mm"], stroke["grip"]) == (1.0, 0.0, "firm")
    assert stroke["pressure_n"] == pytest.approx(0.2)


def test_midi_brightness_takes_the_nearest_step_and_outlasts_a_reset(page):
    note = {group: number for number, group in notes(made("straight")).items()}[0]
    midi(page, (0xB0, 74, 100), (0x90, note, 64), (0xB0, 121, 0), (0x90, note, 64), (0xB0, 74, 64))
    assert [each["brightness"] for each in begun(page)] == [96, 96]


def test_midi_pedals_hold_what_they_hold(page):
    note = {group: number for number, group in notes(made("straight")).items()}[0]
    midi(page, (0x90, note, 64), (0xB0, 64, 127), (0x80, note, 0))
    assert rests(page) == []
    midi(page, (0xB0, 64, 0))
    assert rests(page)[:1] == [("threads", True)]
    page.tab.wait_for_timeout(400)
    page.tab.evaluate("window.tells.length = 0")
    midi(page, (0x90, note, 64), (0xB0, 66, 127), (0x80, note, 0))
    assert rests(page) == []
    midi(page, (0xB0, 66, 0))
    assert rests(page)[:1] == [("threads", True)]
    page.tab.wait_for_timeout(400)


PLAY = """async (messages) => {
    const { player } = window.tinewright, told = [];
    const tell = (message) => told.at(-1).push(message);
    window.tinewright.player = { tell, context: { state: 'running' }, second: (time) => time };
    for (const each of messages) {
      told.push([]);
      heardMidi(each);
      await new Promise((done) => setTimeout(done));
    }
    window.tinewright.player = player;
    return told; }"""


def test_whatever_a_keyboard_sends_means_the_same_as_in_a_file(page):
    """Random messages on two channels: stroke by stroke and palm by palm what `midi_mapping.Keys` makes of them."""
    instrument, chosen = made("straight"), random.Random(7)
    numbers = list(notes(instrument))
    kinds = [
        lambda: ("note_on", {"note": chosen.choice(numbers), "velocity": chosen.randint(0, 127)}),
        lambda: ("note_off", {"note": chosen.choice(numbers)}),
        lambda: ("aftertouch", {"value": chosen.randint(0, 127)}),
        lambda: ("program_change", {"program": chosen.randint(0, 127)}),
        lambda: ("control_change", {"control": 74, "value": chosen.choice([*BRIGHT, 64])}),
        lambda: (
            "control_change",
            {"control": chosen.choice([1, 11, 16, 64, 66]), "value": chosen.randint(0, 127)},
        ),
        lambda: ("control_change", {"control": chosen.choice([64, 66, 121, 123]), "value": 0}),
    ]
    messages = []
    for _ in range(250):
        kind, said = kinds[chosen.choice([0, 0, 0, 1, 1, 2, 3, 4, 5, 5, 6])]()
        messages.append(mido.Message(kind, channel=chosen.randint(0, 1), **said))
    keys = Keys(instrument)
    told = page.tab.evaluate(PLAY, [each.bytes() for each in messages])
    for message, heard_of in zip(messages, told, strict=True):
        wanted = keys.receive(message, 0.0)
        strokes = [each["begin"] for each in heard_of if "begin" in each]
        palms = [each["rest"]["palm"] for each in heard_of if each.get("rest", {}).get("down")]
        holds = [instrument.groups[each.group].name for each in wanted if isinstance(each, Hold)]
        assert sorted(palms) == sorted(holds), message
        for stroke, one in zip(strokes, [each for each in wanted if isinstance(each, Stroke)], strict=True):
            assert [stroke[key] for key in ("group", "direction", "grip")] == [
                one.group,
                one.direction,
                one.grip,
            ]
            assert edged(instrument.sticks[stroke["stick"]], stroke["brightness"]) == one.stick
            assert [stroke[each.key] * each.unit for each in CONTROLS if each.key in stroke] == pytest.approx(
                [getattr(one, each.field) for each in CONTROLS if each.key in stroke]
            )


def test_a_stubbed_midi_keyboard_plays(page):
    note = {group: number for number, group in notes(made("straight")).items()}[0]
    page.tab.evaluate(
        "() => { window.stub = { name: 'stub' }; navigator.requestMIDIAccess = async () =>"
        " ({ inputs: new Map([['a', window.stub]]) }); }"
    )
    page.tab.click("#midi")
    page.until("!!window.stub.onmidimessage")
    page.tab.evaluate("(note) => { window.stub.onmidimessage({ data: [0x90, note, 80] }); }", note)
    page.until("window.reports.length")
    assert said(page).startswith("threads")
