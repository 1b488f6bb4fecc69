"""`hilseq history`: what the records tell of a unit, a part, a reading, the stands and the instruments."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import group_app
from hilseq.cli.records import Json, Records, reached, say_upgraded

if TYPE_CHECKING:
    from hilseq.records.history.answer import Answer, AnswerTable
    from hilseq.records.history.questions import Questions

Csv = Annotated[bool, typer.Option("--csv", help="The main table as CSV, on stdout.")]
Html = Annotated[
    Path | None,
    typer.Option("--html", metavar="FILE", help="Write an overview with plots that needs no network."),
]
Simulated = Annotated[
    bool, typer.Option("--simulated", help="Ask about simulated runs instead of those on hardware.")
]
Part = Annotated[str, typer.Argument(metavar="PART", help="Part of the unit, as in its profile.")]
Name = Annotated[str, typer.Argument(metavar="NAME", help="Name of the reading, as in the report.")]
Place = Annotated[str | None, typer.Option("--place", metavar="PLACE", help="Only at this place.")]
OfPart = Annotated[str | None, typer.Option("--part", metavar="PART", help="Only this part.")]

#: Rows of a table shown on a terminal; --csv and --json give all.
_MOST_ROWS = 40
#: Columns whose cells are all as short as a date with its time are never broken.
_SHORT = 18
#: Width where there is no terminal: nothing is broken for whoever reads it with another program.
_WIDE = 240


def make_history_app() -> typer.Typer:
    """Return the sub-commands of `hilseq history`."""
    return group_app(
        "Show what the records hold: a unit's history, a part's yield, a reading, the stands, the instruments.\n\n"
        "Example: hilseq history unit RH-0001",
        {
            "unit": unit_command,
            "part": part_command,
            "reading": reading_command,
            "stands": stands_command,
            "gauge": gauge_command,
            "retested": retested_command,
            "calibration-due": calibration_due_command,
        },
    )


def _answer(
    ask: Callable[[Questions], Answer], records: str | None, as_json: bool, as_csv: bool, html: Path | None
) -> None:
    """Ask the records and give the answer in the forms that were wanted."""
    from hilseq.errors import UsageError
    from hilseq.records.database import open_database
    from hilseq.records.history import answer as forms
    from hilseq.records.history.questions import Questions

    if as_json and as_csv:
        raise UsageError("--json and --csv both write to stdout: choose one")
    with reached(), open_database(records, create=False) as database:
        database.require_sound(thorough=False)
        say_upgraded(database)
        reported = ask(Questions(database))
        address = str(database)
    if html is not None:
        _write_page(reported, address, html)
    if as_json:
        typer.echo(forms.as_json(reported))
    elif as_csv:
        typer.echo(forms.as_csv(reported), nl=False)
    else:
        _print(reported, html)


def _write_page(reported: Answer, address: str, html: Path) -> None:
    from hilseq.errors import UsageError
    from hilseq.records.history.answer import render

    try:
        html.write_text(render(reported, address), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{html} cannot be written: {error.strerror}") from None


def _print(reported: Answer, html: Path | None) -> None:
    from rich.console import Console
    from rich.text import Text

    from hilseq.reports.sanitize import sanitize

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = _WIDE
    console.print(Text(sanitize(reported.title), style="bold"))
    for sentence in reported.sentences:
        console.print(Text(sanitize(sentence)))
    for table in reported.tables:
        console.print(Text(f"\n{sanitize(table.title)}", style="bold"))
        _print_table(console, table)
    if html is not None:
        console.print(Text(f"\noverview with plots: {html}"))


def _print_table(console: object, table: AnswerTable) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as Grid
    from rich.text import Text

    from hilseq.records.history.answer import show
    from hilseq.reports.sanitize import sanitize

    assert isinstance(console, Console)
    if not table.rows:
        console.print(Text(table.empty))
        return
    whole = not console.is_terminal or not table.brief
    shown = [n for n, column in enumerate(table.columns) if whole or column in table.brief]
    rows = table.rows[:_MOST_ROWS]
    grid = Grid(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for number in shown:
        numeric = all(isinstance(row[number], int | float) for row in rows)
        tight = numeric or all(len(show(row[number])) <= _SHORT for row in rows)
        grid.add_column(table.columns[number], justify="right" if numeric else "left", no_wrap=tight)
    for row in rows:
        grid.add_row(*(Text(sanitize(show(row[number]), 200)) for number in shown))
    console.print(grid)
    if len(table.rows) > len(rows) or not whole:
        left = len(table.rows) - len(rows)
        more = f"{left} more rows and all" if left and not whole else f"{left} more rows" if left else "All"
        console.print(Text(f"{more}{'' if whole else ' columns'}: --csv, --json or --html", style="dim"))


def unit_command(
    serial: Annotated[str, typer.Argument(metavar="SERIAL", help="Serial number of the unit.")],
    *,
    part: OfPart = None,
    simulated: Annotated[bool, typer.Option("--simulated", help="Only its simulated visits.")] = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """Show a unit's history: every visit, what was found, and the readings that moved.

    Visits on hardware and simulated ones are both shown, each with its kind, but for --simulated.

    Example: hilseq history unit RH-0001 --html history.html
    """
    _answer(lambda asked: asked.unit(serial, part, simulated=simulated), records, as_json, as_csv, html)


def part_command(
    part: Part,
    *,
    confidence: Annotated[
        float,
        typer.Option("--confidence", metavar="SHARE", min=0.5, max=0.999, help="Confidence of all bounds."),
    ] = 0.95,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """Show a part: first-pass yield, where and how it fails, what all starts and soaks prove together.

    Example: hilseq history part RH16 --simulated
    """
    _answer(
        lambda asked: asked.part(part, confidence=confidence, simulated=simulated),
        records,
        as_json,
        as_csv,
        html,
    )


def reading_command(
    part: Part,
    name: Name,
    *,
    place: Place = None,
    stand: Annotated[str | None, typer.Option("--stand", metavar="STAND", help="Only this stand.")] = None,
    last: Annotated[int, typer.Option("--last", metavar="N", min=2, help="Points of each chart.")] = 200,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """Show a reading of a part: its spread at each place, and control charts of those that need a look.

    Example: hilseq history reading RH16 "idle current"
    """
    _answer(
        lambda asked: asked.reading(part, name, place=place, stand=stand, last=last, simulated=simulated),
        records,
        as_json,
        as_csv,
        html,
    )


def stands_command(
    part: Part,
    name: Name,
    *,
    place: Place = None,
    last: Annotated[int, typer.Option("--last", metavar="N", min=2, help="Visits looked at.")] = 600,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """Compare the stands for one reading: does one differ, is one drifting.

    Example: hilseq history stands RH16 "idle current" --csv
    """
    _answer(
        lambda asked: asked.stands(part, name, place=place, last=last, simulated=simulated),
        records,
        as_json,
        as_csv,
        html,
    )


def retested_command(
    *,
    part: OfPart = None,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """List the units that failed and were tested again until they passed.

    Example: hilseq history retested --part RH16
    """
    _answer(lambda asked: asked.retested(part, simulated=simulated), records, as_json, as_csv, html)


def gauge_command(
    part: Part,
    name: Name,
    *,
    place: Place = None,
    by_stand: Annotated[
        bool, typer.Option("--by-stand", help="Compare whole stands instead of each slot of each stand.")
    ] = False,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """Show how much of the spread of a reading comes from the measurement, by analysis of variance.

    Repeatability in a slot, reproducibility between slots or stands. Takes the units that were measured at least twice
    in each of two slots or more; nothing may have been changed in them meanwhile.

    Example: hilseq history gauge RH16 "idle current"
    """
    _answer(
        lambda asked: asked.gauge(part, name, place=place, by_stand=by_stand, simulated=simulated),
        records,
        as_json,
        as_csv,
        html,
    )


def calibration_due_command(
    *,
    days: Annotated[int, typer.Option("--days", metavar="N", min=0, help="Due within so many days.")] = 30,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="As of this day, YYYY-MM-DD (default: today).")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Valid instruments too.")] = False,
    simulated: Simulated = False,
    records: Records = None,
    as_json: Json = False,
    as_csv: Csv = False,
    html: Html = None,
) -> None:
    """List the instruments whose calibration is overdue, or due soon, and the runs made after it ended.

    Example: hilseq history calibration-due --days 60 --json
    """
    today = _day(on)
    _answer(
        lambda asked: asked.calibrations_due(today, days, simulated=simulated, every=every),
        records,
        as_json,
        as_csv,
        html,
    )


def _day(text: str | None) -> date:
    if text is None:
        return datetime.now(UTC).date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        from hilseq.errors import UsageError

        raise UsageError(f"--on {text!r}: expected a day such as 2027-01-31") from None
