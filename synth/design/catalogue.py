"""The tables that ship with the tool: materials, threads, nuts, holes, sheets, sticks, bars; all rows with sources.

In: the CSV files beside this module, in the units their columns name. Out: frozen rows, found by name or alias in
upper or lower case. Adding a row to a file is all it takes to add a material.
"""

from __future__ import annotations

import csv
import functools
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Final, Generic, Literal, Protocol, TypeVar

from synth.frozen import frozen
from synth.units import INCH, MM, Units

Magnetic = Literal["yes", "no", "uncertain"]
NutForm = Literal["hex", "thin hex"]
Shape = Literal["rectangle", "round", "tube"]  # of a bar's section

_DATA: Final = Path(__file__).parent / "data"
_MM_PER_INCH: Final = INCH / MM

# Threaded rod as a beam, in pitches below the outside diameter (finite elements of one pitch of the ISO/UN profile;
# every size of the table agrees within 0.001 pitch; `bend_fe_mm` holds those results).
BEND_DEPTH: Final = 1.0617
MASS_DEPTH: Final = 0.615
PITCH_DEPTH: Final = 0.649519  # ISO 68-1: 3/8 of the height of the sharp triangle, twice
ROOT_DEPTH: Final = 1.226869  # ISO 898-1: d3, the rounded root


class Named(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def aliases(self) -> str: ...


@frozen
class MaterialRow:
    """One material."""

    name: str
    aliases: str
    density_kg_m3: float
    youngs_gpa: float
    youngs_across_gpa: float | None  # across the grain; None where it is as along
    poisson: float
    loss_factor: float
    friction: float  # of a stick against steel
    restitution: float  # of a stick's touch on steel
    expansion_um_m_k: float
    heat_capacity_j_kg_k: float
    conductivity_w_m_k: float
    modulus_slope_per_k: float
    yield_mpa: float
    tensile_mpa: float
    endurance_mpa: float
    magnetic: Magnetic
    range: str
    source: str
    confidence: str


@frozen
class ThreadRow:
    """One thread, outside (rod) dimensions in mm; limits are of class 6g (ISO 965), blank for UN threads."""

    name: str
    aliases: str
    system: str
    diameter_mm: float
    pitch_mm: float
    stress_area_mm2: float
    major_max_mm: float | None
    major_min_mm: float | None
    pitch_diameter_max_mm: float | None
    pitch_diameter_min_mm: float | None
    bend_fe_mm: float
    source: str
    confidence: str

    @property
    def pitch_diameter_limits_mm(self) -> tuple[float, float]:
        """Least and greatest pitch diameter: class 6g by the table, class 2A by the formulas of ASME B1.1."""
        if self.pitch_diameter_min_mm is not None and self.pitch_diameter_max_mm is not None:
            return self.pitch_diameter_min_mm, self.pitch_diameter_max_mm
        greatest = self.diameter_mm - PITCH_DEPTH * self.pitch_mm - 0.3 * self._tolerance_2a_mm
        return greatest - self._tolerance_2a_mm, greatest

    @property
    def major_limits_mm(self) -> tuple[float, float]:
        """Least and greatest outside diameter, likewise."""
        if self.major_min_mm is not None and self.major_max_mm is not None:
            return self.major_min_mm, self.major_max_mm
        greatest = self.diameter_mm - 0.3 * self._tolerance_2a_mm
        pitch = self.pitch_mm / _MM_PER_INCH
        return greatest - 0.060 * float(pitch ** (2 / 3)) * _MM_PER_INCH, greatest

    @property
    def _tolerance_2a_mm(self) -> float:
        # ASME B1.1 (from memory), inches, with the length of engagement equal to the diameter:
        #   Td2 = 0.0015 D^(1/3) + 0.0015 Le^(1/2) + 0.015 P^(2/3); allowance 0.3 Td2
        D, P = self.diameter_mm / _MM_PER_INCH, self.pitch_mm / _MM_PER_INCH
        return float(0.0015 * D ** (1 / 3) + 0.0015 * D**0.5 + 0.015 * P ** (2 / 3)) * _MM_PER_INCH


@frozen
class NutRow:
    """One nut; mass and rotary inertia (about a diameter of its middle) at mid tolerance, of steel."""

    name: str
    aliases: str
    thread: str
    form: NutForm
    width_max_mm: float
    width_min_mm: float
    height_max_mm: float
    height_min_mm: float
    mass_g: float
    rotary_inertia_g_mm2: float
    density_kg_m3: float
    source: str
    confidence: str


@frozen
class HoleRow:
    """What is drilled for a thread, by its name, and the plain washer that goes under its nut; mm.

    Drills are named where they are not sold by their diameter (UN threads).
    """

    name: str
    aliases: str
    close_mm: float
    normal_mm: float
    loose_mm: float
    tapping_mm: float
    close_drill: str
    normal_drill: str
    loose_drill: str
    tapping_drill: str
    washer_inside_mm: float
    washer_outside_mm: float
    washer_mm: float
    source: str
    confidence: str


@frozen
class SheetRow:
    """One sheet material, orthotropic: `youngs_gpa` along the stiffer direction."""

    name: str
    aliases: str
    density_kg_m3: float
    youngs_gpa: float
    youngs_across_gpa: float
    shear_gpa: float
    poisson: float
    loss_factor: float
    loss_factor_bare: float
    loss_factor_mounted: str
    range: str
    source: str
    confidence: str


@frozen
class StickRow:
    """One stick that is there without a [stick] table."""

    name: str
    aliases: str
    material: str
    diameter_mm: float
    length_mm: float
    range: str
    source: str


@frozen
class BarRow:
    """One section as steel bar is sold; a solid one has no wall."""

    name: str
    aliases: str
    shape: Shape
    width_mm: float
    height_mm: float
    wall_mm: float
    source: str
    confidence: str

    @property
    def units(self) -> Units:
        """In which unit it is sold: 25 x 20 flat, 1 x 3/4 in flat."""
        return "inch" if " in " in self.name else "mm"


@frozen
class SurfaceRow:
    """What a surface takes of a diffuse field, by octaves."""

    name: str
    aliases: str
    at_125: float
    at_250: float
    at_500: float
    at_1000: float
    at_2000: float
    at_4000: float
    source: str
    confidence: str

    @property
    def octaves(self) -> tuple[float, ...]:
        return (self.at_125, self.at_250, self.at_500, self.at_1000, self.at_2000, self.at_4000)


Row = TypeVar("Row", bound=Named)


@frozen
class Shelf(Generic[Row]):
    """The rows of one table, in the order of the file."""

    rows: tuple[Row, ...]

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(row.name for row in self.rows)

    def find(self, name: str) -> Row | None:
        """The row of this name or alias, in upper or lower case; None where there is none."""
        wanted = _plain(name)
        return next((row for row in self.rows if wanted in _spellings(row.name, row.aliases)), None)


@functools.cache
def materials() -> Shelf[MaterialRow]:
    return Shelf(_read("materials", MaterialRow))


@functools.cache
def threads() -> Shelf[ThreadRow]:
    return Shelf(_read("threads", ThreadRow))


@functools.cache
def nuts() -> Shelf[NutRow]:
    return Shelf(_read("nuts", NutRow))


@functools.cache
def holes() -> Shelf[HoleRow]:
    return Shelf(_read("holes", HoleRow))


@functools.cache
def sheets() -> Shelf[SheetRow]:
    return Shelf(_read("board_materials", SheetRow))


@functools.cache
def sticks() -> Shelf[StickRow]:
    return Shelf(_read("sticks", StickRow))


@functools.cache
def bars() -> Shelf[BarRow]:
    return Shelf(_read("bars", BarRow))


@functools.cache
def surfaces() -> Shelf[SurfaceRow]:
    return Shelf(_read("absorption", SurfaceRow))


def _plain(name: str) -> str:
    return " ".join(name.casefold().split())


@functools.cache
def _spellings(name: str, aliases: str) -> frozenset[str]:
    return frozenset(_plain(each) for each in (name, *aliases.split(";")) if each.strip())


def _read(table: str, row_type: type[Row]) -> tuple[Row, ...]:
    with (_DATA / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return tuple(_row(record, row_type) for record in csv.DictReader(file))


def _row(record: dict[str, str], row_type: type[Row]) -> Row:
    # Annotations are text here (postponed evaluation), which is all that telling numbers from words takes.
    kinds = {each.name: str(each.type) for each in fields(row_type)}  # type: ignore[arg-type]
    return row_type(**{name: _cell(record[name], kind) for name, kind in kinds.items()})


def _cell(text: str, kind: str) -> str | float | None:
    if not kind.startswith("float"):
        return text
    return float(text) if text else None
