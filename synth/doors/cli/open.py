"""`tinewright open`: the design in a browser, edited, heard and compared while it is served from this machine."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments
from synth.errors import InputError

if TYPE_CHECKING:
    from synth.served.serving import Serving


@click.command("open")
@arguments.design
@click.option(
    "--port",
    type=arguments.Whole(1024, 65535),
    help="A port of your own choice; any that is free unless told.",
)
@click.option("--no-browser", is_flag=True, help="Only print the address; open it yourself.")
@click.option("--listen", is_flag=True, help="Hear taps too, as `tune --listen` does; its page is at tune.")
@click.option("--device", help="With --listen: the microphone, its number or a part of its name.")
@arguments.through
def command(
    design: Path, port: int | None, no_browser: bool, listen: bool, device: str | None, through: str
) -> None:
    """Open the design in a browser: play it, change it in the page or in your editor, take changes back.

    The page is served from this machine to this machine alone, at an address with a secret in it: whoever has the
    address can change the design. Ends with q or Ctrl-C.

    \b
    Example:
      tinewright open designs/quay-rail.toml
    """
    from synth.served.serving import Serving

    if device is not None and not listen:
        raise InputError("--device goes with --listen", remedy="say --listen, or leave it out")
    with Serving(design, through=through, port=port) as serving:
        click.echo(serving.address.words)
        if not no_browser:
            _browse(serving.address.words)
        click.echo(f"{design}: open; every change is kept in the file. q or Ctrl-C ends.", err=True)
        with contextlib.suppress(KeyboardInterrupt):
            if listen:
                _tune(design, device, serving)
            else:
                _wait()
    click.echo("closed", err=True)


def _tune(design: Path, device: str | None, serving: Serving) -> None:
    """The design as it stands now is tuned; a later change of it waits for another start."""
    from synth.doors.listening_tuner import TunerSettings, listen_and_tell
    from synth.recording.tuning_session import TuningWishes

    settings = TunerSettings(device=device)
    listen_and_tell(serving.session.model.instrument, design, settings, TuningWishes(), serving)


def _browse(words: str) -> None:
    import webbrowser

    if not webbrowser.open(words):
        click.echo("no browser could be opened: open the address yourself", err=True)


def _wait() -> None:
    """Until q is pressed, or said in a line where another program writes; else until the process is ended."""
    from synth.doors.keyboard import keyboard

    with keyboard() as read:
        if read is None:
            _wait_for_line()
            return
        while "q" not in read(0.5).lower():
            pass


def _wait_for_line() -> None:
    with contextlib.suppress(OSError, ValueError):  # no standard input, or a closed one
        for line in sys.stdin or ():
            if line.strip().lower() == "q":
                return
    while True:
        time.sleep(3600.0)
