"""The demo pieces for the rail: each plays, and shows what it is there to show."""

import runpy
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.midi import read_midi
from synth.playing.script import read_script
from synth.playing.stroke import Stroke
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.loudness import MASK, QUIET_ROOM, measure
from synth.sound.render import play

ROOT = Path(__file__).parents[1]
DESIGNS = ROOT / "designs"


@pytest.fixture(scope="module")
def rail():
    path = DESIGNS / "quay-rail.toml"
    return resolve(load(path), str(path))


@pytest.fixture(scope="module")
def rendered(rail):
    """Every piece once: its strokes, its reports, its sound (C, N)."""
    done = {}

    def render(name):
        if name not in done:
            path = DESIGNS / name
            if path.suffix == ".mid":
                piece, missing = read_midi(path, rail, through="bar")
                assert missing == ()
            else:
                piece = read_script(path, rail)
            rendering = play(rail, piece)
            strokes = [each.event for each in piece.played if isinstance(each.event, Stroke)]
            done[name] = (strokes, rendering.reports, rendering.sound())
        return done[name]

    return render


@pytest.mark.slow
@pytest.mark.parametrize("name", ["slow-and-fast.toml", "leaning.toml", "ferry-tune.toml", "ferry-tune.mid"])
def test_every_stroke_of_a_demo_piece_is_heard_and_none_clips(rendered, name):
    strokes, reports, sound = rendered(name)
    assert len(reports) == len(strokes)
    assert np.abs(sound).max() < FULL_SCALE
    for stroke in strokes:
        first = round(stroke.start * RATE)
        # alone the bar is quiet: what stands no more than 10 dB below a quiet room's noise is still heard in it
        assert measure(sound[:, first : first + RATE // 2], RATE).loudest > QUIET_ROOM - MASK


@pytest.mark.slow
def test_fast_is_louder_and_brighter_than_slow(rendered):
    strokes, reports, sound = rendered("slow-and-fast.toml")
    speeds = [stroke.speed for stroke in strokes[:4]]  # four speeds on one group
    assert speeds == sorted(speeds)
    loudest, brightest = [], []
    for stroke, report in zip(strokes[:4], reports, strict=False):
        first = round(stroke.start * RATE)
        loudest.append(np.abs(sound[:, first : first + RATE]).max())
        upper = [np.divide(tine["along_mm"][1], tine["along_mm"][0]) for tine in report["tines"]]
        brightest.append(np.median(upper))
    assert loudest[3] > 2.0 * loudest[0]
    assert brightest[3] > 2.0 * brightest[0]


@pytest.mark.slow
def test_leaning_gives_the_weight_to_the_tines_it_leans_on(rendered):
    _, reports, _ = rendered("leaning.toml")

    def upper_share(report):
        energy = [tine["energy_j"] for tine in report["tines"]]  # rising: from the low tines to the high ones
        return sum(energy[-3:]) / sum(energy)

    low, level, high = (upper_share(report) for report in reports[:3])
    assert low < level < high


def test_the_tune_s_melody_is_the_same_as_script_and_as_midi(rail):
    script = read_script(DESIGNS / "ferry-tune.toml", rail)
    midi, _ = read_midi(DESIGNS / "ferry-tune.mid", rail, through="bar")

    def melody(piece):
        strokes = [each.event for each in piece.played if isinstance(each.event, Stroke)]
        return sorted((round(each.start, 3), each.group) for each in strokes)

    assert melody(midi) == melody(script)


def test_the_midi_file_is_what_its_script_writes(tmp_path, capsys):
    runpy.run_path(str(ROOT / "scripts" / "make_demo_midi.py"))["main"]([str(tmp_path / "tune.mid")])
    assert (tmp_path / "tune.mid").read_bytes() == (DESIGNS / "ferry-tune.mid").read_bytes()
