"""`tinewright live`: the instrument under the player's hands."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import Any

import click

from synth.doors.cli import arguments
from synth.units import MS


def _list(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Prints what there is, driver by driver, and ends: a missing driver is told, not an error."""
    if not wanted:
        return
    from synth.doors.devices import devices
    from synth.doors.ports import midi_ports
    from synth.errors import InputError

    for title, look in (("MIDI input ports", midi_ports), ("sound devices", devices)):
        click.echo(f"{title}:")
        try:
            found = look()
        except InputError as error:
            found = [f"none: {error}"]
        for line in found or ["none"]:
            click.echo(f"  {line}")
    context.exit(0)


@click.command("live")
@arguments.design
@click.option(
    "--list", is_flag=True, is_eager=True, expose_value=False, callback=_list, help="List ports, devices."
)
@arguments.through
@click.option("--midi-port", metavar="PORT", help="The MIDI input, by its name, a part of it, or its number.")
@click.option("--midi-socket", metavar="HOST:PORT", help="Take MIDI that mido's sockets send here.")
@click.option("--device", metavar="DEVICE", help="The sound device, by its name or number.")
@click.option(
    "--block",
    type=click.Choice(["64", "128", "256", "512"]),
    default="256",
    show_default=True,
    help="Samples at once.",
)
@click.option(
    "--ceiling-dbfs",
    type=arguments.Number(-60.0, 0.0),
    default=-6.0,
    show_default=True,
    help="The limiter's cap.",
)
@click.option(
    "--record", type=click.Path(path_type=Path), metavar="FILE", help="Keep the sound, and a stroke script."
)
@click.option("--seconds", type=arguments.Number(0.1, 86_400.0), help="End after so long.")
@click.option(
    "--latency-ms",
    type=arguments.Number(0.0, 1000.0),
    default=0.0,
    show_default=True,
    help="Let every stroke begin so much later: for a machine that is busy.",
)
@click.option("--allow-yield", is_flag=True, help="Play strokes that would bend a tine for good.")
@arguments.gain_db
@arguments.fresh
def command(
    design: Path,
    through: str,
    midi_port: str | None,
    midi_socket: str | None,
    device: str | None,
    block: str,
    ceiling_dbfs: float,
    record: Path | None,
    seconds: float | None,
    latency_ms: float,
    allow_yield: bool,
    gain_db: float,
    fresh: bool,
) -> None:
    """Play the instrument from a MIDI keyboard, or on the keys of the terminal.

    \b
    a s d f g h j k l ; '    strokes of the groups in their order; with Shift backward
    z x c v b n m , . /      a palm on the group of the key above; space on all
    1 ... 9                  speed; Tab the next stick; = and - move the row; q ends

    Set the volume low before you start. The limiter bounds every sample; how long a loud level is borne is yours to
    watch.

    \b
    Example:
      tinewright live designs/quay-rail.toml --through panel --midi-port keys --record evening.wav
    """
    from synth.doors.live import checked_setting, live
    from synth.doors.live_session import Setting
    from synth.sound.render import scene

    setting = Setting(
        midi_port=midi_port,
        midi_socket=midi_socket,
        device=device,
        block=int(block),
        gain_db=gain_db,
        ceiling_db=ceiling_dbfs,
        record=record,
        seconds=seconds,
        latency=latency_ms * MS,
        allow_yield=allow_yield,
    )
    instrument = arguments.instrument(design)
    setting = checked_setting(setting, tell=_tell)
    heard = scene(instrument, through, fresh=fresh)
    before = signal.signal(signal.SIGTERM, _end)
    try:
        all_there = live(heard, setting, tell=_tell, show=_show)
    finally:
        signal.signal(signal.SIGTERM, before)
    if not all_there:
        sys.exit(1)


def _end(*_: Any) -> None:
    """A polite request to stop ends the playing as Ctrl-C does: the recording is kept."""
    raise KeyboardInterrupt


def _tell(line: str) -> None:
    if sys.stderr.isatty():
        click.echo("\r\x1b[K", nl=False, err=True)
    click.echo(line)
    sys.stdout.flush()


def _show(line: str) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r\x1b[K{line}", nl=False, err=True)
