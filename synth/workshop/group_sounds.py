"""What an ear would say of every group of a design: each stroked once, unhurried, heard through one thing.

In: a `Scene`, sticks by default. Out: `GroupSound`s and their table.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.report import touched_span
from synth.playing.stroke import Stroke
from synth.sound import ear, loudness
from synth.sound.audio import RATE
from synth.sound.bands import NOMINAL_HZ
from synth.sound.render import Scene, perform
from synth.sound.ringing import heard_roughness
from synth.table import Column, Table

SECONDS: Final = 2.0  # of a stroke and its ring: the body's window ends at 1.5 s after the first touch


@frozen
class GroupSound:
    """One group stroked once; None where the stick stays caught or would bend a tine."""

    group: str
    told: ear.EarMeasures | None
    loudest_dba: float
    roughness: float
    refused: str = ""


def group_sounds(scene: Scene, groups: Iterable[int]) -> Iterator[GroupSound]:
    """Each group with the stick and the stroke that `stroke` plays unasked."""
    stick = next(iter(scene.instrument.sticks.values()))
    for group in groups:
        name = scene.instrument.groups[group].name
        try:
            rendering = perform(scene, [Stroke(group, stick)], seconds=SECONDS)
        except InputError as error:
            yield GroupSound(name, None, float("nan"), float("nan"), str(error))
            continue
        pressure = rendering.sound()
        since, until = touched_span(rendering.reports[0], seconds=SECONDS)
        yield GroupSound(
            name,
            ear.describe(pressure, RATE, since=since),
            loudness.measure(pressure, RATE).loudest,
            heard_roughness(scene, rendering.rings[0], since=until),
        )


def sounds_table(sounds: Iterable[GroupSound]) -> Table:
    """For people the loudest octaves as they are heard, in data all of them."""
    return Table(
        [
            Column("group", "group"),
            Column("loudest_sone", "sone", "{:.2g}", lambda row: row.told and row.told.loudest_sone),
            Column("at_1s_sone", "at 1 s", "{:.2g}", lambda row: row.told and row.told.at_1s_sone),
            Column("sharpness_acum", "acum", "{:.2f}", lambda row: row.told and row.told.sharpness_acum),
            Column("loudest_dba", "dB(A)", "{:.0f}"),
            *(_body(n, hertz) for n, hertz in enumerate(NOMINAL_HZ)),
            Column("roughness", "roughness", "{:.3f}"),
            Column("refused", "", value=lambda row: row.refused or None),
        ],
        list(sounds),
    )


def _body(n: int, hertz: int) -> Column:
    """The level in an octave a second on; nothing where it is not heard."""

    def level(row: GroupSound) -> float | None:
        return None if row.told is None else float(row.told.body.octaves_db[n])

    def words(db: float) -> str:
        return f"{db:.0f}" if db > ear.THRESHOLD_DB[n] else ""

    return Column(f"body_{hertz}_db", f"{hertz} Hz", words, level)
