"""The bench in Chromium: what is known, versions, papers, many tines, and whether it can be used by all."""

from __future__ import annotations

import os
import re
import runpy
from pathlib import Path

import pytest

from synth.served.knowledge import knowledge
from synth.served.serving import Serving

from .bench_tab import ROOT, Page, model, now, saved
from .conftest import DESIGN

pytestmark = pytest.mark.browser


def large():
    """The design of 168 tines that the benchmark takes."""
    return runpy.run_path(str(ROOT / "scripts" / "bench_open.py"))["large"]()


@pytest.mark.slow
def test_168_tines_stay_usable(browser, tmp_path):
    """Saved, drawn, played, set and taken back; how fast is told by scripts/bench_open.py."""
    path = tmp_path / "large.toml"
    path.write_text(large(), encoding="utf-8")
    with Serving(path) as serving:
        page = Page(browser, serving)
        assert page.tab.evaluate("HEAD.picture.length") == 168
        page.sound_on()
        page.tab.evaluate(
            "() => { window.longest = 0; let last = performance.now(); const look = (now) => {"
            " window.longest = Math.max(window.longest, now - last); last = now; requestAnimationFrame(look); };"
            " requestAnimationFrame(look); }"
        )
        page.tab.select_option("#thing", "group 3")
        page.set("Spacing", 13.5)
        page.until("bench.state.undo === 1", 60.0)
        page.shows(now(page), 60.0)
        page.tab.evaluate("document.activeElement.blur()")
        page.tab.keyboard.press("f")
        page.until("$('said').textContent.startsWith('F3, forward: 14 of 14 tines')")
        page.tab.click("#undo")
        page.until("bench.state.undo === 0", 60.0)
        page.shows(now(page), 60.0)
        assert path.read_text(encoding="utf-8") == large()
        print(f"the longest frame took {page.tab.evaluate('window.longest'):.0f} ms")
        page.tab.close()


@pytest.mark.slow
def test_versions_are_kept_heard_and_recalled(opened):
    opened.sound_on()
    opened.tab.evaluate("$('versions').open = true")
    opened.tab.fill("#keep-name", "as drawn")
    opened.tab.press("#keep-name", "Enter")
    opened.until("bench.state.versions.length === 1")
    opened.tab.select_option("#thing", "bar")
    opened.set("Height", 20)
    opened.until("bench.state.undo === 1")
    opened.shows(now(opened))
    opened.tab.click("#replay")
    opened.until("$('said').textContent.startsWith('Stroke a group first')")
    opened.tab.evaluate("document.activeElement.blur()")
    opened.tab.keyboard.press("a")
    opened.until("replay.stroke")
    opened.tab.click("#replay")
    opened.until("replay.told", 30.0)
    told = opened.tab.evaluate("replay.told.sounds.map(({ name, changes }) => [name, changes.length])")
    assert [name for name, _ in told] == ["as drawn", "now"]
    assert told[0][1] == 0
    assert told[1][1] > 0
    opened.until("$('said').textContent.startsWith('As it is now: low, true level')", 15.0)
    assert "tines of low" in opened.tab.evaluate("$('differs').textContent")
    quiet = opened.tab.evaluate("replay.told.sounds.map(gainOf)")
    opened.tab.evaluate("$('gain').value = 60")
    loud = opened.tab.evaluate("replay.told.sounds.map(gainOf)")
    opened.tab.evaluate("$('gain').value = 0")
    assert max(loud) == pytest.approx(0.5)  # -6 dBFS of what was raised to full scale
    assert loud[0] / loud[1] == pytest.approx(quiet[0] / quiet[1])
    opened.tab.get_by_role("button", name="Put into the file: as drawn").click()
    opened.until("bench.state.undo === 2")
    assert opened.serving.session.path.read_text() == DESIGN
    assert not (opened.serving.session.path.parent / "slat.versions").exists()
    opened.tab.click("#save-versions")
    opened.until("bench.state.unsaved_versions === 0")
    assert (opened.serving.session.path.parent / "slat.versions" / "as drawn.toml").read_text() == DESIGN
    with opened.tab.context.expect_page() as blind:
        opened.tab.click("#blind")
    blind.value.wait_for_load_state()
    assert "comparison" in blind.value.title()
    assert blind.value.evaluate("typeof Abx") == "function"
    blind.value.close()


def test_a_paper_opens_from_the_page(opened):
    opened.tab.evaluate("$('papers').open = true")
    with opened.tab.context.expect_page() as paper:
        opened.tab.get_by_role("link", name="Cut list", exact=True).click()
    paper.value.wait_for_load_state()
    assert "Slat" in paper.value.evaluate("document.body.textContent")
    paper.value.close()
    links = opened.tab.evaluate("[...document.querySelectorAll('#papers-list a')].map((each) => each.href)")
    for link in links:
        answer = opened.tab.evaluate(
            "async (link) => { const a = await fetch(link); return [a.status, (await a.blob()).size]; }", link
        )
        assert answer[0] == 200
        assert answer[1] > 300


def test_another_thing_can_be_heard_through(opened):
    opened.sound_on()
    assert opened.tab.evaluate("[...$('through').options].map((each) => each.value)") == [
        "bar",
        "pickup",
        "panel",
    ]
    opened.tab.select_option("#through", "panel")
    opened.until("HEAD.radiators[0].name === 'panel' && !swap.running")
    opened.shows(saved(opened, "height_mm = 12.0", "height_mm = 14.0"))
    assert opened.tab.evaluate("HEAD.radiators.map((each) => each.name)") == ["panel"]


def test_it_asks_nothing_of_another_place_and_names_what_it_shows(opened):
    asked = []
    opened.tab.on("request", lambda request: asked.append(request.url))
    opened.tab.reload()
    opened.until("known.told")
    own = opened.serving.address.words
    assert [each for each in asked if not each.startswith((own, "data:", "blob:"))] == []
    nameless = opened.tab.evaluate(
        """() => [...document.querySelectorAll('#bench input, #bench select, #bench button')].filter((each) =>
          !(each.labels?.length || each.textContent.trim() || each.ariaLabel)).map((each) => each.outerHTML)"""
    )
    assert nameless == []


@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_it_fits_a_phone_and_a_desk(opened, size):
    opened.tab.set_viewport_size({"width": size[0], "height": size[1]})
    opened.tab.evaluate(
        "() => { for (const each of document.querySelectorAll('details')) each.open = true; }"
    )
    for thing in ("bar", "group 1", "board panel"):
        opened.tab.select_option("#thing", thing)
        opened.tab.wait_for_timeout(100)
        assert opened.tab.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_axe_finds_nothing_serious_at_the_bench(opened):
    """axe-core (Deque Systems, MPL 2.0) is a tool of this test alone."""
    place = os.environ.get("AXE_CORE")
    if place is None or not Path(place).exists():
        pytest.skip("axe-core is not here: AXE_CORE names its axe.min.js (.ci/run fetches it by npm)")
    opened.tab.evaluate(
        "() => { for (const each of document.querySelectorAll('details')) each.open = true; }"
    )
    opened.tab.evaluate(Path(place).read_text(encoding="utf-8") + "\n;0")
    found = opened.tab.evaluate(
        "axe.run().then(({ violations }) => violations.map((each) => "
        "[each.impact, each.id, each.nodes.map((node) => node.html)]))"
    )
    assert [each for each in found if each[0] in ("serious", "critical")] == []


def lit(page):
    """How many pixels of the picture have the colour of what is marked."""
    return page.tab.evaluate(
        """() => { drawing.draw(performance.now()); const { canvas } = drawing;
        const copy = new OffscreenCanvas(canvas.width, canvas.height);
        const pen = copy.getContext('2d', { willReadFrequently: true });
        pen.drawImage(canvas, 0, 0);
        const { data } = pen.getImageData(0, 0, copy.width, copy.height);
        let found = 0;
        for (let n = 0; n < data.length; n += 4) found += data[n] === 0x8a && data[n + 1] === 0x3d;
        return found; }"""
    )


@pytest.mark.slow
def test_what_is_known_is_drawn_where_it_belongs_and_a_remedy_is_tried_and_taken_back(rail):
    own = model(rail.serving)
    told = knowledge(own)
    past = [r for r, each in enumerate(told["strength"]["tines"]) if each["endurance_share"] > 1.0]
    assert rail.tab.evaluate("known.past") == past
    assert len(past) > 3
    marked = lit(rail)
    assert marked > 20 * len(past)
    rail.tab.evaluate("known.past = []")
    assert lit(rail) < marked
    rail.tab.evaluate(
        "() => { for (const each of document.querySelectorAll('#known details, #known')) each.open = true; }"
    )
    before = lit(rail)
    rail.tab.get_by_role("button", name="Draw it").first.click()
    assert lit(rail) > before + 500
    worst = told["quarrels"][0]
    assert rail.tab.evaluate("things.chosen.index") == worst["tine"]
    assert worst["words"] in rail.tab.evaluate("$('fields').textContent")
    rail.until("known.advice", 60.0)
    text = rail.serving.session.path.read_text()
    button = rail.tab.locator("#known button", has_text="Try:").first
    words = button.text_content().removeprefix("Try: ")
    button.click()
    rail.until("bench.state.undo === 1")
    rail.shows(now(rail), 60.0)
    starts = dict(re.findall(r"group '(\w+)': start_mm [\d.]+ -> ([\d.]+)", words))
    assert starts
    for name, start in starts.items():
        found = next(each for each in model(rail.serving).design.group if each.name == name)
        assert found.start_mm == float(start)
    rail.tab.click("#undo")
    rail.until("bench.state.undo === 0")
    assert rail.serving.session.path.read_text() == text
