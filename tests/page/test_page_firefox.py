"""The page in Firefox: it opens from disk, renders what the command line renders, and sounds under its keys."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import numpy as np
import pytest

from synth.page.build import page
from synth.sound.audio import FULL_SCALE
from synth.sound.render import ContactSettings, perform

from .conftest import THROUGH, error_db, heard, made
from .marionette import Firefox
from .test_page_sounds import AGREED, BACKWARD, FORWARD, stroke_of

pytestmark = pytest.mark.browser

PROGRAMS = ("firefox-esr", "firefox")


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    """A page of two groups, open in Firefox. Skips where there is none."""
    program = next((path for name in PROGRAMS if (path := shutil.which(name))), None)
    if program is None:
        pytest.skip("there is no Firefox on this machine")
    path = tmp_path_factory.mktemp("firefox") / "straight.html"
    path.write_text(page([heard("straight", each) for each in THROUGH]).text, encoding="utf-8")
    window = Firefox(program)
    try:
        window.go(path.as_uri())
        window.run("await window.tinewright.ready")
        yield window
    finally:
        window.close()


@pytest.mark.parametrize("through", THROUGH)
@pytest.mark.parametrize("line", [FORWARD, BACKWARD], ids=["forward", "backward"])
def test_a_stroke_sounds_in_firefox_as_the_command_line_renders_it(firefox, through, line):
    sound = firefox.run(
        "const [script] = given; const sound = await window.tinewright.render(script);"
        "return [Array.from(sound.left), Array.from(sound.right)]",
        {"stroke": [line], "through": through, "seconds": 0.8},
    )
    stroke = stroke_of(made("straight"), line)
    settings = ContactSettings(allow_yield=True)
    reference = perform(heard("straight", through), [stroke], seconds=0.8, settings=settings).sound()
    assert error_db(np.array(sound), reference / FULL_SCALE) < AGREED


def test_a_key_strokes_a_group_in_firefox_or_the_page_says_that_there_is_no_sound_device(firefox):
    """A Firefox without a sound device never starts its audio thread; then a player has to be told so."""
    told = firefox.run(
        """
        const text = (id) => document.querySelector(id).textContent;
        const until = async (true_) => {
          for (let n = 0; n < 600 && !true_(); n += 1) await new Promise((go) => setTimeout(go, 50));
          return true_();
        };
        const before = text('#levels');
        document.querySelector('#sound').click();
        await until(() => window.tinewright.player);
        const { context } = window.tinewright.player;
        await until(() => context.state === 'running' || text('#said'));
        const ran = context.state === 'running';
        for (const kind of ['keydown', 'keyup']) {
          const key = { key: 'a', code: 'KeyA', bubbles: true };
          document.body.dispatchEvent(new KeyboardEvent(kind, key));
        }
        if (ran) await until(() => text('#levels').includes('dB'));
        return { before, ran, levels: text('#levels'), said: text('#said') };
        """
    )
    assert told["before"] == "silent"
    if told["ran"]:
        assert "dB" in told["levels"]
        assert told["said"].startswith("threads, forward: 4 of 4 tines")
    else:
        assert told["levels"] == "silent"
        assert told["said"].startswith("No sound yet: this browser has no sound device")
