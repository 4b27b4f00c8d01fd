"""The command line: a table of commands, each loaded when it is called, and the one place where errors end.

In: words. Out: results on standard output, progress on standard error, exit code 0, 2 (the input is wrong) or 1.
"""

from __future__ import annotations

import gc
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Final

import click

from synth.errors import InputError

# The commands in the order of the work; each is the module of that name here, which holds it as `command`.
COMMANDS: Final = (
    "check",
    "modes",
    "map",
    "board",
    "stroke",
    "play",
    "live",
    "compare",
    "strength",
    "trim",
    "tolerance",
    "cutlist",
    "template",
    "suggest",
    "measure",
    "calibrate",
    "tune",
)


class Commands(click.Group):
    """Commands by name, imported when needed, so that a quick command starts quickly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"synth.doors.cli.{cmd_name}").command
        return command


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="tinewright", prog_name="tinewright")
def tinewright() -> None:
    """Hear a stick-stroked steel-tine instrument before the steel is cut.

    \b
    Example:
      tinewright check designs/test-piece.toml
      tinewright stroke designs/quay-rail.toml --group "low D" -o low-d.wav
    """


def main() -> None:
    """Run the command that the process was called with and leave with its exit code."""
    code = run(sys.argv[1:])
    gc.freeze()  # what goes with the program need not be looked through first: 0.3 s
    sys.exit(code)


def run(words: Sequence[str]) -> int:
    """The exit code of one command: 0 done, 2 the input is wrong, 1 anything else."""
    try:
        code = tinewright.main(args=list(words), prog_name="tinewright", standalone_mode=False)
        sys.stdout.flush()
    except InputError as error:
        return _refuse(str(error))
    except click.ClickException as error:
        return _refuse(" ".join(error.format_message().split()))
    except (click.Abort, KeyboardInterrupt):
        print("stopped; no file was left half written", file=sys.stderr)
        return 1
    except MemoryError:
        print("error: there is not enough memory for this; take fewer tines or seconds", file=sys.stderr)
        return 1
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader had enough; so be it
        return 0
    return code if isinstance(code, int) else 0


def _refuse(line: str) -> int:
    print(f"error: {line}", file=sys.stderr)
    return 2
