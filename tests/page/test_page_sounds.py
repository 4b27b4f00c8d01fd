"""What a browser makes of a page, held against the command line's own rendering of the same strokes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from synth.playing.contact.resolution import EVENT
from synth.playing.contact.stick import stick_line
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.midi_mapping import edged
from synth.playing.stroke import Hold, Stroke, shaped
from synth.sound.audio import FULL_SCALE
from synth.sound.render import ContactSettings, perform

from .conftest import THROUGH, error_db, heard, made

pytestmark = pytest.mark.browser

DB = 1.0
AGREED = -60.0 * DB
FORWARD = {"group": "threads", "at_s": 0.02}
BACKWARD = {
    "group": "wires",
    "at_s": 0.03,
    "direction": "backward",
    "stick": "bamboo",
    "grip": "firm",
    "speed_mm_s": 250.0,
    "bite_mm": 1.6,
    "lean": 0.3,
    "tilt_deg": 38.0,
    "skew_deg": 9.0,
    "pressure_n": 0.3,
}


JUST_MET = 1e-20  # N s: at its first step a stick may or may not be there by a rounding


def stroke_of(instrument, line):
    """A line of a script as the command line has it."""
    names = [each.name for each in instrument.groups]
    plain = Stroke(
        group=names.index(line["group"]),
        stick=edged(
            instrument.sticks[line.get("stick", next(iter(instrument.sticks)))], line.get("brightness", 64)
        ),
        start=line["at_s"],
        direction=line.get("direction", "forward"),
        grip=line.get("grip", "usual"),
    )
    numbers = {key: value for key, value in line.items() if isinstance(value, float) and key != "at_s"}
    return shaped(plain, numbers)


def rendered(shape, through, events, seconds):
    rendering = perform(
        heard(shape, through), events, seconds=seconds, settings=ContactSettings(allow_yield=True)
    )
    return rendering.sound() / FULL_SCALE


@pytest.mark.parametrize("shape", ["straight", "bent"])
@pytest.mark.parametrize("through", THROUGH)
@pytest.mark.parametrize("line", [FORWARD, BACKWARD], ids=["forward", "backward"])
def test_a_stroke_sounds_as_the_command_line_renders_it(opened, shape, through, line):
    ours = opened(shape).render([line], through, 1.2)
    reference = rendered(shape, through, [stroke_of(made(shape), line)], 1.2)
    assert ours.shape == reference.shape
    assert error_db(ours, reference) < AGREED


def test_a_stroke_below_the_tips_sounds_as_the_command_line_renders_it(opened):
    line = {**FORWARD, "height_mm": 5.0}
    ours = opened("straight").render([line], "panel", 1.0)
    assert error_db(ours, rendered("straight", "panel", [stroke_of(made("straight"), line)], 1.0)) < AGREED


@pytest.mark.parametrize(("brightness", "step"), [(0, 0), (20, 16), (100, 96), (127, 127)])
def test_a_brighter_or_duller_stick_sounds_as_the_command_line_renders_its_step(opened, brightness, step):
    line = {**BACKWARD, "brightness": brightness}
    stroke = stroke_of(made("straight"), {**line, "brightness": step})
    reference = rendered("straight", "bar", [stroke], 0.8)
    assert error_db(opened("straight").render([line], "bar", 0.8), reference) < AGREED
    assert (
        error_db(reference, rendered("straight", "bar", [stroke_of(made("straight"), BACKWARD)], 0.8)) > -20.0
    )


def test_two_groups_at_once_add_up(opened):
    page = opened("straight")
    first, second = page.render([FORWARD], "bar", 1.0), page.render([BACKWARD], "bar", 1.0)
    assert error_db(page.render([FORWARD, BACKWARD], "bar", 1.0), first + second) < -40.0 * DB


def test_a_palm_takes_as_much_as_on_the_command_line(opened):
    palm = {"palm": "threads", "at_s": 0.6, "hold_s": 0.3}
    ours = opened("straight").render([FORWARD, palm], "panel", 1.5)
    events = [stroke_of(made("straight"), FORWARD), Hold(group=0, start=0.6, seconds=0.3, by="palm")]
    reference = rendered("straight", "panel", events, 1.5)
    after = slice(48_000, None)
    assert error_db(ours, reference) < AGREED
    assert error_db(ours[:, after], reference[:, after]) < -40.0 * DB
    left = rendered("straight", "panel", events[:1], 1.5)[:, after]
    assert (reference[:, after] ** 2).sum() < 0.1 * (left**2).sum()


CONTACT = """async ([line, steps]) => {
    const engine = new Engine(await content);
    const voice = new Voice(engine, engine.arenas[0], engine.wish(line));
    const { history, 'state.clock': clock, 'state.tally': tally } = voice.given;
    const bins = [];
    for (let n = 0; ; n++) {
      const status = voice.run.set('steps', steps[n % steps.length])();
      const used = Number(clock.at[1]);
      for (let k = 0; k < used; k++) bins.push(Array.from(history.at.subarray(COLUMNS * k, COLUMNS * (k + 1))));
      clock.at[1] = 0n;
      if (status === PASSED || status === STUCK) break;
    }
    return [...bins, ...voice.tines.map((_, i) => [...tally.at.subarray(7 * i, 7 * i + 7), 0])];
  }"""


def followed(page, line, steps):
    """Bins of force (H, 8), and tallies (T, 7), of the contact in the browser, in slices of so many steps."""
    told = page.numbers(CONTACT, [line, steps])
    count = {"threads": 4, "wires": 3}[line["group"]]
    met = np.abs(told[:-count, [2, 3, 7]]).max(axis=1) > JUST_MET
    return told[:-count][met], told[-count:, :7]


@pytest.mark.parametrize("line", [FORWARD, BACKWARD], ids=["forward", "backward"])
def test_the_browsers_contact_is_that_of_the_command_line_bin_for_bin(opened, line):
    instrument = made("straight")
    wanted = stroke_of(instrument, line)
    contact = stroke_row(wanted, instrument, heard("straight", "bar").row.modes, allow_yield=True)
    bins, tally = followed(opened("straight"), line, [2**40])
    order = [each.tine for each in contact.touches]
    by_tine = np.argsort(np.array(order)[bins[:, 0].astype(int)], kind="stable")
    trace = contact.trace
    met = np.abs(trace.push).max(axis=1) > JUST_MET
    assert len(bins) == np.count_nonzero(met) > 5_000
    np.testing.assert_array_equal(np.array(order)[bins[by_tine, 0].astype(int)], trace.tine[met])
    number = np.rint((trace.time[met] - trace.start) / EVENT.bin - 0.5)
    np.testing.assert_array_equal(bins[by_tine, 1], number)
    np.testing.assert_allclose(
        bins[by_tine, 7], trace.push[met, 2], rtol=0, atol=1e-9 * np.abs(trace.push).max()
    )
    expected = [
        [each.last_release, each.greatest_force, each.energy, each.bend, each.touches]
        for each in contact.touches
    ]
    np.testing.assert_allclose(tally[:, [1, 2, 3, 5, 6]], expected, rtol=1e-9)
    first = [each.first_touch for each in contact.touches]
    np.testing.assert_allclose(tally[:, 0], first, rtol=0, atol=1.01 * EVENT.step)


def test_a_contact_in_slices_is_the_contact_in_one_go(opened):
    whole = followed(opened("bent"), FORWARD, [2**40])
    for steps in ([1333], [1, 700, 64, 3000]):
        sliced = followed(opened("bent"), FORWARD, steps)
        np.testing.assert_array_equal(sliced[0], whole[0])
        np.testing.assert_array_equal(sliced[1], whole[1])


SWITCHED = """async ([line, first, name, second]) => {
    const engine = new Engine(await content);
    engine.through(first);
    engine.leaving = null;
    engine.schedule(line);
    const sound = [[], []];
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    while (engine.frame < engine.rate) {
      if (engine.frame >= second * engine.rate && engine.ear.name !== name) engine.through(name);
      engine.process(left, right);
      sound[0].push(...left);
      sound[1].push(...right);
    }
    return sound;
  }"""


@pytest.mark.parametrize("second", [0.06, 0.5])
def test_what_is_heard_through_is_changed_while_it_rings(opened, second):
    page = opened("straight")
    line = {**FORWARD, "at_s": 0.05}
    switched = page.numbers(SWITCHED, [line, "bar", "panel", second])
    panel, bar = (page.numbers(SWITCHED, [line, name, name, 0.0]) for name in ("panel", "bar"))
    before, after = slice(0, int(second * 48_000)), slice(int((second + 0.03) * 48_000), None)
    np.testing.assert_array_equal(switched[:, before], bar[:, before])
    assert error_db(switched[:, after], panel[:, after]) < -100.0 * DB


@pytest.mark.parametrize("first", ["pickup", "panel"])
def test_one_thing_fades_into_the_other(opened, first):
    """Whether they share a bank or not; the bar has no filter that would have to swing in."""
    page, second, fade = opened("straight"), 0.2, 6 * 128
    line = {**FORWARD, "at_s": 0.05}
    switched = page.numbers(SWITCHED, [line, first, "bar", second])
    old, new = (page.numbers(SWITCHED, [line, name, name, 0.0]) for name in (first, "bar"))
    share = np.zeros(old.shape[1])
    share[int(second * 48_000) :] = 1.0
    share[int(second * 48_000) : int(second * 48_000) + fade] = np.arange(fade) / fade
    assert error_db(switched, (1.0 - share) * old + share * new) < -100.0 * DB


def test_strokes_over_a_ringing_row_do_on_average_what_they_do_on_the_command_line(opened):
    """The contact over a ringing row is chaotic: single strokes part, their statistics do not."""
    instrument, lines = made("straight"), []
    for n in range(20):
        lines.append({**FORWARD, "at_s": 0.05 + 0.4 * n, "speed_mm_s": 300.0 + 20.0 * n})
    ours = opened("straight").render(lines, "bar", 8.5)
    events = [stroke_of(instrument, line) for line in lines]
    reference = rendered("straight", "bar", events, 8.5)
    level = [
        10.0 * np.log10((each[:, : 20 * 19_200].reshape(2, 20, -1) ** 2).mean(axis=(0, 2)))
        for each in (ours, reference)
    ]
    assert abs(np.mean(level[0] - level[1])) < 1.0 * DB
    assert np.std(level[0] - level[1]) < 3.0 * DB


def test_a_stroke_of_another_stick_in_another_grip_is_another_sound(opened):
    page = opened("straight")
    plain = page.render([FORWARD], "bar", 0.5)
    for change in ({"stick": "brass"}, {"grip": "light"}, {"tilt_deg": 60.0}, {"lean": -0.5}):
        assert error_db(page.render([{**FORWARD, **change}], "bar", 0.5), plain) > -30.0 * DB


def test_what_a_script_cannot_say_is_told(opened):
    page = opened("straight")
    for line, finding in (
        ({**FORWARD, "wobble": 1}, "'wobble' is not known here"),
        ({**FORWARD, "group": "strings"}, "no group 'strings'"),
        ({**FORWARD, "stick": "rubber"}, "no stick 'rubber'"),
        ({"group": "threads"}, "give at_s or at_beat"),
    ):
        with pytest.raises(Exception, match=finding):
            page.render([line], "bar", 0.1)
    with pytest.raises(Exception, match="nothing is heard through 'wall'"):
        page.render([FORWARD], "wall", 0.1)


def test_dataclass_of_a_stroke_has_nothing_that_a_page_forgets():
    """A new field of a stroke must be thought of in the page too."""
    known = {
        "group", "stick", "start", "speed", "direction", "bite", "lean", "height", "tilt", "skew", "pressure",
        "grip", "hand", "origin",
    }  # fmt: skip
    assert {each.name for each in dataclasses.fields(Stroke)} == known


METER = """async ([frequency, level, share]) => {
    const engine = new Engine(await content);
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    for (let n = 0; n < 600; n++) {
      for (let k = 0; k < BLOCK; k++) {
        const phase = (2 * Math.PI * frequency * (n * BLOCK + k)) / engine.rate;
        left[k] = 10 ** (level / 20) * Math.sin(phase);
        right[k] = share * left[k];
      }
      engine.meter.take(left, right);
    }
    const { spl_db, a_db } = engine.meter.levels();
    return [spl_db, a_db];
  }"""


@pytest.mark.parametrize(
    ("frequency", "weighting", "within"),
    # IEC 61672-1, table of the A curve
    [(1000.0, 0.0, 0.1), (100.0, -19.1, 0.2), (31.5, -39.4, 0.3), (4000.0, 1.0, 0.2), (10_000.0, -2.5, 2.0)],
)
def test_levels_are_those_of_a_sound_level_meter(opened, frequency, weighting, within):
    """A full-scale sine is 100 dB SPL, in the page as in every file."""
    spl, weighted = opened("straight").numbers(METER, [frequency, -40.0, 1.0])
    assert spl == pytest.approx(60.0, abs=0.15)
    assert weighted - spl == pytest.approx(weighting, abs=within)


def test_the_level_is_the_mean_of_both_ears(opened):
    spl, _ = opened("straight").numbers(METER, [1000.0, -40.0, 0.0])
    assert spl == pytest.approx(60.0 - 3.01, abs=0.1)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_stick_points_where_it_does_on_the_command_line(opened, sign):
    line = stick_line(made("straight").sticks["birch"], tilt=0.6, skew=0.3, sign=sign, beam_modes=4)
    ours = opened("straight").numbers(
        "async ([manner, sign]) => directions(manner, sign)", [{"tilt": 0.6, "skew": 0.3}, sign]
    )
    np.testing.assert_allclose(ours, [*line.across, line.axis], atol=1e-12)


MET = """async ([line, later]) => {
    const engine = new Engine(await content);
    engine.schedule(line);
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    while (engine.frame < 0.5 * engine.rate + later * BLOCK) engine.process(left, right);
    const voice = new Voice(engine, engine.arenas[1], engine.wish({ ...line, at_s: 0.55 }));
    return [voice.given['state.q'].at, voice.given['state.p'].at].map((each) => Array.from(each));
  }"""


def test_a_stroke_prepared_sooner_or_later_meets_the_same_ring(opened):
    soon, late = (opened("straight").numbers(MET, [FORWARD, blocks]) for blocks in (0, 15))
    for each, other in zip(soon, late, strict=True):
        assert np.abs(each - other).max() < 1e-6 * np.abs(each).max()
    assert np.abs(soon).max() > 0.0


SWUNG = """async (line) => {
    const engine = new Engine(await content);
    engine.schedule(line);
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    while (engine.frame < 0.5 * engine.rate) engine.process(left, right);
    return [engine.swings()];
  }"""


def test_the_tines_that_were_stroked_swing_in_the_picture(opened):
    swing = np.hypot(*opened("straight").numbers(SWUNG, FORWARD)[0].reshape(-1, 2).T)
    assert swing[:4].min() > 2.0 * swing[4:].max()
