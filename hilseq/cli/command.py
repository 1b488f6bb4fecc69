"""What all commands share: the options that name stand and units, help that is never cut, and what follows `--`."""

from __future__ import annotations

import inspect
import re
import shutil
import sys
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar

import typer
from typer.core import TyperCommand, TyperGroup, TyperOption

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
#: No completion, markup or tracebacks of typer's own.
_OF_EVERY_APP: dict[str, Any] = {
    "add_completion": False,
    "rich_markup_mode": None,
    "pretty_exceptions_enable": False,
}
#: What typer says about a value that is none of its type.
_NO_VALUE = re.compile(r"^Input should be (.{1,200}?)(?:, unable .{1,200})?$")


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

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the command line; a value of another type is refused with what was expected."""
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            error.message = _NO_VALUE.sub(r"expected \1", error.message)
            raise

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options."""
        _write_parameters(self, ctx, formatter)


class PytestCommand(CliCommand):
    """A command that hands what follows `--` on to pytest."""

    #: The one option whose last value counts: whoever is given a line with a folder may name another.
    OUT = "--out"

    def _refuse_twice(self, ctx: Any, args: list[str]) -> None:
        """Raise BadParameter for an option of one value that is given twice: what is tested would be the last."""
        given = Counter(self.make_parser(ctx).parse_args(list(args))[2])
        for option, times in given.items():
            if not isinstance(option, TyperOption) or option.multiple or option.is_flag:
                continue
            if times > 1 and self.OUT not in option.opts:
                raise typer.BadParameter(f"it is given {times} times; expected it once", ctx, option)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put what follows `--` aside; an option that only pytest may know belongs there, a second value is refused."""
        if "--" in args:
            place = args.index("--")
            args, ctx.meta[self.AFTER] = args[:place], args[place + 1 :]
        try:
            self._refuse_twice(ctx, args)
            return super().parse_args(ctx, args)
        except typer.Exit:
            raise
        except Exception as error:
            unknown = getattr(error, "option_name", "")
            if unknown and not getattr(error, "possibilities", None):
                own = {name for each in self.params for name in each.opts}
                dashed = next(
                    (f"-{word}" for word in args if word.startswith(unknown) and f"-{word}" in own), ""
                )
                error.message = (  # type: ignore[attr-defined] # the library's error has no name of its own
                    f"No such option: {dashed[1:]}; did you mean {dashed}?"
                    if dashed
                    else f"No such option: {unknown}; options of pytest follow after --, as in: "
                    f"hilseq {ctx.info_name} ... -- {unknown}"
                )
            raise


#: What stands before the words of a line: spaces, a dash, or a short name with a colon.
_BEFORE = re.compile(r" *(?:- |[a-z ]{1,14}: +)?")


def say(text: object = "", *, err: bool = False) -> None:
    """Print lines; on a terminal each is broken between words, and what follows is set in below them."""
    stream = sys.stderr if err else sys.stdout
    columns = shutil.get_terminal_size().columns if stream is not None and stream.isatty() else 0
    for line in str(text).split("\n"):
        before = _BEFORE.match(line)
        inside = " " * (before.end() if before is not None and before.end() else 4)
        for part in (
            textwrap.wrap(
                line,
                columns,
                subsequent_indent=inside,
                drop_whitespace=True,
                replace_whitespace=False,
                break_long_words=False,
                break_on_hyphens=False,
            )
            if len(line) > columns > len(inside)
            else (line,)
        ):
            typer.echo(part, err=err)


def command_app(function: Callable[..., None], kind: type[CliCommand] = CliCommand) -> typer.Typer:
    """Return the app of one command."""
    app = typer.Typer(help=inspect.getdoc(function), **_OF_EVERY_APP)
    app.command(cls=kind)(function)
    return app


class Group(TyperGroup):
    """A group of commands; its help shows the whole first sentence of each."""

    #: Name -> app of a command whose parameters are made when it is asked for: the list needs its sentence only.
    apps: ClassVar[Mapping[str, typer.Typer]] = {}

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names, in the order in which they were given."""
        return [*self.apps, *(name for name in super().list_commands(ctx) if name not in self.apps)]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return a command, None where there is none of this name."""
        if cmd_name in self.apps and cmd_name not in self.commands:
            self.commands[cmd_name] = typer.main.get_command(self.apps[cmd_name])
        return super().get_command(ctx, cmd_name)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the command that the words name, with what follows; a misspelt name meets all of them."""
        if args[0] not in self.list_commands(ctx):
            for name in self.apps:
                self.get_command(ctx, name)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands."""
        rows = []
        for name in self.list_commands(ctx):
            app = self.apps.get(name)
            command = TyperCommand(name, help=app.info.help) if app else self.get_command(ctx, name)
            if not command.hidden:
                rows.append((name, command.get_short_help_str(limit=10_000)))
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write options and commands."""
        _write_parameters(self, ctx, formatter)
        self.format_commands(ctx, formatter)


def group_app(help_text: str, commands: Mapping[str, Callable[..., None]]) -> typer.Typer:
    """Return the app of a group of commands, in this order."""
    app = typer.Typer(cls=Group, help=help_text, no_args_is_help=True, **_OF_EVERY_APP)
    for name, function in commands.items():
        app.command(name, cls=CliCommand)(function)
    return app
