"""The command line: a table of commands, each loaded when it is called, and the one place where errors end.

In: words. Out: results on standard output, progress on standard error, exit code 0, 2 (the input is wrong) or 1.
"""

from __future__ import annotations

import copy
import errno
import functools
import gc
import importlib
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import click

from synth.doors import streams
from synth.doors.cli.inches import in_millimetres, remember
from synth.errors import InputError, ProcessLostError
from synth.files import check_apart
from synth.version import __version__

# The commands in the order of the work; each is the module of that name here, which holds it as `command`.
COMMANDS: Final = (
    "draft",
    "check",
    "modes",
    "map",
    "drawing",
    "board",
    "stroke",
    "play",
    "live",
    "page",
    "open",
    "compare",
    "strength",
    "trim",
    "tolerance",
    "cutlist",
    "template",
    "proposal",
    "suggest",
    "measure",
    "calibrate",
    "tune",
    "keys",
    "stock",
)

# objects made until a collection looks: a command makes little rubbish, and loading its libraries makes more than
# 100,000 that stay; a tenth of its time went into looking
SELDOM: Final = 200_000


STOPPED: Final = "stopped; no file was left half written"


class Commands(click.Group):
    """Commands by name, imported when needed, so that a quick command starts quickly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        found: click.Command = importlib.import_module(f"synth.doors.cli.{cmd_name}").command
        command = copy.copy(found)
        assert found.callback is not None
        command.callback = _careful(found.callback)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name, command, words = super().resolve_command(ctx, args)
        options = [each for parameter in command.params for each in parameter.opts] if command else []
        remember(ctx, words, options)
        return name, command, in_millimetres(words, options)


def _careful(callback: Callable[..., Any]) -> Callable[..., Any]:
    """The command, once no path that it writes to is one that it reads, or another that it writes to.

    A path given as an argument is read; one given as an option is written.
    """

    @functools.wraps(callback)
    def careful(**words: Any) -> Any:
        paths: dict[str, list[Path]] = {"argument": [], "option": []}
        context = click.get_current_context()
        for parameter in context.command.params:
            given = words.get(parameter.name or "")
            for each in given if isinstance(given, tuple) else (given,):
                if isinstance(each, Path):
                    paths[parameter.param_type_name].append(each)
        check_apart(paths["argument"], paths["option"])
        return callback(**words)

    return careful


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(version=__version__, prog_name="tinewright")
def tinewright() -> None:
    """Hear a stick-stroked steel-tine instrument before the steel is cut.

    \b
    Example:
      tinewright check designs/test-piece.toml
      tinewright stroke designs/quay-rail.toml --group D2 -o low-d.wav
    """


def main() -> None:
    """Run the command that the process was called with and leave with its exit code."""
    streams.make_sound()
    gc.set_threshold(SELDOM)
    streams.end_process(run(sys.argv[1:]))


def run(words: Sequence[str]) -> int:
    """The exit code of one command: 0 done, 2 the input is wrong, 1 anything else."""
    try:
        return _done(words)
    except InputError as error:
        return _said(f"error: {error}", 2)
    except click.ClickException as error:
        return _said(f"error: {' '.join(error.format_message().split())}", 2)
    except (click.Abort, KeyboardInterrupt, EOFError):
        return _said(STOPPED, 1)
    except MemoryError:
        return _said("error: there is not enough memory for this; take fewer tines or seconds", 1)
    except ProcessLostError as error:
        return _said(STOPPED if streams.asked_to_stop() else f"error: {error}", 1)
    except Exception as error:
        return _failed(error)


def _failed(error: Exception) -> int:
    """The exit code after what went wrong outside the input. Raises it where nothing can be said of it."""
    if streams.asked_to_stop() and not isinstance(error, OSError):
        # compiled code, a library half loaded and Python's own import make errors of any kind of an interruption
        return _said(STOPPED, 1)
    if isinstance(error, BrokenPipeError):
        streams.give_up()  # the reader had enough; so be it
        return 0
    if isinstance(error, OSError):
        streams.give_up()
        where = error.filename or "standard output"
        code = 2 if error.errno == errno.ENAMETOOLONG else 1  # that is the name's fault, not the machine's
        return _said(f"error: {where}: cannot be read or written ({error.strerror or error})", code)
    raise error


def _done(words: Sequence[str]) -> int:
    """Not by `click.Command.main`, which calls a reader that had enough an error."""
    try:
        with tinewright.make_context("tinewright", list(words) or ["--help"]) as context:
            tinewright.invoke(context)
    except click.exceptions.Exit as ending:
        code = ending.exit_code
    else:
        code = 0
    if sys.stdout is not None:
        sys.stdout.flush()
    return code


def _said(line: str, code: int) -> int:
    print(line, file=sys.stderr)
    return code
