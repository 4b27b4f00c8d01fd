"""`tinewright tolerance`: what errors of cut, nut, rod and steel do, and which of them can be tuned out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from synth.doors.cli import arguments, hearing
from synth.files import check_folder, whole_set
from synth.units import MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.vibration.tuning import Row
    from synth.workshop.tolerance import Limits, Trial

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
    "--trials", type=arguments.Whole(2, 100_000), default=200, show_default=True, help="Builds at random."
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
@arguments.json_flag
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
    from synth.table import as_json as data
    from synth.vibration.solve import solve_row
    from synth.workshop.tolerance import Limits, builds, scattered
    from synth.workshop.tolerance_list import tolerance_data, tolerance_table, tolerance_words

    instrument = arguments.instrument(design)
    if audio is not None:
        check_folder(audio)
    chosen = 0 if group is None else instrument.group_index(group)
    row = solve_row(instrument, fresh=fresh)
    limits = Limits(cut_mm * MM, nut_mm * MM, rod_mm * MM, modulus_percent / 100.0)
    found = scattered(instrument, row, limits)
    tried = _tried(instrument, row, limits, count=trials, seed=seed)
    table = tolerance_table(instrument, row, found, tried)
    if as_json:
        click.echo(data(tolerance_data(instrument, table, found, tried)))
    else:
        click.echo(f"{table.text(arguments.width())}\n\n{tolerance_words(instrument, found, trials)}")
    if audio is not None:
        from synth.playing.stroke import Stroke
        from synth.sound.render import perform, scene

        stroke = Stroke(group=chosen, stick=next(iter(instrument.sticks.values())))
        said: list[str] = []
        with whole_set(audio) as folder:
            for name, build in builds(instrument, row, limits, seed).items():
                rendering = perform(scene(build, through), [stroke], seconds=seconds)
                said += hearing.write(rendering, folder / f"{name}.wav", gain_db=gain_db)
        click.echo("\n".join(said).replace(str(folder), str(audio)), err=True)


def _tried(instrument: Instrument, row: Row, limits: Limits, *, count: int, seed: int) -> Trial:
    from synth.workshop.tolerance import BATCH, Trial, trials

    batches = trials(instrument, row, limits, count=count, seed=seed)
    done = list(arguments.progress(batches, total=-(-count // BATCH), what="building at random"))
    return Trial(np.concatenate([each.pitch for each in done]), np.concatenate([each.stays for each in done]))
