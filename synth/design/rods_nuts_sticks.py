"""What is bought: rods, nuts and sticks, by the design's own tables or straight from the trade's.

In: names. Out: `Rod`, `Nut`, `Stick`, SI. The one idea, for threaded rod: it bends as a smooth rod of diameter
d - 1.0617 p and weighs as one of d - 0.615 p (see `synth.design.catalogue`), both moved by what the tolerance class
takes off the pitch diameter.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final, TypeVar

from synth.design import catalogue, schema
from synth.design.instrument import CANTILEVER_MASS, Nut, Rod, Stick, round_stick
from synth.design.keys_as_written import key_in, key_of, unit_of, units_of
from synth.design.material import material, material_row, own_name, unknown
from synth.design.schema import FixingKind
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import GPA, GRAM, KELVIN_AT_0_C, MM, length_said

PLAIN_MATERIAL: Final = (
    "304 spring wire"  # thin stainless rod is sold cold-drawn, with a lower modulus (EN 10270-3)
)
THREADED_MATERIAL: Final = "A2-70"  # what shops sell as stainless threaded rod (ISO 3506-1)
STEEL: Final = "mild steel"  # what a stick touches, for its contact stiffness
HOLE_PER_WIDTH: Final = 0.55  # of a nut of unknown thread; ISO 4032: M3 0.545, M4 0.571
# Wood and what is built like it shears between its fibres: its loss rises from 0.008 at some hundred hertz to about
# 0.02 at 8 kHz (Ono and Norimoto on spruce, 1983 to 1985; from memory).
GRAIN_CORNER: Final = 2.0 * math.pi * 5000.0  # rad/s
END_RADIUS: Final = 1e-3  # m, of a stick's rounded end; common practice, no published source
DENSEST: Final = 23_000.0  # kg/m3; osmium, the densest metal, has 22 590
THREAD_CUT: Final = 0.06  # how far a plain rod may be from a thread's diameter for a die to cut it


@frozen
class Stock:
    """A rod and the nut that holds it on the bar (None: a plain rod in a collar that is not modelled)."""

    rod: Rod
    base_nut: Nut | None
    fixing: FixingKind | None


def find_stock(design: schema.Design, name: str, location: str) -> Stock:
    """The stock of this name: a [stock] table, or a thread, which is threaded rod of A2-70."""
    written = own_name(name, design.stock)
    if written is not None:
        return _given_stock(design, written, design.stock[written])
    thread = catalogue.threads().find(name)
    if thread is None:
        raise unknown(name, "in stock", (*design.stock, *catalogue.threads().names), location)
    rod = _threaded_rod(design, thread.name, thread, schema.Stock(kind="threaded"), location)
    return Stock(rod, find_nut(design, f"{thread.name} hex", location), None)


def find_nut(design: schema.Design, name: str, location: str) -> Nut:
    """The nut of this name: a [nut] table, or one of the trade ("M3 hex", "M3 thin hex") of A2-70."""
    written = own_name(name, design.nut)
    if written is not None:
        return _given_nut(design, written, design.nut[written])
    row = catalogue.nuts().find(name)
    if row is None:
        raise unknown(name, "a known nut", (*design.nut, *catalogue.nuts().names), location)
    return _standard_nut(design, row.name, row, schema.Nut(), location)


def find_sticks(design: schema.Design) -> dict[str, Stick]:
    """Every stick at hand: the built-in ones and the design's, which may carry the same names."""
    names = dict.fromkeys((*catalogue.sticks().names, *design.stick))
    return {name: _stick(design, name, design.stick.get(name, schema.Stick())) for name in names}


def fitting_warning(nut: Nut, rod: Rod, location: str) -> str:
    """What is unwise about this nut on this rod ("" for nothing). Raises `InputError` where it does not go on."""
    if nut.width <= rod.diameter:
        raise InputError(f"the nut '{nut.name}' is no wider than the rod '{rod.name}'", location=location)
    if nut.thread in ("", rod.thread):
        return ""
    on = f"has the thread {rod.thread}" if rod.thread else "is plain"
    thread = catalogue.threads().find(nut.thread)
    assert thread is not None
    if rod.thread or abs(rod.diameter / (thread.diameter_mm * MM) - 1.0) > THREAD_CUT:
        raise InputError(f"the nut '{nut.name}' does not fit: the rod '{rod.name}' {on}", location=location)
    return (
        f"{location}: the nut '{nut.name}' needs a thread cut on plain rod, whose weakening is not modelled"
    )


def _given_stock(design: schema.Design, name: str, given: schema.Stock) -> Stock:
    location = f"stock.{name}"
    if given.kind == "plain":
        rod = _plain_rod(design, name, given, location)
    else:
        thread = _thread(_needed(given.thread, "thread", "a threaded rod", location), f"{location}.thread")
        _refused(given.diameter_mm, key_of(given, "diameter_mm"), "the thread gives the diameter", location)
        rod = _threaded_rod(design, name, thread, given, location)
    rod = _measured(rod, given, location)
    base_nut = given.base_nut or (f"{rod.thread} hex" if rod.thread else None)
    nut = find_nut(design, base_nut, f"{location}.base_nut") if base_nut is not None else None
    return Stock(rod, nut, given.fixing)


def _plain_rod(design: schema.Design, name: str, given: schema.Stock, location: str) -> Rod:
    diameter = _needed(given.diameter_mm, "diameter_mm", "a plain rod", location, design) * MM
    _refused(given.thread, "thread", "a plain rod has none", location)
    _refused(given.thread_fit, "thread_fit", "a plain rod has no thread", location)
    row = material_row(design, given.material or PLAIN_MATERIAL, f"{location}.material")
    return Rod(
        name=name,
        thread="",
        diameter=diameter,
        pitch=0.0,
        bend_diameter=diameter,
        mass_diameter=diameter,
        root_diameter=diameter,
        material=material(row, _temperature(design)),
    )


def _threaded_rod(
    design: schema.Design, name: str, thread: catalogue.ThreadRow, given: schema.Stock, location: str
) -> Rod:
    row = material_row(design, given.material or THREADED_MATERIAL, f"{location}.material")
    d, p = thread.diameter_mm, thread.pitch_mm
    outside, worn = d, 0.0
    if (given.thread_fit or design.tines.thread_fit) == "mid":
        outside = sum(thread.major_limits_mm) / 2.0
        worn = (d - catalogue.PITCH_DEPTH * p) - sum(thread.pitch_diameter_limits_mm) / 2.0
    return Rod(
        name=name,
        thread=thread.name,
        diameter=outside * MM,
        pitch=p * MM,
        bend_diameter=(d - catalogue.BEND_DEPTH * p - worn) * MM,
        mass_diameter=(d - catalogue.MASS_DEPTH * p - worn) * MM,
        root_diameter=(d - catalogue.ROOT_DEPTH * p - worn) * MM,
        material=material(row, _temperature(design)),
    )


def _measured(rod: Rod, given: schema.Stock, location: str) -> Rod:
    """The rod with the diameters that were measured in place of those of its shape."""
    bend = rod.bend_diameter if given.bend_diameter_mm is None else given.bend_diameter_mm * MM
    mass = rod.mass_diameter if given.mass_diameter_mm is None else given.mass_diameter_mm * MM
    for key, diameter in (("bend_diameter_mm", bend), ("mass_diameter_mm", mass)):
        units = unit_of(getattr(given, key))
        if not 0.5 * rod.diameter <= diameter <= 1.05 * rod.diameter:
            raise InputError(
                f"{length_said(diameter, units)} does not belong to a rod of {length_said(rod.diameter, units)}",
                remedy="it must lie between half the outside diameter and 5 % above it",
                location=f"{location}.{key_of(given, key)}",
            )
    core = min(
        rod.root_diameter + bend - rod.bend_diameter, bend
    )  # the core is off by as much as the bending is
    return dataclasses.replace(rod, bend_diameter=bend, mass_diameter=mass, root_diameter=core)


def _given_nut(design: schema.Design, name: str, given: schema.Nut) -> Nut:
    location = f"nut.{name}"
    trade = catalogue.nuts().find(name)
    # A table that bears a trade's name and weighs nothing adds to that nut, a price perhaps.
    if given.thread is None and trade is not None and given.mass_g is None:
        return _standard_nut(design, name, trade, given, location)
    if given.thread is None:
        return _weighed_nut(design, name, given, location)
    thread = _thread(given.thread, f"{location}.thread")
    form = given.form or "hex"
    row = next((row for row in catalogue.nuts() if row.thread == thread.name and row.form == form), None)
    if row is None:
        forms = " or ".join(row.form for row in catalogue.nuts() if row.thread == thread.name)
        raise InputError(
            f"there is no '{form}' nut for {thread.name}", remedy=f"have {forms}", location=f"{location}.form"
        )
    return _standard_nut(design, name, row, given, location)


def _weighed_nut(design: schema.Design, name: str, given: schema.Nut, location: str) -> Nut:
    mass = _needed(given.mass_g, "mass_g", "a nut without a thread", location) * GRAM
    height = _needed(given.height_mm, "height_mm", "a nut without a thread", location, design) * MM
    width = _needed(given.width_mm, "width_mm", "a nut without a thread", location, design) * MM
    _refused(given.form, "form", "it belongs to a nut with a thread", location)
    _refused(given.material, "material", "the nut is weighed", location)
    return _prism(name, "", given.grip, mass, height, width, HOLE_PER_WIDTH * width, location)


def _standard_nut(
    design: schema.Design, name: str, row: catalogue.NutRow, given: schema.Nut, location: str
) -> Nut:
    """A nut of the table, with what was weighed or measured of it in place of the standard's."""
    if given.mass_g is not None:
        _refused(given.material, "material", "the nut is weighed", location)
    height = (row.height_max_mm + row.height_min_mm) / 2.0 * MM
    width = (row.width_max_mm + row.width_min_mm) / 2.0 * MM
    density = material_row(design, given.material or THREADED_MATERIAL, f"{location}.material").density_kg_m3
    heavier = density / row.density_kg_m3
    if given.mass_g is None and given.height_mm is None and given.width_mm is None:
        inertia = row.rotary_inertia_g_mm2 * GRAM * MM**2
        return Nut(
            name, row.mass_g * GRAM * heavier, height, width, inertia * heavier, given.grip, row.thread
        )
    thread = _thread(row.thread, location)
    hole = (thread.diameter_mm - catalogue.MASS_DEPTH * thread.pitch_mm) * MM
    volume = _hexagon(width, hole)[0] * height
    height = given.height_mm * MM if given.height_mm is not None else height
    width = given.width_mm * MM if given.width_mm is not None else width
    if width <= hole:
        raise InputError(
            "the nut is no wider than its thread", location=f"{location}.{key_of(given, 'width_mm')}"
        )
    mass = row.mass_g * GRAM * heavier * _hexagon(width, hole)[0] * height / volume
    mass = given.mass_g * GRAM if given.mass_g is not None else mass
    return _prism(name, row.thread, given.grip, mass, height, width, hole, location)


def _prism(
    name: str, thread: str, grip: float, mass: float, height: float, width: float, hole: float, location: str
) -> Nut:
    """A nut of known mass as a hexagonal prism with a round hole: J = m (I / A + h^2 / 12) about a diameter."""
    area, second_moment = _hexagon(width, hole)
    if mass > DENSEST * area * height:
        raise InputError(
            f"{mass / GRAM:.4g} g in that size is denser than any metal",
            remedy="check its mass, its height and its width across the flats",
            location=location,
        )
    inertia = mass * (second_moment / area + height**2 / 12.0)
    return Nut(name, mass, height, width, inertia, grip, thread)


def _hexagon(width: float, hole: float) -> tuple[float, float]:
    """Area and second moment about a diameter of a hexagon (across flats) less a round hole; the same about any."""
    area = math.sqrt(3.0) / 2.0 * width**2 - math.pi / 4.0 * hole**2
    return area, 5.0 * math.sqrt(3.0) / 144.0 * width**4 - math.pi / 64.0 * hole**4


def _stick(design: schema.Design, name: str, given: schema.Stick) -> Stick:
    location, built_in = f"stick.{name}", catalogue.sticks().find(name)
    what = "a stick that is not built in"
    made_of = given.material or (built_in.material if built_in else None)
    row = material_row(design, _needed(made_of, "material", what, location), f"{location}.material")
    diameter = given.diameter_mm or (built_in.diameter_mm if built_in else None)
    length = given.length_mm or (built_in.length_mm if built_in else None)
    across = _needed(diameter, "diameter_mm", what, location, design) * MM
    end = min(END_RADIUS, across / 2.0) if given.end_radius_mm is None else given.end_radius_mm * MM
    if end > across / 2.0 * (1.0 + 1e-9):
        raise InputError(
            "the end is rounder than the stick is thick",
            location=f"{location}.{key_of(given, 'end_radius_mm')}",
        )
    stick = round_stick(
        name,
        material(row, _temperature(design)),
        diameter=across,
        length=_needed(length, "length_mm", what, location, design) * MM,
        end_radius=end,
        friction=row.friction if given.friction is None else given.friction,
        restitution=row.restitution if given.restitution is None else given.restitution,
        hertz_modulus=_hertz_modulus(design, row),
    )
    grain = row.youngs_across_gpa is not None
    return _measured_stick(
        dataclasses.replace(
            stick,
            gripped=stick.gripped if given.gripped_mm is None else given.gripped_mm * MM,
            behind=stick.behind if given.behind_mm is None else given.behind_mm * MM,
            loss_corner=GRAIN_CORNER if grain else math.inf,
        ),
        given,
    )


def _hertz_modulus(design: schema.Design, row: catalogue.MaterialRow) -> float:
    """E* of the stick's side against a steel tine: 1/E* = sum of (1 - nu^2)/E (Johnson 1985)."""
    steel = material_row(design, STEEL, "")
    soft = (1.0 - row.poisson**2) / (row.youngs_across_gpa or row.youngs_gpa)
    return GPA / (soft + (1.0 - steel.poisson**2) / steel.youngs_gpa)


def _measured_stick(stick: Stick, given: schema.Stick) -> Stick:
    stiffness = stick.stiffness if given.stiffness_n_mm is None else given.stiffness_n_mm / MM
    mass = stick.mass if given.mass_g is None else given.mass_g * GRAM
    frequency = math.sqrt(stiffness / (CANTILEVER_MASS * mass)) / (2.0 * math.pi)
    return dataclasses.replace(
        stick,
        stiffness=stiffness,
        mass=mass,
        frequency=frequency if given.first_mode_hz is None else given.first_mode_hz,
        contact_stiffness=given.contact_stiffness_n_m15 or stick.contact_stiffness,
    )


def _thread(name: str, location: str) -> catalogue.ThreadRow:
    thread = catalogue.threads().find(name)
    if thread is None:
        raise unknown(name, "a known thread", catalogue.threads().names, location)
    return thread


def _temperature(design: schema.Design) -> float:
    return design.tuning.temperature_c + KELVIN_AT_0_C


Given = TypeVar("Given")


def _needed(
    value: Given | None, key: str, what: str, location: str, design: schema.Design | None = None
) -> Given:
    """The value; of a length the key is told as the `design` would have it. Raises `InputError`."""
    if value is None:
        told = key if design is None else key_in(key, units_of(design))
        raise InputError(f"the key '{told}' is missing", remedy=f"{what} needs it", location=location)
    return value


def _refused(value: object, key: str, reason: str, location: str) -> None:
    if value is not None:
        raise InputError(
            f"'{key}' is one key too many", remedy=f"leave it out, for {reason}", location=location
        )
