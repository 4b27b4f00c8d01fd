"""Pickups: circuits against their closed form, what each kind senses, what is refused."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.design.instrument import Instrument
from synth.design.pickup import USUAL
from synth.design.resolve import resolve
from synth.design.schema import Design, Pickup
from synth.errors import InputError
from synth.sound.radiator import Radiator
from synth.sound.radiator.pickup import Circuit, MagneticPickup, Piezo, pickup_radiator
from synth.vibration.modal_model import bar_shape

RATE = 48_000.0
PERCENT = 1e-2
DB = 1.0


def with_pickup(boarded, kind: str, **changes) -> Instrument:
    usual = USUAL[kind]
    pickup = dataclasses.replace(
        boarded.instrument.pickup,
        kind=kind,
        sensitivity=usual.sensitivity,
        resonance=usual.resonance,
        quality=usual.quality,
        corner=usual.corner,
        playback=usual.playback,
        **changes,
    )
    return dataclasses.replace(boarded.instrument, pickup=pickup)


def sine(frequency: float, seconds: float = 0.5) -> np.ndarray:
    return np.sin(2.0 * math.pi * frequency * np.arange(round(seconds * RATE)) / RATE)


def amplitude_at(signal: np.ndarray, frequency: float) -> float:
    """Of the signal's second half, in which whatever started has settled."""
    half = signal[len(signal) // 2 :]
    t = np.arange(len(half)) / RATE
    return 2.0 * abs(np.mean(half * np.exp(-2j * math.pi * frequency * t)))


@pytest.mark.parametrize("frequency", [40.0, 200.0, 1000.0, 4000.0, 8000.0])
def test_the_filter_has_the_circuits_response(frequency):
    circuit = Circuit(resonance=8000.0, quality=10.0, corner=100.0)
    piezo = Piezo(np.ones((1, 1), dtype=complex), 1e-3, circuit, 100.0)
    heard = amplitude_at(piezo.radiate(sine(frequency)[None], RATE)[0], frequency)
    exact = abs(piezo.response(np.array([frequency]))[0, 0, 0])
    assert 20.0 * math.log10(heard / exact) == pytest.approx(
        0.0, abs=0.5 * DB
    )  # the bilinear rule, halfway up


def test_a_circuit_rises_to_its_quality_and_falls_below_its_corner():
    circuit = Circuit(resonance=8000.0, quality=10.0, corner=100.0)
    at_peak, at_corner, between = np.abs(circuit.response(np.array([8000.0, 100.0, 900.0])))
    assert at_peak == pytest.approx(10.0, rel=1.0 * PERCENT)
    assert at_corner == pytest.approx(math.sqrt(0.5), rel=1.0 * PERCENT)
    assert between == pytest.approx(1.0, rel=2.0 * PERCENT)


def test_blocks_go_on_where_the_last_one_ended():
    circuit = Circuit(resonance=5000.0, quality=5.0, corner=20.0)
    random = np.random.default_rng(1).standard_normal((1, 3000))
    piezo = Piezo(np.ones((1, 1), dtype=complex), 1.0, circuit, 1.0)
    step = piezo.stream(RATE)
    parts = np.concatenate([step(random[:, a : a + 256]) for a in range(0, 3000, 256)], axis=1)
    assert parts == pytest.approx(piezo.radiate(random, RATE), abs=1e-12)


def test_a_resonance_beyond_the_rate_is_left_out():
    circuit = Circuit(resonance=18_000.0, quality=5.0, corner=20.0)
    piezo = Piezo(np.ones((1, 1), dtype=complex), 1.0, circuit, 1.0)
    heard = piezo.stream(32_000.0)(np.ones((1, 100)))
    assert np.all(np.isfinite(heard))
    assert heard[0, 0] == pytest.approx(1.0, rel=1.0 * PERCENT)


def test_a_magnets_second_harmonic_is_three_halves_of_swing_over_gap():
    # Phi ~ (gap + x)^-2, expanded: 1.5 X / gap for small swings
    gap, swing, f = 4e-3, 0.1e-3, 500.0
    w = 2.0 * math.pi * f
    x = swing * sine(f)
    v = swing * w * np.cos(w * np.arange(len(x)) / RATE)
    coil = MagneticPickup(np.ones((2, 1), dtype=complex), 0.5, gap, Circuit(100_000.0, 1.0, 0.01), 1.0)
    heard = coil.radiate(np.stack([x, v]), RATE)[0]
    ratio = amplitude_at(heard, 2.0 * f) / amplitude_at(heard, f)
    assert ratio == pytest.approx(1.5 * swing / gap, rel=3.0 * PERCENT)
    assert amplitude_at(heard, f) == pytest.approx(0.5 * swing * w, rel=2.0 * PERCENT)


def test_a_contact_disc_senses_the_acceleration_of_the_bar(boarded):
    instrument = with_pickup(boarded, "contact")
    model = boarded.model()
    heard = pickup_radiator(model, instrument).weights[0]
    assert heard == pytest.approx(bar_shape(model, instrument.pickup.position)[2] * model.pole**2, rel=1e-9)


def test_a_strain_disc_senses_bending_and_no_rigid_motion(boarded):
    model = boarded.model()
    strain = np.abs(pickup_radiator(model, with_pickup(boarded, "strain", position=0.55)).weights[0])
    moved = np.abs(bar_shape(model, 0.55)[2])
    bounce = int(np.argmax(moved * (model.frequency < 15.0)))  # on its cords, at a few hertz
    bends = int(np.argmax(moved * (model.frequency > 35.0) * (model.frequency < 55.0)))
    assert strain[bounce] / moved[bounce] < 0.01 * strain[bends] / moved[bends]
    # free-free bar in its middle: w"/w = (b/L)^2 (cosh - cos)/(cosh + cos), each of b/2 less sigma sinh, sin
    b = 4.730041
    sigma = (math.cosh(b) - math.cos(b)) / (math.sinh(b) - math.sin(b))
    bent = math.cosh(b / 2) - math.cos(b / 2) - sigma * (math.sinh(b / 2) - math.sin(b / 2))
    shape = math.cosh(b / 2) + math.cos(b / 2) - sigma * (math.sinh(b / 2) + math.sin(b / 2))
    free = 0.005 * (b / 1.1) ** 2 * abs(bent / shape)
    assert strain[bends] / moved[bends] == pytest.approx(free, rel=5.0 * PERCENT)


def test_a_pad_senses_the_force_of_its_support(boarded):
    instrument, model = with_pickup(boarded, "pad", position=0.3), boarded.model()
    support = instrument.bar.supports[0]
    force = support.stiffness * (1.0 + 1j * support.loss_factor) * bar_shape(model, support.position)[2]
    assert pickup_radiator(model, instrument).weights[0] == pytest.approx(force, rel=1e-9)


def test_a_pad_without_a_support_is_refused(boarded):
    instrument = with_pickup(boarded, "pad")
    bare = dataclasses.replace(instrument, bar=dataclasses.replace(instrument.bar, supports=()))
    with pytest.raises(InputError, match="under a support"):
        pickup_radiator(boarded.model(), bare)


def test_both_ears_hear_the_one_monitor(boarded):
    heard = pickup_radiator(boarded.model(), with_pickup(boarded, "contact")).radiate(sine(300.0)[None], RATE)
    assert np.array_equal(heard[0], heard[1])


def design(material: str, kind: str = "magnetic") -> Design:
    import msgspec

    return msgspec.convert(
        {
            "bar": {
                "section": {"shape": "rectangle", "width_mm": 25.0, "height_mm": 25.0},
                "path": [{"straight_mm": 300.0}],
            },
            "stock": {"rod": {"kind": "plain", "diameter_mm": 3.0, "material": material}},
            "pickup": {"kind": kind},
            "group": [{"name": "one", "stock": "rod", "start_mm": 60.0, "tine": [{"free_length_mm": 100.0}]}],
        },
        Design,
    )


@pytest.mark.parametrize("material", ["304", "316 spring wire", "brass"])
def test_a_magnetic_pickup_before_a_rod_that_no_magnet_draws_is_refused_with_the_reason(material):
    with pytest.raises(InputError, match="magnet") as refused:
        resolve(design(material))
    assert refused.value.location == "pickup.kind"


def test_a_magnetic_pickup_before_music_wire_is_built():
    assert resolve(design("music wire")).pickup.kind == "magnetic"
    assert Pickup().kind == "contact"


@pytest.mark.parametrize(
    ("share", "louder"), [(-3.0, 1000.0), (-0.95, 1000.0), (-0.5, 8.0), (0.0, 1.0), (1.0, 0.125)]
)
def test_a_tine_near_its_magnet_is_louder_by_the_cube_of_the_distance(share, louder):
    """Away from the coil is positive: half a gap nearer is 2^3, a gap further 2^-3.

    A tine cannot swing through its magnet: a tenth of the gap is left.
    """
    gap = 4e-3
    coil = MagneticPickup(np.ones((2, 1), dtype=complex), 0.5, gap, Circuit(100_000.0, 1.0, 1e-3), 2.0)
    heard = coil.stream(RATE)(np.array([[share * gap], [0.3]]))
    assert heard[:, 0] == pytest.approx([2.0 * 0.5 * 0.3 * louder] * 2, rel=1e-6)


@pytest.mark.parametrize("kind", ["contact", "magnetic"])
def test_each_point_hears_its_own_share_of_the_monitor_as_it_plays_and_by_its_response(kind):
    """In a room there is a point for each way: here three, one of them with the sign turned."""
    spread = np.array([0.5, 0.25, -0.125])
    circuit = Circuit(6000.0, 2.0, 50.0)
    radiator: Radiator = Piezo(np.ones((1, 1), dtype=complex), 0.5, circuit, 2.0, spread)
    if kind == "magnetic":
        radiator = MagneticPickup(np.ones((2, 1), dtype=complex), 0.5, 4e-3, circuit, 2.0, spread)
    count = len(radiator.weights)
    assert radiator.channels == 3
    signals = np.zeros((count, round(0.5 * RATE)))
    signals[-1] = sine(700.0)
    heard = [amplitude_at(each, 700.0) for each in radiator.radiate(signals, RATE)]
    told = np.abs(radiator.response(np.array([700.0]))[:, -1, 0])
    assert heard == pytest.approx(told, rel=1.0 * PERCENT)
    assert told / told[0] == pytest.approx([1.0, 0.5, 0.25])
    answer = radiator.response(np.array([700.0]))[:, -1, 0]
    assert answer[2] / answer[0] == pytest.approx(-0.25)
    assert radiator.immediate.tolist() == [kind == "contact"] * count


@pytest.mark.parametrize(("position", "middle"), [(0.001, 0.005), (1.0985, None)])
def test_a_strain_disc_at_the_bars_end_lies_on_the_bar(boarded, position, middle):
    """Of 5 mm radius: a disc whose middle is nearer to an end would look beyond it."""
    length = boarded.instrument.bar.length
    middle = length - 0.005 if middle is None else middle
    model = boarded.model()
    at_end, inside = (
        pickup_radiator(model, with_pickup(boarded, "strain", position=each)).weights[0]
        for each in (position, middle)
    )
    np.testing.assert_array_equal(at_end, inside)
    assert np.abs(inside).max() > 0.0
