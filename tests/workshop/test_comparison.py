"""Comparisons: decays of the model and no others, an attack that near-identical strokes share."""

import csv
import dataclasses
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.stroke import Stroke
from synth.sound import features
from synth.sound.board_forecast import foretell
from synth.sound.features import SMOOTH
from synth.sound.render import ContactSettings, scene
from synth.vibration.solve import solve_board_of
from synth.workshop import comparison
from synth.workshop.changes import partial_decays
from synth.workshop.variant_sounds import render_variants
from synth.workshop.variants import Variant

ROOT = Path(__file__).resolve().parents[2]
BOARDED = ROOT / "tests" / "data" / "boarded.toml"
TEST_PIECE = ROOT / "designs" / "test-piece.toml"


@pytest.fixture(scope="module")
def test_piece():
    return resolve(load(TEST_PIECE), str(TEST_PIECE))


HEAVY = """
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 60.0 }
path = [{ straight_mm = 800.0 }]
[[group]]
name = "one"
stock = "M3"
start_mm = 310.0
[[group.tine]]
free_length_mm = 100.0
"""


def test_a_lone_tine_on_a_heavy_bar_decays_as_its_clamp_says(tmp_path):
    """On a bar that hardly moves the decays are those of the clamped tine, which `modes` prints."""
    (tmp_path / "heavy.toml").write_text(HEAVY)
    listening = scene(resolve(load(tmp_path / "heavy.toml")), "bar")
    found = partial_decays(listening.model, 0)
    assert found == pytest.approx(listening.row.modes.decay[0, 0, :3].tolist(), rel=0.03)


@pytest.mark.parametrize("through", ["bar", "board"])
def test_the_first_decay_is_that_of_the_tine_in_the_chosen_scene(through):
    """Against the forecast of one tine at a time, another way of solving the same."""
    instrument = resolve(load(BOARDED), str(BOARDED))
    name = next(iter(instrument.boards))
    board = solve_board_of(instrument, name) if through == "board" else None
    listening = scene(instrument, name if through == "board" else "bar")
    foretold = foretell(instrument, listening.row, board)
    found = [partial_decays(listening.model, r)[0] for r in range(len(instrument.tines))]
    lone = [
        r
        for r, hz in enumerate(foretold.frequency)
        if np.sum(np.abs(foretold.frequency / hz - 1.0) < 0.01) == 1  # the forecast knows no unison
    ]
    assert lone
    assert np.array(found)[lone] == pytest.approx(foretold.decay[lone], rel=0.05)


def test_partials_beyond_hearing_leave_their_cells_empty(test_piece, tmp_path):
    listening = scene(test_piece, "bar")
    dof = listening.model.tine_dof.copy()
    dof[0, :, 1:] = -1
    cut = dataclasses.replace(listening.model, tine_dof=dof)
    first, *rest = partial_decays(cut, 0)
    assert np.isfinite(first)
    assert np.isnan(rest).all()


def heard(instrument, strokes, folder, seconds=1.0):
    chosen = [Variant((("try", str(n)),), instrument, stroke, "bar") for n, stroke in enumerate(strokes)]
    found, left = render_variants(
        chosen,
        seconds=seconds,
        settings=ContactSettings(allow_yield=True),
        watch=lambda items, _: iter(items),
    )
    assert left == []
    comparison.write(found, left, folder)
    with (folder / "comparison.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.slow
@pytest.mark.parametrize(("design", "group"), [("test-piece", 0), ("quay-rail", 3), ("lantern-hoop", 1)])
def test_near_identical_strokes_have_near_identical_attacks(design, group, tmp_path):
    instrument = resolve(load(ROOT / "designs" / f"{design}.toml"))
    rng = np.random.default_rng(1)
    stick = next(iter(instrument.sticks.values()))
    strokes = [
        Stroke(group=group, stick=stick, speed=0.5 * (1 + 0.005 * a), bite=2e-3 * (1 + 0.005 * b))
        for a, b in rng.standard_normal((20, 2))
    ]
    attack = np.array([float(row["attack_ms"]) for row in heard(instrument, strokes, tmp_path / "x")])
    finest = (
        1e3 * SMOOTH
    )  # a first touch as loud as the rest leaves 1 to 5 ms: less than the energy is smoothed by
    assert attack.std() < 0.25 * max(attack.mean(), finest)
    assert attack.max() < 2.5 * max(attack.min(), finest)  # nine tenths of a peak: 3 to 170 ms


def test_a_slower_stroke_of_a_row_has_the_longer_attack_and_the_same_decays(test_piece, tmp_path):
    stick = next(iter(test_piece.sticks.values()))
    strokes = [Stroke(group=0, stick=stick, speed=speed) for speed in (0.15, 1.5)]
    slow, fast = heard(test_piece, strokes, tmp_path / "x")
    assert float(slow["attack_ms"]) > 1.5 * float(fast["attack_ms"])
    for key in ("decay_1_s", "decay_2_s", "decay_3_s"):
        assert slow[key] == fast[key] != ""


def test_the_attack_is_looked_for_from_the_first_touch_to_the_end_of_the_stroke(test_piece, monkeypatch):
    """Beats later on are no attack: what the ring does after the last release and its smoothing is not asked."""
    stroke = Stroke(group=0, stick=next(iter(test_piece.sticks.values())), start=0.1)
    asked = {}

    def noted(pressure, rate, **span):
        asked.update(span, seconds=pressure.shape[1] / rate)
        return 0.0

    monkeypatch.setattr(features, "attack_time", noted)
    chosen = [Variant((), test_piece, stroke, "bar")]
    settings = ContactSettings(allow_yield=True)
    render_variants(chosen, seconds=1.5, settings=settings, watch=lambda items, _: iter(items))
    listening = scene(test_piece, "bar")
    contact = stroke_row(stroke, test_piece, listening.row.modes, seed=1, allow_yield=True)
    assert asked["since"] == pytest.approx(min(each.first_touch for each in contact.touches))
    assert asked["until"] == pytest.approx(max(each.last_release for each in contact.touches) + 0.02)
    assert asked["until"] < asked["seconds"] == 1.5
