"""A hand on the page: mouse, pen and finger drawn over the tines, as the browser tells of them with their own times."""

from __future__ import annotations

import time

import numpy as np
import pytest

pytestmark = pytest.mark.browser

PERCENT = 0.01
REPEATS = 4  # the slow run has 20
FROM, TO = 0.02, 0.135  # m along the bar: before the first tine, beyond the last of its group
LISTEN = """() => { window.reports = []; window.seen = [];
    window.tinewright.player.addEventListener('told', (event) => {
      if (event.detail.report) window.reports.push(event.detail.report); });
    const box = $('instrument').getBoundingClientRect();
    $('instrument').addEventListener('pointermove', (event) => {
      for (const each of event.getCoalescedEvents()) {
        const [x] = view.point([each.clientX - box.left, 0]);
        window.seen.push([each.timeStamp / 1000, x, each.pointerType]);
      }
    }); }"""


@pytest.fixture(scope="module")
def tab(opened, browser, tmp_path_factory):
    page = opened("straight")
    page.tab.click("#sound")
    page.until("window.tinewright.player")
    page.tab.wait_for_timeout(1500)  # tines are made ready
    page.tab.evaluate(LISTEN)
    page.devtools = page.tab.context.new_cdp_session(page.tab)
    return page


def px(page, place, below=0.004):
    """Where on the screen a place along the bar is, so far below the tips of the tine that is the nearest."""
    return page.tab.evaluate(
        """([place, below]) => { const box = $('instrument').getBoundingClientRect();
        const tip = Math.max(...view.groups[0].map((r) => view.tips[r][1]));
        const [x, y] = view.px([place, tip - below]); return [box.left + x, box.top + y]; }""",
        [place, below],
    )


def send(page, kind, what, x, y, *, force=0.4, finger=0):
    if kind == "touch":
        points = [] if what == "up" else [{"x": x, "y": y, "id": finger, "force": force}]
        name = {"down": "touchStart", "move": "touchMove", "up": "touchEnd"}[what]
        page.devtools.send("Input.dispatchTouchEvent", {"type": name, "touchPoints": points})
        return
    name = {"down": "mousePressed", "move": "mouseMoved", "up": "mouseReleased"}[what]
    told = {
        "type": name,
        "x": x,
        "y": y,
        "button": "left",
        "buttons": 1,
        "clickCount": 1,
        "pointerType": kind,
    }
    page.devtools.send("Input.dispatchMouseEvent", told | ({"force": force} if kind == "pen" else {}))


def drawn(page, kind, speed, *, places=(FROM, TO), below=(0.004, 0.004)):
    """The reports of a hand that is drawn at a speed between places, each some moments after the other."""
    page.tab.evaluate("window.reports.length = 0; window.seen.length = 0")
    way = [
        px(page, place, deep) for place, deep in zip(places, np.linspace(*below, len(places)), strict=True)
    ]
    took = np.abs(np.diff(places)) / speed
    ends = np.concatenate([[0.0], np.cumsum(took)])
    send(page, kind, "down", *way[0])
    began = time.perf_counter()
    while (now := time.perf_counter() - began) < ends[-1]:
        send(page, kind, "move", *(float(np.interp(now, ends, axis)) for axis in zip(*way, strict=True)))
        time.sleep(0.004)
    send(page, kind, "up", *way[-1])
    page.until("window.reports.length >= 1")
    page.tab.wait_for_timeout(250)
    return page.tab.evaluate("window.reports")


def off(page, report):
    """The stick's speed over that of the hand as its own events tell it, minus one; nan where a tine was lost."""
    met = [each for each in report["touches"] if each["touches"] > 0]
    firsts = [each["first"] for each in met]
    if len(met) < len(report["touches"]) or firsts != sorted(firsts):
        return np.nan
    stands = page.tab.evaluate(
        "(tines) => tines.map((r) => view.places[r])", [met[0]["tine"], met[-1]["tine"]]
    )
    seen = np.array([each[:2] for each in page.tab.evaluate("window.seen")])
    low, high = sorted(stands)
    inside = (seen[:, 1] > low - 0.015) & (seen[:, 1] < high + 0.015)
    hand = np.polyfit(seen[inside, 0], seen[inside, 1], 1)[0]
    return (stands[1] - stands[0]) / (firsts[-1] - firsts[0]) / hand - 1.0


@pytest.mark.parametrize("kind", ["mouse", "touch", "pen"])
@pytest.mark.parametrize("speed", [0.2, 0.4, 0.8])
def test_every_tine_is_touched_in_order_at_the_hands_speed(tab, kind, speed):
    wrong = []
    for n in range(REPEATS):
        reports = drawn(tab, kind, speed, places=(FROM, TO) if n % 2 == 0 else (TO, FROM))
        assert len(reports) == 1
        assert {each[2] for each in tab.tab.evaluate("window.seen")} == {kind}
        wrong.append(off(tab, reports[0]))
    print(kind, speed, np.round(wrong, 3))
    assert not np.isnan(wrong).any(), wrong
    assert np.median(np.abs(wrong)) < 5 * PERCENT
    assert np.max(np.abs(wrong)) < 10 * PERCENT
