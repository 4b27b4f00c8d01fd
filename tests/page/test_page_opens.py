"""A page in real Chromium, opened from disk: what it asks for, how it is played, how it guards ears."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser

LISTEN = """() => { window.tellings = [];
    window.tinewright.player.addEventListener('told', (event) => window.tellings.push(event.detail)); }"""


@pytest.fixture(scope="module")
def playing(opened):
    """The straight bar's page with its sound on."""
    page = opened("straight")
    page.tab.click("#sound")
    page.until("window.tinewright.player")
    page.tab.evaluate(LISTEN)
    return page


def told(page, key):
    return page.tab.evaluate(f"window.tellings.filter((each) => each.{key} !== undefined)")


def reported(page, count):
    page.until(f"window.tellings.filter((each) => each.report).length >= {count}")
    return [each["report"] for each in told(page, "report")]


def test_it_asks_nothing_of_a_network_and_complains_of_nothing(playing):
    assert [url for url in playing.requests if not url.startswith(("file:", "data:"))] == []
    assert len([url for url in playing.requests if url.startswith("file:")]) == 1
    assert playing.complaints == []


def test_a_key_strokes_a_group_forward_and_shifted_backward(playing):
    before = len(told(playing, "report"))
    playing.tab.keyboard.press("a")
    assert [each["tine"] for each in reported(playing, before + 1)[-1]["touches"]] == [0, 1, 2, 3]
    playing.tab.keyboard.press("Shift+S")
    last = reported(playing, before + 2)[-1]
    assert [each["tine"] for each in last["touches"]] == [6, 5, 4]
    assert all(each["touches"] > 0 for each in last["touches"])


def test_a_mouse_drawn_over_the_tines_touches_them_in_order(playing):
    tab = playing.tab
    before = len(told(playing, "report"))
    box = tab.locator("#instrument").bounding_box()
    across = tab.evaluate("[0.03, 0.12].map((place) => view.px([place, 0])[0])")
    tab.mouse.move(box["x"] + across[0], box["y"] + box["height"] / 2)
    tab.mouse.down()
    for n in range(60):
        tab.mouse.move(box["x"] + across[0] + (across[1] - across[0]) * n / 59, box["y"] + box["height"] / 2)
        tab.wait_for_timeout(8)
    tab.mouse.up()
    last = reported(playing, before + 1)[-1]
    first = [each["first"] for each in last["touches"]]
    assert [each["tine"] for each in last["touches"]] == [0, 1, 2, 3]
    assert all(each["touches"] > 0 for each in last["touches"])
    assert first == sorted(first)


def test_nothing_leaves_above_the_cap_and_the_page_says_so(playing):
    tab = playing.tab
    tab.evaluate("window.tellings.length = 0; window.tinewright.player.tell({ gain_db: 90 })")
    tab.keyboard.press("a")
    playing.until("window.tellings.some((each) => each.limited_db > 1)")
    tab.wait_for_timeout(300)
    peaks = [each["peak"] for each in told(playing, "peak")]
    tab.evaluate("window.tinewright.player.tell({ gain_db: 0 })")
    assert max(peaks) <= 10.0 ** (-6.0 / 20.0) + 1e-6
    assert max(peaks) > 0.45


def test_what_cannot_be_played_is_told_in_the_page(playing):
    playing.tab.evaluate("window.tinewright.player.tell({ through: 'wall' })")
    playing.until("document.getElementById('said').textContent.includes(\"through 'wall'\")")


def test_all_is_quiet_after_a_silence(playing):
    tab = playing.tab
    tab.keyboard.press("a")
    tab.wait_for_timeout(300)
    tab.evaluate("window.tellings.length = 0; window.tinewright.player.tell({ silence: true })")
    playing.until("window.tellings.filter((each) => each.peak !== undefined).length > 4")
    assert told(playing, "peak")[-1]["peak"] < 1e-9
