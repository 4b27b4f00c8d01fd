"""`tinewright tolerance`: what errors of cut, nut, rod and steel do, and which of them can be tuned out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from synth.doors.cli import arguments, hearing
from synth.doors.cli.table import aligned
from synth.files import check_folder, whole_set
from synth.units import MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.tuning import Row
    from synth.workshop.tolerance import Limits, Spread, Trial

_LIMIT = arguments.Number(0.0, 5.0)


@click.command("tolerance")
@arguments.design
@click.option("--cut-mm", type=_LIMIT, default=0.5, show_default=True, help="How far off a cut may be.")
@click.option("--nut-mm", type=_LIMIT, default=0.2, show_default=True, help="How far off a nut may be set.")
@click.option(
    "--rod-mm",
    type=arguments.Number(0.0, 0.2),
    default=0.02,
    show_default=True,
    help="Of the rod's diameter.",
)
@click.option(
    "--modulus-percent",
    type=arguments.Number(0.0, 20.0),
    default=3.0,
    show_default=True,
    help="Of the rod's stiffness.",
)
@click.option(
    "--trials", type=click.IntRange(2, 100_000), default=200, show_default=True, help="Builds at random."
)
@arguments.seed
@click.option(
    "--audio", type=click.Path(path_type=Path), help="A folder for a careful and a careless build as sound."
)
@click.option("--group", metavar="GROUP", help="The group that --audio strokes; the first by default.")
@click.option("--through", default="bar", show_default=True, help="What --audio is heard through.")
@click.option(
    "--seconds", type=arguments.Number(0.1, 600.0), default=6.0, show_default=True, help="How long."
)
@arguments.gain_db
@arguments.as_json
@arguments.fresh
def command(
    design: Path,
    cut_mm: float,
    nut_mm: float,
    rod_mm: float,
    modulus_percent: float,
    trials: int,
    seed: int,
    audio: Path | None,
    group: str | None,
    through: str,
    seconds: float,
    gain_db: float,
    as_json: bool,
    fresh: bool,
) -> None:
    """Print, tine by tine, what errors of cut, nut, rod and modulus do to the pitch, in cents.

    \b
    Example:
      tinewright tolerance designs/test-piece.toml --audio builds
    """
    from synth.vibration.solve import solve_row
    from synth.workshop.tolerance import Limits, spread

    instrument = arguments.instrument(design)
    if audio is not None:
        check_folder(audio)
    chosen = 0 if group is None else instrument.group_index(group)
    row = solve_row(instrument, fresh=fresh)
    limits = Limits(cut_mm * MM, nut_mm * MM, rod_mm * MM, modulus_percent / 100.0)
    found = spread(instrument, row, limits)
    tried = _tried(instrument, row, limits, count=trials, seed=seed)
    if as_json:
        click.echo(json.dumps(_data(instrument, row, found, tried), indent=1, ensure_ascii=False))
    else:
        click.echo(_table(instrument, row, found, tried))
        click.echo(f"\n{_words(instrument, found, trials)}")
    if audio is not None:
        builds = _builds(instrument, row, limits, seed)
        with whole_set(audio) as folder:
            said = _render(builds, folder, group=chosen, through=through, seconds=seconds, gain_db=gain_db)
        click.echo("\n".join(said).replace(str(folder), str(audio)), err=True)


def _tried(instrument: Instrument, row: Row, limits: Limits, *, count: int, seed: int) -> Trial:
    from synth.workshop.tolerance import BATCH, Trial, trials

    batches = trials(instrument, row, limits, count=count, seed=seed)
    done = list(arguments.progress(batches, total=-(-count // BATCH), what="building at random"))
    return Trial(np.concatenate([each.pitch for each in done]), np.concatenate([each.stays for each in done]))


def _table(instrument: Instrument, row: Row, found: Spread, tried: Trial) -> str:
    from synth.workshop.tolerance import CAUSES

    heads = (
        "group", "tine", "Hz", *CAUSES, "sd", "sd tried", "worst", "nut mm",
        "2nd sd", "tried", "3rd sd", "tried",
    )  # fmt: skip
    overtones, tried_overtones = found.overtone_deviation, tried.stays.std(axis=0)
    rows = [
        (
            instrument.groups[tine.group].name,
            str(tine.number),
            f"{row.mounted_hz[n]:.1f}",
            *(f"{abs(each):.1f}" for each in found.pitch[n]),
            f"{found.deviation[n]:.1f}",
            f"{tried.pitch[:, n].std():.1f}",
            f"{found.worst[n]:.1f}",
            f"{found.travel[n] / MM:.2f}",
            *(f"{each:.2f}" for pair in zip(overtones[n], tried_overtones[n], strict=True) for each in pair),
        )
        for n, tine in enumerate(instrument.tines)
    ]
    return aligned(heads, rows)


def _words(instrument: Instrument, found: Spread, trials: int) -> str:
    limits, allowance = found.limits, instrument.bench.tuning_allowance
    travel = float(found.travel.max())
    enough = "is enough" if allowance >= travel else "is too little: raise bench.tuning_allowance_mm"
    return (
        f"Cents at a cut of +-{limits.cut / MM:g} mm, nuts +-{limits.nut / MM:g} mm, rod +-{limits.rod / MM:g} mm, "
        f"modulus +-{100 * limits.modulus:g} %. sd: standard deviation with errors anywhere within these, to first "
        f"order; tried: of {trials} seeded builds.\n"
        "The base nut tunes out the pitch, whatever the cause: cut, nut, rod and steel move all partials nearly "
        f"alike. It must travel up to {travel / MM:.2f} mm either way (nut mm); the tuning allowance of "
        f"{allowance / MM:g} mm {enough}.\n"
        f"{_stays(instrument, found)}\n"
        "Rod and modulus are shared by all tines of a stock: they shift it as a whole and keep its intervals."
    )


def _stays(instrument: Instrument, found: Spread) -> str:
    worst = int(np.argmax(found.overtone_deviation.max(axis=1)))
    tine, cents = instrument.tines[worst], float(found.overtone_deviation[worst].max())
    where = f"most at tine {tine.number} of '{instrument.groups[tine.group].name}', {cents:.1f} cents"
    said = (
        f"What stays once the pitch is right is where the overtones stand over it (2nd, 3rd, cents): {where}."
    )
    if not any(each.trim or each.wish for each in instrument.tines):
        return f"{said} Without trim nuts that is little."
    return f"{said} A trim nut sits at another share of the length then; only moving it mends that."


def _data(instrument: Instrument, row: Row, found: Spread, tried: Trial) -> dict[str, Any]:
    from synth.workshop.tolerance import CAUSES

    limits = found.limits
    tines = [
        {
            "group": instrument.groups[tine.group].name,
            "tine": tine.number,
            "frequency_hz": float(row.mounted_hz[n]),
            "cents": dict(zip(CAUSES, found.pitch[n].tolist(), strict=True)),
            "sd_cents": float(found.deviation[n]),
            "tried_sd_cents": float(tried.pitch[:, n].std()),
            "worst_cents": float(found.worst[n]),
            "base_nut_cents_per_mm": float(found.base_slope[n]) * MM,
            "base_nut_travel_mm": float(found.travel[n]) / MM,
            "stays": [
                {
                    "partial": p + 2,
                    "cents": dict(zip(CAUSES, found.stays[n, :, p].tolist(), strict=True)),
                    "sd_cents": float(found.overtone_deviation[n, p]),
                    "tried_sd_cents": float(tried.stays[:, n, p].std()),
                }
                for p in range(found.stays.shape[2])
            ],
        }
        for n, tine in enumerate(instrument.tines)
    ]
    return {
        "design": instrument.name,
        "limits": {
            "cut_mm": limits.cut / MM,
            "nut_mm": limits.nut / MM,
            "rod_mm": limits.rod / MM,
            "modulus_percent": 100.0 * limits.modulus,
        },
        "trials": len(tried.pitch),
        "tines": tines,
    }


def _builds(instrument: Instrument, row: Row, limits: Limits, seed: int) -> dict[str, Instrument]:
    """As designed, built carefully and tuned, built carelessly and left."""
    from synth.workshop.tolerance import careful, careless

    return {
        "as-designed": instrument,
        "careful": careful(instrument, row, limits, seed),
        "careless": careless(instrument, row, limits, seed),
    }


def _render(
    builds: Mapping[str, Instrument],
    folder: Path,
    *,
    group: int,
    through: str,
    seconds: float,
    gain_db: float,
) -> list[str]:
    """The same stroke on each, at the same gain; what to tell of them."""
    from synth.playing.stroke import Stroke
    from synth.sound.render import perform, scene

    stroke = Stroke(group=group, stick=next(iter(builds["as-designed"].sticks.values())))
    said = []
    for name, build in builds.items():
        rendering = perform(scene(build, through), [stroke], seconds=seconds)
        said += hearing.write(rendering, folder / f"{name}.wav", gain_db=gain_db)
    return said
