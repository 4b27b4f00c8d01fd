"""From a save to the first possible sound in an open page: a group, a nut, the bar; the rail, and 168 tines.

`python3 scripts/bench_open.py [ROUNDS]`. Chromium with its sound on, the server in this process. Named alternative,
in the same run: the same changed design made into a page as `tinewright page` makes it, warm.
"""

from __future__ import annotations

import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from synth.design.edit import Edit, edited
from synth.design.file import load
from synth.design.resolve import resolve
from synth.page.build import page
from synth.served.serving import Serving
from synth.sound.render import scene

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--autoplay-policy=no-user-gesture-required",
]
REST = 4.0  # s between two changes: knowledge and advice are done, the old player is gone
MARK = """() => { window.told = {};
    bench.on.state.unshift((state) => { window.told[`state ${state.model}`] = Date.now(); });
    bench.on.shown.push(() => { window.told[HEAD.model] = Date.now(); }); }"""
NOTES = ["D2", "A2", "D3", "F3", "G3", "A3", "C4", "D4", "F4", "G4", "A4", "C5"]


def large() -> str:
    """Twelve groups of fourteen tines, 168 in all, on a bar of 2.6 m."""
    low = '["1/1", "1/1", "1/1", "3/2", "3/2", "2/1", "2/1", "2/1", "3/1", "3/1", "4/1", "4/1", "4/1", "6/1"]'
    high = (
        '["1/1", "1/1", "1/1", "5/4", "5/4", "4/3", "3/2", "3/2", "3/2", "5/3", "2/1", "2/1", "2/1", "9/4"]'
    )
    lines = [
        'name = "A row of 168"',
        "[bar]",
        'section = { shape = "rectangle", width_mm = 40.0, height_mm = 25.0 }',
        "path = [{ straight_mm = 2600.0 }]",
        'supports = [{ at_mm = 560.0, kind = "cord" }, { at_mm = 2040.0, kind = "cord" }]',
        "[stock.rod3]",
        'kind = "plain"',
        "diameter_mm = 3.0",
        "[recipe.low]",
        f"members = {low}",
        "[recipe.high]",
        f"members = {high}",
    ]
    for number, note in enumerate(NOTES):
        recipe, stock = ("low", "M4") if number < 3 else ("high", "rod3")
        lines += ["[[group]]", f'name = "{note}"', f'root = "{note}"', f'recipe = "{recipe}"']
        lines += [f'stock = "{stock}"', f"start_mm = {60.0 + 208.0 * number}", "spacing_mm = 14.0"]
    return "\n".join(lines) + "\n"


def changes(text: str) -> dict[str, Callable[[int], Edit]]:
    """What is changed in each round, by name; by amounts that no run before has left in the cache."""
    own = round(random.uniform(0.0, 0.009), 6)
    return {
        "a group's spacing": lambda n: Edit("group[3].spacing_mm", 11.0 + own + 0.01 * n),
        "a nut put on a tine, moved": lambda n: Edit(
            "group[2].change", [{"tine": 4, "trim": [{"nut": "M4 hex", "at_mm": 30.0 + own + 0.5 * n}]}]
        ),
        "the bar's height": lambda n: Edit("bar.section.height_mm", 24.0 + own + 0.01 * n),
    }


def measured(text: str, rounds: int) -> None:
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as session:
        path = Path(folder) / "design.toml"
        path.write_text(text, encoding="utf-8")
        began = time.perf_counter()
        with Serving(path) as serving:
            print(f"  opened in {time.perf_counter() - began:.2f} s")
            browser = session.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            tab = browser.new_page()
            tab.goto(serving.address.words)
            tab.evaluate("window.tinewright.ready")
            tab.click("#sound")
            tab.wait_for_timeout(1000.0 * REST)
            tab.evaluate(MARK)
            for name, change in changes(text).items():
                told, played = zip(
                    *(once(tab, path, text, change(n + 1)) for n in range(rounds)), strict=True
                )
                began = time.perf_counter()
                page([scene(resolve(load(path), "x"), "bar")])
                alternative = time.perf_counter() - began
                median = statistics.median(played)
                print(
                    f"  {name}: told after {statistics.median(told):.2f} s, played after {median:.2f} s"
                    f" (slowest {max(played):.2f}); a page made anew, its modes solved: {alternative:.2f} s"
                )
            browser.close()


def once(tab: object, path: Path, text: str, edit: Edit) -> tuple[float, float]:
    """Seconds from a save until the page is told, and until it plays the new model."""
    from synth.served.model import name_of_text

    new = edited(text, [edit])
    name = name_of_text(new)
    began = time.time()
    path.write_text(new, encoding="utf-8")
    while not (found := tab.evaluate(f"[window.told['state {name}'], window.told['{name}']]"))[1]:  # type: ignore[attr-defined]
        tab.wait_for_timeout(10)  # type: ignore[attr-defined]
    tab.wait_for_timeout(1000.0 * REST)  # type: ignore[attr-defined]
    return found[0] / 1e3 - began, found[1] / 1e3 - began


def main(rounds: str = "5") -> None:
    for name, text in (
        ("the rail, 63 tines", Path("designs/quay-rail.toml").read_text(encoding="utf-8")),
        ("168 tines", large()),
    ):
        print(name)
        measured(text, int(rounds))


if __name__ == "__main__":
    main(*sys.argv[1:])
