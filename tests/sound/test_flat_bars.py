"""What a flat, bent bar of 60 x 10 with a threaded tine is heard through: each pickup by its own plane and unit.

A square bar cannot tell height from width, nor up from sideways; a straight one cannot tell the world's up from its
own.
"""

from __future__ import annotations

import dataclasses
import math
import tomllib
from functools import cache

import numpy as np
import pytest
import tomlkit

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.design.decode import decode
from synth.design.instrument import PlacedNut
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.sound.board_forecast import foretell
from synth.sound.boardsheet import board_sheet
from synth.sound.radiator import bar_middle, ears
from synth.sound.radiator.bar import _of_bar, _of_tines, bar_radiator, nearest_distance, rod_pressures
from synth.sound.radiator.board import FORCES, BoardFilter, board_pressures, board_radiator
from synth.sound.radiator.pickup import DISC, pickup_radiator
from synth.vibration.bar import path
from synth.vibration.board import solve_board
from synth.vibration.frame import rigid_arm
from synth.vibration.modal_model import assemble, bar_shape, generalized_momentum, tip_shape

WIDE, HIGH = 0.060, 0.010
STRAIGHT = "{ straight_mm = 300.0 }"
CORNER = "{ straight_mm = 200.0 }, { bend_deg = 90.0, radius_mm = 40.0, plane_deg = 90.0 }, { straight_mm = 140.0 }"
DESIGN = """
[listener]
angle_deg = 30.0
azimuth_deg = 40.0
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [ {path} ]
supports = [ {{ at_mm = 40.0, kind = "rubber" }}, {{ at_mm = 180.0, kind = "cord" }} ]
[stock.wire]
kind = "plain"
diameter_mm = 3.0
material = "music wire"
[[group]]
name = "thread"
stock = "M4"
start_mm = 70.0
[[group.tine]]
free_length_mm = 120.0
[[group]]
name = "wire"
stock = "wire"
start_mm = 150.0
face_deg = 60.0
[[group.tine]]
free_length_mm = 100.0
[pickup]
at_mm = {at}
{pickup}
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 400.0
thickness_mm = 4.0
feet = [ {{ bar_mm = 50.0, x_mm = 90.0, y_mm = 70.0 }}, {{ bar_mm = 190.0, x_mm = 228.0, y_mm = 95.0 }} ]
"""


@cache
def made(pieces=STRAIGHT, at=100.0, pickup=""):
    """The instrument on a bar of these pieces with this pickup."""
    text = DESIGN.format(path=pieces, at=at, pickup=pickup)
    return resolve(decode(tomllib.loads(text), Design), "flat.toml")


@cache
def solved(pieces=STRAIGHT, board=None):
    """The modes of bar and tines, alone or on the board; with nodes at all places that pickups are set to."""
    instrument = made(pieces)
    return assemble(
        instrument.tines,
        [tine.goal.length for tine in instrument.tines],
        [tine.trim for tine in instrument.tines],
        bar=instrument.bar,
        board=None if board is None else panel().standing,
        places=[0.1, 0.23, 0.33],
    )


@cache
def panel():
    instrument = made()
    return solve_board(instrument.boards["panel"], instrument.bar)


def audible(model, above=60.0, below=3000.0):
    return np.flatnonzero((model.frequency > above) & (model.frequency < below))


@pytest.mark.parametrize(
    ("pieces", "at", "up"), [(STRAIGHT, 100.0, 2), (CORNER, 330.0, 0)], ids=["straight", "bent"]
)
def test_a_contact_disc_feels_the_way_that_is_up_from_the_bar_where_it_sits(pieces, at, up):
    """Beyond a quarter turn upwards the bar's own up points back along its start, which is -x."""
    instrument = made(pieces, at)
    model = solved(pieces)
    heard = pickup_radiator(model, instrument).weights[0]
    sign = -1.0 if up == 0 else 1.0
    expected = sign * bar_shape(model, at * 1e-3)[up] * model.pole**2
    np.testing.assert_allclose(heard, expected, atol=2e-3 * np.abs(expected).max())


@pytest.mark.parametrize(
    ("pieces", "at", "up"), [(STRAIGHT, 230.0, 2), (CORNER, 330.0, 0)], ids=["straight", "bent"]
)
def test_a_strain_disc_feels_the_upper_face_stretch_where_the_bar_curves_down(pieces, at, up):
    """strain = - (height/2) d2w/dx2, from displacements alone; the flat bar's height, 10 mm, not its width."""
    instrument = made(pieces, at, 'kind = "strain"')
    model = solved(pieces)
    heard = pickup_radiator(model, instrument).weights[0]
    position, step = at * 1e-3, 2.0 * DISC
    sign = -1.0 if up == 0 else 1.0
    w = [sign * bar_shape(model, position + side * step)[up] for side in (-1.0, 0.0, 1.0)]
    curved = -HIGH / 2.0 * (w[0] - 2.0 * w[1] + w[2]) / step**2
    slow = audible(model, below=1500.0)
    np.testing.assert_allclose(heard[slow], curved[slow], atol=0.03 * np.abs(curved[slow]).max())


@pytest.mark.parametrize(("at", "nearer"), [(60.0, 0), (170.0, 1)], ids=["rubber at 40 mm", "cord at 180 mm"])
def test_a_pad_feels_the_support_that_holds_up_nearest_to_it(at, nearer):
    instrument = made(at=at, pickup='kind = "pad"')
    model = solved()
    support = instrument.bar.supports[nearer]
    assert support.position == pytest.approx((0.040, 0.180)[nearer])
    spring = support.stiffness * (1.0 + 1j * support.loss_factor)
    expected = spring * bar_shape(model, support.position)[2]
    np.testing.assert_allclose(
        pickup_radiator(model, instrument).weights[0], expected, atol=1e-9 * np.abs(expected).max()
    )


@pytest.mark.parametrize(("faces", "row"), [("along", 0), ("across", 1)])
def test_a_magnet_hears_its_own_tine_in_the_plane_it_faces_by_speed(faces, row):
    instrument = made(at=140.0, pickup=f'kind = "magnetic"\nfaces = "{faces}"')
    model = solved()
    swing = tip_shape(model)[1, row]  # the wire at 150 mm, nearer than the thread at 70
    heard = pickup_radiator(model, instrument).weights
    np.testing.assert_allclose(heard[0], swing)
    np.testing.assert_allclose(heard[1], swing * model.pole)
    # along is the bar's x; across is at right angles to it and to the way the tine points, 60 degrees from up to y
    above = tip_in_space(model, instrument, 1)
    wanted = (
        above[0]
        if row == 0
        else np.array([0.0, math.cos(math.radians(60.0)), -math.sin(math.radians(60.0))]) @ above
    )
    size = np.abs(wanted).max()
    assert np.min([np.abs(swing - wanted).max(), np.abs(swing + wanted).max()]) < 1e-3 * size


def tip_in_space(model, instrument, tine):
    """The tip's motion (3, M) in the world: base, its turn over the arm, and the partials in both planes."""
    bases, tines = model.bases, model.tines
    arm = bases.arm[tine] + (tines.tip[tine] - tines.height[tine, 0]) * bases.pointing[tine]
    base = rigid_arm(arm)[:3] @ model.bar.at(bases.position[tine]) @ model.vectors[model.bar_dof]
    turn, lean = math.cos(bases.axis[tine]), math.sin(bases.axis[tine])
    planes = (
        turn * bases.along[tine] + lean * bases.across[tine],
        turn * bases.across[tine] - lean * bases.along[tine],
    )
    for plane, direction in enumerate(planes):
        dof = model.tine_dof[tine, plane]
        own = tines.shape[tine, dof >= 0, -1] @ model.vectors[dof[dof >= 0]]
        base = base + direction[:, None] * own
    return base


MV = 1e-3
SENSED = [
    ("contact", "sensitivity_mv = 2.0", 2.0 * MV),  # per m/s2
    ("pad", "sensitivity_mv = 30.0", 30.0 * MV),  # per N
    ("strain", "sensitivity_mv = 40.0", 40.0 * MV / 1e-6),  # per microstrain
    ("magnetic", "sensitivity_mv = 0.5", 0.5 * MV / 1e-3),  # per mm/s
]


@pytest.mark.parametrize(("kind", "said", "volts"), SENSED)
def test_a_sensitivity_is_read_in_millivolts_of_what_the_kind_senses(kind, said, volts):
    """README: mV per m/s2 (contact), N (pad), microstrain (strain), mm/s (magnetic)."""
    instrument = made(at=150.0, pickup=f'kind = "{kind}"\n{said}')
    assert instrument.pickup.sensitivity == pytest.approx(volts)
    usual = made(at=150.0, pickup=f'kind = "{kind}"').pickup.sensitivity
    assert 0.1 < usual / volts < 10.0  # what the trade sells is of that order, too
    radiator = pickup_radiator(solved(), instrument)
    (middle,) = np.abs(radiator.response(np.array([700.0]))[0, -1])
    assert middle == pytest.approx(
        volts * instrument.pickup.playback, rel=0.05
    )  # between corner and resonance


def test_every_figure_of_a_pickup_is_where_the_design_put_it():
    said = {
        "kind": "contact", "sensitivity_mv": 3.0, "resonance_hz": 7100.0, "quality": 4.0, "corner_hz": 33.0,
        "gap_mm": 2.5, "faces": "across", "playback_pa_v": 1.7,
    }  # fmt: skip
    instrument = made(at=123.0, pickup=tomlkit.dumps(said))
    found = dataclasses.asdict(instrument.pickup)
    assert found == {
        "position": pytest.approx(0.123), "kind": "contact",
        "sensitivity": pytest.approx(3e-3), "resonance": 7100.0,
        "quality": 4.0, "corner": 33.0, "gap": pytest.approx(2.5e-3), "faces": "across", "playback": 1.7,
    }  # fmt: skip
    circuit = pickup_radiator(solved(), instrument).circuit  # type: ignore[attr-defined]
    assert (circuit.resonance, circuit.quality, circuit.corner) == (7100.0, 4.0, 33.0)


def test_the_ears_are_where_the_listener_sits_left_before_right():
    """Azimuth 0 in front of the row (-y), a right angle off the bar's far end (+x); angle from straight above."""
    instrument = made()
    middle = bar_middle(instrument)
    np.testing.assert_allclose(middle, [0.15, 0.0, 0.0], atol=1e-9)
    for angle, azimuth, sight, to_right in (
        (90.0, 0.0, (0, -1, 0), (1, 0, 0)),
        (90.0, 90.0, (1, 0, 0), (0, 1, 0)),
        (0.0, 0.0, (0, 0, 1), (1, 0, 0)),
    ):
        listener = dataclasses.replace(
            instrument.listener,
            distance=2.0,
            spacing=0.16,
            angle=math.radians(angle),
            azimuth=math.radians(azimuth),
        )
        left, right = ears(dataclasses.replace(instrument, listener=listener))
        np.testing.assert_allclose((left + right) / 2.0, middle + 2.0 * np.array(sight), atol=1e-9)
        np.testing.assert_allclose(right - left, 0.16 * np.array(to_right), atol=1e-9)


def test_the_middle_of_a_bent_bar_is_that_of_all_its_length():
    instrument = made(CORNER)
    position, _ = path(instrument.bar, np.linspace(0.0, instrument.bar.length, 20_001))
    np.testing.assert_allclose(bar_middle(instrument), position.mean(axis=0), atol=1e-5)


def test_what_a_board_is_heard_to_do_is_driven_by_all_three_motions_of_its_feet():
    """Sound of the coupled modes = the board's own filter fed with the feet's forces and moments, mode by mode.

    Off-centre feet under a flat bar tilt the board both ways: each tilt's sign shows in the sum.
    """
    board, model, points = panel(), solved(board="panel"), ears(made())
    nearest = min(nearest_distance(model, points), board.distance(points))
    feet, own = board.standing.feet, BoardFilter(board, points)
    bar_moves = rigid_arm(feet.arm) @ model.bar.at(feet.position) @ model.vectors[model.bar_dof]
    pressed = bar_moves - board.standing.modes.foot_shape @ model.vectors[model.board_dof]  # (J, 6, M)
    force = (feet.stiffness * (1.0 + 1j * feet.loss_factor[:, None]))[..., None] * pressed
    chosen = audible(model, 150.0, 2500.0)
    signals = force[:, FORCES][:, :, chosen].reshape(-1, len(chosen))
    driven = np.einsum("cpf,pf->cf", own.response(model.frequency[chosen]), signals)
    driven *= np.exp(-2j * np.pi * model.frequency[chosen] * (own.nearest - nearest) / SOUND_SPEED)
    heard = board_pressures(model, board, points, nearest=nearest)[:, chosen]
    # a mode that is the board's own decays while the filter is asked at a steady pitch: those differ
    assert np.median(np.abs(driven - heard) / np.abs(heard)) < 0.1


def test_bar_rods_and_board_are_heard_together():
    instrument, board, model, points = made(), panel(), solved(board="panel"), ears(made())
    trim = [tine.trim for tine in instrument.tines]
    nearest = min(nearest_distance(model, points), board.distance(points))
    rods = rod_pressures(model, instrument, trim, points, nearest=nearest)
    sheet = board_pressures(model, board, points, nearest=nearest)
    np.testing.assert_allclose(board_radiator(model, instrument, trim, board).weights, rods + sheet)
    loud = audible(model)
    assert np.median(np.abs(sheet[:, loud])) > 3.0 * np.median(np.abs(rods[:, loud]))


def test_a_thread_displaces_as_it_weighs_and_carries_air_as_wide_as_it_is_and_a_nut_adds_its_own():
    """Volumes by hand: pi/4 (d_mass^2 + d^2) a length, and twice a nut's steel where the nut sits."""
    instrument, model = made(), solved()
    tine = instrument.tines[0]
    nut = PlacedNut(instrument.nuts["M4 hex"], 0.07)
    (bare, ends), (nutted, nutted_ends) = (
        (each.rods for each in next(iter(_of_tines(model, instrument.tines, [trim, ()]))))
        for trim in ((), (nut,))
    )
    whole = model.tines.tip[0] - model.tines.height[0, 0]
    slice_of = math.pi / 4.0 * (tine.rod.mass_diameter**2 + tine.rod.diameter**2)
    assert tine.rod.mass_diameter < 0.95 * tine.rod.diameter
    assert bare.volume.sum() == pytest.approx(slice_of * whole)
    assert ends.volume.sum() == pytest.approx(math.pi / 4.0 * tine.rod.mass_diameter**2 * whole)
    more = nutted.volume - bare.volume
    assert more.sum() == pytest.approx(2.0 * nut.nut.mass / tine.rod.material.density)
    np.testing.assert_allclose(nutted_ends.volume - ends.volume, more, atol=1e-15)  # as wide as it is thick
    base = model.bar.frame_at(model.bases.position[0])[0] + model.bases.arm[0]
    above = np.linalg.norm(nutted.point[np.argmax(more)] - base) + model.tines.height[0, 0]
    assert above == pytest.approx(0.07, abs=np.diff(np.unique(model.tines.height[0])).max())


def test_a_nut_sounds_from_the_node_that_is_nearest_to_it_above_the_base_nuts_face():
    """Heights count from there, and a clamp lies a little below: nuts are looked for along all of a tine."""
    instrument, model = made(), solved()
    node, nut = np.unique(model.tines.height[0]), instrument.nuts["M4 hex"]
    assert node[0] < -0.5e-3
    for place in np.linspace(0.02, 0.11, 19):
        trim = (PlacedNut(nut, float(place)),)
        (bare, _), (nutted, _) = (
            next(iter(_of_tines(model, instrument.tines, [each, ()]))) for each in ((), trim)
        )
        more = nutted.rods.volume - bare.rods.volume
        assert np.argmax(more) == np.argmin(np.abs(node - place))


def test_a_bar_that_stretches_is_heard_by_its_end_faces_and_by_what_its_sides_breathe():
    """Sources alone, rho Q" e^(-jkR) / 4 pi R: the end faces S u outward, the sides -2 nu S for each stretch."""
    instrument, model = made(), solved()
    bar, length = instrument.bar, instrument.bar.length
    stretching = np.flatnonzero(
        (model.bar.frequency > 5000.0) & (np.abs(model.bar.shape[:, 1:]).max(axis=(0, 1)) == 0)
    )
    first = int(stretching[0])
    vectors = np.zeros((len(model.vectors), 1), np.complex64)
    vectors[first] = 1.0
    pole = np.array([2j * math.pi * model.bar.frequency[first]])
    points = ears(instrument)
    heard = _of_bar(dataclasses.replace(model, pole=pole, vectors=vectors), bar, points, 0.9)
    edge = np.linspace(0.0, length, 2001)
    moved = model.bar.at(edge)[:, 0, first]
    place = np.stack([np.append((edge[1:] + edge[:-1]) / 2.0, [0.0, length]), *np.zeros((2, 2002))], axis=1)
    sides = -2.0 * bar.material.poisson * np.diff(moved)
    volume = WIDE * HIGH * np.append(sides, [-moved[0], moved[-1]])
    R = np.linalg.norm(points[:, None] - place, axis=2)
    k = pole[0].imag / SOUND_SPEED
    plain = AIR_DENSITY * pole[0] ** 2 * (np.exp(-1j * k * (R - 0.9)) / (4.0 * math.pi * R)) @ volume
    np.testing.assert_allclose(heard[:, 0], plain, rtol=0.01)


def test_a_pad_lies_under_no_support_that_only_holds_sideways():
    instrument = made(at=170.0, pickup='kind = "pad"')
    supports = (
        instrument.bar.supports[0],
        dataclasses.replace(instrument.bar.supports[1], directions=("side",)),
    )
    instrument = dataclasses.replace(instrument, bar=dataclasses.replace(instrument.bar, supports=supports))
    spring = supports[0].stiffness * (1.0 + 1j * supports[0].loss_factor)
    expected = spring * bar_shape(solved(), 0.040)[2]
    heard = pickup_radiator(solved(), instrument).weights[0]
    np.testing.assert_allclose(heard, expected, atol=1e-9 * np.abs(expected).max())


def test_the_sheet_of_a_board_tells_modes_that_bend_and_how_long_they_ring():
    """Seconds to fall by 60 dB are 2.2/(f eta), eta loss over stiffness, from the first mode on."""
    instrument = made()
    told = board_sheet(instrument, instrument.boards["panel"], panel())
    modes = panel().standing.modes
    first = np.flatnonzero(modes.frequency > 0.0)[: len(told.modes_hz)]
    np.testing.assert_allclose(told.modes_hz, modes.frequency[first])
    eta = modes.loss[first, first] / (2.0 * np.pi * modes.frequency[first]) ** 2
    np.testing.assert_allclose(told.modes_decay, 2.199 / (modes.frequency[first] * eta), rtol=1e-3)
    assert np.all(eta > 0.02 * 0.5)  # plywood's own, and the air's
    # at its feet: one newton against the plain sum over the board's modes
    at = int(np.argmin(np.abs(told.frequency - 300.0)))
    w = 2.0 * np.pi * told.frequency[at]
    shape = modes.foot_shape[:, 2]
    K = np.diag((2.0 * np.pi * modes.frequency) ** 2) + 1j * modes.loss - w**2 * np.eye(len(modes.frequency))
    plain = np.array([1j * w * row @ np.linalg.solve(K, row) for row in shape])
    np.testing.assert_allclose(told.mobility[:, at], plain, rtol=1e-3)


def test_a_foretold_level_is_that_of_a_tip_bent_by_a_millimetre_and_let_go(boarded):
    """The whole model of bar and one tine, tip bent along the row in its first partial."""
    told = foretell(boarded.instrument, boarded.row, None)
    for r in (0, 1):
        model = boarded.model(only=r)
        one = dataclasses.replace(boarded.instrument, tines=boarded.instrument.tines[r : r + 1])
        q = np.zeros((1, 2, model.tines.shape.shape[1]))
        turn = model.bases.axis[0]
        q[0, :, 0] = 1e-3 / model.tines.shape[0, 0, -1] * np.array([math.cos(turn), -math.sin(turn)])
        amplitude = q[0][model.tine_dof[0] >= 0] @ generalized_momentum(model, 0)
        pressure = bar_radiator(model, one, [()]).weights * amplitude
        near = np.abs(np.log2(model.frequency / told.frequency[r])) < 0.01
        level = 10.0 * math.log10(np.mean(np.abs(pressure[:, near]) ** 2, axis=0).max() / 2.0 / 20e-6**2)
        assert told.level[r] == pytest.approx(level, abs=0.5)
