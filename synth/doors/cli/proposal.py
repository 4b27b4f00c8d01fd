"""`tinewright proposal`: one folder for a client: a page to hear and stroke it, a print, sounds, drawings."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.many import many


@click.command("proposal")
@arguments.design
@click.argument("scores", nargs=-1, type=click.Path(path_type=Path), metavar="[SCORE...]")
@click.option(
    "--room", default="", metavar="ROOM", help="The room it is heard in; the design's first unless told."
)
@click.option("--blind", is_flag=True, help="Add a page that asks blind which of two is preferred.")
@arguments.fresh
@arguments.output
def command(
    design: Path, scores: tuple[Path, ...], room: str, blind: bool, fresh: bool, output: Path
) -> None:
    """Write what a client gets into a folder: index.html, proposal.pdf, audio/ and drawings/.

    What it says besides comes from [proposal] in the design and from words.md in the folder, which is written once
    and then kept: edit it, and run the command again.

    \b
    Example:
      tinewright proposal designs/quay-rail.toml designs/slow-and-fast.toml -o for-the-quay
    """
    from synth.proposal.build import write_proposal

    written, instrument = arguments.design_and_instrument(design)
    made = write_proposal(
        written,
        instrument,
        scores,
        output,
        room=room,
        blind=blind,
        fresh=fresh,
        watch=lambda items, count: arguments.progress(items, total=count, what="rendering"),
    )
    words = "kept as it was" if made.words_kept else "to be edited; it is kept from now on"
    click.echo(
        f"{output}: index.html ({made.megabytes:.1f} MB, opens from disk), proposal.pdf, "
        f"{many(made.sounds, 'sound')} at {made.gain_db:+z.0f} dB in audio/, drawings/"
    )
    click.echo(f"{output / 'words.md'}: {words}")
    currency = instrument.bench.currency
    missing = f"; without a price, and in no sum: {', '.join(made.unpriced)}" if made.unpriced else ""
    total = f"total {made.total:.2f} {currency}".rstrip() + missing
    click.echo(total if made.priced else "the design gives no prices")
