"""What stands around bar and tines: boards on their feet, the pickup, who listens, the workshop.

In: numbers in SI. Out: frozen parts of an `Instrument`, complete; they know nothing of one another.
"""

from __future__ import annotations

from collections.abc import Mapping

from synth.design.schema import Bearing, BoardKind, Edges, HoleFit, Holes, Paper, PickupKind, Swing
from synth.frozen import frozen
from synth.units import Units


@frozen
class Foot:
    bar_place: float
    x: float  # on the board, along its length
    y: float  # across, along its width
    width: float  # across the bar: what resists its roll
    along: float  # in the bar's direction
    bears: Bearing
    stiffness: float  # N/m, upright
    sideways: float  # N/m, in each direction of the board's plane
    loss_factor: float


@frozen
class PlateMaterial:
    """Sheet stock, orthotropic; x along the board's stiffer direction (its length)."""

    name: str
    density: float
    youngs_x: float
    youngs_y: float
    shear: float
    poisson_xy: float
    loss_factor: float
    source: str
    confidence: str


@frozen
class Board:
    name: str
    kind: BoardKind
    material: PlateMaterial
    width: float
    length: float
    thickness: float
    edges: Edges
    depth: float  # 0 for a panel
    hole_diameter: float  # 0 for none
    feet: tuple[Foot, ...]


@frozen
class Pickup:
    """A pickup as bought: `sensitivity` in V per m/s2 (contact), N (pad), strain (strain) or m/s (magnetic)."""

    position: float  # along the bar
    kind: PickupKind
    sensitivity: float
    resonance: float  # Hz
    quality: float
    corner: float  # Hz, of the input's high-pass
    gap: float  # from a magnetic pickup to its tine
    faces: Swing  # the swing that a magnetic pickup hears
    playback: float  # Pa/V at 1 m


@frozen
class Listener:
    """Two points in the air, `spacing` apart, as a spaced pair of microphones or ears without a head.

    `distance` (m) from the bar's middle; `angle` (rad) from straight above it, pi/2 is level; `azimuth` (rad) of
    the side: 0 in front of the row (-y), pi/2 off the bar's far end (+x).
    """

    distance: float
    angle: float
    azimuth: float
    spacing: float
    also: tuple[
        tuple[float, float, float], ...
    ] = ()  # more points, m in the bar's axes: what a room's ways need


@frozen
class Bench:
    """The workshop, SI. Prices are what the design gives, by name in lower case; what is not there has none."""

    holes: Holes
    hole_fit: HoleFit
    tapped_depth: float | None  # None: by the rod's diameter
    kerf: float
    stock_length: float
    saw_allowance: float
    tuning_allowance: float
    protrusion: float | None  # None: by the rod's thread
    washers: int | None  # None: one under each nut
    paper: Paper
    units: Units
    neutral_axis: float | None  # of the thickness, from a bend's inside; None: by its tightness
    currency: str
    rod_price: Mapping[str, float]  # per m
    nut_price: Mapping[str, float]
    washer_price: float | None
    bar_price: float | None  # per m
