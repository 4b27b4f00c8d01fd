"""What the tines stand on: the bar with its supports, the boards; and from where one listens.

In: the design's tables. Out: `Bar`, `Board`, `Listener`, SI. Refused: shapes that do not close, bends tighter than
the bar is thick, supports and feet that miss the bar or the board.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import Final

from synth.design import schema
from synth.design.instrument import (
    DIRECTIONS,
    UNBOARDED,
    Bar,
    Bend,
    Board,
    Foot,
    Listener,
    PlateMaterial,
    Section,
    Straight,
    Support,
)
from synth.design.keys_as_written import figure, key_in, key_of, unit_of, units_of
from synth.design.material import material, material_row, sheet
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import DEGREE, KELVIN_AT_0_C, MM, Units, length_said

LONGEST_BAR: Final = 10.0  # m
SHORTEST_BAR: Final = 0.02  # m
THICKEST_BOARD: Final = 0.5  # of its shorter side: beyond that it is a block, not a plate
FOOT_ALONG: Final = 25e-3  # m, a block of wood as wide as the usual bar; common practice, no published source
CRUSHED: Final = (
    1.5  # a foot presses half as much board again as it covers; order of magnitude, no published source
)
ONE_PLACE: Final = 1.0  # mm; two feet this near are one
FEET_APART: Final = 0.1  # of their distance; what a drawing may differ before it is worth a word


@frozen
class Footing:
    """How a kind of support holds the bar where the design gives no figures."""

    stiffness: float  # N/m, in each of its directions
    rotation_stiffness: float  # N m/rad, about each axis it holds
    loss_factor: float


# Common practice, no published source: order of magnitude, measure where it matters.
FOOTINGS: Final = {
    # a loop of cord under a bar of a few kilograms bounces at some 10 Hz and turns freely
    "cord": Footing(4e3, 0.0, 0.1),
    # a pad of 25 x 25 x 10 mm of soft rubber (E = 2 MPa): E A / h, and k b^2 / 12 against rocking
    "rubber": Footing(1.25e5, 6.5, 0.15),
    # bolted to a heavy frame
    "clamp": Footing(5e7, 2e4, 0.02),
    # a hard foot of 25 mm on wood, k b^2 / 12 against rocking
    "foot": Footing(5e6, 260.0, 0.05),
}


def make_bar(design: schema.Design) -> Bar:
    """The bar. Raises `InputError`."""
    given, units = design.bar, units_of(design)
    section = _section(given.section, units)
    path = tuple(
        _segment(each, section, units, f"bar.path[{number}]")
        for number, each in enumerate(given.path, start=1)
    )
    row = material_row(design, given.material, "bar.material")
    bar = Bar(material(row, design.tuning.temperature_c + KELVIN_AT_0_C), section, path, ())
    if not SHORTEST_BAR <= bar.length <= LONGEST_BAR:
        raise InputError(
            f"the bar is {length_said(bar.length, units)} long",
            remedy=f"from {length_said(SHORTEST_BAR, units)} to {length_said(LONGEST_BAR, units)} can be built",
            location="bar.path",
        )
    supports = tuple(
        _support(each, bar.length, f"bar.supports[{number}]")
        for number, each in enumerate(given.supports, start=1)
    )
    return Bar(bar.material, section, path, supports)


def make_board(design: schema.Design, name: str, bar: Bar, units: Units) -> Board:
    """The board of this name. Raises `InputError`."""
    given, location = design.board[name], f"board.{name}"
    if name.casefold() in UNBOARDED:
        raise InputError(
            f"'{name}' is what one hears through without a board",
            remedy="give it another name",
            location=location,
        )
    _check_apart(given.feet, location)
    thickness, width, length = given.thickness_mm * MM, given.width_mm * MM, given.length_mm * MM
    if thickness > THICKEST_BOARD * min(width, length):
        raise InputError(
            "a board so thick is a block",
            remedy="make it thinner",
            location=f"{location}.{key_of(given, 'thickness_mm')}",
        )
    depth, hole = _box(given, units, location)
    material = sheet(design, given.material, f"{location}.material")
    return Board(
        name=name,
        kind=given.kind,
        material=material,
        width=width,
        length=length,
        thickness=thickness,
        edges=given.edges or ("free" if given.kind == "panel" else "supported"),
        depth=depth,
        hole_diameter=hole,
        feet=tuple(
            _foot(each, given, bar, material, f"{location}.feet[{number}]")
            for number, each in enumerate(given.feet, start=1)
        ),
    )


def board_warnings(board: Board, bar: Bar, units: Units) -> list[str]:
    """Feet that stand farther apart on the board than on a straight bar, or nearer."""
    if not all(isinstance(each, Straight) for each in bar.path):
        return []
    warnings = []
    for number, (one, other) in enumerate(zip(board.feet, board.feet[1:], strict=False), start=1):
        on_bar = abs(other.bar_place - one.bar_place)
        on_board = ((other.x - one.x) ** 2 + (other.y - one.y) ** 2) ** 0.5
        if abs(on_board - on_bar) > FEET_APART * max(on_bar, on_board):
            warnings.append(
                f"board.{board.name}: feet {number} and {number + 1} are {length_said(on_bar, units, figures=3)} "
                f"apart on the bar but {length_said(on_board, units, figures=3)} on the board"
            )
    return warnings


def make_listener(design: schema.Design) -> Listener:
    """From where one listens."""
    given = design.listener
    return Listener(
        given.distance_m, given.angle_deg * DEGREE, given.azimuth_deg * DEGREE, given.spacing_mm * MM
    )


def _section(given: schema.Section, units: Units) -> Section:
    location = "bar.section"
    keys = {
        "rectangle": ("width_mm", "height_mm"),
        "round": ("diameter_mm",),
        "tube": ("diameter_mm", "wall_mm"),
    }[given.shape]
    for key in ("width_mm", "height_mm", "diameter_mm", "wall_mm"):
        value = getattr(given, key)
        if (value is None) == (key in keys):
            wanted = [key_in(each, units) for each in (key, *keys)]
            missing, extra = (
                f"the key '{wanted[0]}' is missing",
                f"'{key_of(given, key)}' is one key too many",
            )
            raise InputError(
                missing if value is None else extra,
                remedy=f"a {given.shape} section has {' and '.join(wanted[1:])}",
                location=location,
            )
    sizes = [getattr(given, key) * MM for key in keys]
    if given.shape == "rectangle":
        return Section("rectangle", sizes[0], sizes[1], 0.0)
    wall = sizes[1] if given.shape == "tube" else 0.0
    if wall >= 0.5 * sizes[0]:
        raise InputError(
            f"a wall of {length_said(wall, units)} leaves no bore in a tube of {length_said(sizes[0], units)}",
            remedy='take a thinner wall, or shape = "round"',
            location=f"{location}.{key_of(given, 'wall_mm')}",
        )
    return Section(given.shape, sizes[0], sizes[0], wall)


def _segment(given: schema.Segment, section: Section, units: Units, location: str) -> Straight | Bend:
    if given.straight_mm is not None:
        extra = next(
            (key for key in ("bend_deg", "radius_mm", "plane_deg") if getattr(given, key) is not None), ""
        )
        if extra:
            raise InputError(
                f"'{key_of(given, 'straight_mm')}' and '{key_of(given, extra)}' exclude each other",
                remedy="write two pieces",
                location=location,
            )
        return Straight(given.straight_mm * MM)
    if given.bend_deg is None:
        straight, radius_key = (key_in(key, units) for key in ("straight_mm", "radius_mm"))
        raise InputError(
            f"a piece of the path needs {straight}, or bend_deg with {radius_key}", location=location
        )
    if given.radius_mm is None:
        needed = f"a bend needs {key_in('radius_mm', units)}"
        raise InputError(needed, remedy="that of the bar's axis", location=location)
    if abs(given.bend_deg) < 0.1:
        raise InputError("a bend of no angle", remedy="leave it out", location=f"{location}.bend_deg")
    radius, half = given.radius_mm * MM, 0.5 * max(section.width, section.height)
    if radius <= half:
        raise InputError(
            f"a radius of {length_said(radius, units)} is tighter than half the bar's thickness, "
            f"{length_said(half, units)}",
            remedy="take a wider bend",
            location=f"{location}.{key_of(given, 'radius_mm')}",
        )
    return Bend(given.bend_deg * DEGREE, radius, (given.plane_deg or 0.0) * DEGREE)


def _support(given: schema.Support, bar_length: float, location: str) -> Support:
    usual = FOOTINGS[given.kind]
    named = [given.direction] if isinstance(given.direction, str) else given.direction
    return Support(
        position=on_bar(given, "at_mm", bar_length, location),
        kind=given.kind,
        stiffness=usual.stiffness if given.stiffness_n_mm is None else given.stiffness_n_mm / MM,
        rotation_stiffness=usual.rotation_stiffness
        if given.rotation_nm_rad is None
        else given.rotation_nm_rad,
        loss_factor=usual.loss_factor if given.loss_factor is None else given.loss_factor,
        directions=tuple(each for each in DIRECTIONS if each in named or "all" in named),
    )


def _box(given: schema.Board, units: Units, location: str) -> tuple[float, float]:
    """Depth and hole diameter, m; both 0 for a panel."""
    if given.kind == "panel":
        extra = next((key for key in ("depth_mm", "hole_diameter_mm") if getattr(given, key) is not None), "")
        if extra:
            found = f"a panel has no '{key_of(given, extra)}'"
            raise InputError(found, remedy='leave it out, or kind = "box"', location=location)
        return 0.0, 0.0
    if given.edges == "free":
        raise InputError(
            "a box's lid has no free edges", remedy='"supported" or "clamped"', location=f"{location}.edges"
        )
    if given.depth_mm is None:
        needed = f"a box needs {key_in('depth_mm', units)}"
        raise InputError(needed, remedy="the height of the air in it", location=location)
    hole = given.hole_diameter_mm or 0.0
    if hole >= min(given.width_mm, given.length_mm):
        where = f"{location}.{key_of(given, 'hole_diameter_mm')}"
        raise InputError("the hole is wider than the box", location=where)
    return given.depth_mm * MM, hole * MM


def _check_apart(feet: Sequence[schema.Foot], location: str) -> None:
    """Refuse two feet at one place of the bar or of the board. Raises `InputError`."""
    for (first, one), (second, other) in combinations(enumerate(feet, start=1), 2):
        on_board = math.hypot(other.x_mm - one.x_mm, other.y_mm - one.y_mm)
        for what, apart in (("bar", abs(other.bar_mm - one.bar_mm)), ("board", on_board)):
            if apart < ONE_PLACE:
                raise InputError(
                    f"feet {first} and {second} stand at one place of the {what}",
                    remedy=f"move one, or write one wider foot ({key_in('width_mm', unit_of(other.x_mm))})",
                    location=f"{location}.feet[{second}]",
                )


def _foot(given: schema.Foot, board: schema.Board, bar: Bar, material: PlateMaterial, location: str) -> Foot:
    for key, side in (("x_mm", "length_mm"), ("y_mm", "width_mm")):
        value, size = getattr(given, key), getattr(board, side)
        if value > size:
            raise InputError(
                f"{figure(value)} is off the board",
                remedy=f"its {key_of(board, side)} is {figure(size)}",
                location=f"{location}.{key_of(given, key)}",
            )
    width = bar.section.width if given.width_mm is None else given.width_mm * MM
    along = FOOT_ALONG if given.along_mm is None else given.along_mm * MM
    # the foot itself, in series with the sheet that it presses (soft foam yields before the foot does)
    pressed = CRUSHED * material.youngs_y * width * along / (board.thickness_mm * MM)
    usual = FOOTINGS["foot"]
    hard = 1.0 / (1.0 / usual.stiffness + 1.0 / pressed)
    return Foot(
        bar_place=on_bar(given, "bar_mm", bar.length, location),
        x=given.x_mm * MM,
        y=given.y_mm * MM,
        width=width,
        along=along,
        bears=given.bears,
        stiffness=hard if given.stiffness_n_mm is None else given.stiffness_n_mm / MM,
        sideways=given.sideways_n_mm / MM,
        loss_factor=usual.loss_factor if given.loss_factor is None else given.loss_factor,
    )


def on_bar(table: schema.WrittenTable, key: str, bar_length: float, location: str) -> float:
    """The location on the bar that a table's key gives, in m. Raises `InputError` beyond the bar's end."""
    at_mm = getattr(table, key)
    if at_mm * MM > bar_length * (1.0 + 1e-9):
        raise InputError(
            f"{figure(at_mm)} is off the bar",
            remedy=f"the bar is {length_said(bar_length, unit_of(at_mm), figures=6)} long",
            location=f"{location}.{key_of(table, key)}",
        )
    return float(min(at_mm * MM, bar_length))
