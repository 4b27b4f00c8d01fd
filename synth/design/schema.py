"""The design file as frozen types: the tables and keys of the TOML, with its units in their names.

In: a decoded TOML tree. Out: a `Design`, exactly what the maker wrote, with every default stated here beside
its reason. Names are not looked up and nothing is converted here: `synth.design.resolve` does that.
"""

# not `from __future__ import annotations`: msgspec would compile every annotation, 8 ms of each command

from typing import Annotated, Literal

from msgspec import Meta, field

from synth.design.catalogue import Magnetic, NutForm, Shape
from synth.design.schema_place import Proposal, Room
from synth.design.schema_types import Angle as Angle
from synth.design.schema_types import Name as Name
from synth.design.schema_types import Price as Price
from synth.design.schema_types import WrittenTable as WrittenTable
from synth.units import Units

# Sizes a bench can hold; beyond them a number is a slip of the unit.
Length = Annotated[float, Meta(ge=1.0, le=10_000.0)]  # mm
Small = Annotated[float, Meta(ge=0.1, le=500.0)]  # mm
Thick = Annotated[float, Meta(ge=2.0, le=500.0)]  # mm, of a bar
Place = Annotated[float, Meta(ge=0.0, le=10_000.0)]  # mm along the bar
LossFactor = Annotated[float, Meta(ge=0.0, le=1.0)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Positive = Annotated[float, Meta(ge=1e-6, le=1e9)]
NotNegative = Annotated[float, Meta(ge=0.0, le=1e9)]
Measured = Annotated[str, Meta(max_length=80)]  # the date of a measurement
Hertz = Annotated[float, Meta(ge=1.0, le=20_000.0)]

# What may stand where a word is chosen, written here once; the instrument and the command line read it.
BarDirection = Literal["along", "side", "up"]  # the bar's own, carried along its bends
SupportKind = Literal["cord", "rubber", "clamp", "foot"]
ThreadFit = Literal["mid", "nominal"]
FixingKind = Literal["nuts", "glued", "set screw", "collet"]
Order = Literal["rising", "falling", "as written"]
Bearing = Literal["edges", "flat"]
BoardKind = Literal["panel", "box"]
Edges = Literal["free", "supported", "clamped"]
PickupKind = Literal["contact", "pad", "strain", "magnetic"]
Swing = Literal["along", "across"]
Holes = Literal["clearance", "tapping"]
HoleFit = Literal["close", "normal", "loose"]
Paper = Literal["A4", "Letter"]


class Tuning(WrittenTable, frozen=True, kw_only=True):
    a4_hz: Annotated[float, Meta(ge=380.0, le=500.0)] = 440.0  # ISO 16
    temperature_c: Annotated[float, Meta(ge=-40.0, le=60.0)] = 20.0  # a heated room


class Material(WrittenTable, frozen=True, kw_only=True):
    """A material that the table lacks, or a row of it corrected by measurement."""

    like: Name | None = None  # the row that gives what is not written; default: AISI 304, the usual tine
    density_kg_m3: Annotated[float, Meta(ge=5.0, le=25_000.0)] | None = None
    youngs_gpa: Annotated[float, Meta(ge=1e-4, le=1500.0)] | None = None
    youngs_across_gpa: Annotated[float, Meta(ge=1e-4, le=1500.0)] | None = (
        None  # of a sheet; default: as along
    )
    shear_gpa: Annotated[float, Meta(ge=1e-5, le=1500.0)] | None = (
        None  # of a sheet; default E / (2 (1 + nu))
    )
    poisson: Annotated[float, Meta(ge=0.0, lt=0.5)] | None = None
    loss_factor: LossFactor | None = None
    expansion_um_m_k: Annotated[float, Meta(ge=-50.0, le=500.0)] | None = None
    heat_capacity_j_kg_k: Positive | None = None
    conductivity_w_m_k: Positive | None = None
    modulus_slope_per_k: Annotated[float, Meta(ge=-0.01, le=0.01)] | None = None  # dE/(E dT)
    yield_mpa: Positive | None = None
    tensile_mpa: Positive | None = None
    endurance_mpa: Positive | None = None
    magnetic: Magnetic | None = None
    measured: Measured | None = None


class Section(WrittenTable, frozen=True, kw_only=True):
    """The bar's cross-section: rectangle width_mm x height_mm, round diameter_mm, tube plus wall_mm."""

    shape: Shape
    width_mm: Thick | None = None  # horizontal, across the row
    height_mm: Thick | None = None  # vertical, the way a tine of face_deg 0 points
    diameter_mm: Thick | None = None
    wall_mm: Small | None = None


class Segment(WrittenTable, frozen=True, kw_only=True):
    """One piece of the bar's path: straight_mm, or bend_deg with radius_mm (of the axis) and plane_deg."""

    straight_mm: Length | None = None
    bend_deg: Angle | None = None
    radius_mm: Length | None = None
    plane_deg: Angle | None = None  # 0 bends sideways (level), 90 upwards; turned about the bar's axis


class Support(WrittenTable, frozen=True, kw_only=True):
    at_mm: Place
    kind: SupportKind
    # A loop of cord, a glued pad, jaws and a screwed foot go round the bar or stick to it: "all". A pad that the
    # bar only lies on, or a taut guy, holds one way.
    direction: (
        Literal["all", BarDirection] | Annotated[list[BarDirection], Meta(min_length=1, max_length=3)]
    ) = "all"
    stiffness_n_mm: Positive | None = None  # in each of its directions; default by kind
    rotation_nm_rad: NotNegative | None = None  # about each axis at right angles to one; default by kind
    loss_factor: LossFactor | None = None  # default by kind


class Bar(WrittenTable, frozen=True, kw_only=True):
    section: Section
    path: Annotated[list[Segment], Meta(min_length=1, max_length=200)]
    material: Name = "mild steel"  # what a heavy bar is usually cut from
    price_per_m: Price | None = None  # in the bench's currency
    supports: Annotated[list[Support], Meta(max_length=100)] = field(default_factory=list)


class Holding(WrittenTable, frozen=True, kw_only=True):
    """How tines are held: in [tines] for all; a group or a tine may say otherwise."""

    root_length_per_diameter: Annotated[float, Meta(ge=0.0, le=2.0)] | None = None
    root_rotation_nm_rad: Positive | None = None
    root_translation_n_mm: Positive | None = None
    clamp_loss_factor: LossFactor | None = None
    clamp_loss_slope: Annotated[float, Meta(ge=0.0, le=2.0)] | None = None  # power of frequency above 1 kHz
    fixing: FixingKind | None = None  # default: as the stock says, else nuts on thread; see design.fixings
    split_cents: Annotated[float, Meta(ge=0.0, le=100.0)] | None = None


class Tines(Holding, frozen=True, kw_only=True):
    seed: Annotated[int, Meta(ge=0, le=2**31 - 1)] = 1  # of the axes in which the tines split
    thread_fit: ThreadFit = "mid"  # mid-tolerance (ISO 6g, UN 2A): what shops sell
    measured: Measured | None = None


class Stock(WrittenTable, frozen=True, kw_only=True):
    """A rod to cut tines from: plain (diameter_mm) or threaded (thread)."""

    kind: Literal["plain", "threaded"]
    diameter_mm: Annotated[float, Meta(ge=0.3, le=30.0)] | None = None
    thread: Name | None = None
    material: Name | None = None
    thread_fit: ThreadFit | None = None
    bend_diameter_mm: Annotated[float, Meta(ge=0.2, le=30.0)] | None = (
        None  # measured, instead of the thread's
    )
    mass_diameter_mm: Annotated[float, Meta(ge=0.2, le=30.0)] | None = None
    base_nut: Name | None = None  # default: the thread's own hex nut; a plain rod's collar is not modelled
    fixing: FixingKind | None = None
    price_per_m: Price | None = None  # in the bench's currency
    measured: Measured | None = None


class Nut(WrittenTable, frozen=True, kw_only=True):
    """A nut as weighed (mass_g, height_mm, width_mm across flats) or by standard (thread, form, material)."""

    material: Name | None = None  # of a nut by standard; default A2-70, as the threaded rod
    mass_g: Annotated[float, Meta(gt=0.0, le=500.0)] | None = None
    height_mm: Small | None = None
    width_mm: Small | None = None
    thread: Name | None = None
    form: NutForm | None = None
    grip: Share = (
        0.0  # 0 adds mass only: a nut without preload has play in its thread; 1 a rigid piece: a locked pair
    )
    price: Price | None = None  # of one, in the bench's currency
    measured: Measured | None = None


Interval = Annotated[str, Meta(min_length=1, max_length=20)] | Annotated[float, Meta(ge=-48.0, le=60.0)]


class PlacedNut(WrittenTable, frozen=True, kw_only=True):
    nut: Name
    at_mm: Small  # from the base nut's upper face to the nut's middle


class TrimWish(WrittenTable, frozen=True, kw_only=True):
    partial: Annotated[int, Meta(ge=2, le=6)]
    ratio: Annotated[float, Meta(gt=1.0, le=100.0)]
    nut: Name


class Made(Holding, frozen=True, kw_only=True):
    """What a tine is made of, whatever says its pitch."""

    stock: Name | None = None
    trim: Annotated[list[PlacedNut], Meta(max_length=20)] = field(default_factory=list)
    trim_to: TrimWish | None = None


class Tine(Made, frozen=True, kw_only=True):
    """One tine written by hand: free_length_mm, pitch or pitch_hz."""

    free_length_mm: Annotated[float, Meta(ge=20.0, le=600.0)] | None = None
    pitch: Name | None = None
    pitch_hz: Hertz | None = None


Offset = Annotated[float, Meta(ge=-100.0, le=100.0)]  # cents; beyond it, it is another note


class Member(Made, frozen=True, kw_only=True):
    """A member of a recipe that says more than its interval."""

    interval: Interval
    cents: Offset = 0.0


class Recipe(WrittenTable, frozen=True, kw_only=True):
    """The intervals that fill a group from its root: ratios ("3/2") or semitones (7), or tables of more."""

    members: Annotated[list[Interval | Member], Meta(min_length=1, max_length=100)]


class OtherTine(Made, frozen=True, kw_only=True):
    """What one group has otherwise than its recipe; trim or trim_to takes the place of both of the member's."""

    tine: Annotated[int, Meta(ge=1, le=100)]  # as it stands in the group, and as `check` counts
    cents: Offset = 0.0  # added to the member's


class StockByPitch(WrittenTable, frozen=True, kw_only=True):
    """A stock for tines below a pitch; without `below`, for all that are left."""

    use: Name
    below: Name | None = None


class Group(Holding, frozen=True, kw_only=True):
    """The tines of one note: a root with a recipe, or tines written one by one."""

    name: Name
    start_mm: Place
    # every tine needs one, here or its own: a name, or the first of a list whose pitch is above the tine's
    stock: Name | Annotated[list[StockByPitch], Meta(min_length=1, max_length=20)] | None = None
    spacing_mm: Annotated[float, Meta(ge=1.0, le=500.0)] = (
        12.0  # room for 3 mm rods to swing and for a spanner between M3 nuts
    )
    root: Name | None = None
    root_hz: Hertz | None = None
    recipe: Name | None = None
    change: Annotated[list[OtherTine], Meta(max_length=100)] = field(default_factory=list)
    order: Order = "as written"
    face_deg: Angle = 0.0  # straight up
    tine: Annotated[list[Tine], Meta(max_length=200)] = field(default_factory=list)
    midi_note: Annotated[int, Meta(ge=0, le=127)] | None = None


class Stick(WrittenTable, frozen=True, kw_only=True):
    """A stick, or another size of a built-in one (birch, bamboo, brass, nylon)."""

    material: Name | None = None
    diameter_mm: Annotated[float, Meta(ge=0.5, le=50.0)] | None = None
    length_mm: Annotated[float, Meta(ge=10.0, le=1000.0)] | None = None  # how far it stands out of the hand
    gripped_mm: Annotated[float, Meta(ge=5.0, le=300.0)] | None = None  # between the fingers; default 30 mm
    behind_mm: Annotated[float, Meta(ge=0.0, le=1000.0)] | None = None  # behind the fingers; default 80 mm
    end_radius_mm: Annotated[float, Meta(gt=0.0, le=25.0)] | None = None  # default: 1 mm or half the diameter
    stiffness_n_mm: Positive | None = None  # at the end, across, gripped in a vice; default 3 E I / l^3
    mass_g: Positive | None = None  # of the free length
    first_mode_hz: Hertz | None = None  # gripped in a vice; default from stiffness and mass
    friction: Annotated[float, Meta(ge=0.0, lt=2.0)] | None = None  # on steel; default by material
    restitution: Annotated[float, Meta(gt=0.0, le=1.0)] | None = None  # of a touch on steel
    contact_stiffness_n_m15: Annotated[float, Meta(ge=1e3, le=1e12)] | None = (
        None  # N/m^(3/2), Hertz; default by material
    )
    measured: Measured | None = None


class Foot(WrittenTable, frozen=True, kw_only=True):
    bar_mm: Place
    x_mm: Place  # on the board, along its length
    y_mm: Place  # across, along its width
    width_mm: Small | None = None  # across the bar; default: the bar's own width
    along_mm: Small | None = None  # in the bar's direction; default: 25 mm, a block of wood
    bears: Bearing = "edges"  # a hard foot presses by its edges; "flat": bedded, all over
    stiffness_n_mm: Positive | None = None  # upright; default: a hard foot on this board
    sideways_n_mm: NotNegative = 0.0  # nothing is known of its grip; a short glued block: 0.35 of the upright
    loss_factor: LossFactor | None = None  # default: that of a support of kind "foot"


class Board(WrittenTable, frozen=True, kw_only=True):
    kind: BoardKind
    material: Name
    width_mm: Length
    length_mm: Length
    thickness_mm: Annotated[float, Meta(ge=0.3, le=200.0)]
    edges: Edges | None = None  # default: free; a box's lid is supported
    depth_mm: Length | None = None
    hole_diameter_mm: Small | None = None
    feet: Annotated[list[Foot], Meta(min_length=1, max_length=20)]


class Pickup(WrittenTable, frozen=True, kw_only=True):
    at_mm: Place | None = None  # default: a fifth of the bar's length, off the nodes of its first modes
    kind: PickupKind = "contact"  # a disc clamped on: the usual one
    # per m/s2 (contact), N (pad), microstrain (strain), mm/s (magnetic)
    sensitivity_mv: Positive | None = None
    resonance_hz: Annotated[float, Meta(gt=0.0, le=100_000.0)] | None = None
    quality: Annotated[float, Meta(ge=0.3, le=1000.0)] | None = None  # of that resonance
    corner_hz: Annotated[float, Meta(gt=0.0, le=5000.0)] | None = None  # below it nothing gets in
    gap_mm: Small = 4.0  # of a magnetic pickup; nearer than 3 mm the magnet pulls the tine
    faces: Swing = "across"  # the swing a magnetic pickup hears
    playback_pa_v: Positive | None = None  # pressure at 1 m that the monitor makes of 1 V


class Listener(WrittenTable, frozen=True, kw_only=True):
    """Where one listens: two points, left and right, at a distance from the bar's middle."""

    distance_m: Annotated[float, Meta(ge=0.2, le=100.0)] = 1.0  # where levels are usually stated
    angle_deg: Annotated[float, Meta(ge=0.0, le=120.0)] = 45.0  # from straight above: a head over a table
    # 0 in front of the row, 90 off its far end; straight in front most tines are mute
    azimuth_deg: Angle = 30.0
    spacing_mm: Annotated[float, Meta(ge=0.0, le=2000.0)] = 200.0  # of a small spaced pair of microphones


class Bench(WrittenTable, frozen=True, kw_only=True):
    """The workshop: how holes are drilled, rods sawn, paper printed. Allowances are common practice."""

    holes: Holes = "clearance"  # nuts on both sides: the rod slides to tune
    hole_fit: HoleFit = "normal"  # of a clearance hole; ISO 273 medium
    tapped_depth_mm: Small | None = None  # default: 1.5 diameters, or through a thinner bar
    kerf_mm: Annotated[float, Meta(ge=0.0, le=20.0)] = 1.0  # of a hacksaw blade with its set
    stock_length_mm: Annotated[float, Meta(ge=100.0, le=10_000.0)] = 1000.0  # as rod is usually sold
    saw_allowance_mm: Annotated[float, Meta(ge=0.0, le=50.0)] = 1.0  # to file both ends square and round
    tuning_allowance_mm: Annotated[float, Meta(ge=0.0, le=100.0)] = 3.0  # to slide the rod up and sound lower
    protrusion_mm: Annotated[float, Meta(ge=0.0, le=100.0)] | None = None  # default: 2 pitches of thread
    washers: Annotated[int, Meta(ge=0, le=10)] | None = None  # a tine; default: one under each nut
    washer_price: Price | None = None  # of one
    currency: Annotated[str, Meta(max_length=8)] = ""
    paper: Paper = "A4"
    # in which lengths are told and printed (inches to the nearest 1/64); default: as most lengths are written
    units: Units | None = None
    neutral_axis: Annotated[float, Meta(ge=0.2, le=0.6)] | None = None  # of a bend; default by its tightness


class Design(WrittenTable, frozen=True, kw_only=True):
    """The whole file."""

    bar: Bar
    name: Annotated[str, Meta(max_length=200)] = ""
    tuning: Tuning = field(default_factory=Tuning)
    material: dict[str, Material] = field(default_factory=dict)
    tines: Tines = field(default_factory=Tines)
    stock: dict[str, Stock] = field(default_factory=dict)
    nut: dict[str, Nut] = field(default_factory=dict)
    recipe: dict[str, Recipe] = field(default_factory=dict)
    group: Annotated[list[Group], Meta(min_length=1, max_length=200)] = field(default_factory=list)
    stick: dict[str, Stick] = field(default_factory=dict)
    board: dict[str, Board] = field(default_factory=dict)
    pickup: Pickup = field(default_factory=Pickup)
    listener: Listener = field(default_factory=Listener)
    bench: Bench = field(default_factory=Bench)
    room: dict[str, Room] = field(default_factory=dict)
    proposal: Proposal = field(default_factory=Proposal)
