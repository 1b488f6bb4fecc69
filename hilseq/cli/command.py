"""What all commands share: the options that name stand and units, help that is never cut, and what follows `--`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

STAND = "HILSEQ_STAND"
StandOption = Annotated[Path, typer.Option("--stand", metavar="FILE", envvar=STAND, help="Stand file.")]
UnitOption = Annotated[
    list[str] | None,
    typer.Option(
        "--unit", metavar="[SLOT=]FILE", help="Profile of the unit in a slot: a file, or a part number."
    ),
]
#: What typer adds to the name of an argument: its type, which the help says in words.
_TYPE = re.compile(r" <[^<>]*>$")


def _rows(command: Any, ctx: Any, kind: str) -> Iterator[tuple[str, str]]:
    for parameter in command.get_params(ctx):
        record = parameter.get_help_record(ctx) if parameter.param_type_name == kind else None
        if record is not None:
            yield _TYPE.sub("", record[0]), record[1]


def _write_parameters(command: Any, ctx: Any, formatter: Any) -> None:
    for title, kind in (("Arguments", "argument"), ("Options", "option")):
        rows = list(_rows(command, ctx, kind))
        if rows:
            with formatter.section(title):
                formatter.write_dl(rows)


class CliCommand(TyperCommand):
    """A command; its help names each argument and option once, and says its type in words."""

    #: Key in the context's `meta` of what follows `--`.
    AFTER = "hilseq.after"

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options."""
        _write_parameters(self, ctx, formatter)


class PytestCommand(CliCommand):
    """A command that hands what follows `--` on to pytest."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put what follows `--` aside."""
        if "--" in args:
            place = args.index("--")
            args, ctx.meta[self.AFTER] = args[:place], args[place + 1 :]
        return super().parse_args(ctx, args)


class Group(TyperGroup):
    """A group of commands, each told in its whole first sentence."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands."""
        rows = []
        for name in self.list_commands(ctx):
            command = self.get_command(ctx, name)
            if command is not None and not command.hidden:
                rows.append((name, command.get_short_help_str(limit=10_000)))
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write options and commands."""
        _write_parameters(self, ctx, formatter)
        self.format_commands(ctx, formatter)
