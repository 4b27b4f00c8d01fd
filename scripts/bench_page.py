"""What the page costs: share of a core in Chromium while it is played, against the command line's rendering.

`python3 scripts/bench_page.py [DESIGN] [THROUGH]`. Twenty strokes a minute, twelve seconds, in the page's engine
outside the audio thread, so that nothing waits; the same strokes by `tinewright play` in the same run.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

from synth.design.file import load
from synth.design.resolve import resolve
from synth.page.build import page
from synth.playing.stroke import Stroke
from synth.sound.render import ContactSettings, perform, scene

SECONDS = 12.0
EVERY = 3.0  # s between two strokes: twenty a minute
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
PLAYED = """async ([through, starts]) => {
    const engine = new Engine(await content);
    engine.through(through);
    starts.forEach((at_s, n) => engine.schedule({ group: n % HEAD.groups.length, at_s }));
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    const quiet = [], pushing = [];
    while (engine.frame < 1.0 * engine.rate) engine.process(left, right); // every tine is made ready
    const began = performance.now();
    while (engine.frame < (1 + SECONDS) * engine.rate) {
      const start = performance.now();
      engine.process(left, right);
      (engine.voices.length ? pushing : quiet).push(performance.now() - start);
    }
    const of = (times) => [times.length, times.sort((a, b) => a - b)[times.length >> 1], times.at(-1)];
    return [performance.now() - began, of(quiet), of(pushing)];
  }""".replace("SECONDS", str(SECONDS))


def main(design: str = "designs/quay-rail.toml", through: str = "panel") -> None:
    from playwright.sync_api import sync_playwright

    instrument = resolve(load(Path(design)), design)
    heard = scene(instrument, through)
    starts = [1.5 + EVERY * n for n in range(int(SECONDS / EVERY))]
    stick = next(iter(instrument.sticks.values()))
    strokes = [Stroke(group=n % len(instrument.groups), stick=stick, start=at) for n, at in enumerate(starts)]
    settings = ContactSettings(allow_yield=True)
    perform(heard, strokes[:1], seconds=1.0, settings=settings).sound()  # compiled
    began = time.perf_counter()
    perform(heard, strokes, seconds=SECONDS + 1.0, settings=settings).sound()
    plain = time.perf_counter() - began
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as session:
        path = Path(folder) / "page.html"
        path.write_text(page([scene(instrument, "bar"), heard]).text, encoding="utf-8")
        browser = session.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        tab = browser.new_page()
        began = time.perf_counter()
        tab.goto(path.as_uri())
        tab.evaluate("window.tinewright.ready")
        opens = time.perf_counter() - began
        tab.evaluate(PLAYED, [through, starts])
        took, quiet, pushing = tab.evaluate(PLAYED, [through, starts])
        browser.close()
    share = took / 1000.0 / SECONDS
    print(f"{len(heard.model.pole)} modes through {through}, the bar's besides; page opens in {opens:.2f} s")
    print(
        f"{share:.1%} of a core at 20 strokes a minute; {share * SECONDS / plain:.1f} x the command line's time"
    )
    for name, (count, median, worst) in (("ringing", quiet), ("in contact", pushing)):
        print(
            f"block of 128 frames (2.67 ms), {name}: median {median:.2f} ms, worst {worst:.2f} ms of {count}"
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
