"""index.html in Chromium, opened from disk: it sounds, is stroked, compares blind and prints."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from .conftest import opened

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def until(where, code, tab, seconds=30.0):
    for _ in range(round(seconds / 0.05)):
        if where.evaluate(code):
            return
        tab.wait_for_timeout(50)
    raise AssertionError(f"after {seconds:g} s it is still not true: {code}")


def framed(tab, name):
    tab.click(f"button[data-opens={name}]")
    tab.wait_for_selector("iframe")
    return tab.frames[-1]


def test_it_asks_nothing_of_a_network_and_complains_of_nothing(browser, folder, hostile):
    for place in (folder, hostile):
        tab, requests, complaints = opened(browser, place / "index.html")
        tab.wait_for_timeout(200)
        assert [url for url in requests if not url.startswith(("file:", "data:"))] == []
        assert len([url for url in requests if url.startswith("file:")]) == 1
        assert complaints == []
        tab.close()


def test_every_player_knows_how_long_its_sound_is_and_plays_it(browser, folder):
    tab, _, complaints = opened(browser, folder / "index.html")
    assert tab.locator("audio").count() == 10
    seconds = tab.evaluate(
        """async () => { const found = [];
        for (const each of document.querySelectorAll('audio')) {
          each.volume = 0.01;
          await each.play();
          while (each.currentTime < 0.1) await new Promise((done) => setTimeout(done, 20));
          found.push(each.duration);
        }
        return found; }"""
    )
    assert seconds[:6] == pytest.approx([6.0] * 6, abs=0.1)
    assert tab.evaluate("[...document.querySelectorAll('audio')].filter((each) => !each.paused).length") == 1
    assert complaints == []
    tab.close()


def test_the_instrument_is_stroked_in_it(browser, folder):
    tab, requests, complaints = opened(browser, folder / "index.html")
    inside = framed(tab, "the-instrument")
    until(inside, "!!window.tinewright", tab)
    inside.evaluate("window.tinewright.ready")
    inside.click("#sound")
    until(inside, "!!window.tinewright.player", tab)
    inside.evaluate(
        """() => { window.reports = []; window.tinewright.player.addEventListener('told', ({ detail }) => {
        if (detail.report) window.reports.push(detail.report); }); document.activeElement.blur(); }"""
    )
    inside.locator("#instrument").press("a")
    until(inside, "window.reports.length", tab)
    assert [each["tine"] for each in inside.evaluate("window.reports[0].touches")] == [0, 1]
    assert [url for url in requests if not url.startswith(("file:", "data:", "about:", "blob:"))] == []
    assert complaints == []
    tab.close()


def test_the_blind_comparison_opens_in_it(browser, folder):
    tab, _, complaints = opened(browser, folder / "index.html")
    inside = framed(tab, "blind")
    until(inside, "document.querySelectorAll('button').length > 3", tab)
    assert "One stroke of wires" in inside.evaluate("document.body.innerText")
    assert complaints == []
    tab.close()


# words that are set on two lines, by the boxes of each: letters and figures, since a hyphen or slash may end a line
BROKEN = """(within) => {
  const found = [], range = document.createRange();
  for (const each of document.querySelectorAll(within)) {
    const texts = document.createTreeWalker(each, NodeFilter.SHOW_TEXT);
    for (let text = texts.nextNode(); text; text = texts.nextNode()) {
      for (const word of text.data.matchAll(/[\\p{L}\\p{N}.,]+/gu)) {
        range.setStart(text, word.index);
        range.setEnd(text, word.index + word[0].length);
        if (new Set([...range.getClientRects()].map((box) => box.top)).size > 1) found.push(word[0]);
      }
    }
  }
  return found;
}"""


@pytest.mark.parametrize("width", [320, 390])
def test_on_a_phone_no_word_of_a_table_is_broken_and_the_page_itself_does_not_scroll_sideways(
    browser, folder, hostile, width
):
    """Prices stood letter by letter: cells gave way before the table's box began to scroll."""
    for place in (folder, hostile):
        tab, _, complaints = opened(browser, place / "index.html")
        tab.set_viewport_size({"width": width, "height": 800})
        assert tab.evaluate("document.documentElement.scrollWidth") == width
        assert tab.evaluate(BROKEN, "td, th") == []
        for table in tab.query_selector_all("table"):
            box = table.evaluate_handle("(each) => each.closest('.scroll')")
            assert box.evaluate("(each) => each.getBoundingClientRect().right") <= width
        for each in tab.query_selector_all("audio"):  # whole, without scrolling
            where = each.bounding_box()
            assert 0.0 <= where["x"] < where["x"] + where["width"] <= width
            assert where["width"] > 0.7 * width
        assert complaints == []
        if place == folder:
            assert tab.evaluate(BROKEN, "main, header") == []
            tab.evaluate("document.querySelector('table td').textContent = 'a'.repeat(200)")
            assert tab.evaluate(BROKEN, "td") == []
            assert tab.evaluate("document.querySelector('table').closest('.scroll').scrollWidth") > 2 * width
            assert tab.evaluate("document.documentElement.scrollWidth") == width
            tab.evaluate("document.querySelector('h1').textContent = 'a'.repeat(200)")
            assert tab.evaluate("document.documentElement.scrollWidth") == width
        tab.close()


def test_it_prints(browser, folder, tmp_path):
    tab, _, _ = opened(browser, folder / "index.html")
    tab.emulate_media(media="print")
    heads = tab.locator(".players").first.locator("th")
    shown = [head.inner_text() for head in heads.all() if head.is_visible()]
    assert shown == ["through", "where", "loudest, at true level", "files"]  # "listen" stood empty
    assert not [each for each in tab.locator("audio, .listen").all() if each.is_visible()]
    tab.pdf(path=str(tmp_path / "printed.pdf"), format="A4")
    assert (tmp_path / "printed.pdf").read_bytes().count(b"/Type /Page\n") >= 2
    tab.close()


def test_axe_finds_nothing_serious(browser, folder):
    """axe-core (Deque Systems, MPL 2.0) is a tool of this test alone: no part of the page, nor of the package."""
    place = os.environ.get("AXE_CORE")
    if place is None or not Path(place).exists():
        pytest.skip("axe-core is not here: AXE_CORE names its axe.min.js (.ci/run fetches it by npm)")
    tab, _, _ = opened(browser, folder / "index.html")
    tab.evaluate(Path(place).read_text(encoding="utf-8") + "\n;0")
    found = tab.evaluate(
        "axe.run().then(({ violations }) => violations.map((each) => "
        "[each.impact, each.id, each.nodes.map((node) => node.html)]))"
    )
    print(found)
    assert [each for each in found if each[0] in ("serious", "critical")] == []
    tab.close()
