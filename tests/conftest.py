"""Shared by all rooms: tines made from plain numbers, without a design file; a browser that opens pages."""

from __future__ import annotations

import ctypes
import gc
import importlib.util
import math
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from synth.design.instrument import FixedLength, Material, Nut, Pitch, PlacedNut, Rod, Root, Tine, TrimWish
from synth.remembered import forget_all

# AISI 304 as in the worked example that the physics was checked with; no loss of its own.
STEEL_304 = Material(
    name="AISI 304",
    density=7900.0,
    youngs=193e9,
    poisson=0.29,
    loss_factor=0.0,
    expansion=17.3e-6,
    heat_capacity=500.0,
    conductivity=16.2,
    modulus_slope=-4e-4,
    yield_stress=215e6,
    tensile_strength=505e6,
    endurance=240e6,
    magnetic="no",
    source="datasheet",
    confidence="read",
)


LARGE = 500 << 20  # bytes held


@pytest.fixture(autouse=True)
def _nothing_remembered() -> None:
    """Every test begins as a new process does."""
    forget_all()


CHROMIUM = ("chromium-headless-shell", "chromium", "chromium-browser")  # the first takes half the time
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)


@dataclass(frozen=True)
class Workbench:
    """Rods, nuts and tines by hand. Lengths in mm, masses in g, as a maker says them."""

    steel: Material = STEEL_304

    def plain(self, diameter: float) -> Rod:
        d = diameter * 1e-3
        return Rod("plain", "", d, 0.0, d, d, d, self.steel)

    def threaded(self, diameter: float, pitch: float) -> Rod:
        """Nominal thread: stiff as d - 1.0617 p, heavy as d - 0.615 p."""
        d, p = diameter * 1e-3, pitch * 1e-3
        return Rod("threaded", "M", d, p, d - 1.0617 * p, d - 0.615 * p, d - 1.226869 * p, self.steel)

    def nut(self, thread: str, grip: float = 0.0, form: str = "hex") -> Nut:
        """Mid-tolerance: mass g, height mm, width mm, transverse inertia g mm2, by ISO 4032 and 4035."""
        mass, height, width, inertia = {
            ("M3", "hex"): (0.3432, 2.275, 5.41, 0.9872),
            ("M3", "thin hex"): (0.2508, 1.675, 5.41, 0.6697),
            ("M4", "hex"): (0.7282, 3.05, 6.89, 3.4983),
        }[thread, form]
        return Nut(thread, mass * 1e-3, height * 1e-3, width * 1e-3, inertia * 1e-9, grip, thread)

    def tine(
        self,
        rod: Rod,
        *,
        length: float = 150.0,
        pitch_hz: float | None = None,
        trim: tuple[PlacedNut, ...] = (),
        wish: TrimWish | None = None,
        root: Root | None = None,
        split: float = 1.0,
        axis: float = 0.0,
    ) -> Tine:
        """One tine at the bar's start, ideally clamped unless told otherwise."""
        goal = FixedLength(length * 1e-3) if pitch_hz is None else Pitch(pitch_hz)
        return Tine(0, 1, rod, goal, trim, wish, root or self.root(), split, axis, 0.0, 0.0)

    def root(self, added: float = 0.0, rotation: float = math.inf, translation: float = math.inf) -> Root:
        return Root(added * 1e-3, rotation, translation, 1e-3, 2.4e-3)

    def in_a_row(self, tines: list[Tine], spacing: float) -> tuple[Tine, ...]:
        """The same tines, numbered, `spacing` mm apart from 50 mm on."""
        return tuple(
            replace(tine, number=index + 1, position=0.05 + index * spacing * 1e-3)
            for index, tine in enumerate(tines)
        )


PATIENT = {"recording", "vibration", "validation"}  # rooms whose slow tests are arithmetic alone


@pytest.hookimpl(tryfirst=True)  # before markers choose
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow tests that are arithmetic alone are patient: no process, no clock.

    Files with slow tests come first, so that what runs last is short and all workers end together.
    """
    for item in items:
        if item.path.parent.name in PATIENT and item.get_closest_marker("slow"):
            item.add_marker("patient")
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


def pytest_collection_finish() -> None:
    """What is loaded by now stays: the collector of rings need not walk it again and again (a tenth of the run)."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


_held = LARGE  # bytes, at the last look


@pytest.fixture(scope="module", autouse=True)
def _given_back() -> Iterator[None]:
    """What a file's tests have freed goes back to the system: each process that is forked later copies the rest."""
    global _held
    yield
    if _resident() > 1.2 * _held:
        gc.collect()
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # glibc's own
        if trim is not None:
            trim(0)
        _held = max(LARGE, _resident())


def _resident() -> int:
    """Bytes in memory, 0 where the system does not tell."""
    pages = Path("/proc/self/statm")
    return int(pages.read_text(encoding="ascii").split()[1]) * 4096 if pages.exists() else 0


@pytest.fixture(scope="session")
def bench() -> Workbench:
    return Workbench()


@pytest.fixture(scope="session")
def everyday() -> ModuleType:
    """The module beside this file: random designs of an everyday kind, and a maker's edits of them."""
    spec = importlib.util.spec_from_file_location("everyday", Path(__file__).with_name("everyday.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["everyday"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def page_functions() -> Path:
    """The file in which a page's compiled functions are kept: for tests with a cache of their own to copy there."""
    from synth import cache
    from synth.page import functions

    with pytest.MonkeyPatch.context() as patched:
        patched.delenv(cache.FOLDER_VARIABLE, raising=False)
        functions.compiled()
        return max(cache.folder().glob("page-*"), key=lambda each: each.stat().st_mtime)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium as Debian has it. Skips where it or playwright is missing."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = next((path for name in CHROMIUM if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("there is no chromium on this machine")
    with playwright.sync_playwright() as session:
        running = session.chromium.launch(executable_path=found, args=list(FLAGS))
        yield running
        running.close()
