"""`hilseq`: the commands, and the one place where errors become words and exit codes."""

from __future__ import annotations

import os
import sys

import typer

import hilseq
from hilseq.cli.check import check_command
from hilseq.cli.command import CliCommand, Group, PytestCommand
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

app = typer.Typer(
    name="hilseq",
    help="Decide, unit by unit, whether a refurbished controller module may ship.",
    no_args_is_help=True,
    cls=Group,
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
        False, "--version", callback=_version, is_eager=True, help="Say the version."
    ),
    debug: bool = typer.Option(False, "--debug", callback=_debug, help="Show tracebacks of errors."),
) -> None:
    """Decide, unit by unit, whether a refurbished controller module may ship.

    Start with:  hilseq demo
    """


app.command("demo", cls=CliCommand)(demo_command)
app.command("run", cls=PytestCommand)(run_command)
app.command("station", cls=PytestCommand)(station_command)
app.command("resume", cls=CliCommand)(resume_command)
app.command("watch", cls=CliCommand)(watch_command)
app.command("inspect", cls=CliCommand)(inspect_command)
app.command("check", cls=CliCommand)(check_command)
app.command("init", cls=CliCommand)(init_command)
app.command("report", cls=CliCommand)(report_command)
app.command("verify", cls=CliCommand)(verify_command)
app.command("coverage", cls=CliCommand)(coverage_command)
app.command("plan", cls=CliCommand)(plan_command)
app.command("ready", cls=CliCommand)(ready_command)
app.command("safe", cls=CliCommand)(safe_command)
app.command("stand", cls=CliCommand)(stand_command)
app.command("schema", cls=CliCommand)(schema_command)
app.command("serve", cls=CliCommand)(serve_command)
app.command("simulate", cls=CliCommand)(simulate_command)
app.add_typer(make_history_app(), name="history")
app.add_typer(make_records_app(), name="records")
app.add_typer(make_wiring_app(), name="wiring")


#: Exit code of an error that nobody foresaw; sysexits.h calls it EX_SOFTWARE.
UNEXPECTED = 70


def main() -> None:
    """Run the command line; errors of our own are one or two lines on stderr, never a traceback."""
    from hilseq.errors import DescriptionError, HilseqError, StandFault, StandInUse, UsageError
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
        where = error.filename or "the output"
        print(f"hilseq: {where}: {error.strerror or error}", file=sys.stderr)
        sys.exit(int(ExitCode.USAGE))
    except Exception as error:
        if os.environ.get("HILSEQ_DEBUG"):
            raise
        words = f"{type(error).__name__}: {error}"
        print(
            f"hilseq: {words}\nThis should not happen; --debug before the command shows where.",
            file=sys.stderr,
        )
        sys.exit(UNEXPECTED)
