"""What to saw and what to buy: a piece for every tine, the bars of stock they come from, nuts, washers, cost.

In: an instrument and its tuned row. Out: a `CutList`, SI. One sum a tine:

    cut length = free length + clamped length (`synth.workshop.fixing`) + saw allowance + tuning allowance

The tuning allowance goes below: with the nuts loose the rod slides up and the tine sounds lower.
"""

from __future__ import annotations

import math
from collections import Counter

from synth.design.instrument import Instrument, PlacedNut
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import MM, Units, length_said
from synth.vibration.bar import beam_of
from synth.vibration.tuning import Row
from synth.workshop.cutting import plan, used
from synth.workshop.fixing import Joint, joint
from synth.workshop.flat_length import bar_words, develop
from synth.workshop.holes import Washer
from synth.workshop.length_text import UNIT, place_words
from synth.workshop.overview import stock_name

WASHER_DENSITY = 7850.0  # kg/m3, steel


@frozen
class CutPiece:
    """One tine as it is sawn."""

    group: str
    number: int
    stock: str
    free: float
    joint: Joint
    cut: float
    mass: float
    trim: tuple[PlacedNut, ...]
    pitch: float  # Hz, as it is to sound


@frozen
class StockBar:
    """One bar of stock and the pieces that come from it, as indices into `CutList.pieces`."""

    stock: str
    pieces: tuple[int, ...]
    left: float


@frozen
class Purchase:
    """`count` of something; `price` of one, None where the design gives none."""

    what: str
    count: float
    unit: str
    price: float | None

    @property
    def cost(self) -> float | None:
        return None if self.price is None else self.count * self.price

    def counted(self, units: Units) -> str:
        """How much of it; what is sold by length in m, or in inches."""
        if self.unit != "m":
            return f"{self.count:g}"
        return f"{self.count:g} m" if units == "mm" else length_said(self.count, units, figures=6)

    def per(self, units: Units) -> str:
        """What stands after the price of one: of what is told in inches the price is that of a metre."""
        return "/m" if self.unit == "m" and units == "inch" else ""


@frozen
class CutList:
    pieces: tuple[CutPiece, ...]
    bars: tuple[StockBar, ...]
    purchases: tuple[Purchase, ...]
    rods_mass: float
    hardware_mass: float
    bar_mass: float

    @property
    def mass(self) -> float:
        return self.rods_mass + self.hardware_mass + self.bar_mass

    @property
    def cost(self) -> float:
        """Of everything that has a price."""
        return math.fsum(each.cost for each in self.purchases if each.cost is not None)

    @property
    def unpriced(self) -> tuple[str, ...]:
        return tuple(each.what for each in self.purchases if each.price is None)


def cut_list(instrument: Instrument, row: Row) -> CutList:
    """The whole list. Raises `InputError` where a piece is longer than the stock."""
    pieces = tuple(_piece(instrument, row, index) for index in range(len(instrument.tines)))
    bars = tuple(_bars(instrument, pieces))
    nuts, washers = _hardware(instrument, pieces)
    hardware = sum(each.nut.mass for piece in pieces for each in piece.trim)
    hardware += sum(nut.mass for piece in pieces for nut in piece.joint.nuts)
    hardware += sum(_washer_mass(each) for piece in pieces for each in piece.joint.washers)
    return CutList(
        pieces=pieces,
        bars=bars,
        purchases=tuple(_purchases(instrument, bars, nuts, washers)),
        rods_mass=sum(piece.mass for piece in pieces),
        hardware_mass=hardware,
        bar_mass=float(beam_of(instrument.bar).mass) * instrument.bar.length,
    )


def _piece(instrument: Instrument, row: Row, index: int) -> CutPiece:
    tine, bench = instrument.tines[index], instrument.bench
    fixed = joint(tine, instrument.bar, bench)
    free = float(row.length[index])
    cut = free + fixed.clamped + bench.saw_allowance + bench.tuning_allowance
    line = tine.rod.material.density * math.pi / 4.0 * tine.rod.mass_diameter**2
    return CutPiece(
        group=instrument.groups[tine.group].name,
        number=tine.number,
        stock=stock_name(tine.rod, bench.units),
        free=free,
        joint=fixed,
        cut=cut,
        mass=line * (cut - bench.saw_allowance),
        trim=row.trim[index],
        pitch=float(row.mounted_hz[index]),
    )


def _bars(instrument: Instrument, pieces: tuple[CutPiece, ...]) -> list[StockBar]:
    bench = instrument.bench
    bars = []
    for name in dict.fromkeys(piece.stock for piece in pieces):
        own = [index for index, piece in enumerate(pieces) if piece.stock == name]
        lengths = [pieces[index].cut / MM for index in own]
        room = {"bar": bench.stock_length / MM, "kerf": bench.kerf / MM}
        try:
            chosen = plan(lengths, **room)
        except InputError as error:
            raise error.within(instrument.file, "bench.stock_length_mm") from None
        for each in chosen:
            left = bench.stock_length - used(lengths, each, kerf=room["kerf"]) * MM
            bars.append(StockBar(name, tuple(own[n] for n in each), left))
    return bars


def _hardware(instrument: Instrument, pieces: tuple[CutPiece, ...]) -> tuple[Counter[str], Counter[str]]:
    nuts = Counter(nut.name for piece in pieces for nut in piece.joint.nuts)
    nuts.update(each.nut.name for piece in pieces for each in piece.trim)
    washers = Counter(each.name for piece in pieces for each in piece.joint.washers)
    return nuts, washers


def _purchases(
    instrument: Instrument, bars: tuple[StockBar, ...], nuts: Counter[str], washers: Counter[str]
) -> list[Purchase]:
    bench = instrument.bench
    metre = {stock_name(t.rod, bench.units): bench.rod_price.get(t.rod.name) for t in instrument.tines}
    length = bench.stock_length
    rods = [
        Purchase(
            f"{name}, bar of {length_said(length, bench.units)}",
            count,
            "bar",
            None if price is None else price * length,
        )
        for name, count in Counter(each.stock for each in bars).items()
        for price in (metre[name],)
    ]
    sawn = develop(instrument.bar, bench.neutral_axis).length
    section, unit = bar_words(instrument.bar.section, bench.units), UNIT[bench.units]
    saw = f"saw to {place_words(sawn, bench.units)} {unit}"
    steel = f"{section} {unit}, {instrument.bar.material.name}, {saw}"
    return [
        *rods,
        *(Purchase(name, count, "piece", bench.nut_price.get(name)) for name, count in nuts.items()),
        *(Purchase(name, count, "piece", bench.washer_price) for name, count in washers.items()),
        Purchase(steel, round(sawn, 5), "m", bench.bar_price),
    ]


def _washer_mass(washer: Washer) -> float:
    area = math.pi / 4.0 * (washer.outside**2 - washer.inside**2)
    return WASHER_DENSITY * area * washer.thickness
