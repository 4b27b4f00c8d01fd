"""What a page knows of an instrument, as arrays for the compiled functions: tines, sticks, modes, radiators.

In: scenes of one instrument, one for each thing it is heard through. Out: a header of plain words and numbers, and
a `Blob`. Bar and pickup share a bank of modes, each board has one of its own. A bank carries its modes' shapes on
the tines' partials and on the bar: from them the page makes how a force drives the modes, how tines ring, and what
a palm takes. These shapes are rounded; how much that changes the sound is measured and told.

Shapes: R tines, M modes, N partials, K depths, V rows of shapes, B bar modes, P contact signals.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import Any, Final, get_args

import numpy as np
from numpy.typing import NDArray

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.arrays import Array
from synth.design.instrument import EDGE_RADIUS, Instrument, Stick
from synth.frozen import frozen
from synth.page.about import about_tines, midi_meanings
from synth.page.blob import Blob, Rounded, rounded
from synth.page.functions import MODES
from synth.page.picture import drawn_bar, drawn_tines
from synth.playing.contact.modes import tips
from synth.playing.contact.resolution import EVENT
from synth.playing.contact.stick import StickLine, compliance, stick_line, stick_modes
from synth.playing.contact.stick_path import EDGE_SHARE, height_in_row
from synth.playing.midi_mapping import edged
from synth.playing.stroke import Grip
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.loudness import A_POLES
from synth.sound.radiator import Direct, Radiator, ears
from synth.sound.radiator.dipoles import rods
from synth.sound.radiator.pickup import MagneticPickup, Piezo
from synth.sound.radiator.stick import nearest_way
from synth.sound.radiator.thickness import thickness
from synth.sound.render import Scene
from synth.units import decibels
from synth.vibration.frame import rigid_arm
from synth.vibration.modal_model import ModalModel, tip_shape

BITS: Final = 14  # of shapes, at most
QUALITIES: Final = {
    "fine": 3e-6,
    "usual": 1e-5,
    "small": 1e-4,
}  # finest digit of a mode, of all that a row sounds
WHOLE: Final = "whole"  # shapes in single precision, as a server beside the page can send them
KindsOfArrays = dict[str, tuple[NDArray[Any], str]]

BRIGHT: Final = (0, 16, 32, 48, 80, 96, 112, 127)  # of MIDI's brightness, besides 64: so many sticks more
MOTION: Final = 0.5  # so much of all that it moves: the stick and a palm meet what is not heard, too
DEPTHS: Final = 17  # rows of the table of shapes below a tip
AUDIBLE: Final = 1e-4  # of the loudest tip: a direction that is not heard has nothing to be compared with
DEEPEST: Final = 0.5  # of a tine's length, its last row: four cubics to the shortest partial's quarter wave


@frozen
class Packed:
    """A page's knowledge: `head` for JSON, `blob` for the bytes."""

    head: dict[str, Any]
    blob: Blob


def pack(scenes: Sequence[Scene], *, quality: str = "usual") -> Packed:
    """All that the player needs of scenes of one instrument, the first one heard first."""
    blob = Blob()
    first = scenes[0]
    heard: dict[str, list[Scene]] = {}
    for scene in scenes:
        stands_on = scene.through if scene.through in scene.instrument.boards else ""
        heard.setdefault(stands_on, []).append(scene)
    banks, radiators = [], []
    for number, together in enumerate(heard.values()):
        parts = body(together[0].model)
        vectors, errors = _vectors(together, parts, quality, blob)
        banks.append(_bank(together[0].model, parts, vectors, blob))
        for scene, error in zip(together, errors, strict=True):
            told = {"name": scene.through, "bank": number, **error}
            radiators.append({**told, **_radiator(scene.radiator, blob)})
    radiators.sort(key=lambda each: [scene.through for scene in scenes].index(each["name"]))
    head = {
        "name": first.instrument.name,
        "units": first.instrument.bench.units,
        "rate": RATE,
        "full_scale_pa": FULL_SCALE,
        "listener_m": first.instrument.listener.distance,
        "bar": drawn_bar(first.instrument.bar),
        "picture": drawn_tines(first),
        "about": about_tines(first),
        "midi": midi_meanings(first.instrument),
        "groups": [
            {"name": each.name, "tines": list(range(each.first, each.first + each.count))}
            for each in first.instrument.groups
        ],
        "tines": _tines(first, blob),
        "sticks": _sticks(first.instrument, blob),
        "bright": {"steps": list(BRIGHT), "sticks": _edged_sticks(first.instrument, blob)},
        "banks": banks,
        "radiators": radiators,
        "air": _air(first, blob),
        "a_weighting": blob.put(_a_weighting(), "f8"),
    }
    return Packed(head, blob)


def _vectors(
    together: Sequence[Scene], parts: BodyParts, quality: str, blob: Blob
) -> tuple[dict[str, Any], list[dict[str, float]]]:
    """The shapes of one bank, and what rounding them does to each thing that is heard."""
    if quality == WHOLE:
        return blob.put(parts.vectors, "f4"), [{} for _ in together]
    few = rounded(parts.vectors, BITS, finest(together, parts, QUALITIES[quality]))
    return blob.put_rounded(few), [{"rounding_db": rounding_db(scene, parts, few)} for scene in together]


def _tines(scene: Scene, blob: Blob) -> dict[str, Any]:
    """`approach.Tines`: the contact's constants, to the last digit at the tips."""
    tines, modes = scene.instrument.tines, scene.row.modes
    index = np.arange(len(tines))
    count = max(MODES, modes.frequency.shape[2])
    deepest = DEEPEST * (modes.tip - modes.height[:, 0])
    tables = [
        tips(modes, index, depth=0.0, count=count),
        *(tips(modes, index, depth=row / (DEPTHS - 1) * deepest, count=count) for row in range(1, DEPTHS)),
    ]
    tip = tips(modes, index, depth=0.0, count=MODES)
    diameter = np.array([each.rod.diameter for each in tines])
    edge = np.minimum(EDGE_RADIUS, EDGE_SHARE * diameter)
    high = np.concatenate(
        [height_in_row(modes.frequency[group.tines, 0, 0]) for group in scene.instrument.groups]
    )
    flat = (len(tines), -1)
    return {
        "position": blob.put([each.position for each in tines], "f8"),
        "core": blob.put(diameter / 2.0 - edge, "f8"),
        "edge": blob.put(edge, "f8"),
        "high": blob.put(high, "f8"),
        "omega": blob.put(2.0 * math.pi * tip.frequency.reshape(flat), "f8"),
        "decay_rate": blob.put(tip.decay_rate.reshape(flat), "f8"),
        "root": blob.put(tip.root_moment.reshape(flat), "f8"),
        "axis": blob.put(tip.axis, "f8"),
        "drop": blob.put(tip.drop, "f8"),
        "depth": blob.put(tip.length * DEEPEST / (DEPTHS - 1), "f8"),
        "tip_shape": blob.put(tables[0].shape, "f8"),
        "tip_slope": blob.put(tables[0].slope, "f8"),
        "shape": blob.put(np.stack([each.shape for each in tables], axis=1), "f4"),
        "slope": blob.put(np.stack([each.slope for each in tables], axis=1), "f4"),
    }


def _sticks(instrument: Instrument, blob: Blob) -> dict[str, Any]:
    return {
        name: {grip: _stick(stick, grip, blob) for grip in get_args(Grip)}
        for name, stick in instrument.sticks.items()
    }


def _edged_sticks(instrument: Instrument, blob: Blob) -> dict[str, Any]:
    """Each stick in each grip, held and turned for the steps of `BRIGHT`, in their order."""
    return {
        name: {grip: [_stick(edged(stick, step), grip, blob) for step in BRIGHT] for grip in get_args(Grip)}
        for name, stick in instrument.sticks.items()
    }


def _stick(stick: Stick, grip: Grip, blob: Blob) -> dict[str, Any]:
    """`approach.Stick`, and the stick's line for its own sound."""
    own, line = _stick_arrays(stick, grip)
    return {**_put(own, blob), "line": _put(line, blob)}


def _put(arrays: KindsOfArrays, blob: Blob) -> dict[str, Any]:
    return {name: blob.put(values, kind) for name, (values, kind) in arrays.items()}


@functools.lru_cache(maxsize=512)  # a change of the instrument leaves its sticks as they are
def _stick_arrays(stick: Stick, grip: Grip) -> tuple[KindsOfArrays, KindsOfArrays]:
    """Of a stick and of its line: arrays and their kinds in a `Blob`."""
    modes = stick_modes(stick, tilt=0.0, skew=0.0, beam_modes=EVENT.beam_modes, grip=grip, whole=EVENT.whole)
    across, lengthwise = compliance(stick, grip)
    law = np.array(
        [
            stick.contact_stiffness,
            stick.friction,
            stick.restitution,
            stick.end_radius,
            across,
            lengthwise,
        ]
    )
    own = {
        "omega": (modes.omega, "f8"),
        "decay_rate": (modes.decay_rate, "f8"),
        "kick": (np.stack([modes.kick_place, modes.kick_speed]), "f8"),
        "blocks": (np.searchsorted(modes.direction, [1, 2]), "i8"),
        "law": (law, "f8"),
    }
    line = stick_line(stick, tilt=0.0, skew=0.0, sign=1.0, beam_modes=EVENT.beam_modes, grip=grip)
    return own, _line(line)


def _line(line: StickLine) -> KindsOfArrays:
    share = np.gradient(line.position)
    share[[0, -1]] /= 2.0
    pieces = rods(np.zeros((len(share), 3)), length=share, radius=line.diameter / 2.0)
    heard = line.pole.imag < math.pi * RATE  # as in `sound.drive`
    pole = line.pole[heard]
    wave = np.abs(pole.imag) / SOUND_SPEED
    return {
        "position": (line.position, "f8"),
        "pole": (_parts(pole), "f8"),
        "residue": (_parts(line.residue[heard]).swapaxes(0, 1), "f4"),
        "strength": (AIR_DENSITY * pieces.volume, "f8"),
        "thickness": (_parts(thickness(wave[:, None] * line.diameter / 2.0)[:, 0]), "f8"),
    }


def _bank(model: ModalModel, parts: BodyParts, vectors: dict[str, Any], blob: Blob) -> dict[str, Any]:
    """`response.Body` and the poles."""
    return {
        "pole": blob.put(_parts(model.pole), "f8"),
        "dof": blob.put(parts.dof, "i8"),
        "vectors": vectors,
        "base": blob.put(parts.base, "f4"),
        "reach": blob.put(parts.reach, "f8"),
        "axis": blob.put(model.bases.axis, "f8"),
        "force": blob.put(parts.force, "f4"),
        "partial": blob.put(model.tines.frequency, "f8"),
    }


@frozen
class BodyParts:
    """Of `response.Body`, as the model has them."""

    dof: NDArray[np.int64]  # (R, 2, N)
    vectors: Array  # (V, 2, M)
    base: Array  # (R, 6, B)
    reach: Array  # (2, R, 2, 6)
    force: Array  # (R, 6, 2, N)


def body(model: ModalModel) -> BodyParts:
    """How tines move in the modes: rows of shapes, the bar's first, and what leads from the bar to the tips."""
    bars = model.bar_count
    own = model.tine_dof[model.tine_dof >= 0]
    number = np.full(len(model.vectors), -1)
    number[own] = bars + np.arange(len(own))
    rows = np.concatenate([model.vectors[model.bar_dof], model.vectors[own]])
    base = model.bar.at(model.bases.position)
    return BodyParts(
        dof=np.where(model.tine_dof >= 0, number[np.maximum(model.tine_dof, 0)], -1),
        vectors=np.stack([rows.real, rows.imag], axis=1).astype(np.float64),
        base=base,
        reach=_reach(model),
        force=_force(model, base),
    )


def _reach(model: ModalModel) -> Array:
    """From the base's motion to the tip along and across the row, and what each metre below it takes off."""
    bases = model.bases
    above = (model.tines.tip - model.tines.height[:, 0])[:, None]
    directions = np.stack([bases.along, bases.across], axis=1)

    def at(height: Array) -> Array:
        return np.asarray(directions @ rigid_arm(bases.arm + height * bases.pointing)[:, :3])

    return np.stack([at(above), at(above - 1.0) - at(above)])


def _force(model: ModalModel, base: Array) -> Array:
    """F (R, 6, 2, N) with coupling = base^T F: how partials pull at their base (`coupling.couple`)."""
    force = np.zeros((len(base), 6, *model.tine_dof.shape[1:]))
    carriers = model.host_dof.stop
    for r, motion in enumerate(base):
        here = model.tine_dof[r] >= 0
        wanted = model.coupling[: model.bar_count, model.tine_dof[r][here] - carriers]
        force[r][:, here] = np.linalg.pinv(motion.T) @ wanted
    return force


def _radiator(radiator: Radiator, blob: Blob) -> dict[str, Any]:
    """Weights to full scale 1, and what follows them: nothing, a circuit, a magnet and its circuit."""
    told: dict[str, Any] = {"immediate": [bool(each) for each in radiator.immediate]}
    if isinstance(radiator, Direct):
        return {**told, "weights": _weights(radiator, 1.0 / FULL_SCALE, blob)}
    if isinstance(radiator, MagneticPickup):
        gain = radiator.sensitivity * radiator.monitor / FULL_SCALE
        told["magnet"] = {"gap": radiator.gap, "gain": gain}
        return {
            **told,
            "weights": _weights(radiator, 1.0, blob),
            "sections": blob.put(radiator.circuit.sections(RATE), "f8"),
        }
    if isinstance(radiator, Piezo):
        gain = radiator.sensitivity * radiator.monitor / FULL_SCALE
        return {
            **told,
            "weights": _weights(radiator, gain, blob),
            "sections": blob.put(radiator.circuit.sections(RATE), "f8"),
        }
    raise TypeError(f"a page cannot hear through {type(radiator).__name__}")


def _weights(radiator: Radiator, gain: float, blob: Blob) -> dict[str, Any]:
    return blob.put(np.stack([gain * radiator.weights.real, gain * radiator.weights.imag], axis=1), "f8")


def _a_weighting() -> Array:
    """Sections (3, 6) of the A curve by the bilinear rule: within 0.1 dB to 5 kHz, 1.2 dB low at 10, 6.4 at 16."""
    from scipy.signal import bilinear_zpk, zpk2sos

    low, second, third, high = (2.0 * math.pi * each for each in A_POLES)
    zeros, poles, gain = bilinear_zpk(
        [0.0] * 4, [-low, -low, -second, -third, -high, -high], high**2, fs=float(RATE)
    )
    sections = np.asarray(zpk2sos(zeros, poles, gain))
    sections[0, :3] /= _gain_at(sections, 1000.0)
    return sections


def _gain_at(sections: Array, frequency: float) -> float:
    from scipy.signal import sosfreqz

    return float(abs(sosfreqz(sections, [2.0 * math.pi * frequency / RATE])[1][0]))


def _air(scene: Scene, blob: Blob) -> dict[str, Any]:
    """Where ears and tips are: for the stick's own sound, and for the picture."""
    model, bases = scene.model, scene.model.bases
    foot, _ = model.bar.frame_at(bases.position)
    clamp = foot + bases.arm
    above = (model.tines.tip - model.tines.height[:, 0])[:, None]
    points = ears(scene.instrument)
    return {
        "sound_speed": SOUND_SPEED,
        "nearest": nearest_way(scene.instrument),
        "ears": blob.put(points, "f8"),
        "clamp": blob.put(clamp, "f8"),
        "tip": blob.put(clamp + above * bases.pointing, "f8"),
        "frame": blob.put(np.stack([bases.along, bases.across, bases.pointing], axis=1), "f8"),
    }


def finest(scenes: Sequence[Scene], parts: BodyParts, share: float) -> Array:
    """The step (V, M) to which shapes are worth keeping, for all that one bank is heard through.

    Equal steps of what each mode adds to the sound's energy leave the least error for the size, as in rate and
    distortion (C. E. Shannon, IRE Nat. Conv. Rec. 7 (1959) 142): a mode that is hardly heard needs few digits.
    """
    size = np.hypot(parts.vectors[:, 0], parts.vectors[:, 1])
    step = MOTION * share * np.sqrt((size**2).sum(axis=1))[:, None] * np.ones(size.shape[1])
    for scene in scenes:
        weight = np.maximum(np.sqrt(_loudness(scene)), np.finfo(float).tiny)
        step = np.minimum(step, share * np.sqrt(size**2 @ weight**2)[:, None] / weight)
    return np.asarray(step)


def rounding_db(scene: Scene, parts: BodyParts, few: Rounded) -> float:
    """What rounding the shapes adds to the sound of a push at any tip, dB of that sound's energy; the worst tip."""
    values = few.values()
    true = tip_shape(scene.model)
    page = tip_motion(scene.model, parts, values[:, 0] + 1j * values[:, 1])
    weight = _loudness(scene)
    error = (np.abs(page - true) ** 2) @ weight
    whole = (np.abs(true) ** 2) @ weight
    heard = whole > AUDIBLE * whole.max()
    return decibels(math.sqrt(float((error[heard] / whole[heard]).max())))


def _loudness(scene: Scene) -> Array:
    """(M,) the energy of a mode's ring in the sound, for a push where it moves by 1."""
    weight = (np.abs(scene.radiator.weights) ** 2).sum(axis=0)
    return np.asarray(weight / (scene.model.pole.imag**2 * 2.0 * scene.model.decay_rate))


def tip_motion(model: ModalModel, parts: BodyParts, vectors: NDArray[np.complexfloating]) -> NDArray[Any]:
    """How tips move in the modes (R, 2, M), from a page's parts and shapes (V, M), as `response.driven`."""
    shape = model.tines.at(np.zeros(len(parts.base)))
    rows = vectors[np.maximum(parts.dof, 0)] * (parts.dof >= 0)[..., None]
    plane = np.einsum("rn,rpnm->rpm", shape, rows, optimize=True)
    c, s = np.cos(model.bases.axis), np.sin(model.bases.axis)
    turn = np.stack([np.stack([c, -s], axis=-1), np.stack([s, c], axis=-1)], axis=-2)
    moved = parts.reach[0] @ parts.base @ vectors[: parts.base.shape[2]]
    return np.asarray(moved + turn @ plane)


def _parts(values: NDArray[np.complexfloating]) -> Array:
    """Real parts, then imaginary ones."""
    return np.stack([values.real, values.imag])
