"""Opening the records: a SQLite file beside the runs, or a PostgreSQL that many stands share.

Where: what the command line says, else the environment HILSEQ_RECORDS, else `records.sqlite` in the
runs folder. Opening brings the tables up to date. Every error of the database comes out as
RecordsUnreachable (try later) or RecordsUnusable (do something), with the address but never the password.

HilseqError
├── RecordsUnreachable   the database does not answer: nothing is lost, sync later
├── JournalRefused       the journal was changed after it was written, or lost: it proves nothing
├── NothingToImport      the run was killed before its first line was on the disk
└── UsageError
    └── RecordsUnusable  the database answers, but is too new, too old or no records at all
"""

from __future__ import annotations

import os
import re
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, InterfaceError, OperationalError
from sqlalchemy.pool import NullPool

from hilseq.errors import HilseqError, UsageError

ENVIRONMENT = "HILSEQ_RECORDS"
FILE_NAME = "records.sqlite"
RUNS_FOLDER = Path("runs")

#: Seconds a new connection to a server may take, and another writer may be waited for.
CONNECT_SECONDS = 5
WAIT_SECONDS = 60

#: A SQLite file up to this size, bytes, is looked through with each question: it takes a tenth of a second or two.
SMALL = 100_000_000

#: The newest revision in `migrations/versions`; here, so that opening need not load Alembic. A test compares.
NEWEST = "0004"

#: Any fixed number: two stands that open an old PostgreSQL at once upgrade one after the other.
_UPGRADE_LOCK = 0x68696C73

#: What SQLite says about a file that cannot be used now; whatever else it says means that the file is not as it was.
_NOT_NOW = ("locked", "busy", "unable to open", "disk I/O", "readonly", "disk is full", "interrupted")

_WRITES = "hilseq_writes"
_POSTGRES: Mapping[str, Any] = MappingProxyType(
    {
        "connect_timeout": CONNECT_SECONDS,
        # Histories sum ranges of an index that fits in memory: no price for jumping about, no sorting on disk.
        "options": f"-c lock_timeout={WAIT_SECONDS * 1000} -c timezone=UTC -c random_page_cost=1.1 -c work_mem=32MB",
        # A server that vanished is noticed after 15 s without acknowledgement, not after the kernel's 15 min.
        "tcp_user_timeout": 15_000,
        "application_name": "hilseq",
    }
)


class RecordsUnreachable(HilseqError):  # noqa: N818 (it says what is the matter)
    """The database cannot be reached now. The journals stay where they are; sync again later."""


class JournalRefused(HilseqError):  # noqa: N818 (as above)
    """The journal contradicts its own hash chain, or another copy of itself, or has lost its lines."""


class NothingToImport(HilseqError):  # noqa: N818 (as above)
    """The journal holds no whole line yet."""


class RecordsUnusable(UsageError):  # noqa: N818 (as above)
    """The database answers, but these records cannot be used by this version of hilseq."""


def address(where: str | Path | None = None, runs: Path = RUNS_FOLDER) -> URL:
    """Return the database's URL: `where`, else HILSEQ_RECORDS, else the file in the folder `runs`.

    A path is taken for a SQLite file. Raises UsageError for an address of another kind.
    """
    text = str(where or os.environ.get(ENVIRONMENT) or runs / FILE_NAME)
    if "://" not in text:
        if re.match(r"(?:postgres|sqlite|mysql)\w*(?:\+\w+)?(?::/|//)", text):  # an address that lacks a sign
            raise UsageError(f"{_masked(text)!r} is neither a file nor an address of a database; {_EXPECTED}")
        return URL.create("sqlite", database=text)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise UsageError(f"{_masked(text)!r} is no address of a database; {_EXPECTED}") from None
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    if url.drivername not in ("sqlite", "postgresql+psycopg"):
        raise UsageError(f"records cannot be kept in {url.drivername!r}; {_EXPECTED}")
    return url


def _masked(text: str) -> str:
    """Return an address without whatever stands before its host: a password may be anywhere in there."""
    scheme, _, rest = text.partition("://")
    return f"{scheme}://…@{rest.rpartition('@')[2]}" if "@" in rest else text


_EXPECTED = "expected a file name, sqlite:///FILE, or postgresql+psycopg://USER@HOST/DATABASE"


def _file_of(url: URL) -> Path | None:
    return Path(url.database) if url.drivername == "sqlite" and url.database not in (None, "") else None


def _prepare_sqlite(raw: sqlite3.Connection, _record: object) -> None:
    raw.isolation_level = None  # transactions are begun by _begin_sqlite, not guessed by the driver
    for pragma in (
        f"busy_timeout={WAIT_SECONDS * 1000}",
        "synchronous=NORMAL",  # with WAL: sound after a power cut; the journals are the durable truth
        "foreign_keys=ON",
        "cache_size=-65536",
    ):
        raw.execute(f"PRAGMA {pragma}").close()
    until = time.monotonic() + WAIT_SECONDS
    while True:  # several may make the file at once, and for this change SQLite does not wait by itself
        try:
            raw.execute("PRAGMA journal_mode=WAL").close()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)
        else:
            return


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _make_engine(url: URL) -> Engine:
    if url.drivername == "sqlite":
        engine = sa.create_engine(url, poolclass=NullPool if _file_of(url) else None)
        sa.event.listen(engine, "connect", _prepare_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
        return engine
    return sa.create_engine(url, connect_args=dict(_POSTGRES), pool_pre_ping=True)


def shown(url: URL) -> str:
    """Return an address as people see it, without its password."""
    file = _file_of(url)
    return str(file) if file else url.set(query={}).render_as_string(hide_password=True)


class Database:
    """The records at one address. Close it, or use it as a context."""

    def __init__(self, url: URL) -> None:
        self.url = url
        #: What opening did to older tables, in words; empty when they were up to date.
        self.upgraded = ""
        self._engine = _make_engine(url)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __str__(self) -> str:
        """Return the address without the password."""
        return shown(self.url)

    @property
    def is_postgres(self) -> bool:
        """Return whether this is PostgreSQL."""
        return self._engine.dialect.name == "postgresql"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view of the records."""
        level = (
            {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True} if self.is_postgres else {}
        )
        with self._translated(), self._engine.connect().execution_options(**level) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: everything in it is kept, or nothing."""
        engine = self._engine.execution_options(**{_WRITES: True})
        with self._translated(), engine.begin() as connection:
            yield connection

    def require_sound(self, *, thorough: bool) -> None:
        """Look through a SQLite file: a damaged one may count less, or more, than was put into it.

        Unless it is to be thorough, files larger than `SMALL` are left out, and indexes not compared with their
        tables, which takes ten times as long. What a server keeps is for the server to look after. Raises
        RecordsUnusable.
        """
        file = _file_of(self.url)
        if file is None or (not thorough and file.stat().st_size > SMALL):
            return
        with self.reading() as connection:
            look = "integrity_check" if thorough else "quick_check"
            found = connection.exec_driver_sql(f"PRAGMA {look}(1)").scalar()
        if found != "ok":
            raise self._damaged(str(found).splitlines()[-1])

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (OperationalError, InterfaceError) as error:
            if _file_of(self.url) is not None and not any(words in str(error.orig) for words in _NOT_NOW):
                raise self._damaged(_first_line(error)) from error
            raise RecordsUnreachable(
                f"the records at {self} cannot be reached: {_first_line(error)}; nothing is "
                "lost, the journals stay where they are: run `hilseq records sync` when it answers again"
            ) from error
        except DatabaseError as error:
            if "not a database" in str(error.orig):
                raise RecordsUnusable(
                    f"{self} is no SQLite file; set it aside and make it anew from the journals: "
                    "hilseq records rebuild; or give another address with --records"
                ) from error
            if _file_of(self.url) is not None:
                raise self._damaged(_first_line(error)) from error
            raise
        # The driver reads its own words, and dates, from the file.
        except ValueError as error:
            if _file_of(self.url) is None or not (
                isinstance(error, UnicodeDecodeError) or "datetime" in str(error)
            ):
                raise
            raise self._damaged(str(error)) from error

    def _damaged(self, why: str) -> RecordsUnusable:
        return RecordsUnusable(
            f"the records at {self} are damaged ({why}); the journals are not: "
            "hilseq records rebuild sets the file aside and makes it anew from them"
        )


def _first_line(error: DatabaseError | InterfaceError) -> str:
    lines = str(error.orig or error).strip().splitlines()
    return lines[0].strip() if lines else type(error).__name__


def open_database(
    where: str | Path | None = None, *, runs: Path = RUNS_FOLDER, upgrade: bool = True, create: bool = True
) -> Database:
    """Open the records and bring their tables up to date.

    With `upgrade=False` older tables raise RecordsUnusable, which names the command that upgrades them; with
    `create=False` a SQLite file that is not there does, and names the one that makes it. Raises
    RecordsUnreachable, RecordsUnusable, or UsageError for a wrong address.
    """
    url = address(where, runs)
    file = _file_of(url)
    if file is not None and not create and not file.is_file():
        raise RecordsUnusable(f"there are no records at {file} yet; `hilseq records sync` makes them")
    if file is not None and create:
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{file.parent} cannot be made for the records: {error.strerror}") from None
    database = Database(url)
    try:
        require_current(database, upgrade=upgrade)
    except BaseException:
        database.close()
        raise
    return database


def set_aside(where: str | Path | None = None, runs: Path = RUNS_FOLDER) -> Path | None:
    """Rename a SQLite file of records, with what lies beside it, and return its new name; None where there is none.

    Raises UsageError for a database that is no file of ours, or a file that cannot be renamed.
    """
    url = address(where, runs)
    file = _file_of(url)
    if file is None:
        raise UsageError(
            f"{shown(url)} is no file that could be set aside; expected records in a SQLite file"
        )
    if not file.exists():
        return None
    aside = file.with_name(f"{file.name}.aside-{datetime.now(UTC):%Y%m%d-%H%M%S}")
    if aside.exists():
        raise UsageError(f"{aside} is there already; try again in a second")
    try:
        for ending in ("-wal", "-shm", ""):
            part = file.with_name(file.name + ending)
            if part.exists():
                part.rename(aside.with_name(aside.name + ending))
    except OSError as error:
        raise UsageError(f"{file} cannot be set aside: {error.strerror}") from None
    return aside


# -- the tables, brought up to date with Alembic -------------------------------------------------------


def revision(connection: Connection) -> str | None:
    """Return the revision of the tables; None when there are no records yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return str(found) if found is not None else None


def bring_up_to_date(database: Database) -> tuple[str | None, str]:
    """Bring the tables up to date; return the revision before and after.

    All or nothing, and safe when several processes do it at once. Raises RecordsUnusable when the
    records were made by a newer hilseq.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", "hilseq.records:migrations")
    with database.writing() as connection:
        if database.is_postgres:
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_UPGRADE_LOCK)))
        before = revision(connection)
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if before is not None and before not in known:
            raise _too_new(database, before)
        if before != NEWEST:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    return before, NEWEST


def require_current(database: Database, *, upgrade: bool) -> None:
    """Make sure that the tables are the newest. Raises RecordsUnusable when they are not and must stay."""
    with database.reading() as connection:
        found = revision(connection)
    if found == NEWEST:
        return
    if upgrade:
        before, after = bring_up_to_date(database)
        if before is not None:
            database.upgraded = f"the tables at {database} were brought from revision {before} to {after}"
        return
    if found is not None and found > NEWEST:
        raise _too_new(database, found)
    raise RecordsUnusable(
        f"the records at {database} have tables of revision {found or 'none'}, this hilseq needs {NEWEST}; "
        "run `hilseq records upgrade`"
    )


def _too_new(database: Database, found: str) -> RecordsUnusable:
    return RecordsUnusable(
        f"the records at {database} were made by a newer hilseq (tables of revision {found}, this one knows "
        f"up to {NEWEST}); install that version here too: nothing was changed"
    )
