"""The command line: `feedsim COMMAND`."""

from __future__ import annotations

import json
import os
import re
import sys
from typing import NoReturn

import click

from feedsim.cli.codes import (
    BAD_INPUT,
    DONE,
    INTERRUPTED,
    PART_FAILED,
    PROGRAM_FAULT,
    TARGET_MISSED,
)
from feedsim.cli.documents import error_document
from feedsim.cli.lazy_group import LazyGroup
from feedsim.cli.outlets import settled_streams
from feedsim.version import VERSION

COMMANDS = {
    "new": "write a commented starter config",
    "check": "is a config sound, what it resolves to, what it costs to run",
    "run": "what a cell does: OEE and its parts, losses by cause, visits",
    "capacity": "OEE, dry time and operator visits over magazine capacity",
    "size": "the smallest magazine that meets stated targets, or why none does",
    "rounds": "the longest round interval, and the most machines, that keep stated targets",
    "film": "OEE, visits and lane faults over the miss rate or the film's stiffness",
    "compare": "two configs on the same luck: the difference, and how sure it is",
    "sweep": "any keys varied together, and the best of their settings",
    "sensitivity": "which input to measure first: how far the answers move with each",
    "account": "a plant's event log read into the same accounts: OEE, losses, stops",
    "fit": "inputs from a plant's records: a film model, stations from a stop log",
    "stiffness": "bending stiffness of a film from its layers, or from a bending test",
    "trial": "acceptance trials: how many picks or hours, and what a result shows",
    "replay": "one shift, event by event: log, picture, and a page to step through",
    "report": "one self-contained HTML page about a finished study",
    "show": "a config key or a measure explained: unit, default, range, meaning, source",
    "verify": "the package proves itself on this machine: theory, engines, balances, intervals",
}


class Commands(LazyGroup):
    """All commands of the program."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; click's exit code 1 for a broken pipe means something else here."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            # No reader's, who may go (see outlets.py): a pipe to another process.
            raise ConnectionError("a pipe to another process broke; run it again") from error


@click.group(
    cls=Commands,
    meanings=COMMANDS,
    modules="feedsim.cli.",
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(VERSION, prog_name="feedsim", message="%(prog)s %(version)s")
@click.pass_context
def feedsim(context: click.Context) -> None:
    """Simulate bag feeding on packing machines.

    How many bags must a lane of the magazine hold, how often must somebody come by, what do
    mis-picks and stops cost? Each answer comes with its confidence interval.

    \b
    Start with:
      feedsim new mycell.toml
      feedsim check mycell.toml
      feedsim capacity mycell.toml

    Exit codes: 0 done, 1 done but a stated target is not met, 2 bad input, 3 part of the work
    failed, 4 a fault of the program, 130 interrupted.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main() -> NoReturn:
    """Run the command line and exit with its code."""
    os.environ["MPLBACKEND"] = "agg"  # there may be no screen to draw on
    with settled_streams() as stdout:
        code = _code_of_command()
        if stdout is not None and stdout.failure is not None and code in (DONE, TARGET_MISSED):
            code = PART_FAILED
            reason = stdout.failure.strerror
            click.echo(f"feedsim: the answer could not be printed in full: {reason}", err=True)
    sys.exit(code)


def _code_of_command() -> int:
    try:
        return feedsim.main(standalone_mode=False) or DONE
    except SystemExit:
        raise
    except BaseException as error:  # every way out has its own code and one clear line
        code, message = _explain(error)
        if "--json" in sys.argv and code != INTERRUPTED:
            click.echo(json.dumps(error_document(message)))
        else:
            click.echo(message, err=True)
        return code


def _comma_hint(error: click.ClickException, message: str) -> str:
    """What to say where a number was written with a comma."""
    number = re.search(r"'(-?\d+,\d+)'", message)
    if number is None or not isinstance(error, click.BadParameter):
        return ""
    from feedsim.config.reading import comma_hint

    return comma_hint(number[1])


def _explain(error: BaseException) -> tuple[int, str]:
    """Exit code and message of an error."""
    if isinstance(error, KeyboardInterrupt | click.Abort):
        return INTERRUPTED, "feedsim: interrupted"
    if isinstance(error, click.ClickException):
        message = error.format_message()
        hint = _comma_hint(error, message)
        return BAD_INPUT, f"feedsim: {message.removesuffix('.') if hint else message}{hint}"
    from concurrent.futures.process import BrokenProcessPool

    from feedsim.executors import WorkersGone
    from feedsim.mistakes import Mistake
    from feedsim.study import OtherProgramError

    if isinstance(error, Mistake):
        return BAD_INPUT, str(error)
    if isinstance(error, OtherProgramError | WorkersGone):
        return PART_FAILED, f"feedsim: {error}"
    if isinstance(error, MemoryError):
        return PART_FAILED, "feedsim: the memory is used up: take fewer settings or replications"
    if isinstance(error, BrokenProcessPool):
        return PART_FAILED, f"feedsim: a worker process ended ({error}); run it again or --jobs 1"
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return PART_FAILED, f"feedsim: {where}{error.strerror or error}"
    import traceback

    last = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{os.path.basename(last.filename)}:{last.lineno}"
    return PROGRAM_FAULT, (
        f"feedsim: a fault of the program, please report it with the config: "
        f"{type(error).__name__}: {error} ({where})"
    )
