"""The hinge: from what the maker wrote to an instrument that is complete and SI.

In: a `Design`. Out: an `Instrument`; every name is looked up, every default filled, every length in metres.
Above the hinge nothing is converted, below it nothing is absent.

    z (up, face 0)        The bar's axis starts at the origin and runs along +x; its width lies along y.
    |   tine              A face angle turns a tine about the axis, from up (z) towards +y.
    |  /                  In its own frame a tine swings `along` (the bar's tangent) and `across`
    | /                   (tangent x pointing direction's plane: at right angles to the row).
    +-------- x, along the row
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import Final, get_args

from synth.design.catalogue import Magnetic, Shape
from synth.design.keys_as_written import Written, twin
from synth.design.rooms import Room
from synth.design.schema import BarDirection, FixingKind, SupportKind
from synth.design.surroundings import Bench as Bench
from synth.design.surroundings import Board as Board
from synth.design.surroundings import Foot as Foot
from synth.design.surroundings import Listener as Listener
from synth.design.surroundings import Pickup as Pickup
from synth.design.surroundings import PlateMaterial as PlateMaterial
from synth.errors import named
from synth.frozen import frozen
from synth.units import note_name

EDGE_RADIUS: Final = 0.3e-3  # m, of a tine's top edge, cut and deburred; common practice, no published source
DIRECTIONS: Final[tuple[BarDirection, ...]] = get_args(
    BarDirection
)  # of the bar, where it is: its tangent, its width, its height
UNBOARDED: Final = ("bar", "pickup")  # what one hears through without a board
CANTILEVER_MASS: Final = (
    3.0 / 1.8751040687**4
)  # k / (m w^2) of a uniform cantilever's first mode, closed form


@frozen
class Material:
    """What a piece is made of, SI. `loss_factor` excludes thermoelastic loss, which is computed."""

    name: str
    density: float
    youngs: float
    poisson: float
    loss_factor: float
    expansion: float  # 1/K
    heat_capacity: float  # J/(kg K)
    conductivity: float  # W/(m K)
    modulus_slope: float  # dE/(E dT), 1/K
    yield_stress: float  # Pa
    tensile_strength: float  # Pa
    endurance: float  # Pa, fully reversed, smooth specimen
    magnetic: Magnetic
    source: str
    confidence: str

    @property
    def shear(self) -> float:
        """The shear modulus of an isotropic material, E / (2 (1 + nu))."""
        return self.youngs / (2.0 * (1.0 + self.poisson))


@frozen
class Rod:
    """Stock as the beam sees it: a threaded rod is stiff as `bend_diameter`, heavy as `mass_diameter`."""

    name: str
    thread: str  # "" for plain rod
    diameter: float  # outside
    pitch: float  # of the thread; 0 for plain rod
    bend_diameter: float
    mass_diameter: float
    root_diameter: float  # the core that carries the stress
    material: Material


@frozen
class Nut:
    """A nut as weighed or as the standard has it; `rotary_inertia` about a diameter of its own middle."""

    name: str
    mass: float
    height: float
    width: float
    rotary_inertia: float
    grip: float
    thread: str  # "" where the design gives sizes only


@frozen
class PlacedNut:
    nut: Nut
    position: float  # from the base nut's upper face to the nut's middle


@frozen
class TrimWish:
    partial: int
    ratio: float
    nut: Nut


@frozen
class Root:
    """The clamp: an added length of rod, and springs where the design gives them (infinite: none)."""

    added_length: float
    rotation_stiffness: float  # N m/rad
    translation_stiffness: float  # N/m
    loss_factor: float
    base_nut_height: float  # from the bar's face to the base nut's upper face
    base_nut: Nut | None = None  # None on plain rod, whose collar is not modelled
    loss_slope: float = 0.0  # above 1 kHz the loss factor grows as the frequency to this power
    fixing: FixingKind | None = None  # None: not said of plain rod without nuts


@frozen
class FixedLength:
    """The maker gives the free length."""

    length: float


@frozen
class Pitch:
    """The maker gives the pitch; `synth.vibration.tuning` finds the free length."""

    frequency: float


@frozen
class Tine:
    """One tine on the bar."""

    group: int  # index into Instrument.groups
    number: int  # 1-based within the group, in the order they stand
    rod: Rod
    goal: FixedLength | Pitch
    trim: tuple[PlacedNut, ...]
    wish: TrimWish | None
    root: Root
    split: float  # frequency ratio of the two planes, >= 1
    split_axis: float  # rad from `along` to the stiffer or softer plane nearest to it, within +-pi/4
    position: float  # along the bar's axis
    face: float  # rad about the bar's axis
    written: Written = field(default=Written(), compare=False)


@frozen
class Group:
    name: str
    root_hz: float | None  # None where the tines are written one by one
    midi_note: int | None
    first: int  # its tines are Instrument.tines[first:first + count]
    count: int

    @property
    def tines(self) -> slice:
        return slice(self.first, self.first + self.count)


@frozen
class Section:
    """The bar's cross-section: width across the row (y), height (z); a tube has a wall, a solid wall = 0."""

    shape: Shape
    width: float
    height: float
    wall: float


@frozen
class Straight:
    length: float


@frozen
class Bend:
    """An arc of the axis: `plane` turns the bending plane about the tangent (0 level, pi/2 upwards)."""

    angle: float
    radius: float
    plane: float

    @property
    def length(self) -> float:
        return abs(self.angle) * self.radius


@frozen
class Support:
    """A spring to the ground at a place on the axis, in some or all of the bar's own directions there."""

    position: float
    kind: SupportKind
    stiffness: float  # N/m, in each of its directions
    rotation_stiffness: float  # N m/rad, about each axis it holds
    loss_factor: float
    directions: tuple[BarDirection, ...] = DIRECTIONS

    @property
    def springs(self) -> tuple[float, ...]:
        """Stiffness along, to the side and up (N/m), then about each of these axes (N m/rad).

        A pad that only pushes one way resists rocking over its own breadth: about the axes at right angles to
        its push, and not about the push itself.
        """
        held = [name in self.directions for name in DIRECTIONS]
        about = [any(held[:axis] + held[axis + 1 :]) for axis in range(3)]
        return (*(self.stiffness * h for h in held), *(self.rotation_stiffness * h for h in about))


@frozen
class Bar:
    material: Material
    section: Section
    path: tuple[Straight | Bend, ...]
    supports: tuple[Support, ...]

    @property
    def length(self) -> float:
        return sum(segment.length for segment in self.path)


GRIPPED: Final = 30e-3  # m: three fingers side by side; common practice, no published source
BEHIND: Final = 80e-3  # m: a stick as long as a pencil; common practice, no published source


@frozen
class Stick:
    """A stick as it stands out of the hand. `round_stick` derives what is not measured."""

    name: str
    material: Material
    diameter: float
    length: float
    end_radius: float  # of the rounded end that slips off the tine
    friction: float  # against steel, kinetic
    restitution: float  # of a touch on steel
    stiffness: float  # N/m, of the end across the stick, held still by the hand
    mass: float  # of the free length
    frequency: float  # Hz, first bending mode, held still by the hand
    contact_stiffness: float  # N/m^(3/2), Hertz, against the edge of a steel tine
    gripped: float = GRIPPED  # between the fingers
    behind: float = BEHIND  # what stands out behind them
    loss_corner: float = math.inf  # rad/s, where the material's own loss is twice that of slow bending


def round_stick(
    name: str,
    material: Material,
    *,
    diameter: float,
    length: float,
    end_radius: float,
    friction: float,
    restitution: float,
    hertz_modulus: float,
) -> Stick:
    """A round stick, clamped in the hand: k = 3 E I / l^3, f = sqrt(k / 0.2427 m) / 2 pi, Hertz k_h.

    `hertz_modulus` E* (Pa) is that of stick on steel, across the grain for wood: 1/E* = sum (1 - nu^2)/E.
    k_h = 4/3 E* (r R)^(1/4) for crossed cylinders (stick R on the tine's edge, r), K. L. Johnson, Contact Mechanics
    (1985), sec. 4.2, with the geometric mean as the relative radius.
    """
    area, inertia = math.pi * diameter**2 / 4.0, math.pi * diameter**4 / 64.0
    stiffness, mass = 3.0 * material.youngs * inertia / length**3, material.density * area * length
    return Stick(
        name=name,
        material=material,
        diameter=diameter,
        length=length,
        end_radius=end_radius,
        friction=friction,
        restitution=restitution,
        stiffness=stiffness,
        mass=mass,
        frequency=math.sqrt(stiffness / (CANTILEVER_MASS * mass)) / (2.0 * math.pi),
        contact_stiffness=4.0 / 3.0 * hertz_modulus * (EDGE_RADIUS * diameter / 2.0) ** 0.25,
    )


@frozen
class Instrument:
    """Everything the physics needs, complete, SI."""

    file: str  # the design file, for messages
    name: str
    temperature: float  # K
    a4: float
    bar: Bar
    groups: tuple[Group, ...]
    tines: tuple[Tine, ...]
    nuts: Mapping[str, Nut]
    sticks: Mapping[str, Stick]
    boards: Mapping[str, Board]
    pickup: Pickup
    listener: Listener
    rooms: Mapping[str, Room]
    bench: Bench
    warnings: tuple[str, ...]
    inches: frozenset[str] = (
        frozenset()
    )  # the paths of the lengths that the design gives in inches, named in mm
    flats: bool = False  # whether the design writes Bb where it could write A#

    def note(self, frequency: float) -> tuple[str, float]:
        """The nearest note, as this design spells notes, and how many cents it is off it."""
        return note_name(frequency, self.a4, flats=self.flats)

    def key(self, path: str) -> str:
        """A path as the design has it: bar.section.height_in for bar.section.height_mm that stands in inches."""
        return twin(path) if path in self.inches else path

    def group_index(self, name: str, *, location: str = "") -> int:
        """Which of `groups` goes by a name. Raises `InputError`, said of `location` where that is given."""
        names = [each.name for each in self.groups]
        return names.index(self._named(name, names, "there is no group", location))

    def group(self, name: str, *, location: str = "") -> Group:
        """The group that goes by a name. Raises `InputError`."""
        return self.groups[self.group_index(name, location=location)]

    def stick(self, name: str, *, location: str = "") -> Stick:
        """The stick that goes by a name. Raises `InputError`."""
        return self.sticks[self._named(name, self.sticks, "there is no stick", location)]

    def board(self, name: str, *, location: str = "") -> Board:
        """The board that goes by a name. Raises `InputError`."""
        return self.boards[self._named(name, self.boards, "there is no board", location)]

    def listening(self, name: str, *, location: str = "") -> str:
        """`bar`, `pickup` or a board's name, as the design writes it. Raises `InputError`."""
        return self._named(name, (*UNBOARDED, *self.boards), "nothing is heard through", location)

    def room(self, name: str, *, location: str = "") -> Room:
        """The room that goes by a name. Raises `InputError`."""
        return self.rooms[self._named(name, self.rooms, "there is no room", location)]

    def _named(self, name: str, known: Iterable[str], finding: str, location: str) -> str:
        return named(name, known, finding, location=location, file="" if location else self.file)
