"""From a design to sound: pitch, decay, determinism, what rings along, what a palm takes."""

import dataclasses
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
import soundfile

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.playing.contact.resolution import EVENT, REFERENCE
from synth.playing.script import Performance, Played
from synth.playing.stroke import Hold, Stroke
from synth.sound import audio, render
from synth.sound.audio import RATE
from synth.sound.render import ContactSettings, perform, play, scene
from synth.units import cents, ratio

CENT = ratio(1.0) - 1.0

ONE = """
[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 40.0 }
path = [ { straight_mm = 300.0 } ]
supports = [ { at_mm = 60.0, kind = "rubber" }, { at_mm = 240.0, kind = "rubber" } ]
[tines]
split_cents = 0.0
[[group]]
name = "one"
stock = "M4"
start_mm = 100.0
[[group.tine]]
pitch = "A3"
[[group]]
name = "other"
stock = "M4"
start_mm = 150.0
spacing_mm = 15.0
[[group.tine]]
pitch = "A3"
[[group.tine]]
pitch = "E4"
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 400.0
thickness_mm = 4.0
feet = [ { bar_mm = 60.0, x_mm = 110.0, y_mm = 150.0 }, { bar_mm = 240.0, x_mm = 290.0, y_mm = 150.0 } ]
"""


@pytest.fixture(scope="module")
def instrument(tmp_path_factory):
    path = tmp_path_factory.mktemp("design") / "design.toml"
    path.write_text(ONE)
    return resolve(load(path), str(path))


@pytest.fixture(scope="module")
def bar(instrument):
    return scene(instrument, "bar")


def stroke(instrument, group=0, **more):
    return Stroke(group=group, stick=instrument.sticks["birch"], **more)


def band(sound, low, high):
    """The analytic signal of one channel between two frequencies (Hilbert, by its spectrum)."""
    spectrum = np.fft.fft(sound)
    frequency = np.fft.fftfreq(len(sound), 1.0 / RATE)
    return np.fft.ifft(np.where((frequency > low) & (frequency < high), 2.0 * spectrum, 0.0))


def loudest_mode(position, low, high, along=0):
    """The model's mode between two frequencies in which tine 0 swings most along the row."""
    from synth.vibration.modal_model import tip_shape

    shape = np.abs(tip_shape(position.model)[along, 0])
    inside = (position.model.frequency > low) & (position.model.frequency < high)
    return int(np.argmax(np.where(inside, shape, 0.0)))


def test_a_partial_in_the_file_has_the_pitch_and_the_decay_that_were_predicted(instrument, tmp_path):
    design = load(instrument.file)
    # planes far apart: the other one would beat with what is measured
    apart = msgspec.structs.replace(design.tines, split_cents=100.0)
    alone = resolve(msgspec.structs.replace(design, group=design.group[:1], tines=apart))
    listening = scene(alone, "bar")
    # without the stick: its click would spread over all of a brick-wall band
    rendering = perform(listening, [stroke(alone)], seconds=6.0, settings=ContactSettings(stick=False))
    audio.write(tmp_path / "a.wav", rendering.blocks)
    sound = soundfile.read(tmp_path / "a.wav")[0][:, 0]
    for partial in (0, 1):
        about = listening.row.modes.frequency[0, 0, partial]
        mode = loudest_mode(listening, 0.97 * about, 1.03 * about)
        analytic = band(sound, 0.97 * about, 1.03 * about)
        seconds = min(4.0, 0.5 * listening.model.decay[mode])
        start = int(0.15 * RATE)  # the contact is over
        part = analytic[start : start + int(seconds * RATE)]
        time = np.arange(len(part)) / RATE
        frequency = np.polyfit(time, np.unwrap(np.angle(part)), 1)[0] / (2.0 * np.pi)
        decay = -np.log(1000.0) / np.polyfit(time, np.log(np.abs(part)), 1)[0]
        assert frequency == pytest.approx(listening.model.frequency[mode], rel=0.1 * CENT)
        assert decay == pytest.approx(listening.model.decay[mode], rel=0.01)


def test_the_mounted_pitch_is_the_target(bar):
    assert bar.row.mounted_hz[0] == pytest.approx(220.0, rel=0.01 * CENT)
    assert abs(cents(bar.row.mounted_hz[2] / 329.6276)) < 0.01  # E4 by equal temperament


def test_the_same_stroke_gives_the_same_samples(instrument, bar):
    one, two = (perform(bar, [stroke(instrument)], seconds=0.5).sound() for _ in range(2))
    np.testing.assert_array_equal(one, two)


def test_another_seed_of_a_loose_hand_gives_another_sound(instrument, bar):
    loose = stroke(instrument, hand="loose")
    one, two = (
        perform(bar, [loose], seconds=0.3, settings=ContactSettings(seed=seed)).sound() for seed in (1, 2)
    )
    assert np.abs(one - two).max() > 1e-3 * np.abs(one).max()


def test_a_tine_tuned_alike_rings_along_untouched(instrument, bar):
    from synth.sound.modal_state import ModalState

    struck = ModalState(bar.model)
    rendering = perform(bar, [stroke(instrument)], seconds=0.01)
    assert rendering.reports[0]["tines"]
    from synth.playing.contact.stroke_contact import stroke_row

    contact = stroke_row(stroke(instrument), instrument, bar.row.modes)
    driven = bar.striker(ContactSettings())(contact, height=0.0).driven
    struck.take(driven.ends / RATE, driven.states)
    early = [np.abs(struck.state(0.3, np.array([n]))[1][0, :, 0]).max() for n in (1,)]
    own = np.abs(struck.state(0.3, np.array([0]))[1][0, :, 0]).max()
    later = max(np.abs(struck.state(t, np.array([1]))[1][0, :, 0]).max() for t in np.linspace(0.5, 3.0, 60))
    assert early[0] < own
    assert later > 0.02 * own  # sympathetic, through the bar alone


def test_a_later_start_is_the_same_sound_later(instrument, bar):
    late = 1000.37 / RATE
    now = perform(bar, [stroke(instrument, start=0.0)], seconds=0.6).sound()
    then = perform(bar, [stroke(instrument, start=late)], seconds=0.6).sound()
    fade = np.exp(-12.0 * np.arange(RATE // 2) / RATE)  # so that what is cut off at the end hardly counts
    for channel in range(2):
        first, second = (np.fft.rfft(each[channel, : RATE // 2] * fade) for each in (now, then))
        first *= np.exp(-(12.0 + 2j * np.pi * np.fft.rfftfreq(RATE // 2, 1.0 / RATE)) * late)
        low = slice(90, 140)  # 180 to 280 Hz
        assert np.abs(second[low] - first[low]).max() < 0.05 * np.abs(first[low]).max()


def test_a_palm_takes_the_ring_away(instrument, bar):
    # on both groups: by now the ring has gone over to the tine that nobody struck
    events = [stroke(instrument), *(Hold(group=n, start=1.0, seconds=0.3, by="palm") for n in (0, 1))]
    # without the stick: its click, ten times as loud as the ring here, would spread over all of a brick-wall band
    free = perform(bar, events[:1], seconds=2.0, settings=ContactSettings(stick=False)).sound()
    held = perform(bar, events, seconds=2.0, settings=ContactSettings(stick=False)).sound()
    before = slice(0, int(0.99 * RATE))
    assert np.abs(free[:, before] - held[:, before]).max() < 1e-6 * np.abs(free).max()
    after = slice(int(1.4 * RATE), int(1.9 * RATE))
    left = [np.sqrt(np.mean(np.abs(band(each[0], 200.0, 240.0)[after]) ** 2)) for each in (free, held)]
    assert left[1] < 0.1 * left[0]


def test_a_touch_takes_less_than_a_palm_from_high_partials(instrument, bar):
    def left(by):
        events = [stroke(instrument), Hold(group=0, start=0.05, seconds=0.02, by=by)]
        sound = perform(bar, events, seconds=0.3, settings=ContactSettings(stick=False)).sound()
        second = band(sound[0], 1250.0, 1500.0)  # the bar's own modes, which nobody holds, stand outside
        return np.mean(np.abs(second[int(0.08 * RATE) : int(0.25 * RATE)]) ** 2)

    assert left("palm") < 0.5 * left("touch")


def test_a_piece_heard_through_two_things_is_their_sum(instrument):
    one, two = stroke(instrument), stroke(instrument, group=1, start=0.2)
    piece = Performance("two", (Played(one, "bar"), Played(two, "panel")), 0.5)
    whole = play(instrument, piece).sound()
    parts = [
        perform(scene(instrument, through), [each], seconds=0.5).sound()
        for through, each in (("bar", one), ("panel", two))
    ]
    assert np.abs(whole - sum(parts)).max() < 1e-5 * np.abs(whole).max()


def test_what_is_heard_through_must_be_there(instrument):
    with pytest.raises(InputError, match="nothing is heard through 'pannel'; did you mean 'panel'"):
        scene(instrument, "pannel")


def test_a_sound_is_the_same_in_blocks_of_any_size(instrument, bar, monkeypatch):
    """A stroke begins in one block and goes on into the next ones; the last is not full."""
    strokes = [stroke(instrument, start=0.03), stroke(instrument, group=1, start=0.11)]
    whole = perform(bar, strokes, seconds=0.3).sound()
    monkeypatch.setattr(render, "BLOCK", 4096)
    cut = perform(bar, strokes, seconds=0.3)
    assert cut.block_count == 4
    parts = list(cut.blocks)
    assert [each.shape for each in parts] == [(2, 4096)] * 3 + [(2, 14_400 - 3 * 4096)]
    assert np.abs(np.concatenate(parts, axis=1) - whole).max() < 1e-6 * np.abs(whole).max()


def test_a_stroke_may_be_heard_before_its_start_and_a_hold_may_not(instrument):
    """A tine that swings 0.3 m would be met so much sooner; a sound is ready a chunk and two reaches before."""
    hold = Hold(group=0, start=0.4, seconds=0.2, by="palm")
    slow, quick = (stroke(instrument, start=0.4, speed=speed) for speed in (0.25, 2.0))
    ready = (256 + 2 * 24) / RATE
    found = [render._earliest(0.5, each) for each in (slow, quick, render.HoldPart(hold, 0.4))]
    assert found == pytest.approx([0.5 - 0.3 / 0.25 - ready, 0.5 - 0.3 / 2.0 - ready, 0.5])


def test_every_stroke_of_a_loose_hand_is_another_one_and_the_seed_tells_them_all(instrument, bar):
    """The second of seed 1 is drawn as the first of seed 2."""

    def passing(seed, starts):
        loose = [stroke(instrument, group=1, hand="loose", start=each) for each in starts]
        settings = ContactSettings(seed=seed, stick=False, allow_yield=True)
        reports = perform(bar, loose, seconds=0.01, settings=settings).reports
        return [
            report["tines"][1]["first_touch_s"] - report["tines"][0]["first_touch_s"] for report in reports
        ]

    first, second = passing(1, (0.0, 0.4))
    assert abs(second / first - 1.0) > 2e-3
    assert second == pytest.approx(passing(2, (0.0,))[0], rel=2e-3)


def test_a_stroke_refused_in_the_middle_of_a_piece_refuses_the_whole_piece(bar):
    stick = next(iter(bar.instrument.sticks.values()))
    strokes = [Stroke(group=0, stick=stick, start=0.1 * n) for n in range(6)]
    for origin, place in (("stroke[5]", "0.40 s, stroke[5]: "), ("", "")):
        strokes[4] = dataclasses.replace(strokes[4], tilt=0.1, origin=origin)
        with pytest.raises(InputError) as refused:
            perform(bar, strokes, seconds=1.0)
        assert (
            str(refused.value)
            .removeprefix(f"{bar.instrument.file}: ")
            .startswith(f"{place}the stick digs in")
        )


def test_several_strokes_are_heard_as_the_sum_of_their_parts_whoever_makes_them(bar, monkeypatch):
    stick = next(iter(bar.instrument.sticks.values()))
    strokes = [Stroke(group=n % 2, stick=stick, start=0.05 + 0.11 * n) for n in range(6)]
    beside = perform(bar, strokes, seconds=2.0)
    monkeypatch.setattr("synth.sound.render.SEVERAL", 100)
    in_line = perform(bar, strokes, seconds=2.0)
    expected = in_line.sound()
    assert beside.reports == in_line.reports
    np.testing.assert_allclose(beside.sound(), expected, atol=1e-6 * np.abs(expected).max())


def test_every_setting_of_a_contact_reaches_it(instrument, bar, monkeypatch):
    """Each set away from its default, and the contact asked with it."""
    asked = []

    class AskedError(Exception):
        pass

    def stroke_row(*_, **how):
        asked.append(how)
        raise AskedError

    monkeypatch.setattr(render, "stroke_row", stroke_row)
    for settings in (
        ContactSettings(),
        ContactSettings(contact="reference", allow_yield=True, seed=7, pad_damping=0.5),
    ):
        with pytest.raises(AskedError):
            perform(bar, [stroke(instrument)], seconds=0.1, settings=settings)
    told = [(h["resolution"], h["allow_yield"], h["seed"], h["pad_damping"]) for h in asked]
    assert told == [(EVENT, False, 1, 1.0), (REFERENCE, True, 7, 0.5)]
    assert EVENT != REFERENCE


def test_a_piece_of_several_voices_tells_what_each_of_them_did(instrument, monkeypatch):
    """Reports, forces, remarks and rings of every voice, in their order; a remark that both make once."""

    def performed(there, events, *, seconds, settings):
        own = there.through
        sound = np.full((2, 4), {"bar": 1.0, "panel": 0.25}[own])
        return render.Rendering(
            own, iter([sound]), 1, (f"report {own}",), (f"force {own}",), ("both", own), (f"ring {own}",)
        )

    monkeypatch.setattr(render, "perform", performed)
    monkeypatch.setattr(render, "scene", lambda _, through, **__: SimpleNamespace(through=through))
    played = [
        Played(stroke(instrument, start=0.1 * n), through)
        for n, through in enumerate(("bar", "panel", "bar"))
    ]
    found = play(instrument, Performance("it", tuple(played), 0.5))
    assert found.through == "bar, panel"
    assert found.reports == ("report bar", "report panel")
    assert found.traces == ("force bar", "force panel")
    assert found.warnings == ("both", "bar", "panel")
    assert found.rings == ("ring bar", "ring panel")
    np.testing.assert_array_equal(found.sound(), np.full((2, 4), 1.25))


@pytest.mark.parametrize("throughs", [["bar"], ["bar"] * 4, ["bar", "panel", "bar"]])
def test_who_hears_a_piece_is_told_every_block_of_the_whole_once(instrument, throughs):
    played = [Played(stroke(instrument, start=0.2 * n), through) for n, through in enumerate(throughs)]
    told = []
    # longer than a block of 65,536 frames
    found = play(
        instrument, Performance("it", tuple(played), 2.0), hear=lambda each: told.append(each.copy())
    )
    taken = [*found.blocks]
    assert len(taken) == len(told) == 2
    for one, other in zip(taken, told, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-12)
    assert np.abs(told[0]).max() > 0.0


def test_a_stick_and_the_forces_are_left_out_when_they_are_not_asked_for(instrument, bar):
    quiet, silent = ContactSettings(traces=False), ContactSettings(stick=False)
    assert (bar.striker(quiet).stick, bar.striker(silent).stick) == (True, False)
    kept, none = (perform(bar, [stroke(instrument)], seconds=0.01, settings=each) for each in (silent, quiet))
    assert (len(kept.traces), len(none.traces)) == (1, 0)
    assert len(kept.reports) == len(none.reports) == 1
