"""The tables of the records, and inserting what may already be there.

A *run* has one *visit* per unit; a visit has *checks*; a check has *readings* and, when it found
something, the visit has *findings*. Readings of the same quantity (same part, check, name, place and unit of
measure) form a *series*: what a control chart draws. An *instrument* used in a run is noted with the
*calibration* it had then.

What a unit is called never depends on the order of import: rows are found by their natural keys, and the
numbers that join them mean nothing outside the database.

Foreign text made fit for every database: visible, valid and, where it names something, short.

Serials, places and identities come from keyboards, files and instruments. PostgreSQL refuses the
character NUL and, like SQLite, text that is no Unicode; its indexes refuse entries above 2704 bytes
(a third of a page, PostgreSQL manual, B-tree limits).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection

from hilseq.reports.sanitize import sanitize as shown


class Instant(sa.TypeDecorator[datetime]):
    """An aware date in UTC on every database: SQLite keeps none, PostgreSQL answers in its own zone."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Return what the database keeps."""
        if value is None:
            return None
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Return the aware date."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


#: Rows that come by the million; SQLite counts its own rows only in a column called INTEGER.
_BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id(kind: sa.types.TypeEngine[int] | type[sa.Integer] = sa.Integer) -> sa.Column[int]:
    return sa.Column("id", kind, primary_key=True)


def _column(name: str, kind: Any, *more: Any, null: bool = False, **options: Any) -> sa.Column[Any]:
    return sa.Column(name, kind, *more, nullable=null, **options)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [_column(name, sa.Text) for name in names]


def _of(table: str, *, key: bool = False, index: bool = False) -> sa.Column[int]:
    """Return the column that points to a table; what belongs to a run or a visit goes with it."""
    cascade = "CASCADE" if table in ("runs", "visits", "checks") else None
    target = sa.ForeignKey(f"{table}.id", ondelete=cascade)
    return _column(f"{table[:-1]}_id", sa.Integer, target, primary_key=key, index=index)


#: Benches, by the name in their stand file.
stands = sa.Table("stands", metadata, _id(), _column("name", sa.Text, unique=True))

#: Units that have been on a stand.
units = sa.Table(
    "units",
    metadata,
    _id(),
    _column("part", sa.Text),
    _column("serial", sa.Text, index=True),
    sa.UniqueConstraint("part", "serial"),
)

#: One journal each. `key` is the chain value of its first line, which no two runs share and no growth changes;
#: `chain` and `lines` are those of its last whole line; `state` is a `RunStatus`, and `state_text` says more.
runs = sa.Table(
    "runs",
    metadata,
    _id(),
    _column("key", sa.Text, unique=True),
    _of("stands", index=True),
    _column("run", sa.Text, index=True),
    _column("hilseq", sa.Text),
    _column("started", Instant),
    _column("ended", Instant),
    _column("simulated", sa.Boolean),
    _column("complete", sa.Boolean),
    _column("interrupted", sa.Boolean),
    _column("exit_code", sa.Integer),
    *_texts("state", "state_text", "chain"),
    _column("lines", sa.Integer),
)

#: What the records have seen of a journal, as a witness: that it had so many `lines`, the last with this `chain` value,
#: and the public key that has signed that, where one has. Only added to: triggers refuse the rest, and no run that is
#: forgotten takes its heads with it.
heads = sa.Table(
    "heads",
    metadata,
    _column("run_key", sa.Text, primary_key=True),
    _column("lines", sa.Integer, primary_key=True, autoincrement=False),
    _column("chain", sa.Text, primary_key=True),
    _column("stand", sa.Text),
    _column("run", sa.Text, index=True),
    _column("signed_by", sa.Text),
)

#: A folder in which a run was found, and its sample files then. `look` holds names, sizes and dates; `wrong` is JSON:
#: by slot, in what they are not those that were sealed.
copies = sa.Table(
    "copies",
    metadata,
    _of("runs", key=True),
    _column("place", sa.Text, primary_key=True),
    *_texts("look", "wrong"),
)

#: One unit's part in one run. `decided` tells whether the visit judged the unit: something failed, or everything
#: passed in a whole run. `started` and `simulated` repeat the run's, so that a unit's history is read from one index.
#: `damage` says what is wrong with the samples of its soak; the disposition takes it into account.
visits = sa.Table(
    "visits",
    metadata,
    _id(),
    _of("runs"),
    _of("units"),
    _column("slot", sa.Text),
    _column("started", Instant),
    _column("simulated", sa.Boolean),
    *_texts("description", "rule", "intake", "disposition"),
    _column("decided", sa.Boolean),
    _column("damage", sa.Text, server_default=""),
    sa.UniqueConstraint("run_id", "slot"),
    sa.Index(None, "unit_id", "started"),
)

#: One line of the verdict. `kind` is the check without the place it was done at.
checks = sa.Table(
    "checks",
    metadata,
    _id(_BIG),
    _of("visits"),
    _column("position", sa.Integer),
    *_texts("check", "kind", "sequence", "stage", "title", "place"),
    _column("gate", sa.Boolean),
    *_texts("verdict", "why"),
    _column("seconds", sa.Double),
    sa.UniqueConstraint("visit_id", "position"),
)

#: One fault found at one place; `blames` is `unit` or `stand`.
findings = sa.Table(
    "findings",
    metadata,
    _id(),
    _of("visits"),
    _column("position", sa.Integer),
    *_texts("stage", "kind", "place", "what", "blames"),
    sa.UniqueConstraint("visit_id", "position"),
)

#: What a visit adds to the proof of all units: so many cold starts or soak hours, failures among them.
exposures = sa.Table(
    "exposures",
    metadata,
    _of("visits", key=True),
    _column("what", sa.Text, primary_key=True),
    _column("amount", sa.Double),
    _column("failures", sa.Integer),
)

#: One quantity of one type of unit, measured visit after visit.
series = sa.Table(
    "series",
    metadata,
    _id(),
    *_texts("part", "name", "place", "stage", "kind", "unit"),
    sa.UniqueConstraint("part", "name", "place", "stage", "kind", "unit"),
)

#: One measured value; `text` holds what is not a finite number. `uncertainty` is expanded (k = 2). The index holds all
#: that sums need, so that a million readings are summed up without being read. `visit_id` repeats the check's: sums
#: need no checks. It is no foreign key, because it always goes with the check's and would need an index of its own.
readings = sa.Table(
    "readings",
    metadata,
    _id(_BIG),
    _column("check_id", _BIG, sa.ForeignKey("checks.id", ondelete="CASCADE")),
    _column("series_id", sa.Integer, sa.ForeignKey("series.id")),
    _column("visit_id", sa.Integer),
    _column("at", Instant),
    _column("value", sa.Double, null=True),
    _column("text", sa.Text, null=True),
    *(_column(name, sa.Double, null=True) for name in ("uncertainty", "low", "high")),
    _column("verdict", sa.Text),
    _column("probability", sa.Double, null=True),
    sa.Index(None, "series_id", "visit_id", "value", "verdict"),
    sa.Index(None, "check_id"),
)

#: Something that happened; `slot` is empty when it concerns the whole stand.
events = sa.Table(
    "events",
    metadata,
    _id(),
    _of("runs"),
    _column("position", sa.Integer),
    _column("slot", sa.Text),
    _column("at", Instant),
    *_texts("what", "text"),
    sa.UniqueConstraint("run_id", "position"),
)

#: The samples of one signal in one minute of a soak; `minute` counts from the soak's start.
soak_minutes = sa.Table(
    "soak_minutes",
    metadata,
    _of("runs", key=True),
    _column("signal", sa.Text, primary_key=True),
    _column("minute", sa.Integer, primary_key=True, autoincrement=False),
    _column("count", sa.Integer),
    *(_column(name, sa.Double) for name in ("min", "mean", "max")),
)

#: An instrument at its place on a stand; another identity at the same place is another instrument.
instruments = sa.Table(
    "instruments",
    metadata,
    _id(),
    _of("stands"),
    *_texts("name", "identity", "what"),
    sa.UniqueConstraint("stand_id", "name", "identity"),
)

#: A certificate of an instrument; `due` is empty when none was stated.
calibrations = sa.Table(
    "calibrations",
    metadata,
    _id(),
    _of("instruments"),
    *_texts("certificate", "due"),
    sa.UniqueConstraint("instrument_id", "certificate", "due"),
)

#: An instrument, with the calibration it had, was used in a run.
uses = sa.Table(
    "uses",
    metadata,
    _of("runs", key=True),
    _column("calibration_id", sa.Integer, sa.ForeignKey("calibrations.id"), primary_key=True, index=True),
    _column("resource", sa.Text),
)


# -- inserting -----------------------------------------------------------------------------------------


def insert_for(connection: Connection, table: sa.Table) -> postgresql.Insert | sqlite.Insert:
    """Return an insert that knows `on_conflict_do_nothing` and `on_conflict_do_update`, in either dialect."""
    make = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    return make(table)


def ids_of(
    connection: Connection, table: sa.Table, key: Sequence[str], rows: Iterable[Mapping[str, Any]]
) -> dict[tuple[Any, ...], int]:
    """Return the id of each row, found by its natural key; rows not there yet are inserted.

    New rows go in in the order of their keys, so that two imports that meet never wait for each other.
    """
    wanted = {tuple(row[column] for column in key): dict(row) for row in rows}
    if not wanted:
        return {}
    columns = [table.c[column] for column in key]
    query = sa.select(table.c.id, *columns).where(columns[0].in_({value[0] for value in wanted}))

    def known() -> dict[tuple[Any, ...], int]:
        return {tuple(values): number for number, *values in connection.execute(query)}

    found = known()
    missing = sorted(set(wanted) - set(found))
    if missing:
        insert = insert_for(connection, table).on_conflict_do_nothing(index_elements=list(key))
        connection.execute(insert, [wanted[value] for value in missing])
        found = known()
    return {value: found[value] for value in wanted}


#: Six names of this length, four bytes a character, still fit one index entry of PostgreSQL.
LONGEST_NAME = 100
_LONGEST_TEXT = 20_000
_MARK = 12


def sanitize(value: object) -> str:
    """Return the text with everything that cannot be printed made visible; empty for None."""
    return "" if value is None else shown(value, _LONGEST_TEXT)


def name(value: object) -> str:
    """Return the text as a name: visible, and cut to LONGEST_NAME with a mark that keeps it distinct."""
    text = sanitize(value)
    if len(text) <= LONGEST_NAME:
        return text
    mark = hashlib.sha256(text.encode()).hexdigest()[:_MARK]
    return f"{text[: LONGEST_NAME - _MARK - 1]}~{mark}"
