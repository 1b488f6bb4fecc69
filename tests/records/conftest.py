"""Databases to test on (SQLite and a real PostgreSQL), and journals made by the real writer."""

from __future__ import annotations

import itertools
import runpy
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hilseq.analysis.limits import ReadingVerdict
from hilseq.clock import WallClock
from hilseq.journal.entries import (
    CheckEnded,
    CheckStarted,
    EventLogged,
    InstrumentIdentified,
    MadeSafe,
    Reading,
    RunEnded,
    TableKept,
)
from hilseq.journal.writer import JournalWriter
from hilseq.records.database import Database, open_database
from hilseq.records.tables import runs, soak_minutes
from hilseq.verdicts import CheckVerdict, dispose, exit_code
from tests.journals import check_planned, run_started, unit

SERVER = runpy.run_path(str(Path(__file__).with_name("postgres_server.py")))
DAY_ONE = datetime(2026, 1, 5, 8, tzinfo=UTC)


# -- PostgreSQL, where there is one -------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgres() -> Iterator[Any]:
    if SERVER["binaries"]() is None:
        pytest.fail(f"no PostgreSQL server on this machine; install it: {SERVER['INSTALL']}")
    with SERVER["running"]() as server:
        yield server


_numbers = itertools.count(1)


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give an address with nothing there yet, on either database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return str(request.getfixturevalue("postgres").url(f"records_{next(_numbers)}"))


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    with open_database(url) as opened:
        yield opened


Minutes = Callable[..., list[tuple[Any, ...]]]


@pytest.fixture
def minutes_of() -> Minutes:
    """`minutes_of(database, run_key)`: (minute, signal, count, min, mean, max) as kept, by signal and minute."""

    def ask(database: Database, run_key: str, signal: str | None = None) -> list[tuple[Any, ...]]:
        names = ("minute", "signal", "count", "min", "mean", "max")
        query = (
            sa.select(*(soak_minutes.c[name] for name in names))
            .join(runs, runs.c.id == soak_minutes.c.run_id)
            .where(runs.c.key == run_key)
        )
        with database.reading() as connection:
            rows = [tuple(row) for row in connection.execute(query)]
        return sorted((row for row in rows if signal in (None, row[1])), key=lambda row: (row[1], row[0]))

    return ask


# -- journals -----------------------------------------------------------------------------------------


class _Clock(WallClock):
    """A clock that the test sets."""

    def __init__(self, start: datetime) -> None:
        super().__init__()
        self._start = start
        self._seconds = 0.0

    def now(self) -> float:
        return self._seconds

    def sleep(self, seconds: float) -> None:
        self._seconds += seconds

    def moment(self) -> datetime:
        return self._start + timedelta(seconds=self._seconds)


@dataclass(frozen=True)
class Measured:
    """One reading of a check."""

    name: str
    value: float | str
    unit: str = "A"
    low: float | None = 0.085
    high: float | None = 0.135
    uncertainty: float | None = 0.001
    place: str = ""
    verdict: str = "conforms"


@dataclass(frozen=True)
class Checked:
    """One check as a test writes it; `cold_starts` holds what went wrong with each, mostly nothing."""

    name: str = "test_10_power_on.py::test_current_when_idle"
    verdict: str = "passed"
    place: str = "supply"
    stage: str = "power-on"
    why: str = ""
    places: tuple[str, ...] = ()
    readings: tuple[Measured, ...] = ()
    cold_starts: tuple[str, ...] = ()


@dataclass
class Story:
    """One run to be written. `stop_after` checks leaves the journal without its end."""

    serial: str = "SN-1"
    part: str = "RH-16"
    stand: str = "north"
    at: datetime = DAY_ONE
    run: str = ""
    simulated: bool = False
    checks: Sequence[Checked] = field(default_factory=lambda: [Checked()])
    more_units: dict[str, tuple[str, str]] = field(default_factory=dict)
    instruments: Sequence[dict[str, Any]] = ()
    intake: dict[str, Any] = field(default_factory=dict)
    events: Sequence[tuple[str, str, str]] = ()
    stop_after: int | None = None


def tell_story(folder: Path, story: Story) -> Path:
    """Write the journal of a story with the real writer; return the run's folder."""
    writer = JournalWriter(folder)
    clock = _Clock(story.at)
    writer.clock = clock
    slots = {"left": (story.part, story.serial), **story.more_units}
    units = [unit(slot, serial, part, intake=story.intake) for slot, (part, serial) in slots.items()]
    header = {"stand": story.stand, "simulated": story.simulated}
    writer.write(run_started(*units, run=story.run or folder.name, **header))
    for instrument in story.instruments:
        known = {"what": "", "resource": "", "identity": "", "certificate": "", "due": ""}
        writer.write(InstrumentIdentified(**(known | instrument)))
    planned = [(slot, check) for slot in slots for check in story.checks]
    names = [
        f"{check.name}[{slot}-{check.place}]" if len(slots) > 1 else check.name for slot, check in planned
    ]
    for (slot, check), name in zip(planned, names, strict=True):
        known = {
            "sequence": "power on",
            "stage": check.stage,
            "title": "The unit is well",
            "place": check.place,
        }
        writer.write(check_planned(name, slot=slot, **known))
    for slot, what, text in story.events:
        writer.write(EventLogged(slot=slot, what=what, text=text))
    for number, ((slot, check), name) in enumerate(zip(planned, names, strict=True)):
        if story.stop_after is not None and number >= story.stop_after:
            writer.close()
            return folder
        _tell_check(writer, slot, check, name)
        clock.sleep(1.0)
    code = exit_code([dispose(CheckVerdict(check.verdict) for check in story.checks)])
    writer.write(MadeSafe(verified=True, by="run"))
    writer.write(RunEnded(exit_code=int(code), interrupted=False))
    writer.close()
    return folder


def _tell_check(writer: JournalWriter, slot: str, check: Checked, name: str) -> None:
    writer.write(CheckStarted(check=name))
    for reading in check.readings:
        writer.write(
            Reading(
                check=name,
                slot=slot,
                name=reading.name,
                value=reading.value,
                unit=reading.unit,
                uncertainty=reading.uncertainty,
                low=reading.low,
                high=reading.high,
                verdict=ReadingVerdict(reading.verdict),
                place=reading.place or check.place,
            )
        )
    if check.cold_starts:
        rows = tuple((number, wrong) for number, wrong in enumerate(check.cold_starts, 1))
        columns = ("cycle", "what went wrong")
        writer.write(TableKept(check=name, slot=slot, name="cold starts", columns=columns, rows=rows))
    verdict = CheckVerdict(check.verdict)
    writer.write(CheckEnded(check=name, verdict=verdict, why=check.why, places=check.places, seconds=1.0))


MakeRun = Callable[..., Path]


@pytest.fixture
def make_run(tmp_path: Path) -> MakeRun:
    """`make_run(serial="SN-1", checks=[…])`: a run folder under `runs`, named after its number."""
    count = itertools.count(1)

    def make(**story: Any) -> Path:
        return tell_story(tmp_path / "runs" / f"run-{next(count):04d}", Story(**story))

    return make


@pytest.fixture
def checked() -> type[Checked]:
    return Checked


@pytest.fixture
def measured() -> type[Measured]:
    return Measured


@pytest.fixture(scope="session")
def kit() -> dict[str, Any]:
    """Give the makers of journals to fixtures that outlive a test."""
    return {"Story": Story, "Checked": Checked, "Measured": Measured, "tell_story": tell_story}
