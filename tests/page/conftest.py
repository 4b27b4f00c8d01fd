"""Shared by the tests of this room: two flat bars, their pages, and a browser that opens them."""

from __future__ import annotations

import functools
import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from synth.design.decode import decode
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.page.build import page
from synth.sound.render import Scene, scene

STRAIGHT = "{ straight_mm = 420.0 }"
CORNER = "{ straight_mm = 250.0 }, { bend_deg = 70.0, radius_mm = 90.0, plane_deg = 90.0 }, { straight_mm = 110.0 }"
# a flat bar on which nothing stands in the middle, tines on two faces, threaded and plain, one with a nut higher up
DESIGN = """
name = "A flat bar with tines on two faces"
[listener]
angle_deg = 35.0
azimuth_deg = 40.0
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [ {path} ]
supports = [ {{ at_mm = 40.0, kind = "rubber" }}, {{ at_mm = 330.0, kind = "cord" }} ]
[stock.wire]
kind = "plain"
diameter_mm = 3.0
material = "music wire"
[nut.small]
mass_g = 0.5
height_mm = 2.4
width_mm = 5.5
grip = 0.0
[[group]]
name = "threads"
midi_note = 57
stock = "M4"
start_mm = 60.0
spacing_mm = 13.0
[[group.tine]]
pitch = "A3"
[[group.tine]]
free_length_mm = 112.0
trim = [ {{ nut = "small", at_mm = 80.0 }} ]
[[group.tine]]
free_length_mm = 104.0
[[group.tine]]
free_length_mm = 97.0
[[group]]
name = "wires"
midi_note = 60
stock = "wire"
start_mm = 160.0
spacing_mm = 11.0
face_deg = 60.0
[[group.tine]]
free_length_mm = 100.0
[[group.tine]]
free_length_mm = 92.0
[[group.tine]]
free_length_mm = 81.0
[pickup]
at_mm = 130.0
{pickup}
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 420.0
thickness_mm = 4.0
feet = [ {{ bar_mm = 50.0, x_mm = 90.0, y_mm = 70.0 }}, {{ bar_mm = 240.0, x_mm = 228.0, y_mm = 125.0 }} ]
"""
MAGNET = 'kind = "magnetic"'
PATHS = {"straight": (STRAIGHT, ""), "bent": (CORNER, MAGNET)}
THROUGH = ("bar", "pickup", "panel")


@functools.cache
def made(shape: str) -> Instrument:
    """The instrument on a straight or a bent bar."""
    path, pickup = PATHS[shape]
    return resolve(decode(tomllib.loads(DESIGN.format(path=path, pickup=pickup)), Design), "flat.toml")


@functools.cache
def heard(shape: str, through: str) -> Scene:
    return scene(made(shape), through)


class Opened:
    """A page in the browser, and what it asked for and complained of."""

    def __init__(self, tab: Any, path: Path) -> None:
        self.tab = tab
        self.requests: list[str] = []
        self.complaints: list[str] = []
        tab.on("request", lambda request: self.requests.append(request.url))
        tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        tab.on("console", lambda message: self.complaints.append(message.text))
        tab.goto(path.as_uri())
        tab.evaluate("window.tinewright.ready")

    def numbers(self, code: str, argument: Any = None) -> NDArray[np.float64]:
        """What a function of the page gives, numbers in any order of nesting, nan and all."""
        told = self.tab.evaluate(
            f"async (argument) => JSON.stringify(await ({code})(argument), (key, value) =>"
            " ArrayBuffer.isView(value) ? Array.from(value, (x) => Number.isFinite(x) ? x : String(x))"
            " : (typeof value === 'number' && !Number.isFinite(value) ? String(value) : value))",
            argument,
        )
        return np.array(json.loads(told), dtype=np.float64)

    def until(self, code: str, seconds: float = 20.0) -> None:
        """Waits until something is true in the page, which lets nobody evaluate strings in it."""
        for _ in range(round(seconds / 0.02)):
            if self.tab.evaluate(code):
                return
            self.tab.wait_for_timeout(20)
        raise AssertionError(f"after {seconds:g} s it is still not true: {code}")

    def render(self, stroke: list[dict[str, Any]], through: str, seconds: float) -> NDArray[np.float64]:
        """(2, N) of `window.tinewright.render`."""
        return self.numbers(
            "async (script) => { const sound = await window.tinewright.render(script);"
            " return [sound.left, sound.right]; }",
            {"stroke": stroke, "through": through, "seconds": seconds},
        )


@pytest.fixture(scope="session")
def opened(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The page of a shape, opened once."""

    @functools.cache
    def of(shape: str) -> Opened:
        path = tmp_path_factory.mktemp("page") / f"{shape}.html"
        path.write_text(page([heard(shape, each) for each in THROUGH]).text, encoding="utf-8")
        return Opened(browser.new_page(), path)

    return of


WITH_ENGINE = """async (argument) => { window.asked ??= new Engine(await content); const engine = window.asked;
    const kept = { ...engine };
    try { return await (ACT)(engine, argument); }
    finally { for (const key of Object.keys(engine)) if (!(key in kept)) delete engine[key];
      Object.assign(engine, kept); } }"""


@pytest.fixture
def ask(opened: Any) -> Callable[..., Any]:
    """What a script makes of the page's engine, which is as it was afterwards."""
    return lambda act, argument=None: opened("straight").tab.evaluate(
        WITH_ENGINE.replace("ACT", act), argument
    )


def error_db(page: NDArray[Any], reference: NDArray[Any]) -> float:
    """The difference's energy over that of the reference, dB; the worse channel's."""
    off = ((page - reference) ** 2).sum(axis=1) / (reference**2).sum(axis=1)
    return float(10.0 * np.log10(off.max() + 1e-30))


LISTEN = """() => { window.reports = []; window.tells = [];
    const { player } = window.tinewright;
    const tell = player.tell.bind(player);
    player.tell = (message) => { window.tells.push(message); tell(message); };
    player.addEventListener('told', ({ detail }) => {
      if (detail.report) window.reports.push(detail.report); }); }"""


@pytest.fixture(name="page")
def sounding_page(opened):
    """The straight bar's page with its sound on, quiet, nothing told of yet."""
    page = opened("straight")
    if not page.tab.evaluate("!!window.tinewright.player"):
        page.tab.click("#sound")
        page.until("window.tinewright.player")
    if not page.tab.evaluate("!!window.tells"):
        page.tab.evaluate(LISTEN)
    page.tab.evaluate(
        "() => { window.tinewright.player.tell({ silence: true }); channels.clear(); row.forward.clear();"
        " window.reports.length = 0; window.tells.length = 0; document.activeElement.blur(); }"
    )
    return page


def begun(page):
    return page.tab.evaluate("window.tells.filter((each) => each.begin).map((each) => each.begin)")


def rests(page):
    told = page.tab.evaluate("window.tells.filter((each) => each.rest).map((each) => each.rest)")
    return [(each["palm"], each["down"]) for each in told]


def said(page):
    return page.tab.evaluate("document.getElementById('said').textContent")
