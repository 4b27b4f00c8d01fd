"""What the tables of the design file's schema are made of.

Out: the type of a table, and the kinds of values that several tables have.
"""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

Angle = Annotated[float, Meta(ge=-360.0, le=360.0)]  # degrees
Name = Annotated[str, Meta(min_length=1, max_length=80)]
Price = Annotated[float, Meta(ge=0.0, le=1e6)]


class WrittenTable(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A TOML table: frozen, and unknown keys are refused."""
