"""Every group stroked once: the figures are those of the same stroke rendered and measured outright."""

import math
from pathlib import Path

import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.stroke import Stroke
from synth.sound import ear, loudness
from synth.sound.audio import RATE
from synth.sound.render import perform, scene
from synth.sound.ringing import heard_roughness
from synth.workshop.group_sounds import GroupSound, group_sounds, sounds_table

RAIL = Path(__file__).resolve().parents[2] / "designs" / "quay-rail.toml"


@pytest.fixture(scope="module")
def rail():
    return scene(resolve(load(RAIL), str(RAIL)), "bar")


def test_a_group_sounds_as_stroke_would_play_it_unasked(rail):
    third = rail.instrument.group_index("F3")
    (found,) = group_sounds(rail, [third])
    stroke = Stroke(third, rail.instrument.sticks["birch"])
    rendering = perform(rail, [stroke], seconds=2.0)
    pressure = rendering.sound()
    told = ear.describe(pressure, RATE)
    left = max(each["last_release_s"] or 0.0 for each in rendering.reports[0]["tines"])
    grates = {since: heard_roughness(rail, rendering.rings[0], since=since) for since in (0.0, left)}
    assert found.group == "F3"
    assert found.told is not None
    assert found.told.loudest_sone == pytest.approx(told.loudest_sone, rel=1e-6)
    assert found.loudest_dba == pytest.approx(loudness.measure(pressure, RATE).loudest, abs=0.01)
    assert found.told.at_1s_sone == pytest.approx(
        told.at_1s_sone, rel=0.05
    )  # from the touch, not from the sound's
    assert found.roughness == pytest.approx(grates[left], rel=1e-6)  # from when nothing touches the row
    assert found.roughness != pytest.approx(grates[0.0], rel=1e-3)


def test_the_table_leaves_out_what_nobody_hears_and_data_have_it(rail):
    sounds = list(group_sounds(rail, [0, 2]))
    table = sounds_table(sounds)
    heads = list(table.heads)
    for cells, data, sound in zip(table.cells, table.data(), sounds, strict=True):
        assert sound.told is not None
        assert data["loudest_sone"] == sound.told.loudest_sone
        assert data["sharpness_acum"] == sound.told.sharpness_acum
        assert data["at_1s_sone"] == sound.told.at_1s_sone
        assert (data["loudest_dba"], data["roughness"]) == (sound.loudest_dba, sound.roughness)
        for n, hertz in enumerate((63, 125, 250, 500, 1000, 2000, 4000, 8000)):
            level = float(sound.told.body.octaves_db[n])
            assert data[f"body_{hertz}_db"] == (level if math.isfinite(level) else None)
            heard = level > ear.THRESHOLD_DB[n]
            assert cells[heads.index(f"{hertz} Hz")] == (f"{level:.0f}" if heard else "")


def test_a_group_that_cannot_be_stroked_says_why():
    table = sounds_table([GroupSound("D9", None, math.nan, math.nan, "the stick stays caught")])
    assert table.data()[0]["loudest_sone"] is None
    assert table.cells[0][-1] == "the stick stays caught"
    assert "D9" in table.text()
