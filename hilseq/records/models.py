"""The tables of the records.

A *run* has one *visit* per unit; a visit has *checks*; a check has *readings* and, when it found
something, the visit has *findings*. Readings of the same quantity (same part, check, name, place and unit of
measure) form a *series*: what a control chart draws. An *instrument* used in a run is noted with the
*calibration* it had then.

What a unit is called never depends on the order of import: rows are found by their natural keys, and the
numbers that join them mean nothing outside the database.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

from sqlalchemy import (
    BigInteger,
    Boolean,
    Date,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Instant(TypeDecorator[datetime]):
    """An aware date in UTC on every database: SQLite keeps none, PostgreSQL answers in its own zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return what the database keeps."""
        if value is None:
            return None
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the aware date."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


#: Rows that come by the million; SQLite counts its own rows only in a column called INTEGER.
Big = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    """Common to all tables."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it as it stands
        str: Text(),
        float: Double(),
        bool: Boolean(),
        datetime: Instant(),
        date: Date(),
    }


class Stand(Base):
    """A bench, by the name in its stand file."""

    __tablename__ = "stands"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class Unit(Base):
    """A unit that has been on a stand."""

    __tablename__ = "units"
    __table_args__ = (UniqueConstraint("part", "serial"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    part: Mapped[str]
    serial: Mapped[str] = mapped_column(index=True)


class Run(Base):
    """One journal.

    `key` is the chain value of its first line, which no two runs share and no growth changes; `chain` and
    `lines` are those of its last whole line; `state` is a word of `rows.State`, and `state_text` says more.
    """

    __tablename__ = "runs"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    stand_id: Mapped[int] = mapped_column(ForeignKey("stands.id"), index=True)
    run: Mapped[str] = mapped_column(index=True)
    hilseq: Mapped[str]
    started: Mapped[datetime]
    ended: Mapped[datetime]
    simulated: Mapped[bool]
    complete: Mapped[bool]
    interrupted: Mapped[bool]
    exit_code: Mapped[int]
    state: Mapped[str]
    state_text: Mapped[str]
    chain: Mapped[str]
    lines: Mapped[int]


class Copy(Base):
    """A folder in which a run was found, and its sample files then.

    `look` holds names, sizes and dates; `wrong` is JSON: by slot, in what they are not those that were sealed.
    """

    __tablename__ = "copies"

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True)
    place: Mapped[str] = mapped_column(primary_key=True)
    look: Mapped[str]
    wrong: Mapped[str]


class Visit(Base):
    """One unit's part in one run.

    `decided` tells whether the visit judged the unit: something failed, or everything passed in a whole run.
    `started` and `simulated` repeat the run's, so that a unit's life is read from one index. `damage` says what is
    wrong with the samples of its soak; the disposition takes it into account.
    """

    __tablename__ = "visits"
    __table_args__ = (UniqueConstraint("run_id", "slot"), Index(None, "unit_id", "started"))

    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"))
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"))
    slot: Mapped[str]
    started: Mapped[datetime]
    simulated: Mapped[bool]
    description: Mapped[str]
    rule: Mapped[str]
    intake: Mapped[str]
    disposition: Mapped[str]
    decided: Mapped[bool]
    damage: Mapped[str] = mapped_column(server_default="")


class Check(Base):
    """One line of the verdict. `kind` is the check without the place it was done at."""

    __tablename__ = "checks"
    __table_args__ = (UniqueConstraint("visit_id", "position"),)

    id: Mapped[int] = mapped_column(Big, primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id", ondelete="CASCADE"))
    position: Mapped[int]
    check: Mapped[str]
    kind: Mapped[str]
    sequence: Mapped[str]
    stage: Mapped[str]
    title: Mapped[str]
    place: Mapped[str]
    gate: Mapped[bool]
    verdict: Mapped[str]
    why: Mapped[str]
    seconds: Mapped[float]


class Finding(Base):
    """One fault found at one place; `blames` is `unit` or `stand`."""

    __tablename__ = "findings"
    __table_args__ = (UniqueConstraint("visit_id", "position"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id", ondelete="CASCADE"))
    position: Mapped[int]
    stage: Mapped[str]
    kind: Mapped[str]
    place: Mapped[str]
    what: Mapped[str]
    blames: Mapped[str]


class Exposure(Base):
    """What a visit adds to the proof of all units: so many cold starts or soak hours, failures among them."""

    __tablename__ = "exposures"

    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id", ondelete="CASCADE"), primary_key=True)
    what: Mapped[str] = mapped_column(primary_key=True)
    amount: Mapped[float]
    failures: Mapped[int]


class Series(Base):
    """One quantity of one type of unit, measured visit after visit."""

    __tablename__ = "series"
    __table_args__ = (UniqueConstraint("part", "name", "place", "stage", "kind", "unit"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    part: Mapped[str]
    name: Mapped[str]
    place: Mapped[str]
    stage: Mapped[str]
    kind: Mapped[str]
    unit: Mapped[str]


class Reading(Base):
    """One measured value; `text` holds what is not a finite number. `uncertainty` is expanded (k = 2).

    The index holds all that sums need, so that a million readings are summed up without being read.
    `visit_id` repeats the check's: sums need no checks. It is no foreign key, because it always goes with the
    check's and would need an index of its own.
    """

    __tablename__ = "readings"
    __table_args__ = (Index(None, "series_id", "visit_id", "value", "verdict"), Index(None, "check_id"))

    id: Mapped[int] = mapped_column(Big, primary_key=True)
    check_id: Mapped[int] = mapped_column(ForeignKey("checks.id", ondelete="CASCADE"))
    series_id: Mapped[int] = mapped_column(ForeignKey("series.id"))
    visit_id: Mapped[int]
    at: Mapped[datetime]
    value: Mapped[float | None]
    text: Mapped[str | None]
    uncertainty: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    verdict: Mapped[str]
    probability: Mapped[float | None]


class Event(Base):
    """Something that happened; `slot` is empty when it concerns the whole stand."""

    __tablename__ = "events"
    __table_args__ = (UniqueConstraint("run_id", "position"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"))
    position: Mapped[int]
    slot: Mapped[str]
    at: Mapped[datetime]
    what: Mapped[str]
    text: Mapped[str]


class SoakMinute(Base):
    """The samples of one signal in one minute of a soak, rolled up; `minute` counts from the soak's start."""

    __tablename__ = "soak_minutes"

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True)
    signal: Mapped[str] = mapped_column(primary_key=True)
    minute: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    count: Mapped[int]
    min: Mapped[float]
    mean: Mapped[float]
    max: Mapped[float]


class Instrument(Base):
    """An instrument at its place on a stand; another identity at the same place is another instrument."""

    __tablename__ = "instruments"
    __table_args__ = (UniqueConstraint("stand_id", "name", "identity"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    stand_id: Mapped[int] = mapped_column(ForeignKey("stands.id"))
    name: Mapped[str]
    identity: Mapped[str]
    what: Mapped[str]


class Calibration(Base):
    """A certificate of an instrument; `due` is empty when none was stated."""

    __tablename__ = "calibrations"
    __table_args__ = (UniqueConstraint("instrument_id", "certificate", "due"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    instrument_id: Mapped[int] = mapped_column(ForeignKey("instruments.id"))
    certificate: Mapped[str]
    due: Mapped[str]


class Use(Base):
    """An instrument, with the calibration it had, was used in a run."""

    __tablename__ = "uses"

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True)
    calibration_id: Mapped[int] = mapped_column(ForeignKey("calibrations.id"), primary_key=True, index=True)
    resource: Mapped[str]
