"""Valid designs at the ends of what a design file may say, and what has to hold of the sound of each.

In: a source of chance (`random.Random`; hypothesis draws one as well). Out: a design as TOML keys, one stroke of it
as the command line's words, and after the rendering what is wrong with it: sound that is not finite, energy from
nowhere, a mode that grows, a ring that grows after the stick has left, more sound than the hand's work allows. All
warnings are errors.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.design.decode import decode
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.playing.contact.run import EnergyBalance
from synth.playing.contact.stroke_contact import Contact
from synth.playing.stroke import Stroke
from synth.sound.audio import RATE
from synth.sound.modal_state import ModalState
from synth.sound.render import ContactSettings, Scene, pressure_blocks, scene, strike
from synth.sound.sounding import Sounded
from synth.units import DEGREE, MM

Tree = dict[str, Any]
SETTINGS: Final = ContactSettings(allow_yield=True)
LONGEST_PASS: Final = 0.25  # s that a stroke may take: slower ones are a matter of patience
TAIL: Final = 0.5  # s
LATER: Final = 0.1  # s, the windows that are held against each other
MATERIALS: Final = ["mild steel", "304", "aluminium", "brass", "bamboo", "titanium", "odd"]
RODS: Final = ["thin", "thick", "M2", "M6", "1/4-20 UNC"]
SETTLED: Final = 0.05  # s from the last touch until the stick's own sound is over
MOST_LOSS: Final = 1.0
SWINGS: Final = math.sin(
    0.5 * math.atan(MOST_LOSS)
)  # the share of a pole j omega sqrt(1 + j loss) that decays
EARLY: Final = 3  # of those windows come first: a beat whose silence stands in their midst then swells by 3
BEATS: Final = 3.2
LOWEST_HZ: Final = 20.0  # that can be heard
WILD: Final = 3  # strokes at the ends of what can be asked, before an ordinary one
INAUDIBLE: Final = 1e-9  # Pa


def edge(draw: random.Random, low: float, high: float) -> float:
    """A number of a range: one of its ends half of the time, else anywhere between by its logarithm."""
    if draw.random() < 0.5:
        return draw.choice([low, high])
    if low > 0.0:
        return round(low * math.pow(high / low, draw.random()), 6)
    return round(draw.uniform(low, high), 6)


def extreme(draw: random.Random) -> Tree:
    """A design that can nearly always be built, small enough to be solved at once."""
    groups, end, gap = _groups(draw)
    length = round(end + edge(draw, 10.0, 300.0), 2)
    tree: Tree = {
        "name": draw.choice(["", "x" * 200, "вверх é"]),
        "tuning": {"a4_hz": edge(draw, 380.0, 500.0), "temperature_c": edge(draw, -40.0, 60.0)},
        "material": {"odd": _material(draw)},
        "bar": _bar(draw, length),
        "tines": _holding(draw) | {"seed": draw.choice([0, 2**31 - 1])},
        "stock": {
            "thin": {
                "kind": "plain",
                "diameter_mm": edge(draw, 0.3, 2.0),
                "material": draw.choice(MATERIALS),
            },
            "thick": {"kind": "plain", "diameter_mm": edge(draw, 2.0, 12.0)},
        },
        "nut": {"heavy": {"mass_g": edge(draw, 0.01, 2.0), "height_mm": 6.0, "width_mm": 8.0}},
        "group": groups,
        "listener": {
            "distance_m": edge(draw, 0.2, 100.0),
            "angle_deg": edge(draw, 0.0, 120.0),
            "azimuth_deg": edge(draw, -360.0, 360.0),
            "spacing_mm": edge(draw, 0.0, 2000.0),
        },
        "stick": {"s": _stick(draw, gap)},
    }
    if draw.random() < 0.1:
        tree["board"] = {"b": _board(draw, length)}
    if draw.random() < 0.3:
        tree["pickup"] = {
            "kind": draw.choice(["contact", "pad", "strain"]),
            "at_mm": round(draw.uniform(0.0, length), 2),
            "quality": edge(draw, 0.3, 1000.0),
            "corner_hz": edge(draw, 0.01, 5000.0),
        }
    return tree


def _groups(draw: random.Random) -> tuple[list[Tree], float, float]:
    """Groups, where the last one ends, the narrowest gap; mm."""
    groups, at, gap = [], edge(draw, 15.0, 100.0), 100.0
    for number in range(draw.choice([1, 1, 2])):
        spacing, rod = edge(draw, 20.0, 80.0), draw.choice(RODS)
        gap = min(gap, spacing)
        tines: list[Tree] = []
        count = draw.choice([1, 1, 2, 3])
        for _ in range(count):
            # thin long rods below 20 Hz and thick short ones above 20 kHz are refused, as they should be
            longest, shortest = (150.0, 20.0) if rod == "thin" else (600.0, 50.0)
            longest = (
                longest if count == 1 else 0.3 * longest
            )  # side by side they would swing into each other
            tine: Tree = {"free_length_mm": edge(draw, shortest, longest)}
            if rod != "thick" and draw.random() < 0.2:
                tine["trim"] = [
                    {"nut": "heavy", "at_mm": round(draw.uniform(0.3, 0.8) * tine["free_length_mm"], 2)}
                ]
            tines.append(tine | (_holding(draw) if draw.random() < 0.3 else {}))
        group = {
            "name": f"g{number}",
            "stock": rod,
            "start_mm": round(at, 2),
            "spacing_mm": spacing,
            "tine": tines,
        }
        groups.append(group | {"face_deg": draw.choice([0.0, 0.0, 90.0, -180.0, 37.0])})
        at += len(tines) * spacing + 20.0
    return groups, at, gap


def _holding(draw: random.Random) -> Tree:
    return {
        "clamp_loss_factor": edge(draw, 0.0, 1.0),
        "clamp_loss_slope": edge(draw, 0.0, 2.0),
        "split_cents": edge(draw, 0.0, 100.0),
        "root_length_per_diameter": edge(draw, 0.0, 2.0),
    }


def _material(draw: random.Random) -> Tree:
    return {
        "density_kg_m3": edge(draw, 300.0, 25_000.0),
        "youngs_gpa": edge(draw, 10.0, 1500.0),
        "poisson": edge(draw, 0.0, 0.499),
        "loss_factor": edge(draw, 0.0, 1.0),
        "expansion_um_m_k": edge(draw, -50.0, 500.0),
        "heat_capacity_j_kg_k": edge(draw, 1.0, 1e5),
        "conductivity_w_m_k": edge(draw, 1e-3, 1e4),
    }


def _bar(draw: random.Random, length: float) -> Tree:
    wide = edge(draw, 14.0, 200.0)
    high = max(14.0, round(wide * edge(draw, 0.25, 1.0), 2))  # flatter ones take a finer mesh, and minutes
    path: list[Tree] = [{"straight_mm": length}]
    if draw.random() < 0.3:
        bend = {"bend_deg": draw.choice([-90.0, 5.0, 120.0]), "radius_mm": 60.0 + max(wide, high)}
        path += [bend | {"plane_deg": edge(draw, -90.0, 90.0)}, {"straight_mm": edge(draw, 1.0, 100.0)}]
    supports = [
        {
            "at_mm": round(draw.random() * length, 2),
            "kind": draw.choice(["cord", "rubber", "clamp", "foot"]),
            "loss_factor": edge(draw, 0.0, 1.0),
            **({"stiffness_n_mm": edge(draw, 1e-3, 1e9)} if draw.random() < 0.5 else {}),
            **({"rotation_nm_rad": edge(draw, 0.0, 1e9)} if draw.random() < 0.3 else {}),
        }
        for _ in range(draw.randint(0, 3))
    ]
    section: Tree = {"shape": "rectangle", "width_mm": wide, "height_mm": high}
    if draw.random() < 0.3:
        section = {"shape": "tube", "diameter_mm": max(wide, high), "wall_mm": max(wide, high) * 0.2}
    return {"section": section, "path": path, "supports": supports, "material": draw.choice(MATERIALS)}


def _stick(draw: random.Random, gap: float) -> Tree:
    return {
        "material": draw.choice(["birch", "bamboo", "brass", "nylon", "glass fibre"]),
        "diameter_mm": edge(draw, 1.0, min(20.0, gap - 14.0)),
        "length_mm": edge(draw, 30.0, 300.0),
        "friction": edge(draw, 0.0, 0.9),
        "restitution": edge(draw, 0.01, 1.0),
        "contact_stiffness_n_m15": edge(draw, 1e5, 1e11),
    }


def _board(draw: random.Random, length: float) -> Tree:
    size = max(300.0, length + 50.0)
    kind: Tree = (
        {"kind": "box", "depth_mm": edge(draw, 10.0, 300.0)} if draw.random() < 0.5 else {"kind": "panel"}
    )
    return kind | {
        "material": draw.choice(["spruce", "EPS 15", "steel sheet", "MDF"]),
        "length_mm": round(size, 1),
        "width_mm": edge(draw, 200.0, 400.0),
        "thickness_mm": edge(draw, 2.0, 40.0),
        "feet": [
            {
                "bar_mm": round(each * length, 2),
                "x_mm": round(30.0 + each * length, 2),
                "y_mm": 110.0,
                "width_mm": 20.0,
            }
            for each in (0.2, 0.8)
        ],
    }


@dataclass(frozen=True)
class Figures:
    """Shares of the hand's work, and how the ring goes on."""

    rung: float  # moves as the stick has left, in modes that can be heard and swing
    sent: float  # what was heard, as if it went everywhere; of a pickup it says nothing
    missing: float  # in the books of the contact: coarse steps give and take where a stick is like none
    growth: float  # the last tenth of a second against the loudest of the first without the stick


@dataclass(frozen=True)
class Outcome:
    """What became of a design: `refused` in one line, or heard: its figures, and what is wrong."""

    refused: str = ""
    faults: tuple[str, ...] = ()
    figures: Figures | None = None


def sounded(tree: Tree, draw: random.Random) -> Outcome:
    """The design, solved, stroked and heard. Any exception but `InputError` is let through."""
    try:
        instrument = resolve(decode(tree, Design), "extreme.toml")
        through = draw.choice(["bar", "bar", "pickup", *instrument.boards])
        heard = scene(instrument, through)
    except InputError as error:
        return Outcome(refused=str(error))
    refused = "no stroke touched"
    for tried in range(WILD + 1):
        stroke = _stroke(draw, instrument, wild=tried < WILD)
        try:
            contact = strike(heard, stroke, ModalState(heard.model), SETTINGS, seed=1)
        except InputError as error:
            refused = str(error)
            continue
        if len(contact.trace.time):
            return _judged(heard, stroke, contact)
    return Outcome(refused=refused)


def _stroke(draw: random.Random, instrument: Instrument, *, wild: bool) -> Stroke:
    group = draw.randrange(len(instrument.groups))
    places = [tine.position for tine in instrument.tines[instrument.groups[group].tines]]
    slowest = max(0.01, (max(places) - min(places) + 0.07) / LONGEST_PASS)
    stick = draw.choice(list(instrument.sticks.values()))
    if not wild:
        return Stroke(group=group, stick=stick, speed=max(slowest, 0.4), bite=0.5 * MM, tilt=70.0 * DEGREE)
    return Stroke(
        group=group,
        stick=stick,
        speed=max(slowest, edge(draw, 0.01, 5.0)),
        bite=edge(draw, 0.05, 20.0) * MM,
        height=edge(draw, 0.0, 20.0) * MM,
        lean=edge(draw, -1.0, 1.0),
        tilt=edge(draw, 20.0, 85.0) * DEGREE,
        skew=edge(draw, -45.0, 45.0) * DEGREE,
        pressure=edge(draw, 0.0, 20.0),
        grip=draw.choice(["light", "usual", "firm"]),
        direction=draw.choice(["forward", "backward"]),
    )


def _judged(heard: Scene, stroke: Stroke, contact: Contact) -> Outcome:
    """As `perform` does it, of a contact that is there already: it costs more than all the rest."""
    ends = float(np.max(contact.trace.time)) + SETTLED
    striker = heard.striker(SETTINGS)
    struck = striker.left(contact, height=stroke.height)
    sounded = Sounded(struck.left.ends / RATE, struck.left.states, struck)
    ring = ModalState(heard.model)
    ring.take(sounded.time, sounded.states)
    blocks = pressure_blocks(heard, striker, [sounded], round((ends + TAIL) * RATE))
    sound = np.concatenate(list(blocks), axis=1)
    figures = _figures(heard, sound, ring.at(ends), ends=ends, books=contact.books)
    return Outcome(faults=tuple(_faults(heard, contact, sound, figures)), figures=figures)


def _figures(heard: Scene, sound: Any, ring: Any, *, ends: float, books: EnergyBalance) -> Figures:
    distance = heard.instrument.listener.distance
    intensity = float(np.sum(sound**2, axis=1).max()) / RATE / (AIR_DENSITY * SOUND_SPEED)
    window, first = round(LATER * RATE), round(ends * RATE)
    starts = [*(first + n * window for n in range(EARLY)), sound.shape[1] - window]
    *early, late = (np.sqrt(np.mean(sound[:, at : at + window] ** 2)) for at in starts)
    # the freedoms have unit mass but for what couples them; modes damped together are not at right angles
    # a contact takes the bar to hold still: one that swings on its cords in seconds gets more than the hand gave;
    # and a pole j omega sqrt(1 + j loss) tells no energy once the loss is no longer small
    pole = heard.model.pole
    counted = (np.abs(pole) > 2.0 * math.pi * LOWEST_HZ) & (-pole.real <= SWINGS * np.abs(pole))
    velocity = (heard.model.vectors @ np.where(counted, pole * ring, 0.0)).real
    return Figures(
        rung=0.5 * float(velocity @ velocity) / books.hand,
        sent=4.0 * math.pi * distance**2 * intensity / books.hand,
        missing=books.residual,
        growth=float(late / max(*early, INAUDIBLE)),
    )


def _faults(heard: Scene, contact: Contact, sound: Any, figures: Figures) -> Iterator[str]:
    books = contact.books
    if not np.all(np.isfinite(sound)):
        yield "sound that is not finite"
    if not np.all(np.isfinite([each.energy for each in contact.touches])):
        yield "a touch whose energy is not finite"
    if not np.all(heard.model.pole.real <= 0.0):
        yield f"modes that grow: {heard.model.pole.real.max()} per second"
    if not (books.hand > 0.0 and math.isfinite(books.end) and math.isfinite(books.residual)):
        yield f"books that are not numbers: {books}"
    if not figures.rung <= 1.0:
        yield f"{figures.rung:.3g} of the hand's work rings"
    if heard.through != "pickup" and not figures.sent <= 1.0:
        yield f"{figures.sent:.3g} of the hand's work is heard"
    if not figures.growth <= BEATS:
        yield f"the ring grows by {figures.growth:.3g} when the stick has left"
