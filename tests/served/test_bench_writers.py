"""The bench in Chromium: several writers, a file that goes, a disk that is full, a server that ends."""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
import time

import numpy as np
import pytest

from synth.served.model import SolvedDesign
from synth.served.serving import Serving

from .bench_tab import ROOT, Page, now, saved
from .conftest import DESIGN

pytestmark = pytest.mark.browser


def test_two_tabs_see_each_others_changes_and_a_late_one_is_told(opened, browser):
    other = Page(browser, opened.serving)
    opened.tab.select_option("#thing", "group 1")
    opened.set("Spacing", 18)
    other.shows(now(opened) if opened.until("bench.state.undo === 1") is None else "")
    assert other.tab.evaluate("HEAD.picture[4].x - HEAD.picture[3].x") == pytest.approx(0.018)
    other.tab.evaluate("bench.state = { ...bench.state, text: 'what it was' }")  # it has not heard of it yet
    other.tab.select_option("#thing", "group 0")
    other.set("Spacing", 15)
    other.until("$('said').textContent.startsWith('Not changed')")
    assert "changed elsewhere" in other.said()
    assert other.field("Spacing").input_value() == "15"
    assert "spacing_mm = 17.0" in opened.serving.session.path.read_text()
    other.tab.close()


def test_an_editor_that_saves_while_a_field_is_typed_loses_nothing(opened):
    opened.tab.select_option("#thing", "group 1")
    box = opened.field("Start")
    box.fill("19")
    opened.shows(saved(opened, "# flat", "# flatter"))
    assert box.input_value() == "19"
    box.press("End")
    box.type("5")
    box.press("Enter")
    opened.until("bench.state.undo === 2")
    text = opened.serving.session.path.read_text()
    assert "# flatter" in text
    assert re.search(r"start_mm = 195(\.0)?\n", text)


def test_an_answer_that_comes_late_puts_no_older_state_in_the_place_of_a_newer(opened):
    state = opened.tab.evaluate("bench.state")
    newer = {**state, "serial": state["serial"] + 2, "undo": 7}
    opened.tab.evaluate("(state) => stateTold(state)", newer)
    opened.tab.evaluate("(state) => stateTold(state)", {**state, "serial": state["serial"] + 1, "undo": 6})
    assert opened.tab.evaluate("bench.state.undo") == 7
    opened.tab.evaluate("(state) => stateTold(state)", {**state, "server": "another", "serial": 0, "undo": 0})
    assert opened.tab.evaluate("bench.state.undo") == 0


def test_a_design_that_is_removed_is_told_and_put_back(opened):
    path = opened.serving.session.path
    path.unlink()
    opened.until("$('stands').textContent.includes('no such file')")
    assert opened.tab.evaluate("!$('put-back').hidden && $('undo').disabled")
    opened.tab.click("#put-back")
    opened.until("$('put-back').hidden")
    assert path.read_text() == DESIGN


def test_a_full_disk_is_told_and_nothing_is_lost(opened, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    opened.tab.select_option("#thing", "group 1")
    with monkeypatch.context() as patched:
        patched.setattr("pathlib.Path.write_bytes", full)
        opened.set("Spacing", 18)
        opened.until("$('said').textContent.includes('is the disk full?')")
    assert opened.serving.session.path.read_text() == DESIGN
    opened.field("Spacing").press("ArrowDown")
    opened.field("Spacing").press("Enter")
    opened.until("bench.state.undo === 1")
    assert re.search(r"spacing_mm = 17\.5\n", opened.serving.session.path.read_text())


def test_a_server_that_ends_is_told_and_found_when_it_comes_back(browser, design):
    with Serving(design) as serving:
        page = Page(browser, serving)
        page.sound_on()
    page.until("$('stands').textContent.startsWith('The server does not answer')")
    page.tab.evaluate("document.activeElement.blur()")
    page.tab.keyboard.press("a")
    page.until("$('said').textContent.startsWith('low, forward')")  # it plays on
    design.write_text(DESIGN.replace("free_length_mm = 150.0", "free_length_mm = 140.0"))
    with Serving(design) as again:
        page.until("bench.linked", 30.0)
        page.shows(again.session.model.name)
        assert page.tab.evaluate("HEAD.picture[0].length") == pytest.approx(0.140)
        page.tab.close()


def started(design):
    """`tinewright open` as a process of its own, and its address."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from synth.doors.cli import main; main()",
            "open",
            str(design),
            "--no-browser",
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        cwd=ROOT,
    )
    return process, process.stdout.readline().strip()


@pytest.mark.slow
def test_a_server_that_is_killed_and_started_again_is_found_by_the_page(browser, design):
    process, address = started(design)
    tab = browser.new_page()
    tab.goto(address)
    wait(tab, "things.told && bench.linked")
    tab.evaluate("window.tinewright.ready")  # the page's own code has come: it is compiled the first time
    process.kill()
    process.communicate()
    wait(tab, "!bench.linked")
    assert tab.evaluate("$('stands').textContent").startswith("The server does not answer")
    shortened(design)
    process, again = started(design)
    assert again == address
    wait(tab, f"bench.linked && {SHORTENED}")
    tab.select_option("#thing", "group 1")
    box = tab.get_by_label("Spacing", exact=True)
    box.fill("18")
    box.press("Enter")
    wait(tab, "bench.state.undo === 1")
    assert "spacing_mm = 18.0" in design.read_text(encoding="utf-8")
    tab.close()
    process.kill()
    process.communicate()


@pytest.mark.parametrize("lost", ["code", "model/*/*/bytes"])
def test_a_page_whose_server_goes_while_it_loads_plays_once_it_is_there_again(browser, design, lost):
    with Serving(design) as serving:
        tab, gone = browser.new_page(), []

        def answer(route):
            gone.append(route.request.url)
            if len(gone) < 3:
                route.abort("connectionrefused")
            else:
                route.continue_()

        tab.route(f"**/{lost}", answer)
        tab.goto(serving.address.words)
        wait(tab, "things.told && bench.linked")
        shortened(design)
        wait(tab, f"{SHORTENED} && !swap.running")
        assert len(gone) == 3
        render = "async (script) => Array.from((await window.tinewright.render(script)).left)"
        sound = tab.evaluate(
            render, {"stroke": [{"at_s": 0.1, "group": "high"}], "through": "bar", "seconds": 0.3}
        )
        assert np.abs(sound).max() > 0.0
        assert tab.evaluate("$('said').textContent").find("cannot") == -1
        tab.close()


@pytest.mark.parametrize("wanted_before", [False, True])
def test_a_page_whose_first_model_is_gone_before_it_came_plays_the_next(browser, design, wanted_before):
    """Also where its sound was asked for meanwhile, and refused."""
    with Serving(design) as serving:
        tab = browser.new_page()
        tab.route("**/model/*/*/bytes", lambda route: route.fulfill(status=409, body="{}"))
        tab.goto(serving.address.words)
        wait(tab, "$('said').textContent.includes('the server answers 409')")
        if wanted_before:
            tab.click("#sound")
            wait(tab, "$('said').textContent.startsWith('No sound here')")
        shortened(design)
        wait(tab, f"{SHORTENED} && !swap.running")
        assert tab.evaluate("window.tinewright.ready")
        assert not tab.evaluate("window.tinewright.player")
        tab.click("#sound")
        wait(tab, "window.tinewright.player")
        assert tab.evaluate("$('sound').textContent") == "Sound is on"
        tab.close()


def test_sound_that_is_wanted_while_the_first_model_comes_late_plays_the_next(browser, design):
    """The next one has come already and waits; the first is put on, then exchanged."""
    with Serving(design) as serving:
        tab, waiting = browser.new_page(), []
        tab.route("**/model/*/*/bytes", lambda route: waiting.append(route))
        tab.goto(serving.address.words)
        wait(tab, "bench.linked && things.told")
        tab.evaluate("""() => { const plainly = Player.on, frame = frameOf;
            Player.on = (context, next) => { window.played = next.bytes;
              return plainly.call(Player, context, next); };
            frameOf = async (...what) => { const found = await frame(...what); window.came = true;
              return found; }; }""")
        shortened(design)
        wait(tab, "window.came")
        tab.click("#sound")
        wait(tab, "starting !== null")
        for route in waiting:
            route.continue_()
        wait(tab, f"window.tinewright.player && !swap.running && {SHORTENED}")
        assert tab.evaluate("content.then(({ bytes }) => bytes === window.played)")
        tab.close()


def test_what_can_be_set_is_asked_again_of_a_server_that_went_meanwhile(opened):
    """The page has the model, but not what can be set of it or is known; the server comes back with the same."""
    gone = set()

    def answer(route):
        name = route.request.url.rsplit("/", 2)[1]
        if name in gone:
            route.continue_()
        else:
            gone.add(name)
            route.abort("connectionrefused")

    for name in ("things", "know"):
        opened.tab.route(f"**/{name}/*", answer)
    opened.shows(saved(opened, "free_length_mm = 150.0", "free_length_mm = 140.0"))
    opened.until("known.told?.model === HEAD.model")
    assert gone == {"things", "know"}


SHORTENED = "Math.abs(HEAD.picture[0].length - 0.14) < 1e-6"


def shortened(design):
    """The first tine, by an editor; `SHORTENED` in the page once it has come there."""
    text = DESIGN.replace("free_length_mm = 150.0", "free_length_mm = 140.0")
    design.write_text(text, encoding="utf-8")


def wait(tab, code, seconds=40.0):
    for _ in range(round(seconds / 0.05)):
        if tab.evaluate(code):
            return
        tab.wait_for_timeout(50)
    raise AssertionError(code)


def test_a_quick_row_of_saves_ends_with_the_last(opened):
    opened.sound_on()
    path = opened.serving.session.path
    for height in range(13, 21):
        path.write_text(DESIGN.replace("height_mm = 12.0", f"height_mm = {height}.0"))
        time.sleep(0.07)
    opened.shows(SolvedDesign(path.read_text(), "slat.toml").name)
    assert opened.tab.evaluate("HEAD.bar.height") == pytest.approx(0.020)
