"""What can be set of a chosen thing, as the page shows it: a label, what stands there, its key in the file.

In: a model. Out: `Field`s of a tine, a group, the bar or a board, and `Choices` that several of them offer. A page
sends back a field's path with a value: it knows no keys of its own.
"""

from __future__ import annotations

from dataclasses import asdict, field
from typing import Any, Final, get_args

from synth.design import catalogue, schema
from synth.design.keys_as_written import place_of, units_of
from synth.frozen import frozen
from synth.served.model import SolvedDesign
from synth.units import INCH, MM, Units

MATERIALS: Final = "material"
SHEETS: Final = "sheet"
STOCKS: Final = "stock"
NUTS: Final = "nut"
RECIPES: Final = "recipe"
_STEP_IN: Final = {0.1: 0.005, 0.5: 0.02, 1.0: 0.05, 5.0: 0.2}  # beside a step in mm


@frozen
class Slot:
    """Where a value goes: `inner` is its key in a table that is not there yet, `besides` what that gets, too."""

    path: str
    inner: str = ""
    besides: dict[str, Any] = field(default_factory=dict)
    instead_of: str = ""
    also_gone: str = ""  # the path of a key that goes with it


@frozen
class Field:
    """One thing that can be set. A number has a step; a word is chosen from `choices` or from the list `among`."""

    label: str
    value: float | str | None
    slot: Slot
    unit: str = ""
    step: float = 0.0  # of a number; 0 for words
    choices: tuple[str, ...] = ()
    among: str = ""
    hint: str = ""
    times: float = 1.0  # what is shown by this is the value


def plain_fields(fields: list[Field]) -> list[dict[str, Any]]:
    """For JSON."""
    return [asdict(each) for each in fields]


def choices(model: SolvedDesign) -> dict[str, list[str]]:
    """Lists that several fields choose from."""
    design = model.design
    return {
        STOCKS: [*design.stock, *catalogue.threads().names],
        NUTS: list(model.instrument.nuts),
        RECIPES: list(design.recipe),
        MATERIALS: list(dict.fromkeys([*design.material, *catalogue.materials().names])),
        SHEETS: list(dict.fromkeys([*design.material, *catalogue.sheets().names])),
    }


def group_fields(model: SolvedDesign, index: int) -> list[Field]:
    """Root, recipe, spacing, start, order."""
    group, at = model.design.group[index], f"group[{index + 1}]"
    found = [Field("Name", group.name, Slot(f"{at}.name"))]
    if group.recipe is not None:
        found += [
            Field("Root", group.root, Slot(f"{at}.root"), hint="a note: D3, F#2")
            if group.root_hz is None
            else Field("Root", group.root_hz, Slot(f"{at}.root_hz"), "Hz", 0.1),
            Field("Recipe", group.recipe, Slot(f"{at}.recipe"), among=RECIPES),
        ]
    if group.stock is None or isinstance(group.stock, str):
        found.append(Field("Stock", group.stock, Slot(f"{at}.stock"), among=STOCKS))
    return [
        *found,
        _length(model, "Start", group.start_mm, f"{at}.start_mm", 0.5),
        _length(model, "Spacing", group.spacing_mm, f"{at}.spacing_mm", 0.5),
        Field("Order", group.order, Slot(f"{at}.order"), choices=get_args(schema.Order)),
        Field("Face", group.face_deg, Slot(f"{at}.face_deg"), "°", 5.0),
    ]


def bar_fields(model: SolvedDesign) -> list[Field]:
    """Material, section, and the pieces of the path."""
    bar = model.design.bar
    found = [Field("Material", bar.material, Slot("bar.material"), among=MATERIALS)]
    for key, label in (
        ("width_mm", "Width"),
        ("height_mm", "Height"),
        ("diameter_mm", "Diameter"),
        ("wall_mm", "Wall"),
    ):
        value = getattr(bar.section, key)
        if value is not None:
            found.append(_length(model, label, value, f"bar.section.{key}", 0.5))
    for number, piece in enumerate(bar.path, start=1):
        at = f"bar.path[{number}]"
        if piece.straight_mm is not None:
            found.append(
                _length(model, f"Piece {number}, straight", piece.straight_mm, f"{at}.straight_mm", 1.0)
            )
            continue
        found.append(Field(f"Piece {number}, bend", piece.bend_deg, Slot(f"{at}.bend_deg"), "°", 1.0))
        if piece.radius_mm is not None:
            found.append(_length(model, f"Piece {number}, radius", piece.radius_mm, f"{at}.radius_mm", 1.0))
        if piece.plane_deg is not None:
            found.append(Field(f"Piece {number}, plane", piece.plane_deg, Slot(f"{at}.plane_deg"), "°", 5.0))
    return found


def support_fields(model: SolvedDesign, index: int) -> list[Field]:
    support, at = model.design.bar.supports[index], f"bar.supports[{index + 1}]"
    return [
        _length(model, f"Support {index + 1}", support.at_mm, f"{at}.at_mm", 0.5),
        Field(f"Kind of {index + 1}", support.kind, Slot(f"{at}.kind"), choices=get_args(schema.SupportKind)),
    ]


def board_fields(model: SolvedDesign, name: str) -> list[Field]:
    """Kind, material, size, edges, and what a box has besides."""
    board, at = model.design.board[name], place_of("board", name)
    found = [
        Field("Kind", board.kind, Slot(f"{at}.kind"), choices=get_args(schema.BoardKind)),
        Field("Material", board.material, Slot(f"{at}.material"), among=SHEETS),
        _length(model, "Length", board.length_mm, f"{at}.length_mm", 5.0),
        _length(model, "Width", board.width_mm, f"{at}.width_mm", 5.0),
        _length(model, "Thickness", board.thickness_mm, f"{at}.thickness_mm", 0.1),
        Field("Edges", board.edges, Slot(f"{at}.edges"), choices=get_args(schema.Edges)),
    ]
    for key, label in (("depth_mm", "Depth"), ("hole_diameter_mm", "Hole")):
        value = getattr(board, key)
        if value is not None or board.kind == "box":
            found.append(_length(model, label, value, f"{at}.{key}", 1.0))
    return found


def foot_fields(model: SolvedDesign, name: str, index: int) -> list[Field]:
    foot, at = model.design.board[name].feet[index], f"{place_of('board', name)}.feet[{index + 1}]"
    return [
        _length(model, f"Foot {index + 1} on the bar", foot.bar_mm, f"{at}.bar_mm", 0.5),
        _length(model, f"Foot {index + 1} along the board", foot.x_mm, f"{at}.x_mm", 0.5),
        _length(model, f"Foot {index + 1} across it", foot.y_mm, f"{at}.y_mm", 0.5),
    ]


def _length(model: SolvedDesign, label: str, value: float | None, path: str, step_mm: float) -> Field:
    return length_field(units_of(model.design), label, value, Slot(path), step_mm)


def length_field(units: Units, label: str, value: float | None, slot: Slot, step_mm: float) -> Field:
    """A length in mm, as the file's schema has it; shown and stepped in the bench's unit."""
    if units == "mm":
        return Field(label, value, slot, "mm", step_mm)
    return Field(label, value, slot, "in", _STEP_IN[step_mm], times=INCH / MM)
