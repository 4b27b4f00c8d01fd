"""What is drawn: bar and tines where they stand in space."""

from __future__ import annotations

import numpy as np
import pytest

from synth.page.about import about_tines, midi_meanings
from synth.page.picture import drawn_bar, drawn_tines

from .conftest import heard, made

ROUNDING = 2e-5  # m


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_tines_stand_on_the_bars_face_and_are_as_long_as_they_are_free(shape):
    scene = heard(shape, "bar")
    bar, tines = drawn_bar(scene.instrument.bar), drawn_tines(scene)
    axis = np.array(bar["axis"])
    for tine, told in zip(scene.instrument.tines, tines, strict=True):
        clamp, tip = np.array(told["clamp"]), np.array(told["tip"])
        modes = scene.row.modes
        r = tines.index(told)
        assert np.linalg.norm(tip - clamp) == pytest.approx(
            modes.tip[r] - modes.height[r, 0], abs=2 * ROUNDING
        )
        assert told["length"] == pytest.approx(scene.row.length[r], abs=1e-6)
        off = np.linalg.norm(axis - clamp, axis=1).min()
        assert 0.004 < off < 0.035  # 10 mm high, 60 mm wide, and a nut
        assert abs(np.dot(tip - clamp, told["along"])) < ROUNDING
        assert told["hz"] == pytest.approx(scene.row.mounted_hz[r], abs=1e-3)
        assert [each["at"] for each in told["nuts"]] == pytest.approx(
            [each.position for each in scene.row.trim[r]], abs=1e-5
        )
        assert (told["group"], told["number"]) == (tine.group, tine.number)


def test_a_bent_bar_is_drawn_bent():
    straight, bent = (np.array(drawn_bar(made(shape).bar)["axis"]) for shape in ("straight", "bent"))
    assert np.ptp(straight[:, 1:]) < ROUNDING
    steps = np.linalg.norm(np.diff(bent, axis=0), axis=1)
    assert steps.sum() == pytest.approx(made("bent").bar.length, rel=1e-3)
    turned = np.degrees(np.arccos(np.dot(bent[1] - bent[0], bent[-1] - bent[-2]) / steps[0] / steps[-1]))
    assert turned == pytest.approx(70.0, abs=0.5)


def test_tines_of_a_flat_bar_are_drawn_where_they_stand_worked_by_hand():
    """Bar 60 x 10: at 73 mm, up; at 160 mm on a face turned by 60 degrees, out through the upper face's plane."""
    instrument, scene = made("straight"), heard("straight", "bar")
    told = drawn_tines(scene)
    up, aside = told[1], told[4]
    clamp, tip = np.array(up["clamp"]), np.array(up["tip"])
    nut = instrument.tines[1].root
    assert up["x"] == pytest.approx(0.073)
    assert clamp[:2] == pytest.approx([0.073, 0.0], abs=ROUNDING)
    assert tip - clamp == pytest.approx([0.0, 0.0, 0.112 + nut.added_length], abs=2e-3)
    assert 0.005 < clamp[2] < 0.011  # on the face, by a nut and a washer
    assert up["diameter"] == instrument.tines[1].rod.diameter
    assert up["nuts"] == [{"at": 0.08, "width": pytest.approx(5.5e-3), "height": pytest.approx(2.4e-3)}]
    assert np.abs(up["along"]) == pytest.approx([1.0, 0.0, 0.0], abs=ROUNDING)
    assert np.abs(up["across"]) == pytest.approx([0.0, 1.0, 0.0], abs=ROUNDING)
    way = np.array(aside["tip"]) - np.array(aside["clamp"])
    assert way / np.linalg.norm(way) == pytest.approx([0.0, np.sin(np.radians(60.0)), 0.5], abs=1e-3)
    assert np.array(aside["clamp"])[1] / np.array(aside["clamp"])[2] == pytest.approx(np.sqrt(3.0), abs=0.01)
    assert aside["nuts"] == []


def test_the_bar_s_axes_section_and_supports_are_told_in_metres():
    told = drawn_bar(made("straight").bar)
    assert (told["length"], told["shape"]) == (pytest.approx(0.42), "rectangle")
    assert (told["width"], told["height"]) == (0.060, 0.010)
    assert told["supports"] == [0.04, 0.33]
    assert np.array(told["axis"])[[0, -1]] == pytest.approx(np.array([[0.0, 0.0, 0.0], [0.42, 0.0, 0.0]]))
    assert np.array(told["side"])[7] == pytest.approx([0.0, 1.0, 0.0])
    assert np.array(told["up"])[7] == pytest.approx([0.0, 0.0, 1.0])


def test_of_a_tine_its_partials_its_quarrels_and_what_its_root_bears_are_told():
    from synth.vibration.quarrels import find_quarrels, sentence

    instrument, scene = made("straight"), heard("straight", "bar")
    told, modes = about_tines(scene), scene.row.modes
    quarrels = find_quarrels(instrument, scene.row)
    for r, (each, tine) in enumerate(zip(told, instrument.tines, strict=True)):
        name, off = instrument.note(float(scene.row.mounted_hz[r]))
        assert (each["note"], each["cents"], each["stock"]) == (
            name,
            pytest.approx(off, abs=6e-3),
            tine.rod.name,
        )
        assert [(part["plane"], part["hz"], part["ring_s"]) for part in each["partials"]] == [
            (
                plane,
                pytest.approx(modes.frequency[r, p, n], abs=6e-3),
                pytest.approx(2.1987 / (modes.loss_factor[r, p, n] * modes.frequency[r, p, n]), abs=2e-3),
            )
            for n in range(4)
            for p, plane in enumerate(("along", "across"))
            if modes.exists[r, n]
        ]  # ln(1000) / pi = 2.1988
        assert each["quarrels"] == [sentence(instrument, one) for one in quarrels if one.tine == r]
    steel, wire = instrument.tines[1].rod, instrument.tines[4].rod
    # the core of an M4: 3.141 mm (ISO 724), a little less by its tolerance; notch 2.3 and safety 1.5
    assert told[1]["root"]["diameter_mm"] == pytest.approx(1e3 * steel.root_diameter)
    assert told[1]["root"]["diameter_mm"] == pytest.approx(3.1, abs=0.15)
    assert steel.root_diameter < steel.bend_diameter - 0.05e-3
    assert told[1]["root"]["endurance_mpa"] == pytest.approx(1e-6 * steel.material.endurance / 3.45)
    assert told[1]["root"]["yield_mpa"] == pytest.approx(1e-6 * steel.material.yield_stress)
    assert told[4]["root"]["diameter_mm"] == pytest.approx(3.0)
    assert told[4]["root"]["endurance_mpa"] == pytest.approx(1e-6 * wire.material.endurance / 1.5)


def test_the_head_of_a_page_says_of_whom_and_from_where_it_is_heard():
    """Pa at full scale: a sine that fills it has 100 dB SPL or what `audio` says; the listener's distance in m."""
    import dataclasses

    from synth.page.pack import pack
    from synth.sound.audio import FULL_SCALE_SPL

    there = heard("straight", "bar")
    away = dataclasses.replace(there.instrument.listener, distance=1.75)
    head = pack(
        [dataclasses.replace(there, instrument=dataclasses.replace(there.instrument, listener=away))]
    ).head
    assert (head["name"], head["rate"]) == ("A flat bar with tines on two faces", 48_000)
    assert head["listener_m"] == 1.75
    assert 20.0 * np.log10(head["full_scale_pa"] / np.sqrt(2.0) / 20e-6) == pytest.approx(FULL_SCALE_SPL)
    assert head["groups"] == [
        {"name": "threads", "tines": [0, 1, 2, 3]},
        {"name": "wires", "tines": [4, 5, 6]},
    ]
    assert [each["name"] for each in head["radiators"]] == ["bar"]
    assert head["air"]["sound_speed"] == pytest.approx(343.2, abs=0.1)


def test_keys_and_wheels_mean_the_same_numbers_as_to_the_command_line():
    from synth.playing.midi_mapping import gripped, speed_of_velocity
    from synth.playing.stroke import CONTROLS

    told = midi_meanings(made("straight"))
    assert told["notes"] == {"57": 0, "60": 1}
    assert [len(told[key]) for key in ("speeds", "grips")] == [128, 128]
    assert told["speeds"][0] == told["speeds"][1]  # nobody strikes at nothing
    for position in (1, 64, 127):
        assert told["speeds"][position] == pytest.approx(1e3 * speed_of_velocity(position))
        assert told["grips"][position] == gripped(position)
    assert told["digits"] == sorted(told["digits"])
    assert [each["key"] for each in told["controls"]] == [each.key for each in CONTROLS if each.controller]
    for each, control in zip(told["controls"], [c for c in CONTROLS if c.controller], strict=True):
        low, high = (end / control.unit for end in (control.controller.low, control.controller.high))
        assert (each["values"][0], each["values"][127]) == pytest.approx((low, high))
        assert (each["message"], each["rest"]) == (control.controller.message, control.controller.rest)
