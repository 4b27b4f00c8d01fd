"""A stroke made ready by the page's compiled functions, held against how the command line makes it ready."""

from __future__ import annotations

import numpy as np
import pytest

from synth.errors import InputError
from synth.page import approach
from synth.page.pack import pack
from synth.playing.contact import layout
from synth.playing.contact.arrays import InitialState
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT
from synth.playing.contact.run import Pass
from synth.playing.contact.stick import compliance, stick_modes
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import _lever
from synth.playing.stroke import Stroke, shaped
from synth.sound.render import Scene
from synth.sound.render import scene as whole_scene

from .conftest import heard, made

STROKES = {
    "plain": {},
    "backward": {"direction": "backward", "speed_mm_s": 150.0, "bite_mm": 1.2},
    "pressed": {"pressure_n": 2.0, "tilt_deg": 30.0, "lean": 0.5, "stick": "brass", "grip": "firm"},
    "askew": {"skew_deg": -20.0, "lean": -1.0, "stick": "bamboo", "grip": "light"},
    "shallow": {"bite_mm": 0.2, "tilt_deg": 60.0},
}
N = EVENT.tine_modes


class Numbers:
    """A blob that keeps its arrays as they are."""

    def put(self, array, kind):
        return np.ascontiguousarray(array, dtype={"f8": float, "f4": np.float32, "i8": np.int64}[kind])

    def put_rounded(self, few):
        return few.values()


@pytest.fixture(scope="module")
def head(monkeypatch_module):
    return pack([heard("straight", "bar")]).head


@pytest.fixture(scope="module")
def monkeypatch_module():
    patch = pytest.MonkeyPatch()
    patch.setattr("synth.page.pack.Blob", Numbers)
    yield patch
    patch.undo()


def tines_of(head):
    told = {name: each for name, each in head["tines"].items() if not name.startswith("tip_")}
    for name in ("shape", "slope"):
        told[name] = told[name].astype(float)
        told[name][:, 0] = head["tines"][f"tip_{name}"]
    return approach.Tines(**told)


def stick_of(head, name, grip):
    told = dict(head["sticks"][name][grip])
    del told["line"]
    return approach.Stick(**told)


def empty(count, blocks):
    """Row, stick and state for so many tines, full of what must be overwritten."""
    full = np.full
    row = layout.Row(  # type: ignore[call-arg]
        full((5, count, 4, 2 * N), 7.0), *(full((count, 2 * N), 7.0) for _ in range(2)),
        *(full((count, N), 7.0) for _ in range(2)), full((count, 2 * N), 7.0), full((3, count, 3), 7.0),
        full((count, 4), 7.0), full((count, 5), 7.0),
    )  # fmt: skip
    held = layout.Held(
        full((5, 1, 4, blocks), 7.0), full((1, blocks), 7.0), full((1, blocks), 7.0), full((2, blocks), 7.0),
        full(2, 7, np.int64), full((3, 3), 7.0), full((3, 3, 3), 7.0),
    )  # fmt: skip
    state = layout.State(
        full((count, 2 * N), 7.0), full((count, 2 * N), 7.0), full(count, 7.0), full((1, blocks), 7.0),
        full((1, blocks), 7.0), full((count, layout.FLAGS), 7, np.int64), full((count, layout.TOUCH), 7.0),
        full((count, layout.COLUMNS - 2), 7.0), full((count, layout.TALLIES), 7.0),
        full(layout.ENERGIES, 7.0), full(layout.CLOCK, 7, np.int64),
    )  # fmt: skip
    return row, held, state


def wanted(instrument, group, said):
    stroke = Stroke(
        group=group,
        stick=instrument.sticks[said.get("stick", "birch")],
        start=0.4,
        direction=said.get("direction", "forward"),
        grip=said.get("grip", "usual"),
    )
    return shaped(stroke, {key: value for key, value in said.items() if isinstance(value, float)})


def reference(scene: Scene, stroke, ring=None):
    """The command line's own arrays, its way along the row and its tips."""
    modes = scene.row.modes
    way = passage(stroke, scene.instrument, modes.frequency[:, 0, 0])
    tip = tips(modes, way.tine, depth=stroke.height, count=N)
    stick = stick_modes(
        stroke.stick, tilt=stroke.tilt, skew=stroke.skew, beam_modes=EVENT.beam_modes,
        grip=stroke.grip, whole=EVENT.whole,
    )  # fmt: skip
    rest = np.zeros(tip.frequency.shape)
    ring = ring or InitialState(rest, rest, way.start + way.position / way.speed)
    return Pass(stroke, way, tip, stick, ring, EVENT, leaves=0.0), way, tip


def laid(head, stroke, way):
    """The page's."""
    tines, stick = tines_of(head), stick_of(head, stroke.stick.name, stroke.grip)
    wish = np.array(
        [stroke.speed, stroke.bite, stroke.lean, stroke.height, stroke.tilt, stroke.skew, stroke.pressure,
         way.sign, stroke.start, EVENT.step]
    )  # fmt: skip
    row, held, state = empty(len(way.tine), len(stick.omega))
    lever = np.zeros(len(way.tine))
    touched = approach.lay(tines, stick, way.tine, wish, row, held, state, lever)
    return tines, stick, wish, row, held, state, lever, touched


@pytest.mark.parametrize("said", STROKES.values(), ids=STROKES.keys())
@pytest.mark.parametrize("group", [0, 1])
def test_a_stroke_is_laid_out_as_on_the_command_line(head, said, group):
    scene = heard("straight", "bar")
    stroke = wanted(scene.instrument, group, said)
    held_alike(head, scene, stroke)


def held_alike(head, scene, stroke):
    theirs, way, tip = reference(scene, stroke)
    _, stick, wish, row, held, state, lever, touched = laid(head, stroke, way)
    assert touched == np.count_nonzero(way.touched)
    if not touched:
        return
    for ours, names in ((row, theirs.row), (held, theirs.held), (state, theirs.state)):
        for name, value in names._asdict().items():
            scale = max(1e-300, float(np.nanmax(np.abs(value), initial=0.0)))
            np.testing.assert_allclose(
                getattr(ours, name), value, rtol=1e-11, atol=1e-12 * scale, err_msg=name
            )
    np.testing.assert_allclose(lever, _lever(tip), rtol=1e-12)
    course = np.zeros(3)
    approach.set_off(stick, wish, row, state, course)
    np.testing.assert_allclose(
        course[:2], [theirs.course.position, theirs.course.start], rtol=1e-12, atol=1e-15
    )
    assert course[approach.C_STOP] > way.start + way.position[-1] / way.speed


def test_a_swinging_row_is_met_from_further_off(head):
    scene = heard("straight", "bar")
    stroke = wanted(scene.instrument, 0, {})
    _, way, tip = reference(scene, stroke)
    swing = np.random.default_rng(3).standard_normal((2, *tip.frequency.shape)) * 1e-6
    ring = InitialState(swing[0], 1e3 * swing[1], way.start + way.position / way.speed)
    theirs, _, _ = reference(scene, stroke, ring)
    _, stick, wish, row, _, state, _, _ = laid(head, stroke, way)
    state.q[:], state.p[:] = theirs.state.q, theirs.state.p
    course = np.zeros(3)
    approach.set_off(stick, wish, row, state, course)
    np.testing.assert_allclose(course[0], theirs.course.position, rtol=1e-12)


@pytest.mark.parametrize("depth_mm", [0.0, 3.0, 11.0, 40.0])
def test_shapes_below_a_tip_are_those_of_the_tine(head, depth_mm):
    scene, tines = heard("straight", "bar"), tines_of(head)
    every = np.arange(len(scene.instrument.tines))
    tip = tips(scene.row.modes, every, depth=1e-3 * depth_mm, count=N)
    below = approach.below.py_func  # type: ignore[attr-defined]
    ours = np.array([[below(tines, r, k, 1e-3 * depth_mm) for k in range(N)] for r in every])
    largest = np.abs(tip.tip_shape).max()
    np.testing.assert_allclose(ours[..., 0], tip.shape, rtol=0, atol=2e-3 * largest)
    np.testing.assert_allclose(ours[:, :4, 0], tip.shape[:, :4], rtol=0, atol=5e-4 * largest)
    np.testing.assert_allclose(
        ours[:, :4, 1], tip.slope[:, :4], rtol=0, atol=8e-3 * np.abs(tip.slope[:, :4]).max()
    )


def test_a_lean_that_lifts_the_stick_over_all_tines_touches_none(head):
    stroke = wanted(made("straight"), 0, {"bite_mm": 0.0})
    _, way, _ = reference_way(stroke)
    assert laid(head, stroke, way)[-1] == 0


def reference_way(stroke):
    scene = heard("straight", "bar")
    return None, passage(stroke, scene.instrument, scene.row.modes.frequency[:, 0, 0]), None


def test_the_end_of_a_stick_gives_in_the_fingers_as_it_does_there(head):
    instrument = made("straight")
    for grip in ("light", "usual", "firm"):
        law = stick_of(head, "birch", grip).law
        np.testing.assert_allclose(
            law[[approach.ACROSS, approach.LENGTHWISE]], compliance(instrument.sticks["birch"], grip)
        )


def test_bins_under_way_are_written_once(head):
    scene = heard("straight", "bar")
    stroke = wanted(scene.instrument, 0, {})
    whole, _, _ = reference(scene, stroke)
    whole.go_on()
    everything = np.concatenate(whole.parts)
    sliced, _, _ = reference(scene, stroke)
    while sliced.go_on(1000) != layout.PASSED:
        approach.emptied(sliced.state, sliced.history)
        sliced.parts.append(sliced.history[: sliced.state.clock[layout.USED]].copy())
        sliced.state.clock[layout.USED] = 0
    parts = np.concatenate(sliced.parts)
    for each in (everything, parts):
        order = np.lexsort((each[:, layout.H_BIN], each[:, layout.H_TINE]))
        each[:] = each[order]
    np.testing.assert_array_equal(parts, everything)
    assert EVENT.bin_steps == 1


@pytest.mark.parametrize(
    "seed", [*range(6), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(6, 12))]
)
def test_any_everyday_design_is_laid_out_as_on_the_command_line(everyday, monkeypatch_module, seed):
    draw = np.random.default_rng(seed)
    try:
        scene = whole_scene(everyday.instrument_of(everyday.design_tree(seed)), "bar")
    except InputError:
        pytest.skip("this design cannot be built")
    instrument = scene.instrument
    head = pack([scene]).head
    said = {
        "stick": str(draw.choice(list(instrument.sticks))),
        "direction": str(draw.choice(["forward", "backward"])),
        "speed_mm_s": float(draw.uniform(100.0, 1500.0)),
        "bite_mm": float(draw.uniform(0.1, 4.0)),
        "lean": float(draw.uniform(-1.0, 1.0)),
        "tilt_deg": float(draw.uniform(20.0, 70.0)),
        "skew_deg": float(draw.uniform(-30.0, 30.0)),
        "pressure_n": float(draw.uniform(0.0, 1.0)),
    }
    for group in range(len(instrument.groups)):
        held_alike(head, scene, wanted(instrument, group, said))
