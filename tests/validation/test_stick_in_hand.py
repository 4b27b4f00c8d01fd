"""A stick in the fingers against losses computed with an independent beam model, and against plain integration.

The losses are those of a beam model apart from this one (birch 5 x 200 mm and brass 3 x 200 mm, 90 mm out of the
hand, three pads over 30 mm, wood's own loss 0.01); the pads' and fingers' constants come from memory of Wiertlewski
and Hayward (2012) and of Hajian and Howe (1997). That model lets the wood shear, which lowers its upper modes.
"""

import dataclasses
import math

import numpy as np
import pytest
from scipy.linalg import expm

from synth.design.instrument import round_stick
from synth.playing.contact import stick as room
from synth.playing.contact.arrays import rotation
from synth.playing.contact.stick import compliance, give_within, stick_line, stick_modes
from synth.units import decibels

THREE = tuple(0.090 + share * 0.030 for share in room.PADS)  # m: fingers alone, no thumb's fold behind


@pytest.fixture(scope="module")
def made(request):
    """Round sticks of a modulus, density and loss."""
    from synth.design.file import load
    from synth.design.resolve import resolve

    path = request.config.rootpath / "tests" / "data" / "contact-row.toml"
    known = resolve(load(path), str(path)).sticks["wood"].material

    def stick(youngs, density, diameter, loss):
        material = dataclasses.replace(known, youngs=youngs, density=density, loss_factor=loss)
        return round_stick(
            "s", material, diameter=diameter, length=0.090, end_radius=1e-3, friction=0.3, restitution=0.5,
            hertz_modulus=1e9,
        )  # fmt: skip

    return {
        "birch": stick(13.9e9, 620.0, 5e-3, 0.01),
        "brass": stick(97e9, 8490.0, 3e-3, 0.0005),
    }


def flexible(stick, damping):
    """Frequencies and loss factors of the bending modes, 200 Hz and up, on three pads."""
    poles = room._bending(stick, "usual", damping, 14, THREE).solved[0]
    swinging = poles[poles.imag > 2.0 * math.pi * 200.0]
    swinging = swinging[np.argsort(np.abs(swinging))]
    return np.abs(swinging) / (2.0 * math.pi), -2.0 * swinging.real / np.abs(swinging)


@pytest.mark.parametrize(
    ("name", "damping", "hertz", "losses", "within"),
    [
        ("birch", 1.0, [421, 1410, 2490, 4280], [0.50, 0.046, 0.089, 0.043, 0.032, 0.034, 0.023], 0.20),
        ("birch", 3.0, None, [0.25, 0.108, 0.186, 0.107, 0.072, 0.082, 0.049], 0.30),
        ("birch", 1 / 3, None, [0.21, 0.022, 0.037, 0.021, 0.017, 0.018, 0.014], 0.20),
        ("brass", 1.0, [225, 626, 1190, 1990, 2910, 4050], [0.38, 0.020, 0.068, 0.017, 0.020, 0.013], 0.45),
    ],
)
def test_the_fingers_take_as_much_as_an_independent_beam_on_pads_says(
    made, name, damping, hertz, losses, within
):
    found, loss = flexible(made[name], damping)
    error = np.array([decibels(a / b) for a, b in zip(loss, losses, strict=False)])
    assert np.abs(error).max() < decibels(1.0 + within)
    if hertz is not None:
        np.testing.assert_allclose(found[: len(hertz)], hertz, rtol=0.05)


def test_the_rigid_motions_hardly_swing(made):
    poles = room._bending(made["birch"], "usual", 1.0, 8, THREE).solved[0]
    slow = poles[np.abs(poles) < 2.0 * math.pi * 220.0]
    loss = -2.0 * slow.real / np.abs(slow)
    assert np.abs(slow).min() / (2.0 * math.pi) == pytest.approx(
        14.0, rel=0.2
    )  # the stick turns in the fingers
    assert loss.min() == pytest.approx(0.4, abs=0.05)
    assert np.sort(loss)[2] > 1.7


@pytest.mark.parametrize("name", ["birch", "brass"])
@pytest.mark.parametrize("grip", ["light", "usual", "firm"])
def test_the_blocks_move_as_plain_integration_of_all_bodies(made, name, grip):
    """Impulses at random times: the blocks' sums against the matrix exponential of the whole first-order system."""
    stick = made[name]
    modes = stick_modes(stick, tilt=0.7, skew=0.2, beam_modes=8, grip=grip)
    draw = np.random.default_rng(3)
    for direction, body in enumerate(
        (
            room._bending(stick, grip, 1.0, 8),
            room._bending(stick, grip, 1.0, 8),
            room._sliding(stick, grip, 1.0),
        )
    ):
        size, mine = len(body.end), modes.direction == direction
        inverse = np.linalg.inv(body.inertia)
        whole = np.block(
            [
                [np.zeros((size, size)), np.eye(size)],
                [-inverse @ body.stiffness, -inverse @ body.damping],
            ]
        )
        x, t = np.zeros(2 * size), 0.0
        blocks = []  # (impulse, time)
        for _ in range(6):
            wait = float(10.0 ** draw.uniform(-5.0, -2.0))
            x, t = expm(whole * wait) @ x, t + wait
            push = float(draw.normal())
            x[size:] += inverse @ body.end * push
            blocks.append((push, t))
        wait = 3e-4
        x, t = expm(whole * wait) @ x, t + wait
        q, p = np.zeros((2, int(mine.sum())))
        for push, when in blocks:
            turn = rotation(modes.omega[mine], modes.decay_rate[mine], t - when)
            kick = push * modes.kick_place[mine], push * modes.kick_speed[mine]
            q += turn[0] * kick[0] + turn[1] * kick[1]
            p += turn[2] * kick[0] + turn[3] * kick[1]
        position, speed = body.end @ x[:size], body.end @ x[size:]
        assert q.sum() == pytest.approx(position, rel=1e-6)
        assert p.sum() == pytest.approx(speed, rel=1e-6)
        whole_energy = 0.5 * (x[:size] @ body.stiffness @ x[:size] + x[size:] @ body.inertia @ x[size:])
        full_q, full_p = np.zeros((2, len(mine)))
        full_q[mine], full_p[mine] = q, p
        assert modes.energy(full_q, full_p) == pytest.approx(whole_energy, rel=1e-6)


def test_what_the_event_model_leaves_out_of_the_stick_is_not_felt(made):
    for stick in made.values():
        whole, felt = (
            stick_modes(stick, tilt=0.7, skew=0.0, beam_modes=8, whole=each) for each in (True, False)
        )
        assert len(felt.omega) < len(whole.omega)
        everything = np.ones(len(whole.omega), dtype=bool)
        some = np.ones(len(felt.omega), dtype=bool)
        np.testing.assert_allclose(felt.compliance(some), whole.compliance(everything), rtol=3e-4, atol=1e-9)


def test_a_slow_push_gives_as_springs_in_series_and_levers_say(made):
    stick = dataclasses.replace(made["birch"], stiffness=1e9, frequency=1e5)  # all but rigid
    chain = 1000.0 * 700.0 / 1700.0  # a pad on its finger
    pads = np.array(room._pads(stick))
    middle = pads.mean()
    across = 1.0 / (4.0 * chain) + middle**2 / (chain * np.sum((pads - middle) ** 2))
    assert compliance(stick, "usual") == pytest.approx((across, 1.0 / (4.0 * chain)), rel=1e-3)


def test_a_quick_push_gives_less_and_an_endless_one_all(made):
    stick = made["birch"]
    time = np.array([1e-5, 1e-3, 1e-2, 100.0])
    across, along = give_within(stick, "usual", time)
    assert np.all(np.diff(across) > 0.0)
    assert np.all(np.diff(along) > 0.0)
    assert across[-1] == pytest.approx(compliance(stick, "usual")[0], rel=1e-3)
    # within no time the stick is a free body: F t/tau over its mass twice integrated, x/F = t^2/(6 m) at its end
    body = room._bending(stick, "usual", 1.0, room.MANY)
    free = body.end @ np.linalg.solve(body.inertia, body.end)
    short = np.array([1e-7])
    assert give_within(stick, "usual", short)[0][0] == pytest.approx(short[0] ** 2 * free / 6.0, rel=1e-3)


def test_a_firmer_grip_is_stiffer_and_a_longer_stick_behind_steadier(made):
    stick = made["birch"]
    light, usual, firm = (1.0 / compliance(stick, grip)[0] for grip in ("light", "usual", "firm"))
    assert light < usual < firm
    assert usual == pytest.approx(95.5, rel=0.01)  # N/m; as computed, so that a change is seen
    short = dataclasses.replace(stick, behind=0.02)
    assert compliance(short, "usual")[0] > 1.5 * compliance(stick, "usual")[0]


def test_the_sticks_line_is_that_of_its_blocks_at_the_end(made):
    stick = made["birch"]
    line = stick_line(stick, tilt=0.7, skew=0.3, sign=1.0, beam_modes=8)
    modes = stick_modes(stick, tilt=0.7, skew=0.3, beam_modes=8)
    assert line.position[-1] == pytest.approx(0.200)
    down = modes.direction == 0
    for time in (1e-4, 1e-3, 1e-2):
        turn = rotation(modes.omega[down], modes.decay_rate[down], time)
        expected = np.sum(turn[0] * modes.kick_place[down] + turn[1] * modes.kick_speed[down])
        assert (line.residue[:, 0] * np.exp(line.pole * time)).sum().real == pytest.approx(expected, rel=1e-6)


def test_the_factor_on_damping_is_on_pads_and_on_fingers_alike():
    from synth.playing.contact.hand import fingers
    from synth.playing.contact.stick import Body, _on_pads

    one, hold = np.ones((1, 1)), fingers("usual")
    body = Body(one, 0.0 * one, 0.0 * one, np.ones(1))
    found = _on_pads(body, one, hold, 3.0).damping
    pad, finger = 3.0 * hold.pad_damping, 3.0 * hold.finger_damping
    assert found == pytest.approx(np.array([[pad, -pad], [-pad, pad + finger]]))


@pytest.mark.parametrize(("behind", "at"), [(0.15, 0.06), (0.02, 0.02)])
def test_the_thumb_carries_a_stick_no_further_back_than_the_stick_reaches(behind, at):
    from types import SimpleNamespace

    from synth.playing.contact.stick import _pads

    stick = SimpleNamespace(length=0.12, gripped=0.06, behind=behind)
    assert _pads(stick) == pytest.approx((0.13, 0.15, 0.17, 0.18 + at))
