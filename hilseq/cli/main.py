"""`hilseq`: the commands, and the one place where errors become words and exit codes."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

import typer

import hilseq
from hilseq.cli.check import check_command
from hilseq.cli.command import Group, PytestCommand, command_app
from hilseq.cli.coverage import coverage_command
from hilseq.cli.demo import demo_command
from hilseq.cli.history import make_history_app
from hilseq.cli.init import init_command
from hilseq.cli.inspect import inspect_command
from hilseq.cli.plan import plan_command
from hilseq.cli.ready import ready_command
from hilseq.cli.records import make_records_app
from hilseq.cli.report import report_command
from hilseq.cli.resume import resume_command
from hilseq.cli.run import run_command
from hilseq.cli.safe import safe_command
from hilseq.cli.schema import schema_command
from hilseq.cli.serve import serve_command
from hilseq.cli.simulate import simulate_command
from hilseq.cli.stand import stand_command
from hilseq.cli.station import station_command
from hilseq.cli.verify import verify_command
from hilseq.cli.watch import watch_command
from hilseq.cli.wiring import make_wiring_app


class _Commands(Group):
    """The commands, in the order of the help."""

    apps: ClassVar[Mapping[str, typer.Typer]] = {
        "demo": command_app(demo_command),
        "run": command_app(run_command, PytestCommand),
        "station": command_app(station_command, PytestCommand),
        "resume": command_app(resume_command),
        "watch": command_app(watch_command),
        "inspect": command_app(inspect_command),
        "check": command_app(check_command),
        "init": command_app(init_command),
        "report": command_app(report_command),
        "verify": command_app(verify_command),
        "coverage": command_app(coverage_command),
        "plan": command_app(plan_command),
        "ready": command_app(ready_command),
        "safe": command_app(safe_command),
        "stand": command_app(stand_command),
        "schema": command_app(schema_command),
        "serve": command_app(serve_command),
        "simulate": command_app(simulate_command),
        "history": make_history_app(),
        "records": make_records_app(),
        "wiring": make_wiring_app(),
    }


app = typer.Typer(
    name="hilseq",
    help="Decide, unit by unit, whether a refurbished controller module may ship.\n\nExample: hilseq demo",
    no_args_is_help=True,
    cls=_Commands,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"hilseq {hilseq.__version__}")
        raise typer.Exit


def _debug(asked: bool) -> None:
    if asked:
        os.environ["HILSEQ_DEBUG"] = "1"


@app.callback()
def top(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version."
    ),
    debug: bool = typer.Option(False, "--debug", callback=_debug, help="Show tracebacks of errors."),
) -> None:
    """Take the options that stand before every command."""


#: Exit code of an error that nobody foresaw; sysexits.h calls it EX_SOFTWARE.
UNEXPECTED = 70


def _about(error: OSError) -> str:
    """Return what stood in the way, in words."""
    try:
        Path.cwd()
    except OSError:
        return "the present folder does not exist any more; change into another one"
    return f"{error.filename or 'the output'}: {error.strerror or error}"


def main() -> None:
    """Run the command line; errors of our own are one or two lines on stderr, never a traceback."""
    from hilseq.errors import (
        EXTRAS,
        DescriptionError,
        HilseqError,
        StandFault,
        StandInUse,
        UsageError,
        not_installed,
    )
    from hilseq.verdicts import ExitCode

    try:
        app()
    except HilseqError as error:
        if os.environ.get("HILSEQ_DEBUG"):
            raise
        print(f"hilseq: {error}", file=sys.stderr)
        if isinstance(error, DescriptionError | UsageError):
            sys.exit(int(ExitCode.USAGE))
        if isinstance(error, StandInUse):
            sys.exit(int(ExitCode.IN_USE))
        sys.exit(int(ExitCode.STAND_FAULT if isinstance(error, StandFault) else ExitCode.REPAIR))
    except OSError as error:
        # What is ours to write is met where it is written; this is the output, or a file we were given.
        if os.environ.get("HILSEQ_DEBUG"):
            raise
        print(f"hilseq: {_about(error)}", file=sys.stderr)
        sys.exit(int(ExitCode.USAGE))
    except Exception as error:
        if os.environ.get("HILSEQ_DEBUG"):
            raise
        package = str(getattr(error, "name", "")).partition(".")[0]
        if isinstance(error, ModuleNotFoundError) and package in EXTRAS:
            print(f"hilseq: {not_installed(package)}", file=sys.stderr)
            sys.exit(int(ExitCode.USAGE))
        words = f"{type(error).__name__}: {error}"
        print(
            f"hilseq: {words}\nThis should not happen; --debug before the command shows where.",
            file=sys.stderr,
        )
        sys.exit(UNEXPECTED)
