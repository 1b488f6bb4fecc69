"""Store and forward: every run folder of a stand into the records, whenever these can be reached; and what waits."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from hilseq.errors import HilseqError, UsageError
from hilseq.journal.writer import FILE_NAME
from hilseq.open_files import LONGEST_HEADER, open_plain
from hilseq.records.database import (
    Database,
    NothingToImport,
    RecordsUnreachable,
    address,
    open_database,
    revision,
    shown,
)
from hilseq.records.importing import Imported, ImportOutcome, import_run, look_at, place_of
from hilseq.records.tables import (
    copies,
    readings,
    runs,
    soak_minutes,
    stands,
    units,
    visits,
)

_TAIL_BYTES = 65536
#: By the key of a run: its last chain value, and by folder how its sample files looked when it came in.
Known = dict[str, tuple[str, dict[str, str]]]


@dataclass(slots=True)
class Synchronised:
    """What a sync did.

    `refused` are journals that prove nothing, with the reason; `empty` hold no line yet; `waiting` are
    those that could not be imported because the database did not answer: `warning` says what to do.
    """

    address: str
    imported: list[Imported] = field(default_factory=list)
    unchanged: int = 0
    refused: list[tuple[Path, str]] = field(default_factory=list)
    empty: list[Path] = field(default_factory=list)
    waiting: list[Path] = field(default_factory=list)
    warning: str = ""


def journals_in(folder: Path) -> list[Path]:
    """Return the journals anywhere under a folder of runs, by name."""
    return sorted(folder.rglob(FILE_NAME))


def sync(folder: Path, url: str | None = None) -> Synchronised:
    """Import every run under `folder` that the records do not have yet, or have a shorter copy of.

    So is a run whose sample files have other sizes or dates than when it came in: they may not be those that its
    journal has sealed any more, and then its units are worth less. The others are not read.

    An unreachable database is no error: the result carries a warning, and the next sync takes up what waits.
    Raises UsageError for a folder that is not there or an address that cannot be one.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder} is no folder of runs; give the one `hilseq run` writes to (--runs)")
    journals = journals_in(folder)
    result = Synchronised(address=shown(address(url, folder)))
    try:
        with open_database(url, runs=folder) as database:
            result.address = str(database)
            known = _known(database)
            for number, path in enumerate(journals):
                result.waiting = journals[number:]
                _take(database, path, known, result)
        result.waiting = []
    except RecordsUnreachable as error:
        result.waiting = result.waiting or journals
        result.warning = str(error)
    return result


def waiting_in(database: Database, folder: Path) -> list[Path]:
    """Return the runs under a folder that a sync would look into: new, longer, or with other samples."""
    known = _known(database)
    return [path for path in journals_in(folder) if not _is_known(path, known)]


def _is_known(path: Path, known: Known) -> bool:
    """Return whether the records have this journal to its last line, and its sample files look as they did then."""
    ends = _ends(path)
    if ends is None or ends[0] not in known:
        return False
    chain, looks = known[ends[0]]
    return ends[1] == chain and looks.get(place_of(path)) == look_at(path.parent)


def _take(database: Database, path: Path, known: Known, result: Synchronised) -> None:
    if _is_known(path, known):
        result.unchanged += 1
        return
    try:
        imported = import_run(database, path)
    except NothingToImport:
        result.empty.append(path)
    except RecordsUnreachable:
        raise
    except HilseqError as error:
        result.refused.append((path, str(error)))
    else:
        if imported.outcome is ImportOutcome.UNCHANGED:
            result.unchanged += 1
        else:
            result.imported.append(imported)


def _known(database: Database) -> Known:
    """Return of each run in the records, by its key, the last chain value, and how its copies looked."""
    query = sa.select(runs.c.key, runs.c.chain, copies.c.place, copies.c.look).outerjoin(
        copies, copies.c.run_id == runs.c.id
    )
    known: Known = {}
    with database.reading() as connection:
        for row in connection.execute(query):
            _, looks = known.setdefault(row.key, (row.chain, {}))
            if row.place is not None:
                looks[row.place] = row.look
    return known


def _ends(path: Path) -> tuple[str, str] | None:
    """Return the chain values of a journal's first and last line without reading what is between.

    None when either is not plain to see; then the whole journal is read.
    """
    try:
        with open_plain(path) as file:
            first = file.readline(LONGEST_HEADER)
            file.seek(max(0, file.seek(0, 2) - _TAIL_BYTES))
            *_, last = _whole_lines(file.read())
        return str(json.loads(first)["chain"]), str(json.loads(last)["chain"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _whole_lines(tail: bytes) -> Iterator[bytes]:
    if not tail.endswith(b"\n"):
        return  # torn: what state it is in is for the importer to say
    yield from tail.splitlines()


# -- what is in the records, and what waits outside ---------------------------------------------------


@dataclass(frozen=True, slots=True)
class RecordsStatus:
    """`rows` counts tables; `states` counts runs by the state of their journal; `waiting` are not in yet."""

    address: str
    revision: str
    rows: dict[str, int]
    states: dict[str, int]
    last_run: datetime | None
    waiting: list[Path]


def status(database: Database, folder: Path | None = None) -> RecordsStatus:
    """Return what the records hold, and which journals under a folder are not in them."""
    by_state = sa.select(runs.c.state, sa.func.count()).group_by(runs.c.state)
    with database.reading() as connection:
        found = revision(connection) or "none"
        rows = {
            table.name: connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
            for table in (stands, units, runs, visits, readings, soak_minutes)
        }
        states: dict[str, int] = dict(connection.execute(by_state).all())
        last = connection.execute(sa.select(sa.func.max(runs.c.started))).scalar()
    waiting = waiting_in(database, folder) if folder is not None and folder.is_dir() else []
    return RecordsStatus(str(database), found, rows, dict(sorted(states.items())), last, waiting)
