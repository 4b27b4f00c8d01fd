"""The tables of the design file that are not the instrument: the room it will stand in, the proposal for a client.

In: a decoded TOML tree. Out: frozen types, as in `synth.design.schema`, which they are a part of.
"""

# not `from __future__ import annotations`: msgspec would compile every annotation, 8 ms of each command

from typing import Annotated

from msgspec import Meta, field

from synth.design.schema_types import Angle, Name, Price, WrittenTable

Metres = Annotated[float, Meta(ge=0.0, le=200.0)]
InRoom = Annotated[list[Metres], Meta(min_length=3, max_length=3)]  # along the length, the width, the height
# in the octaves from 125 Hz to 4 kHz; a surface of 1 would be a hole into the open
Octaves = Annotated[list[Annotated[float, Meta(ge=0.0, le=0.99)]], Meta(min_length=6, max_length=6)]
Surface = Name | Octaves


class Room(WrittenTable, frozen=True, kw_only=True):
    """Where it will stand: a box with surfaces or a reverberation time, or a measured impulse response."""

    length_m: Annotated[float, Meta(ge=1.0, le=200.0)] | None = None
    width_m: Annotated[float, Meta(ge=1.0, le=200.0)] | None = None
    height_m: Annotated[float, Meta(ge=1.0, le=100.0)] | None = None
    floor: Surface | None = None  # a material of the table, or six figures
    ceiling: Surface | None = None
    walls: Surface | None = None  # all four, but for those that are told below
    wall_x0: Surface | None = None  # at the start of the length
    wall_x1: Surface | None = None
    wall_y0: Surface | None = None  # at the start of the width
    wall_y1: Surface | None = None
    reverberation_s: (
        Annotated[list[Annotated[float, Meta(ge=0.05, le=20.0)]], Meta(min_length=6, max_length=6)] | None
    ) = None
    instrument_at_m: InRoom | None = None  # the bar's middle
    bearing_deg: Angle = 0.0  # of the bar, from the room's length towards its width: along the length
    listener_at_m: InRoom | None = None
    humidity_percent: Annotated[float, Meta(ge=5.0, le=100.0)] = (
        50.0  # a heated room; the air's loss above 2 kHz
    )
    impulse_response: Annotated[str, Meta(min_length=1, max_length=400)] | None = (
        None  # from the design's folder
    )
    reference_m: Annotated[float, Meta(ge=0.3, le=100.0)] | None = None  # of the response's direct sound
    noise_dba: Annotated[float, Meta(ge=5.0, le=90.0)] | None = None
    noise_nc: Annotated[float, Meta(ge=15.0, le=65.0)] | None = None


ShortText = Annotated[str, Meta(max_length=200)]
Thing = Annotated[str, Meta(min_length=1, max_length=120)]


class Work(WrittenTable, frozen=True, kw_only=True):
    """Hours of the workshop."""

    what: Thing
    hours: Annotated[float, Meta(ge=0.0, le=100_000.0)]


class Extra(WrittenTable, frozen=True, kw_only=True):
    """What is bought besides the cut list: a board, a case, a journey."""

    what: Thing
    price: Price


class Proposal(WrittenTable, frozen=True, kw_only=True):
    """What a client gets to read besides what the rest of the file says."""

    title: ShortText = ""  # default: the design's name
    site: ShortText = ""  # where it is to stand
    maker: ShortText = ""
    # paragraphs in Markdown's plain subset, with which the file of words begins
    text: Annotated[list[Annotated[str, Meta(max_length=4000)]], Meta(max_length=50)] = field(
        default_factory=list
    )
    group: Name | None = None  # stroked once as an example; default: the middle one
    room: Name | None = None  # default: the first
    through: Annotated[list[Name], Meta(min_length=1, max_length=6)] | None = (
        None  # default: bar, pickup, a board
    )
    work: Annotated[list[Work], Meta(max_length=50)] = field(default_factory=list)
    hour_price: Price | None = None  # in the bench's currency
    extra: Annotated[list[Extra], Meta(max_length=50)] = field(default_factory=list)
    margin_percent: Annotated[float, Meta(ge=0.0, le=500.0)] = (
        0.0  # on stock, work and extras; none unless told
    )
