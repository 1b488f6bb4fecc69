"""`hilseq records`: the database of all runs; filling it, looking after it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import group_app

if TYPE_CHECKING:
    from hilseq.records.database import Database
    from hilseq.records.importing import Imported
    from hilseq.records.synchronising import Synchronised

#: Exit codes of the records and history commands, beside 0 and 2 (usage).
REFUSED, UNREACHABLE = 1, 3

Records = Annotated[
    str | None,
    typer.Option(
        "--records",
        metavar="ADDRESS",
        help="Records: a file, or postgresql+psycopg://USER@HOST/DATABASE (default: HILSEQ_RECORDS, else "
        "records.sqlite in the runs folder).",
        show_default=False,
    ),
]
Runs = Annotated[Path, typer.Option("--runs", metavar="DIR", help="Folder of runs.")]
Json = Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")]


def make_records_app() -> typer.Typer:
    """Return the sub-commands of `hilseq records`."""
    return group_app(
        "The database of all runs: bring journals in, look after it.\n\nExample: hilseq records sync",
        {
            "sync": sync_command,
            "import": import_command,
            "rebuild": rebuild_command,
            "upgrade": upgrade_command,
            "status": status_command,
        },
    )


@contextmanager
def reached() -> Iterator[None]:
    """Turn records that cannot be reached into one line on stderr and exit code 3."""
    from hilseq.records.database import RecordsUnreachable

    try:
        yield
    except RecordsUnreachable as error:
        typer.echo(f"hilseq: {error}", err=True)
        raise typer.Exit(UNREACHABLE) from None


def say_upgraded(database: Database) -> None:
    """Tell on stderr that opening changed the tables."""
    if database.upgraded:
        typer.echo(f"hilseq: {database.upgraded}", err=True)


def sync_command(*, records: Records = None, runs: Runs = Path("runs"), as_json: Json = False) -> None:
    """Bring in every run of a folder that the records do not have yet, or have a shorter copy of.

    A run that they have is read again when the sizes or dates of its sample files have changed: where they are no
    longer those that its journal has sealed, its unit is incomplete in the records too. Damage that changes
    neither is found by `hilseq records import RUN` and `hilseq verify`, which read every byte.

    Safe to repeat, and from many stands at once. Records that cannot be reached cost a warning, no more.

    Exit code: 0 done, 1 a journal was refused, 2 bad option or file, 3 the records cannot be reached now.

    Example: hilseq records sync --runs runs
    """
    from hilseq.records.synchronising import sync

    result = sync(runs, records)
    if as_json:
        _print_json(result)
    else:
        _say_synchronised(result)
    if result.warning:
        typer.echo(f"hilseq: {result.warning}", err=True)
        raise typer.Exit(UNREACHABLE)
    raise typer.Exit(REFUSED if result.refused else 0)


def _say_synchronised(result: Synchronised) -> None:
    for imported in result.imported:
        _say_imported(imported)
    for path, why in result.refused:
        typer.echo(f"refused    {_plain(path)}: {_plain(why)}")
    for path in result.empty:
        typer.echo(f"empty      {_plain(path)}: no whole line yet")
    changed = sum(imported.outcome == "changed" for imported in result.imported)
    counts = [f"{len(result.imported) - changed} brought in", f"{result.unchanged} unchanged"]
    counts += [f"{changed} with other samples"] if changed else []
    counts += [f"{len(result.refused)} refused"] if result.refused else []
    counts += [f"{len(result.waiting)} wait"] if result.waiting else []
    typer.echo(", ".join(counts) + (f": {result.address}" if result.address else ""))


def _say_imported(imported: Imported) -> None:
    state = f" ({imported.state}: {imported.state_text})" if imported.state_text else ""
    typer.echo(f"{imported.outcome!s:<10} {_plain(imported.run)}{_plain(state)}")
    for words in filter(None, (imported.other, imported.samples_fault)):
        typer.echo(f"hilseq: {_plain(imported.run)}: {_plain(words)}", err=True)


def _plain(words: object) -> str:
    from hilseq.reports.sanitize import sanitize

    return sanitize(words)


def _print_json(value: object) -> None:
    from hilseq.records.history.answer import Answer, as_json

    typer.echo(as_json(Answer("", [], [], data=value)))


def import_command(
    run: Annotated[list[Path], typer.Argument(metavar="RUN…", help="Folders or journals of runs.")],
    *,
    records: Records = None,
    as_json: Json = False,
) -> None:
    """Bring in the journals of these runs; repeated, or in any order, the records are the same.

    The samples of a soak are compared with their seals each time: damaged, they release no unit. Of two journals of
    one run the first is kept, unless a stand that is known here has signed the other one only: that takes its place.

    Exit code: 0 done, 1 a journal was refused, 2 bad option or file, 3 the records cannot be reached now.

    Example: hilseq records import runs/20261125-0930-RH-0001
    """
    from hilseq.records.database import JournalRefused, NothingToImport, open_database
    from hilseq.records.importing import import_run

    done, refused = [], False
    with reached(), open_database(records) as database:
        say_upgraded(database)
        for path in run:
            try:
                done.append(import_run(database, path))
            except (JournalRefused, NothingToImport) as error:
                typer.echo(f"hilseq: {_plain(error)}", err=True)
                refused = True
            else:
                if not as_json:
                    _say_imported(done[-1])
    if as_json:
        _print_json(done)
    raise typer.Exit(REFUSED if refused else 0)


def rebuild_command(*, records: Records = None, runs: Runs = Path("runs"), as_json: Json = False) -> None:
    """Set the file of the records aside, damaged or not, and make it anew from the journals of a folder of runs.

    Nothing is deleted: the old file keeps its place under another name. What is in no journal under --runs any more is
    in the old file only.

    Exit code: as hilseq records sync.

    Example: hilseq records rebuild --runs runs
    """
    from hilseq.errors import UsageError
    from hilseq.records.database import set_aside

    if not runs.is_dir():
        raise UsageError(f"{runs} is no folder of runs; give the one `hilseq run` writes to (--runs)")
    aside = set_aside(records, runs)
    if aside is not None:
        typer.echo(f"hilseq: the records there were are set aside as {aside}", err=True)
        _carry_heads(aside, records, runs)
    sync_command(records=records, runs=runs, as_json=as_json)


def _carry_heads(aside: Path, records: str | None, runs: Path) -> None:
    """Keep what the old records had seen as a witness, where it can still be read."""
    from hilseq.errors import HilseqError
    from hilseq.records.database import open_database
    from hilseq.records.heads import carry_heads

    try:
        with open_database(records, runs=runs) as database:
            carry_heads(aside, database)
    except HilseqError:
        typer.echo(
            f"hilseq: what {aside} had seen of journals cannot be read: no witness of before", err=True
        )


def upgrade_command(*, records: Records = None) -> None:
    """Bring the tables up to date. Every other command does it too; this one does nothing else.

    Example: hilseq records upgrade --records lab.sqlite
    """
    from hilseq.records.database import open_database

    with reached(), open_database(records) as database:
        typer.echo(database.upgraded or f"the tables at {database} are up to date")


def status_command(*, records: Records = None, runs: Runs = Path("runs"), as_json: Json = False) -> None:
    """Show what the records hold, and which runs of the folder are not in them yet.

    A file that is damaged is reported. A value that was changed in the database is not seen: what proves a run is its
    journal, by `hilseq verify`, and `hilseq records rebuild` makes the records anew from the journals.

    Example: hilseq records status --json
    """
    from hilseq.records.database import open_database
    from hilseq.records.synchronising import status

    with reached(), open_database(records, runs=runs, upgrade=False, create=False) as database:
        database.require_sound(thorough=True)
        found = status(database, runs)
    if as_json:
        _print_json(found)
        return
    typer.echo(f"records at {found.address}, tables of revision {found.revision}")
    typer.echo(", ".join(f"{number} {table.replace('_', ' ')}" for table, number in found.rows.items()))
    if found.last_run is not None:
        states = ", ".join(f"{number} {state}" for state, number in found.states.items())
        typer.echo(f"journals: {states}; last run {found.last_run:%Y-%m-%d %H:%M} UTC")
    if found.waiting:
        typer.echo(
            f"{len(found.waiting)} runs in {runs} are not imported yet, or their samples have changed: "
            "run `hilseq records sync`"
        )
