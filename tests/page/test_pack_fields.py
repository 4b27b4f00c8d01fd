"""Every array that a page carries is that of its own tine, stick, mode and ear: read back as it was put in."""

from __future__ import annotations

from types import SimpleNamespace
from typing import get_args

import numpy as np
import pytest

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.page import pack as room
from synth.page.pack import BRIGHT, body, pack
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT
from synth.playing.contact.stick import compliance, stick_line, stick_modes
from synth.playing.midi_mapping import edged
from synth.playing.stroke import Grip
from synth.sound.audio import FULL_SCALE
from synth.sound.radiator import ears
from synth.sound.radiator.pickup import pickup_radiator
from synth.vibration.modal_model import tip_shape

from .conftest import heard, made


class Numbers:
    """A blob that keeps its arrays as they are."""

    def put(self, array, kind):
        return np.asarray(array)

    def put_rounded(self, few):
        return few.values()


@pytest.fixture(scope="module")
def whole():
    """The pages of three things heard, the board first, with arrays for bytes."""
    patch = pytest.MonkeyPatch()
    patch.setattr("synth.page.pack.Blob", Numbers)
    scenes = [heard("straight", each) for each in ("panel", "pickup", "bar")]
    yield pack(scenes, quality="whole").head
    patch.undo()


def test_what_is_heard_stands_in_the_order_that_was_asked_for_each_by_its_own_bank(whole):
    assert [each["name"] for each in whole["radiators"]] == ["panel", "pickup", "bar"]
    assert len(whole["banks"]) == 2
    for told in whole["radiators"]:
        bank = whole["banks"][told["bank"]]
        poles = heard("straight", told["name"]).model.pole
        np.testing.assert_array_equal(bank["pole"], [poles.real, poles.imag])


@pytest.mark.parametrize("grip", get_args(Grip))
def test_every_stick_is_there_in_every_grip_and_as_bright_as_each_step(whole, grip):
    sticks = made("straight").sticks
    assert set(whole["sticks"]) == set(whole["bright"]["sticks"]) == set(sticks)
    assert whole["bright"]["steps"] == list(BRIGHT)
    for name, stick in sticks.items():
        each_edge = [stick, *(edged(stick, step) for step in BRIGHT)]
        told = [whole["sticks"][name][grip], *whole["bright"]["sticks"][name][grip]]
        for own, held in zip(told, each_edge, strict=True):
            modes = stick_modes(
                held, tilt=0.0, skew=0.0, beam_modes=EVENT.beam_modes, grip=grip, whole=EVENT.whole
            )
            np.testing.assert_array_equal(own["omega"], modes.omega)
            np.testing.assert_array_equal(own["decay_rate"], modes.decay_rate)
            np.testing.assert_array_equal(own["kick"], [modes.kick_place, modes.kick_speed])
            assert own["blocks"].tolist() == [int((modes.direction < n).sum()) for n in (1, 2)]
            law = (
                held.contact_stiffness,
                held.friction,
                held.restitution,
                held.end_radius,
                *compliance(held, grip),
            )
            assert own["law"].tolist() == list(law)
    light, firm = (whole["sticks"]["birch"][each]["law"][4:] for each in ("light", "firm"))
    assert not np.allclose(light, firm)


def test_a_stick_s_own_line_is_as_heavy_as_the_air_it_moves_and_ends_at_half_the_rate(whole):
    """Trapezoids over its places; at half the rate and above nothing is heard."""
    stick = made("straight").sticks["brass"]
    line = stick_line(stick, tilt=0.0, skew=0.0, sign=1.0, beam_modes=EVENT.beam_modes, grip="firm")
    told = whole["sticks"]["brass"]["firm"]["line"]
    heard_ = np.abs(line.pole.imag) < np.pi * 48_000
    np.testing.assert_array_equal(told["position"], line.position)
    np.testing.assert_array_equal(told["pole"], [line.pole.real[heard_], line.pole.imag[heard_]])
    np.testing.assert_array_equal(told["residue"][:, 0], line.residue.real[heard_])
    np.testing.assert_array_equal(told["residue"][:, 1], line.residue.imag[heard_])
    step = np.diff(line.position)
    share = np.concatenate([[step[0] / 2.0], (step[:-1] + step[1:]) / 2.0, [step[-1] / 2.0]])
    # a round rod carries as much air along as it is large: its volume twice, its own and what goes with it
    volume = np.pi / 4.0 * np.asarray(line.diameter) ** 2 * share
    ratio = told["strength"] / (AIR_DENSITY * volume)
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-6)
    assert 0.9 < ratio[0] < 2.1
    assert told["thickness"].shape == (2, heard_.sum())


def test_tines_have_their_own_places_edges_and_modes(whole):
    instrument, modes = made("straight"), heard("straight", "bar").row.modes
    told = whole["tines"]
    diameter = np.array([tine.rod.diameter for tine in instrument.tines])
    assert told["position"].tolist() == [tine.position for tine in instrument.tines]
    np.testing.assert_allclose(told["core"] + told["edge"], diameter / 2.0)
    assert (told["edge"] > 0.0).all()
    first = modes.frequency[:, 0, 0]
    for group in instrument.groups:
        own = first[group.tines]
        np.testing.assert_allclose(told["high"][group.tines][np.argsort(own)][[0, -1]], [-1.0, 1.0])
    tip = tips(modes, np.arange(7), depth=0.0, count=8)
    flat = (7, 16)
    np.testing.assert_array_equal(told["omega"], 2.0 * np.pi * tip.frequency.reshape(flat))
    np.testing.assert_array_equal(told["decay_rate"], tip.decay_rate.reshape(flat))
    np.testing.assert_array_equal(told["root"], tip.root_moment.reshape(flat))
    np.testing.assert_array_equal(told["axis"], tip.axis)
    np.testing.assert_array_equal(told["drop"], tip.drop)
    long = modes.tip - modes.height[:, 0]
    np.testing.assert_allclose(told["depth"], 0.5 * long / 16.0, rtol=1e-9)
    deep = tips(modes, np.arange(7), depth=0.5 * long, count=told["shape"].shape[2])
    np.testing.assert_allclose(told["shape"][:, 16], deep.shape, rtol=1e-9)
    np.testing.assert_allclose(told["slope"][:, 16], deep.slope, rtol=1e-9)
    np.testing.assert_allclose(told["shape"][:, 0], told["tip_shape"])


@pytest.mark.parametrize("through", ["bar", "panel"])
def test_a_bank_s_parts_make_the_tips_and_what_lies_below_them(through):
    """What a metre below the tips takes off is what a longer tine has more; shapes as the model's."""
    model = heard("straight", through).model
    parts = body(model)
    vectors = parts.vectors[:, 0] + 1j * parts.vectors[:, 1]
    np.testing.assert_allclose(room.tip_motion(model, parts, vectors), tip_shape(model), atol=1e-5)
    below = room._reach(model)
    higher = SimpleNamespace(tip=model.tines.tip + 0.010, height=model.tines.height)
    lifted = room._reach(SimpleNamespace(bases=model.bases, tines=higher))
    np.testing.assert_allclose(
        lifted[0], below[0] - 0.010 * below[1], atol=1e-12
    )  # deeper by a metre takes that off
    assert np.abs(below[1]).max() == pytest.approx(1.0)


def test_partials_and_axes_of_a_bank_are_the_model_s(whole):
    bank = whole["banks"][whole["radiators"][2]["bank"]]
    model = heard("straight", "bar").model
    np.testing.assert_array_equal(bank["partial"], model.tines.frequency)
    np.testing.assert_array_equal(bank["axis"], model.bases.axis)
    np.testing.assert_array_equal(bank["base"], model.bar.at(model.bases.position))
    assert not np.allclose(model.tines.frequency[:, 0], model.tines.frequency[:, 1])


def test_ears_and_tips_are_where_they_are(whole):
    air, instrument, scene = whole["air"], made("straight"), heard("straight", "panel")
    assert air["sound_speed"] == SOUND_SPEED
    np.testing.assert_array_equal(air["ears"], ears(instrument))
    away = np.linalg.norm(ears(instrument)[:, None] - air["tip"], axis=2).min()
    assert 0.0 < air["nearest"] < away + 0.5
    bases = scene.model.bases
    np.testing.assert_array_equal(air["frame"], np.stack([bases.along, bases.across, bases.pointing], axis=1))
    free = scene.model.tines.tip - scene.model.tines.height[:, 0]
    np.testing.assert_allclose(air["tip"] - air["clamp"], free[:, None] * bases.pointing, atol=1e-12)


def test_each_thing_that_hears_has_its_gain_and_its_circuit(whole):
    panel, pickup, bar = whole["radiators"]
    for told, name in ((panel, "panel"), (bar, "bar")):
        radiator = heard("straight", name).radiator
        np.testing.assert_allclose(told["weights"][:, 0], radiator.weights.real / FULL_SCALE)
        np.testing.assert_allclose(told["weights"][:, 1], radiator.weights.imag / FULL_SCALE)
        assert "sections" not in told
    radiator = heard("straight", "pickup").radiator
    gain = radiator.sensitivity * radiator.monitor / FULL_SCALE
    np.testing.assert_allclose(pickup["weights"][:, 0], gain * radiator.weights.real)
    np.testing.assert_array_equal(pickup["sections"], radiator.circuit.sections(48_000))
    magnet = pickup_radiator(heard("bent", "bar").model, made("bent"))
    told = room._radiator(magnet, Numbers())
    assert told["magnet"]["gap"] == magnet.gap
    assert told["magnet"]["gain"] == pytest.approx(magnet.sensitivity * magnet.monitor / FULL_SCALE)
    np.testing.assert_array_equal(told["weights"][:, 0], magnet.weights.real)
    assert magnet.monitor != 1.0 or radiator.monitor != 1.0


def test_the_compiled_module_is_made_anew_for_another_source_or_compiler(monkeypatch):
    import llvmlite
    import numba

    from synth.page import approach, functions, holding, response, sounding, wasm
    from synth.playing.contact import kernel
    from synth.sound import bandlimit

    plain = functions._edition()
    with monkeypatch.context() as patched:
        patched.setattr(numba, "__version__", "0.0")
        assert functions._edition() != plain
    with monkeypatch.context() as patched:
        patched.setattr(llvmlite, "__version__", "0.0")
        assert functions._edition() != plain
    read = []
    with monkeypatch.context() as patched:
        patched.setattr("pathlib.Path.read_bytes", lambda path: read.append(path.name) or b"")
        functions._edition()
    for module in (approach, functions, holding, response, sounding, wasm, kernel, bandlimit):
        assert f"{module.__name__.rpartition('.')[2]}.py" in read
