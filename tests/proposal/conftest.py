"""Shared by the tests of this room: a small design with a room, prices and a proposal, made once into a folder."""

from __future__ import annotations

import functools
import tomllib
from pathlib import Path
from typing import Any

import pytest

from synth.design.decode import decode
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.proposal.build import write_proposal

HOSTILE = '<script>alert(1)</script> & "rail" @BODY@'
DESIGN = """
name = "A flat bar"
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [ {{ straight_mm = 420.0 }} ]
supports = [ {{ at_mm = 40.0, kind = "rubber" }}, {{ at_mm = 330.0, kind = "cord" }} ]
price_per_m = 11.3
[stock.wire]
kind = "plain"
diameter_mm = 3.0
material = "music wire"
price_per_m = 4.45
[[group]]
name = "threads"
stock = "M4"
start_mm = 60.0
[[group.tine]]
free_length_mm = 112.0
[[group.tine]]
free_length_mm = 97.0
[[group]]
name = {group}
stock = "wire"
start_mm = 160.0
[[group.tine]]
free_length_mm = 100.0
[[group.tine]]
free_length_mm = 80.0
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 420.0
thickness_mm = 4.0
feet = [ {{ bar_mm = 50.0, x_mm = 90.0, y_mm = 70.0 }}, {{ bar_mm = 240.0, x_mm = 228.0, y_mm = 125.0 }} ]
[bench]
currency = "EUR"
washer_price = 0.055
paper = "{paper}"
[room.hall]
length_m = 8.0
width_m = 6.0
height_m = 3.5
reverberation_s = [0.9, 0.9, 0.8, 0.7, 0.7, 0.6]
instrument_at_m = [2.1, 2.6, 0.9]
listener_at_m = [5.2, 1.4, 1.5]
noise_dba = 34.0
[proposal]
title = {title}
site = "a quay"
maker = {maker}
group = {group}
through = ["bar", "pickup"]
text = {text}
hour_price = 37.5
margin_percent = 7.5
work = [ {{ what = "saw & drill", hours = 3.25 }} ]
extra = [ {{ what = "case <b>", price = 80.455 }} ]
"""
SCORE = """
stroke = [ { at_s = 0.1, group = "threads", speed_mm_s = 300 } ]
tail_s = 1.0
"""


@functools.cache
def made(
    title: str = '"A bar for the quay"',
    *,
    maker: str = '"a workshop"',
    text: str = '["Some *words* of **mine**."]',
    group: str = '"wires"',
    paper: str = "A4",
) -> tuple[Design, Instrument]:
    """A design and its instrument."""
    written = DESIGN.format(title=title, maker=maker, text=text, group=group, paper=paper)
    design = decode(tomllib.loads(written), Design)
    return design, resolve(design, "flat.toml")


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The proposal with a score and the blind comparison."""
    place = tmp_path_factory.mktemp("proposal")
    score = place / "one-stroke.toml"
    score.write_text(SCORE, encoding="utf-8")
    design, instrument = made()
    write_proposal(design, instrument, [score], place / "out", blind=True)
    return place / "out"


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A proposal whose names and words would like to be more than words."""
    place = tmp_path_factory.mktemp("hostile") / "out"
    quoted = '"<script>alert(1)</script> & \\"rail\\" @BODY@"'
    text = (
        '["# <img src=x onerror=alert(1)>", "[a link](javascript:alert(1)) ![p](http://x/p.png) <b>b</b>", '
        '"`code` & </script><script>alert(2)</script>", "* <i>item</i> **strong**"]'
    )
    design, instrument = made(quoted, maker=quoted, text=text, group=quoted, paper="Letter")
    write_proposal(design, instrument, [], place)
    return place


def opened(browser: Any, page: Path) -> tuple[Any, list[str], list[str]]:
    """A tab with a page from disk, what it asked for and what it complained of."""
    tab = browser.new_page()
    requests: list[str] = []
    complaints: list[str] = []
    tab.on("request", lambda request: requests.append(request.url))
    tab.on("pageerror", lambda error: complaints.append(str(error)))
    tab.on("console", lambda message: complaints.append(message.text))
    tab.on("dialog", lambda dialog: (complaints.append("dialog"), dialog.dismiss()))
    tab.goto(page.as_uri())
    return tab, requests, complaints
