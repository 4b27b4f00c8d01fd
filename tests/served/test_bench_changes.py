"""The bench in Chromium: a design that is saved, set, dragged and taken back under a page that plays it."""

from __future__ import annotations

import re

import numpy as np
import pytest

from synth.units import MM, cents

from .bench_tab import model, now, saved
from .conftest import DESIGN

pytestmark = pytest.mark.browser


def test_a_saved_file_is_drawn_and_played(opened):
    opened.sound_on()
    opened.shows(saved(opened, "free_length_mm = 150.0", "free_length_mm = 140.0"))
    drawn = opened.tab.evaluate("HEAD.picture[0].length")
    assert drawn == pytest.approx(0.140)
    told = opened.tab.evaluate("HEAD.picture[0].hz")
    assert told == pytest.approx(float(model(opened.serving).row.mounted_hz[0]), abs=1e-3)
    opened.tab.evaluate(
        "window.reports = []; window.tinewright.player.addEventListener('told',"
        " ({ detail }) => { if (detail.report) window.reports.push(detail.report); })"
    )
    opened.tab.evaluate("document.activeElement.blur()")
    opened.tab.keyboard.press("a")
    opened.until("window.reports.length")
    assert opened.said().startswith("low, forward: 3 of 3 tines")


def test_the_new_model_sounds_as_the_new_design(opened):
    """What the page renders after a change is what it renders when it is opened on the changed file."""
    script = {"stroke": [{"at_s": 0.1, "group": "high"}], "through": "bar", "seconds": 0.6}
    render = "async (script) => Array.from((await window.tinewright.render(script)).left)"
    before = np.array(opened.tab.evaluate(render, script))
    opened.shows(saved(opened, "height_mm = 12.0", "height_mm = 16.0"))
    after = np.array(opened.tab.evaluate(render, script))
    opened.tab.reload()
    opened.until("bench.linked && things.told && known.told")
    fresh = np.array(opened.tab.evaluate(render, script))
    np.testing.assert_array_equal(after, fresh)
    assert np.abs(after - before).max() > 0.05 * np.abs(before).max()


def test_what_rings_rings_on_while_the_new_model_comes(opened):
    opened.sound_on()
    opened.tab.evaluate("document.activeElement.blur()")
    opened.tab.keyboard.press("a")
    opened.until("document.getElementById('levels').textContent !== 'silent'")
    opened.tab.evaluate("""() => { window.old = window.tinewright.player; window.gaps = []; let last = 0;
        window.old.addEventListener('told', ({ detail }) => {
          if (detail.time) { window.gaps.push(detail.time - last); last = detail.time; } }); }""")
    opened.shows(saved(opened, "height_mm = 12.0", "height_mm = 14.0"))
    assert opened.tab.evaluate("window.old !== window.tinewright.player")
    assert opened.tab.evaluate("window.old.output.gain.value") > 0.0
    opened.tab.wait_for_timeout(300)
    gaps = opened.tab.evaluate("window.gaps.slice(1)")
    assert len(gaps) > 5
    assert np.allclose(gaps, gaps[0], rtol=1e-6)  # block upon block, none left out
    opened.until("!swap.leaving")


def test_a_mistake_shows_with_its_line_and_the_last_good_design_plays(opened):
    opened.sound_on()
    good = now(opened)
    saved(opened, 'root = "A3"', 'root = "H3"')
    line = DESIGN[: DESIGN.index("root =")].count("\n") + 1
    opened.until(f"$('stands').textContent.includes('line {line}:')")
    assert "'H3' is not a note name" in opened.stands()
    assert opened.tab.evaluate("HEAD.model") == good
    opened.tab.evaluate("document.activeElement.blur()")
    opened.tab.keyboard.press("a")
    opened.until("$('said').textContent.startsWith('low, forward')")
    saved(opened, 'root = "H3"', 'root = "A3"')
    opened.until("$('stands').textContent.startsWith('slat.toml is as you see')")


def test_a_field_is_written_and_taken_back_and_done_again(opened):
    opened.tab.select_option("#thing", "group 1")
    opened.set("Spacing", 18)
    opened.until("bench.state.undo === 1")
    path = opened.serving.session.path
    assert path.read_text() == DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 18.0")
    opened.shows(now(opened))
    assert opened.field("Spacing").input_value() == "18"
    opened.tab.click("#undo")
    opened.until("bench.state.undo === 0")
    assert path.read_text() == DESIGN
    opened.shows(now(opened))
    assert opened.field("Spacing").input_value() == "20"
    opened.tab.click("#redo")
    opened.until("bench.state.redo === 0")
    assert "spacing_mm = 18.0" in path.read_text()
    opened.tab.focus("#undo")
    opened.tab.keyboard.press("Control+z")
    opened.until("bench.state.undo === 0")
    assert path.read_text() == DESIGN


def test_a_value_that_cannot_be_is_refused_in_a_sentence_and_stays_to_be_mended(opened):
    opened.tab.select_option("#thing", "group 1")
    opened.set("Start", 900)
    opened.until("$('said').textContent.startsWith('Not changed')")
    assert "off the bar's end" in opened.said()
    assert opened.field("Start").input_value() == "900"
    assert opened.serving.session.path.read_text() == DESIGN


def test_a_decimal_comma_is_a_point_and_what_is_no_number_is_refused(opened):
    """The browser swallows both as they are typed: 12,5 was written as 125, and 3 5/8 as 358."""
    opened.tab.select_option("#thing", "group 1")
    spacing, path = opened.field("Spacing"), opened.serving.session.path
    for typed in ("17 5/8", "abc"):
        opened.tab.evaluate("say('')")
        spacing.click(click_count=3)
        opened.tab.keyboard.type(typed)
        opened.tab.keyboard.press("Tab")
        assert "is no part of a number; write it like 12.5" in opened.said()
        assert spacing.input_value() == "20"
        assert path.read_text() == DESIGN
    spacing.click(click_count=3)
    opened.tab.keyboard.type("18,5")
    assert spacing.input_value() == "18.5"
    opened.tab.keyboard.press("Tab")
    opened.until("bench.state.undo === 1")
    assert path.read_text() == DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 18.5")
    assert opened.complaints == []


def test_every_kind_of_thing_can_be_set(opened):
    path = opened.serving.session.path
    lines = (
        ("bar", "Height", "14", "height_mm = 14.0"),
        ("group 0", "Start", "52", "start_mm = 52.0   # beside the pad"),
        ("board panel", "Thickness", "5", "thickness_mm = 5.0"),
    )
    for number, (thing, label, value, there) in enumerate(lines, start=1):
        opened.tab.select_option("#thing", thing)
        opened.set(label, value)
        opened.until(f"bench.state.undo === {number}")
        opened.shows(now(opened))
        assert there in path.read_text()
    opened.tab.select_option("#thing", "group 0")
    opened.tab.select_option("#thing-tine", label="1")
    opened.set("Free length", 145)
    opened.until("Math.abs(HEAD.picture[0].length - 0.145) < 1e-6")


def test_a_dragged_nut_is_foreseen_and_written_where_it_stands(opened):
    opened.drag("nutHandles().find(({ r }) => r === 1)", (0, -30))
    opened.until("$('foreseen').textContent.includes('cents from')")
    foreseen = opened.tab.evaluate("$('foreseen').textContent")
    opened.tab.mouse.up()
    opened.until("bench.state.undo === 1")
    text = opened.serving.session.path.read_text()
    found = re.search(r"at_mm = ([\d.]+) \}\] # by ear", text)
    assert found is not None
    assert text.replace(found[1], "60.0") == DESIGN
    moved = float(found[1]) - 60.0
    assert moved == pytest.approx(30.0 / opened.tab.evaluate("view.scale") / MM, abs=1.0)
    row = model(opened.serving).row
    ratio = float(row.modes.frequency[1, 0, 1] / row.modes.frequency[1, 0, 0])
    told = float(re.search(r"overtones ([\d.]+)", foreseen)[1])
    assert abs(cents(told / ratio)) < 1.0
    opened.shows(now(opened))
    assert opened.tab.evaluate("HEAD.picture[1].nuts[0].at") == pytest.approx(float(found[1]) * MM, abs=1e-5)


def test_a_wished_nuts_other_places_are_tried_with_one_press_and_taken_back(opened):
    opened.tab.select_option("#thing", "group 0")
    opened.tab.select_option("#thing-tine", label="3")
    opened.tab.get_by_role("button", name="Look for all its places").click()
    opened.tab.locator("#fields button", has_text="Try:").first.click()
    opened.until("bench.state.undo === 1")
    text = opened.serving.session.path.read_text()
    assert "trim_to" not in text
    assert "# brings partial 2 to 6" in text
    opened.shows(now(opened))  # the lines stand still again
    opened.tab.click("#undo")
    opened.until("bench.state.undo === 0")
    assert opened.serving.session.path.read_text() == DESIGN


def test_a_dragged_support_and_a_dragged_group_are_written(opened):
    opened.drag("supportHandles()[0]", (40, 0))
    opened.tab.mouse.up()
    opened.until("bench.state.undo === 1")
    step = 40.0 / opened.tab.evaluate("view.scale") / MM
    assert model(opened.serving).design.bar.supports[0].at_mm == pytest.approx(30.0 + step, abs=0.6)
    opened.shows(now(opened))
    opened.drag("groupHandles()[1]", (30, 0))
    opened.tab.mouse.up()
    opened.until("bench.state.undo === 2")
    assert model(opened.serving).design.group[1].start_mm == pytest.approx(190.0 + 0.75 * step, abs=0.6)
    assert "# near" in opened.serving.session.path.read_text()


def test_a_drag_that_is_escaped_writes_nothing(opened):
    opened.drag("groupHandles()[1]", (30, 0))
    opened.tab.keyboard.press("Escape")
    opened.tab.mouse.up()
    opened.tab.wait_for_timeout(200)
    assert opened.serving.session.path.read_text() == DESIGN


def test_a_dragged_foot_is_written(opened):
    opened.tab.select_option("#thing", "board panel")
    foot = opened.tab.locator("#board-plan .foot").first
    foot.scroll_into_view_if_needed()
    box = foot.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    opened.tab.mouse.move(x, y)
    opened.tab.mouse.down()
    opened.tab.mouse.move(x + 10, y - 20)
    opened.tab.mouse.up()
    opened.until("bench.state.undo === 1")
    size = opened.tab.evaluate(
        "(() => { const b = $('board-plan').getBoundingClientRect(); return [b.width, b.height]; })()"
    )
    scale = min(size[0] / 400.0, size[1] / 300.0)
    moved = model(opened.serving).design.board["panel"].feet[0]
    assert moved.x_mm == pytest.approx(110.0 + 10 / scale, abs=1.0)
    assert moved.y_mm == pytest.approx(120.0 + 20 / scale, abs=1.0)
