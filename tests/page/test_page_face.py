"""The page's face in Chromium: keys, palms, what is said, what is kept, what is drawn, who can use it."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from synth.page.about import about_tines
from synth.playing.script import read_script
from synth.playing.stroke import Hold, Stroke
from synth.sound.audio import FULL_SCALE
from synth.sound.render import play
from synth.units import MPA
from synth.workshop.strength import root_stress

from .conftest import begun, heard, made, rests, said

pytestmark = pytest.mark.browser


def test_what_was_played_and_how_loud_is_said(page):
    page.tab.keyboard.press("a")
    page.until("window.reports.length")
    assert said(page).startswith("threads, forward: 4 of 4 tines, up to ")
    assert said(page).endswith(" dB SPL.")


def test_digits_set_the_speed_and_t_takes_the_next_stick(page):
    page.tab.keyboard.press("1")
    page.tab.keyboard.press("s")
    page.tab.keyboard.press("9")
    page.tab.keyboard.press("Shift+S")
    page.until("window.reports.length === 2", 60.0)
    slow, fast = begun(page)
    assert (slow["speed_mm_s"], fast["speed_mm_s"]) == (100.0, 3000.0)
    assert (slow["direction"], fast["direction"]) == ("forward", "backward")
    page.tab.keyboard.press("5")
    sticks = page.tab.evaluate("Object.keys(HEAD.sticks)")
    before = page.tab.evaluate("$('stick').selectedIndex")
    page.tab.keyboard.press("t")
    assert page.tab.evaluate("$('stick').selectedIndex") == (before + 1) % len(sticks)


def test_a_palm_rests_while_its_key_is_down(page):
    page.tab.keyboard.down("x")
    page.tab.wait_for_timeout(500)
    assert rests(page) == [("wires", True)]
    page.tab.keyboard.up("x")
    page.tab.wait_for_timeout(50)
    assert rests(page) == [("wires", True), ("wires", False)]


def test_keys_meant_for_a_control_stroke_nothing(page):
    page.tab.focus("#stick")
    page.tab.keyboard.press("s")
    page.tab.wait_for_timeout(50)
    assert begun(page) == []


def test_what_is_played_is_kept_as_a_script_that_plays_the_same_and_as_a_sound(page, tmp_path):
    tab = page.tab
    tab.click("#record")
    tab.evaluate("document.activeElement.blur()")
    tab.wait_for_timeout(300)
    tab.keyboard.press("5")
    tab.keyboard.press("a")
    tab.wait_for_timeout(700)
    tab.keyboard.press("Shift+S")
    tab.wait_for_timeout(700)
    tab.keyboard.press("z")
    tab.wait_for_timeout(700)
    tab.click("#record")
    page.until("!$('save-script').disabled")
    kept = {}
    for button in ("save-script", "save-sound"):
        with tab.expect_download() as download:
            tab.click(f"#{button}")
        kept[button] = tmp_path / download.value.suggested_filename
        download.value.save_as(kept[button])
    script = read_script(kept["save-script"], made("straight"))
    assert {each.through for each in script.played} == {"bar"}
    events = [each.event for each in script.played]
    assert [type(each) for each in events] == [Stroke, Stroke, Hold]
    assert [each.group for each in events] == [0, 1, 0]
    assert [events[0].direction, events[1].direction] == ["forward", "backward"]
    assert events[0].speed == pytest.approx(events[1].speed)
    assert events[2].seconds == pytest.approx(0.3, abs=0.1)
    page_first = [[touch["first"] for touch in each["touches"]] for each in tab.evaluate("window.reports")]
    apart = page_first[1][0] - page_first[0][0]
    assert events[1].start - events[0].start == pytest.approx(apart, abs=1e-3)
    played = play(made("straight"), script).sound() / FULL_SCALE
    sound = samples(kept["save-sound"].read_bytes())
    assert sound.shape[1] == pytest.approx(script.seconds * 48_000, abs=2)
    for each in events[:2]:  # begins to sound where the script says
        here = slice(int((each.start - 0.05) * 48_000), int((each.start + 0.15) * 48_000))
        assert onset(sound[:, here]) == pytest.approx(onset(played[:, here]), abs=96)
    assert np.abs(sound).max() == pytest.approx(np.abs(played).max(), rel=0.3)  # the row rings as it is met


def onset(sound):
    """The first sample at which a sound grows beyond all that rang before it."""
    level = np.abs(sound).max(axis=0)
    return int(np.argmax(level > 2.0 * level[:1200].max() + 0.02 * level.max()))


def samples(content):
    """(2, N) of a WAV file of 32-bit floats, by its own chunks: the standard library reads integers alone."""
    at = content.index(b"data") + 8
    assert content[:4] == b"RIFF"
    assert int.from_bytes(content[4:8], "little") == len(content) - 8
    return np.frombuffer(content[at:], dtype="<f4").reshape(-1, 2).T


def test_a_tine_tells_what_it_is_and_what_the_last_stroke_did_to_it(page):
    tab = page.tab
    tab.keyboard.press("a")
    page.until("window.reports.length")
    tab.evaluate("showTine(1)")
    words = tab.evaluate("$('tine').textContent")
    (report,) = tab.evaluate("window.reports")
    tine = made("straight").tines[1]
    moment = next(each["moment"] for each in report["touches"] if each["tine"] == 1)
    stress = float(root_stress(moment, 1.0, tine.rod.root_diameter)) / MPA
    assert f"{stress:.0f} MPa at the root" in words
    told = about_tines(heard("straight", "bar"))[1]
    assert f"{100 * stress / told['root']['endurance_mpa']:.0f} % of what it bears" in words
    assert "112.0 mm" in words
    assert "at 80.0 mm" in words
    assert f"{told['partials'][0]['hz']:.1f} Hz" in words


def test_a_tap_shows_the_tine_under_it(page):
    x, y = page.tab.evaluate(
        "() => { const box = $('instrument').getBoundingClientRect(); const [x, y] = view.px(view.tips[5]);"
        " return [box.left + x, box.top + y + 5]; }"
    )
    page.tab.mouse.click(x, y)
    assert page.tab.evaluate("$('tine-name').textContent") == "wires 2"
    assert page.tab.evaluate("$('tine-details').open")
    assert begun(page) == []


def ink(page):
    """How many pixels of the canvas are as dark as ink or lit, and how many pale ones of fans."""
    return page.tab.evaluate(
        """() => { drawing.draw(performance.now());
        const copy = new OffscreenCanvas(drawing.canvas.width, drawing.canvas.height);
        const pen = copy.getContext('2d', { willReadFrequently: true });
        pen.drawImage(drawing.canvas, 0, 0);
        const { data } = pen.getImageData(0, 0, copy.width, copy.height);
        let [lit, fan] = [0, 0];
        for (let n = 0; n < data.length; n += 4) {
          if (data[n] === 0x8a && data[n + 1] === 0x3d) lit++;
          if (data[n] === 0xb3 && data[n + 1] === 0xc9) fan++;
        }
        return [lit, fan]; }"""
    )


def test_touched_tines_light_up_and_fan_out(page):
    page.tab.wait_for_timeout(600)
    page.tab.evaluate("drawing.chosen = null")
    page.tab.wait_for_timeout(200)
    assert ink(page) == [0, 0]
    page.tab.keyboard.press("a")
    page.until("window.reports.length")
    page.tab.wait_for_timeout(60)
    lit, fan = ink(page)
    assert lit > 100
    assert fan > 100


def test_a_picture_in_which_nothing_moves_is_seldom_drawn(page):
    """Some five a second, of the sixty that the screen asks for; all while something rings or was touched."""
    counted = """async () => { const plainly = drawing.draw; let count = 0, asked = 0, on = true;
        drawing.draw = function (now) { count++; return plainly.call(this, now); };
        const step = () => { asked++; if (on) requestAnimationFrame(step); };
        requestAnimationFrame(step);
        await new Promise((done) => setTimeout(done, 1000));
        on = false; delete drawing.draw; return [count, asked]; }"""
    page.tab.evaluate("() => { drawing.lit.clear(); drawing.swings.fill(0); drawing.chosen = null; }")
    page.until("!drawing.moving && performance.now() - pace.stirred > LINGERS")
    drawn, _ = page.tab.evaluate(counted)
    assert 3 <= drawn <= 6
    page.tab.keyboard.press("a")
    page.until("window.reports.length")
    drawn, asked = page.tab.evaluate(counted)
    assert drawn > 0.8 * asked > 5


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_tines_are_drawn_at_their_true_lengths(opened, shape):
    told = np.array(
        opened(shape).tab.evaluate(
            "view.tips.map((each, r) => [Math.hypot(each[0] - view.clamps[r][0], each[1] - view.clamps[r][1]),"
            " view.lengths[r]])"
        )
    )
    modes = heard(shape, "bar").row.modes
    np.testing.assert_allclose(told[:, 1], modes.tip - modes.height[:, 0], atol=5e-5)
    upright = [each.group == 0 for each in made(shape).tines]
    np.testing.assert_allclose(told[upright, 0], told[upright, 1], rtol=0.16)  # seen from 30 degrees above


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_a_point_of_the_picture_is_found_on_the_bar_again(opened, shape):
    """Half way up every tine: its own group, its own place."""
    told = opened(shape).tab.evaluate(
        """() => view.tips.map((tip, r) => {
          const point = [0, 1].map((n) => (tip[n] + view.clamps[r][n]) / 2);
          const found = view.pick(point);
          return [found.group, found.at, HEAD.picture[r].group, view.places[r]]; })"""
    )
    found = np.array(told)
    np.testing.assert_array_equal(found[:, 0], found[:, 2])
    np.testing.assert_allclose(found[:, 1], found[:, 3], atol=2e-3)


def test_reduced_motion_keeps_the_fan_and_drops_the_swing(page):
    page.tab.emulate_media(reduced_motion="reduce")
    assert page.tab.evaluate("drawing.still.matches")
    page.tab.keyboard.press("a")
    page.until("window.reports.length")
    page.tab.wait_for_timeout(900)
    same = page.tab.evaluate(
        "() => { drawing.lit.clear(); drawing.draw(1e9); const one = drawing.canvas.toDataURL();"
        " drawing.draw(1e9 + 137); return one === drawing.canvas.toDataURL(); }"
    )
    page.tab.emulate_media(reduced_motion="no-preference")
    swung = page.tab.evaluate(
        "() => { drawing.lit.clear(); drawing.draw(1e9); const one = drawing.canvas.toDataURL();"
        " drawing.draw(1e9 + 137); return one !== drawing.canvas.toDataURL(); }"
    )
    assert same
    assert swung


@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_it_fits_a_phone_and_a_desk(page, size):
    before = page.tab.viewport_size
    page.tab.set_viewport_size({"width": size[0], "height": size[1]})
    page.tab.wait_for_timeout(100)
    wide, shown, ratio = page.tab.evaluate(
        "[document.documentElement.scrollWidth, $('instrument').clientWidth,"
        " $('instrument').width / $('instrument').clientWidth]"
    )
    step = page.tab.evaluate("view.step * view.scale")
    page.tab.set_viewport_size(before)
    assert wide <= size[0]
    assert shown > 0.9 * size[0]
    assert ratio == pytest.approx(page.tab.evaluate("devicePixelRatio"), rel=0.01)
    assert step >= 6.0


def test_all_controls_are_reached_by_the_keyboard_and_show_it(page):
    reached = page.tab.evaluate(
        """() => [...document.querySelectorAll('button, select, input, canvas, summary')].filter((each) =>
          !each.disabled && each.checkVisibility()).map((each) => { each.focus({ focusVisible: true });
          return [each.id || each.textContent, document.activeElement === each,
            getComputedStyle(each).outlineStyle]; })"""
    )
    page.tab.evaluate("document.activeElement.blur()")
    assert [each for each in reached if each[1:] != [True, "solid"]] == []
    assert {"sound", "through", "stick", "grip", "bite", "tilt", "speed", "gain"} <= {
        each[0] for each in reached
    }


def test_axe_finds_nothing_serious(page):
    """axe-core (Deque Systems, MPL 2.0) is a tool of this test alone: no part of the page, nor of the package."""
    place = os.environ.get("AXE_CORE")
    if place is None or not Path(place).exists():
        pytest.skip("axe-core is not here: AXE_CORE names its axe.min.js (.ci/run fetches it by npm)")
    page.tab.evaluate("() => { for (const each of document.querySelectorAll('details')) each.open = true; }")
    page.tab.evaluate(Path(place).read_text(encoding="utf-8") + "\n;0")
    found = page.tab.evaluate(
        "axe.run().then(({ violations }) => violations.map((each) => "
        "[each.impact, each.id, each.nodes.map((node) => node.html)]))"
    )
    print(found)
    assert [each for each in found if each[0] in ("serious", "critical")] == []
