"""What pieces are made of: a row of the table, corrected or replaced by a [material] table, in SI.

In: a name. Out: a `Material` at the design's temperature, or a `PlateMaterial`. Warmth lowers the modulus; sizes
stay those of 20 C, so the modulus takes expansion along and frequencies come out right: with e = dE/(E dT) they
follow df/f = (e + alpha)/2 per kelvin, hence E' = E (1 + (e + alpha) dT).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any, Final, TypeVar

from synth.design import catalogue, schema
from synth.design.instrument import Material, PlateMaterial
from synth.errors import InputError, alike, nearest
from synth.units import GPA, KELVIN_AT_0_C, MPA

USUAL: Final = (
    "304"  # a new material is taken to be like it where nothing is written: it is what tines are cut from
)
DRAWN_AT: Final = 20.0 + KELVIN_AT_0_C  # K, the temperature of tables and drawings (ISO 1)

Value = TypeVar("Value")


def own(name: str, table: Mapping[str, Value]) -> Value | None:
    """The design's own entry of this name: exactly so, or else the only one that differs in case."""
    written = own_name(name, table)
    return None if written is None else table[written]


def own_name(name: str, table: Mapping[str, Value]) -> str | None:
    """That entry's name, as the table has it."""
    same = alike(name, table)
    return same[0] if len(same) == 1 else None


def unknown(name: str, what: str, known: Iterable[str], location: str) -> InputError:
    return InputError(f"'{name}' is not {what}", remedy=nearest(name, set(known)), location=location)


def material_row(design: schema.Design, name: str, location: str) -> catalogue.MaterialRow:
    """A material in the table's own units, with the design's corrections. Raises `InputError`."""
    given = own(name, design.material)
    if given is not None:
        return _merged(name, given)
    row = catalogue.materials().find(name)
    if row is None:
        raise unknown(name, "a known material", (*design.material, *catalogue.materials().names), location)
    return row


def material(row: catalogue.MaterialRow, temperature: float) -> Material:
    """The row in SI, its modulus at `temperature` (K)."""
    warmer = temperature - DRAWN_AT
    expansion = row.expansion_um_m_k * 1e-6
    return Material(
        name=row.name,
        density=row.density_kg_m3,
        youngs=row.youngs_gpa * GPA * (1.0 + (row.modulus_slope_per_k + expansion) * warmer),
        poisson=row.poisson,
        loss_factor=row.loss_factor,
        expansion=expansion,
        heat_capacity=row.heat_capacity_j_kg_k,
        conductivity=row.conductivity_w_m_k,
        modulus_slope=row.modulus_slope_per_k,
        yield_stress=row.yield_mpa * MPA,
        tensile_strength=row.tensile_mpa * MPA,
        endurance=row.endurance_mpa * MPA,
        magnetic=row.magnetic,
        source=row.source,
        confidence=row.confidence,
    )


def sheet(design: schema.Design, name: str, location: str) -> PlateMaterial:
    """The sheet material of this name: a row for sheets, any other material, or the design's own."""
    given = own(name, design.material)
    row = catalogue.sheets().find((given and given.like) or name)
    if row is None:
        return _plate(_sheet_of_material(design, name, location))
    return _plate(row if given is None else _corrected(row, given, name))


def check_materials(design: schema.Design) -> None:
    """Refuse a [material] table that does not say enough, whether or not anything is made of it."""
    for name, given in design.material.items():
        if catalogue.sheets().find(given.like or name) is None:
            _merged(name, given)


def _merged(name: str, given: schema.Material) -> catalogue.MaterialRow:
    row = _base(name, given)
    if row is not None:
        return _borne(_corrected(row, given, name))
    missing = next((key for key in ("density_kg_m3", "youngs_gpa") if getattr(given, key) is None), None)
    if missing is not None:
        raise InputError(
            f"the key '{missing}' is missing",
            remedy="a new material needs density_kg_m3 and youngs_gpa, or like = a row of the table",
            location=f"material.{name}",
        )
    usual = catalogue.materials().find(USUAL)
    assert usual is not None
    # nothing tells whether a magnet holds it
    return _borne(_corrected(dataclasses.replace(usual, magnetic="uncertain"), given, name))


def _borne(row: catalogue.MaterialRow) -> catalogue.MaterialRow:
    """The same. Refused: one that would break before it yields. Raises `InputError`."""
    if row.yield_mpa > row.tensile_mpa:
        raise InputError(
            f"it yields at {row.yield_mpa:g} MPa, above its tensile strength of {row.tensile_mpa:g} MPa",
            remedy="give yield_mpa and tensile_mpa, the first at most the second",
            location=f"material.{row.name}",
        )
    return row


def _base(name: str, given: schema.Material) -> catalogue.MaterialRow | None:
    if given.like is None:
        return catalogue.materials().find(name)
    row = catalogue.materials().find(given.like)
    if row is None:
        raise unknown(
            given.like,
            "a row of the table of materials",
            catalogue.materials().names,
            f"material.{name}.like",
        )
    return row


Row = TypeVar("Row", catalogue.MaterialRow, catalogue.SheetRow)


def _corrected(row: Row, given: schema.Material, name: str) -> Row:
    """The row with what the design gives in its place, and said so in its source."""
    columns = sorted({each.name for each in dataclasses.fields(row)} & set(given.__struct_fields__))
    told: dict[str, Any] = {key: getattr(given, key) for key in columns if getattr(given, key) is not None}
    when = f", measured {given.measured}" if given.measured else ""
    said = {
        "name": name,
        "aliases": "",
        "source": f"{', '.join(told) or 'nothing'} from the design{when}; the rest as {row.name}: {row.source}",
        "confidence": f"as the design says; the rest as {row.name}: {row.confidence}",
    }
    if isinstance(row, catalogue.SheetRow) and "youngs_gpa" in told:  # one modulus scales both directions
        told.setdefault("youngs_across_gpa", row.youngs_across_gpa * told["youngs_gpa"] / row.youngs_gpa)
    return dataclasses.replace(row, **(told | said))


def _sheet_of_material(design: schema.Design, name: str, location: str) -> catalogue.SheetRow:
    given = own(name, design.material)
    row = material_row(design, name, location) if given or catalogue.materials().find(name) else None
    if row is None:
        raise unknown(name, "a known sheet material", (*design.material, *catalogue.sheets().names), location)
    across = row.youngs_across_gpa or row.youngs_gpa
    shear = given.shear_gpa if given is not None else None
    return catalogue.SheetRow(
        name=row.name,
        aliases="",
        density_kg_m3=row.density_kg_m3,
        youngs_gpa=row.youngs_gpa,
        youngs_across_gpa=across,
        shear_gpa=shear or (row.youngs_gpa * across) ** 0.5 / (2.0 * (1.0 + row.poisson)),
        poisson=row.poisson,
        loss_factor=row.loss_factor,
        loss_factor_bare=row.loss_factor,
        loss_factor_mounted="",
        range=row.range,
        source=row.source,
        confidence=row.confidence,
    )


def _plate(row: catalogue.SheetRow) -> PlateMaterial:
    along, across = max(row.youngs_gpa, row.youngs_across_gpa), min(row.youngs_gpa, row.youngs_across_gpa)
    return PlateMaterial(
        name=row.name,
        density=row.density_kg_m3,
        youngs_x=along * GPA,
        youngs_y=across * GPA,
        shear=row.shear_gpa * GPA,
        poisson_xy=row.poisson,
        loss_factor=row.loss_factor,
        source=row.source,
        confidence=row.confidence,
    )
