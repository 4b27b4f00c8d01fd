"""Every variant rendered and measured, on two cores where there are.

In: `Variant`s. Out: a `Compared` for each that can be played, a `LeftOut` for every other. What is solved is an
instrument as it is heard through something: its variants are one job, so that nothing is solved or fetched twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.report import touched_span
from synth.sound import features
from synth.sound.audio import RATE
from synth.sound.ear import EarMeasures, describe
from synth.sound.render import ContactSettings, Scene, perform, scene
from synth.sound.ringing import heard_roughness
from synth.sound.surroundings import FREE_AIR, Surroundings
from synth.vibration.solve import solve_quarrels
from synth.workers import workers
from synth.workshop.changes import StructureFacts, partial_decays, structure
from synth.workshop.measures import measures
from synth.workshop.spectrograms import group_partials_hz, tone_levels
from synth.workshop.variants import LeftOut, Variant
from synth.workshop.varied import name_of

PART: Final = 4  # strokes on one instrument that are a job: few enough to share out, and to see it move

Watch = Callable[[Iterable[Any], int], Iterator[Any]]  # passes items on, showing how many of so many are done


@frozen
class Compared:
    """What one combination sounds like and what it did. `decay_s` of the lowest tine's first partials."""

    variant: Variant
    structure: StructureFacts
    pressure: NDArray[np.float32]
    levels: NDArray[np.float32]  # of tones, dB SPL, as in `spectrograms.tone_levels`
    measured: dict[str, float]
    attack_s: float
    decay_s: tuple[float, ...]
    energy_j: float
    stress_mpa: float
    partials_hz: tuple[float, ...]  # of the tines that are stroked
    warnings: tuple[str, ...]
    ear: EarMeasures | None = None  # for what is said in words


def render_variants(
    chosen: Sequence[Variant],
    *,
    seconds: float,
    settings: ContactSettings,
    watch: Watch,
    surroundings: Surroundings = FREE_AIR,
) -> tuple[list[Compared], list[LeftOut]]:
    """Every combination rendered, in their order, and what cannot be. Raises `InputError` if none can."""
    jobs = [(part, seconds, settings, surroundings) for place in _places(chosen) for part in _parts(place)]
    with workers(len(jobs)) as run:
        done = [each for part in watch(run(_heard, jobs), len(jobs)) for each in part]
    order = {variant.chosen: n for n, variant in enumerate(chosen)}
    heard = sorted(
        (each for each in done if isinstance(each, Compared)), key=lambda each: order[each.variant.chosen]
    )
    left = [each for each in done if isinstance(each, LeftOut)]
    if not heard:
        raise InputError(left[0].words, location=name_of(left[0].chosen))
    return heard, left


def _places(chosen: Sequence[Variant]) -> list[list[Variant]]:
    """Those on one instrument, heard through one thing, together; instruments hold mappings and have no hash."""
    found: list[list[Variant]] = []
    for each in chosen:
        together = next(
            (
                place
                for place in found
                if (place[0].through, place[0].instrument) == (each.through, each.instrument)
            ),
            None,
        )
        if together is None:
            found.append([each])
        else:
            together.append(each)
    return found


def _parts(place: Sequence[Variant]) -> list[Sequence[Variant]]:
    return [place[at : at + PART] for at in range(0, len(place), PART)]


def _heard(job: tuple[Sequence[Variant], float, ContactSettings, Surroundings]) -> list[Compared | LeftOut]:
    """A job's variants, all on one instrument."""
    part, seconds, settings, surroundings = job
    try:
        listening = scene(part[0].instrument, part[0].through, surroundings=surroundings)
        solved = structure(listening, solve_quarrels(listening.instrument, listening.row))
    except InputError as error:
        return [LeftOut(each.chosen, str(error)) for each in part]
    return [_played(each, listening, solved, seconds, settings) for each in part]


def _played(
    variant: Variant, listening: Scene, solved: StructureFacts, seconds: float, settings: ContactSettings
) -> Compared | LeftOut:
    try:
        return _rendered(variant, listening, solved, seconds, settings)
    except InputError as error:
        return LeftOut(variant.chosen, str(error))


def _rendered(
    variant: Variant, listening: Scene, solved: StructureFacts, seconds: float, settings: ContactSettings
) -> Compared:
    instrument = variant.instrument
    rendering = perform(listening, [variant.stroke], seconds=seconds, settings=settings)
    pressure = rendering.sound()
    group = instrument.groups[variant.stroke.group]
    lowest = group.first + int(np.argmin(listening.row.mounted_hz[group.tines]))
    tines = rendering.reports[0]["tines"]
    since, until = touched_span(rendering.reports[0], seconds=seconds)
    rough = heard_roughness(listening, rendering.rings[0], since=until)
    told = describe(pressure, RATE, since=since)
    return Compared(
        variant=variant,
        structure=solved,
        pressure=pressure.astype(np.float32),
        levels=tone_levels(pressure).astype(np.float32),
        measured=measures(pressure, RATE, roughness=rough, told=told),
        ear=told,
        attack_s=features.attack_time(pressure, RATE, since=since, until=until + features.SMOOTH),
        decay_s=partial_decays(listening.model, lowest),
        energy_j=math.fsum(each["energy_j"] for each in tines),
        stress_mpa=max((each["root_stress_mpa"] for each in tines), default=0.0),
        partials_hz=group_partials_hz(listening.row, group),
        warnings=rendering.warnings,
    )
