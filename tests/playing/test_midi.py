"""MIDI files and what a keyboard's messages mean (MIDI 1.0 and Standard MIDI File 1.0 specifications)."""

import dataclasses
import random
import struct

import mido
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing import midi
from synth.playing.midi import read_midi, refuse_missing, timed
from synth.playing.midi_mapping import Keys, Unplayable, notes
from synth.playing.stroke import BITE, Hold, Stroke

DESIGN = """
[bar]
section = { shape = "rectangle", width_mm = 25.0, height_mm = 25.0 }
path = [ { straight_mm = 600.0 } ]
[recipe.pair]
members = [0, 12]
[[group]]
name = "low"
root = "A3"
recipe = "pair"
stock = "M3"
start_mm = 50.0
[[group]]
name = "middle"
root = "D4"
recipe = "pair"
stock = "M3"
start_mm = 200.0
[[group]]
name = "drum"
root = "A4"
midi_note = 36
recipe = "pair"
stock = "M3"
start_mm = 350.0
"""
A3, D4 = 57, 62  # MIDI 1.0: A4 = 69


@pytest.fixture(scope="module")
def instrument(tmp_path_factory):
    path = tmp_path_factory.mktemp("design") / "design.toml"
    path.write_text(DESIGN)
    return resolve(load(path))


def saved(path, tracks, *, ticks_per_beat=480, kind=1):
    file = mido.MidiFile(type=kind, ticks_per_beat=ticks_per_beat)
    for messages in tracks:
        file.tracks.append(mido.MidiTrack(messages))
    file.save(path)
    return path


def note(number, *, velocity=64, time=0, channel=0):
    return mido.Message("note_on", note=number, velocity=velocity, time=time, channel=channel)


def control(number, value, *, time=0):
    return mido.Message("control_change", control=number, value=value, time=time)


def test_time_is_the_specification_s_own_example(tmp_path, instrument):
    # SMF 1.0, "Example": 96 ticks a quarter note, 500,000 us a quarter: the note of tick 96 sounds at 0.5 s, of
    # tick 192 at 1.0 s; here the tempo then halves, so that tick 288 comes a second later.
    tempo = [
        mido.MetaMessage("set_tempo", tempo=500_000, time=0),
        mido.MetaMessage("set_tempo", tempo=1_000_000, time=192),
    ]
    notes = [note(A3, time=96), note(D4, time=96), note(A3, time=96)]
    piece, missing = read_midi(
        saved(tmp_path / "a.mid", [tempo, notes], ticks_per_beat=96), instrument, through="bar"
    )
    assert [each.event.start for each in piece.played] == pytest.approx([0.5, 1.0, 2.0])
    assert missing == ()
    assert piece.seconds == pytest.approx(6.0)  # four more to ring


def test_tempo_arithmetic_agrees_with_mido_s_own_player(tmp_path):
    dice = random.Random(4)
    tempo = [
        mido.MetaMessage("set_tempo", tempo=dice.randrange(200_000, 900_000), time=dice.randrange(700))
        for _ in range(20)
    ]
    tempo.insert(3, mido.MetaMessage("time_signature", numerator=7, denominator=8, time=100))
    tracks = [tempo, *([note(A3, time=dice.randrange(900)) for _ in range(30)] for _ in range(3))]
    path = saved(tmp_path / "a.mid", tracks, ticks_per_beat=240)
    ours = [second for second, _, _ in timed(mido.MidiFile(path))]
    theirs, now = [], 0.0
    for message in mido.MidiFile(path):  # mido counts seconds with its tick2second
        now += message.time
        if not message.is_meta:
            theirs.append(now)
    assert ours == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(("frames", "rate"), [(24, 24.0), (25, 25.0), (29, 30_000.0 / 1001.0), (30, 30.0)])
def test_a_division_in_smpte_frames_ignores_the_tempo(tmp_path, instrument, frames, rate):
    """40 ticks a frame; 29 stands for 30 drop frame, 30,000 frames in 1001 seconds (SMPTE 12M)."""
    tempo = mido.MetaMessage("set_tempo", tempo=200_000)
    path = saved(tmp_path / "a.mid", [[tempo, note(A3, time=10_000), note(A3, time=500)]])
    data = bytearray(path.read_bytes())
    data[12:14] = struct.pack(">bB", -frames, 40)
    path.write_bytes(data)
    piece, _ = read_midi(path, instrument, through="bar")
    wanted = [250.0 / rate, 262.5 / rate]
    assert [each.event.start for each in piece.played] == pytest.approx(wanted, rel=1e-9)


def test_running_status_is_read(tmp_path, instrument):
    track = bytes([0, 0x90, A3, 64, 96, D4, 64, 96, A3, 64, 0, 0xFF, 0x2F, 0])  # status written once
    data = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 96) + b"MTrk" + struct.pack(">I", len(track)) + track
    (tmp_path / "a.mid").write_bytes(data)
    piece, _ = read_midi(tmp_path / "a.mid", instrument, through="bar")
    assert [each.event.group for each in piece.played] == [0, 1, 0]


def test_notes_choose_groups_by_root_or_by_their_own_number(instrument):
    keys = Keys(instrument)
    assert keys.receive(note(A3), 0.0)[0].group == 0
    assert keys.receive(note(36), 0.0)[0].group == 2
    assert keys.receive(note(69), 0.0) == [Unplayable(69, 1)]


@pytest.mark.parametrize(("velocity", "speed"), [(1, 0.1), (64, 0.1 * 30**0.5), (127, 3.0)])
def test_velocity_sets_the_speed_in_equal_steps_of_level(instrument, velocity, speed):
    stroke = Keys(instrument).receive(note(A3, velocity=velocity), 0.0)[0]
    assert stroke.speed == pytest.approx(speed)


def test_controllers_mean_what_the_table_says(instrument):
    keys = Keys(instrument)
    for message in (control(11, 32), control(1, 127), mido.Message("aftertouch", value=127)):
        assert keys.receive(message, 0.0) == []
    keys.receive(mido.Message("program_change", program=2), 0.0)
    keys.receive(control(74, 127), 0.0)
    stroke = keys.receive(note(A3), 0.0)[0]
    assert stroke.bite == pytest.approx(BITE * 32 / 127)
    assert stroke.lean == 1.0
    assert stroke.pressure == 0.2
    assert stroke.stick.name == list(instrument.sticks)[2]
    assert stroke.stick.end_radius == pytest.approx(0.3e-3)
    assert stroke.stick.length == pytest.approx(50e-3)


def test_a_reset_brings_back_all_that_a_player_set_but_brightness_and_stick(instrument):
    """Every controller of the table and the grip (CC 16) away from rest; CC 74 and programs stay by RP-015."""
    keys, fresh = Keys(instrument), Keys(instrument)
    for message in (
        control(11, 32),
        control(1, 127),
        mido.Message("aftertouch", value=100),
        control(16, 127),
    ):
        keys.receive(message, 0.0)
    for each in (keys, fresh):
        each.receive(mido.Message("program_change", program=1), 0.0)
        each.receive(control(74, 100), 0.0)
    moved = keys.receive(note(A3), 0.0)[0]
    keys.receive(note(A3), 0.0)
    keys.receive(control(121, 0), 0.0)
    again, plain = keys.receive(note(A3), 0.0)[0], fresh.receive(note(A3), 0.0)[0]
    changed = {
        each.name
        for each in dataclasses.fields(Stroke)
        if getattr(moved, each.name) != getattr(plain, each.name)
    }
    assert changed == {"bite", "lean", "pressure", "grip"}
    assert again == plain


def test_a_shorter_stick_is_stiffer_by_the_cube_of_its_length(instrument):
    keys = Keys(instrument)
    plain = keys.receive(note(A3), 0.0)[0].stick
    keys.receive(control(74, 127), 0.0)
    bright = keys.receive(note(A3), 0.0)[0].stick
    assert bright.stiffness / plain.stiffness == pytest.approx((plain.length / bright.length) ** 3)
    assert bright.frequency / plain.frequency == pytest.approx((plain.length / bright.length) ** 2)


def test_strokes_of_a_group_alternate_forward_first(instrument):
    keys = Keys(instrument)
    assert [keys.receive(note(A3), 0.0)[0].direction for _ in range(3)] == ["forward", "backward", "forward"]


def off(number):
    return mido.Message("note_off", note=number)


def test_note_off_stops_the_group_unless_the_damper_pedal_is_down(instrument):
    keys = Keys(instrument)
    keys.receive(note(A3), 0.0)
    assert [type(each) for each in keys.receive(off(A3), 1.0)] == [Hold]
    keys.receive(control(64, 127), 2.0)
    keys.receive(note(A3), 2.0)
    assert keys.receive(off(A3), 3.0) == []
    released = keys.receive(control(64, 0), 4.0)
    assert [(each.group, each.start) for each in released] == [(0, 4.0)]


def test_the_sostenuto_pedal_holds_what_sounds_when_it_goes_down_and_nothing_else(instrument):
    keys = Keys(instrument)
    keys.receive(note(A3), 0.0)
    keys.receive(control(66, 127), 0.1)
    keys.receive(note(D4), 0.2)
    assert keys.receive(off(A3), 0.3) == []
    assert [each.group for each in keys.receive(off(D4), 0.4)] == [1]
    assert [each.group for each in keys.receive(control(66, 0), 0.5)] == [0]


NOTES = {A3: 0, D4: 1, 36: 2}
PEDALS = {64: "damper", 66: "sostenuto"}


def test_a_group_is_stopped_when_its_key_is_up_and_no_pedal_holds_it_whatever_was_done_before(instrument):
    """Random playing against the rule itself: sostenuto catches the keys that are down as it goes down."""
    for seed in range(200):
        chosen, keys = random.Random(seed), Keys(instrument)
        down, ringing, caught, pedal = set(), set(), set(), {"damper": False, "sostenuto": False}
        for second in range(30):
            kind = chosen.choice(["key", "key", "key", *PEDALS, 121, 123])
            if kind == "key":
                number = chosen.choice(list(NOTES))
                if NOTES[number] in down:
                    message = off(number)
                    down.discard(NOTES[number])
                else:
                    message = note(number)
                    down.add(NOTES[number])
                    ringing.add(NOTES[number])
            elif kind in PEDALS:
                value = chosen.choice([0, 30, 63, 64, 100, 127])
                message, pressed = control(kind, value), value >= 64
                if kind == 66:
                    caught = caught if pressed and pedal["sostenuto"] else set(down) if pressed else set()
                pedal[PEDALS[kind]] = pressed
            else:
                message = control(kind, 0)
                down = set() if kind == 123 else down
                if kind == 121:
                    caught, pedal = set(), dict.fromkeys(pedal, False)
            stopped = set() if pedal["damper"] else ringing - down - caught
            told = [each for each in keys.receive(message, float(second)) if isinstance(each, Hold)]
            assert [each.group for each in told] == sorted(stopped), (seed, second, message)
            ringing -= stopped


def test_all_notes_off_lets_go_and_all_sound_off_stops_everything(instrument):
    keys = Keys(instrument)
    keys.receive(note(A3), 0.0)
    assert [each.group for each in keys.receive(control(123, 0), 1.0)] == [0]
    assert [each.group for each in keys.receive(control(120, 0), 2.0)] == [0, 1, 2]


def test_what_cannot_be_played_is_listed_with_time_and_track(tmp_path, instrument):
    path = saved(tmp_path / "a.mid", [[note(A3)], [note(70, time=960), note(71, time=480)]])
    piece, missing = read_midi(path, instrument, through="bar")
    assert len(piece.played) == 1
    with pytest.raises(InputError, match=r"2 notes cannot be played: A#4 \(note 70\) at 1\.00 s on track 2"):
        refuse_missing(missing, instrument, path)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is not a MIDI file"),
        (b"RIFFxxxx", "is not a MIDI file"),
        (b"MThd" + struct.pack(">IHHH", 6, 2, 0, 96), "is of format 2"),
        (b"MThd" + struct.pack(">IHHH", 6, 0, 0, 96), "no note is played"),
        (b"MThd" + struct.pack(">IHHH", 6, 0, 0, 0), "0 ticks a beat"),
    ],
)
def test_a_file_that_is_none_is_told_in_one_line(tmp_path, instrument, data, said):
    (tmp_path / "a.mid").write_bytes(data)
    with pytest.raises(InputError, match=said):
        read_midi(tmp_path / "a.mid", instrument, through="bar")


@pytest.mark.slow
def test_ten_thousand_broken_files_give_one_line_or_a_piece(tmp_path, instrument):
    tempo = [mido.MetaMessage("set_tempo", tempo=400_000), mido.MetaMessage("track_name", name="tune")]
    notes = [note(A3, time=100), control(64, 127), mido.Message("sysex", data=[1, 2, 3]), off(A3)] * 5
    whole = saved(tmp_path / "whole.mid", [tempo, notes]).read_bytes()
    dice = random.Random(1)
    broken = tmp_path / "broken.mid"
    outcomes = {"played": 0, "refused": 0}
    for _ in range(10_000):
        data = bytearray(whole)
        for _ in range(dice.randrange(1, 6)):
            data[dice.randrange(len(data))] = dice.randrange(256)
        if dice.random() < 0.3:
            del data[dice.randrange(len(data)) :]
        broken.write_bytes(data)
        try:
            read_midi(broken, instrument, through="bar")
            outcomes["played"] += 1
        except InputError as error:
            outcomes["refused"] += "\n" not in str(error)
    assert outcomes["played"] > 100
    assert outcomes["refused"] > 100


@pytest.mark.parametrize(
    ("value", "grip"), [(0, "light"), (42, "light"), (64, "usual"), (86, "firm"), (127, "firm")]
)
def test_controller_16_is_the_grip(instrument, value, grip):
    keys = Keys(instrument)
    assert keys.receive(note(A3), 0.0)[0].grip == "usual"
    keys.receive(control(16, value), 0.0)
    assert keys.receive(note(A3), 0.0)[0].grip == grip


def test_a_hand_that_slides_along_its_stick_leaves_the_stick_as_long_as_it_is(instrument):
    keys = Keys(instrument)
    plain = keys.receive(note(A3), 0.0)[0].stick
    keys.receive(control(74, 127), 0.0)
    bright = keys.receive(note(A3), 0.0)[0].stick
    assert bright.length + bright.behind == pytest.approx(plain.length + plain.behind)


def test_a_note_that_a_design_gives_away_is_not_the_note_of_anothers_root_too(instrument):
    """The drum has the note of the low group's root: it keeps it, and of two roots on one note the first has it."""
    low, middle, drum = instrument.groups
    taken = dataclasses.replace(instrument, groups=(low, middle, dataclasses.replace(drum, midi_note=A3)))
    alike = dataclasses.replace(low, midi_note=None)
    plain = dataclasses.replace(taken, groups=(alike, middle, taken.groups[2]))
    assert notes(plain)[A3] == 2
    twice = dataclasses.replace(instrument, groups=(alike, dataclasses.replace(alike, name="again"), drum))
    assert notes(twice)[A3] == 0


def test_notes_go_by_the_instruments_own_a(tmp_path, instrument):
    """At a' = 415 Hz, a semitone lower: a root of 207.5 Hz is still an A, and what is missing is named so too."""
    low, middle, drum = instrument.groups
    baroque = dataclasses.replace(
        instrument, a4=415.0, groups=(dataclasses.replace(low, root_hz=207.5, midi_note=None), middle, drum)
    )
    assert notes(baroque)[A3] == 0
    path = saved(tmp_path / "a.mid", [[note(A3), note(70, time=480)]])
    piece, missing = read_midi(path, baroque, through="bar")
    assert [each.event.group for each in piece.played] == [0]
    with pytest.raises(InputError, match=r"A#4 \(note 70\) at 0\.50 s on track 1"):
        refuse_missing(missing, baroque, path)


def test_what_waited_for_a_pedal_is_forgotten_once_all_sound_is_off(instrument):
    """The pedal comes up later: nothing rings any more that a palm could stop."""
    keys = Keys(instrument)
    for message in (control(64, 127), note(A3), off(A3)):
        assert not [each for each in keys.receive(message, 0.0) if isinstance(each, Hold)]
    assert len(keys.receive(control(120, 0), 1.0)) == 3
    assert keys.receive(control(64, 0), 2.0) == []


def test_programs_go_through_the_sticks_round_and_round(instrument):
    sticks, keys = [*instrument.sticks.values()], Keys(instrument)
    for program in (0, 1, len(sticks) - 1, len(sticks), 2 * len(sticks) + 1, 127):
        keys.receive(mido.Message("program_change", program=program), 0.0)
        assert keys.receive(note(A3), 0.0)[0].stick == sticks[program % len(sticks)]


@pytest.mark.parametrize(
    ("name", "most", "said"),
    [("MOST_EVENTS", 2, "over 2 strokes; cut it"), ("LONGEST_S", 1.2, "lasts over 1 s; cut it")],
)
def test_a_file_of_too_many_strokes_or_too_long_is_refused_with_its_track(
    tmp_path, instrument, monkeypatch, name, most, said
):
    path = saved(tmp_path / "a.mid", [[note(A3, time=480)] * 3], ticks_per_beat=480)
    assert len(read_midi(path, instrument, through="bar")[0].played) == 3
    monkeypatch.setattr(midi, name, most)
    with pytest.raises(InputError, match=rf"a\.mid: track 1: .*{said}"):
        read_midi(path, instrument, through="bar")


def test_a_file_that_ends_too_soon_is_told_in_words(instrument, tmp_path):
    path = tmp_path / "cut.mid"
    path.write_bytes(b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0MTrk\x00\x00\x00\x20\x00\x90")
    with pytest.raises(InputError) as refused:
        read_midi(path, instrument, through="bar")
    assert "(it ends too soon)" in str(refused.value)
