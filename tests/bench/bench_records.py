"""One million readings in the records: how long each question takes, on SQLite and on PostgreSQL.

Run it:  python tests/bench/bench_records.py [--readings N]

Prints milliseconds (the best and the worst of some repetitions, CPU of this process) and the ratio to a bare
SELECT count(*) of the readings. Asserts nothing about time: a machine is not a promise.
"""

from __future__ import annotations

import argparse
import os
import random
import runpy
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from hilseq.records import tables
from hilseq.records.database import Database, open_database
from hilseq.records.history.unit_history import visits_of
from hilseq.records.rows import COLD_STARTS, SOAK_HOURS

PARTS, STANDS, UNITS = 5, 4, 2500
#: (name, places, unit, mean): 100 readings a visit, in 20 checks.
QUANTITIES = (
    ("idle current", ["supply"], "A", 0.110),
    ("live current", ["supply"], "A", 0.240),
    ("time to ready", ["supply"], "s", 3.1),
    ("inrush", ["supply"], "A", 4.1),
    ("case temperature", ["unit"], "degC", 51.0),
    ("clock error", ["clock"], "ppm", 7.0),
    ("battery", ["battery"], "V", 3.05),
    ("on voltage", [f"q{n:02}" for n in range(32)], "V", 23.4),
    ("threshold", [f"i{n:02}" for n in range(32)], "V", 8.1),
    ("error", [f"ai{n}" for n in range(29)], "V", 0.0),
)
PER_CHECK = 5
REPETITIONS = 5
BATCH = 20_000
DAY_ONE = datetime(2024, 1, 1, tzinfo=UTC)


def _batches(rows: Iterator[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    while batch := list(islice(rows, BATCH)):
        yield batch


class Filler:
    """Makes the rows of a factory of some years; the same seed gives the same rows on both databases."""

    def __init__(self, number: int) -> None:
        self.random = random.Random(7)
        self.flat = [(name, place, unit, mean) for name, places, unit, mean in QUANTITIES for place in places]
        self.visits = max(1, number // len(self.flat))
        self.checks_each = -(-len(self.flat) // PER_CHECK)
        chance = [self.random.random() for _ in range(self.visits)]
        self.dispositions = ["ship" if c < 0.8 else "repair" if c < 0.95 else "incomplete" for c in chance]
        self.unit_of = [self.random.randrange(UNITS) for _ in range(self.visits)]

    def started(self, visit: int) -> datetime:
        return DAY_ONE + timedelta(minutes=40 * visit)

    def tables(self) -> Iterator[tuple[sa.Table, Iterator[dict[str, Any]]]]:
        yield tables.stands, ({"id": n + 1, "name": f"stand {n}"} for n in range(STANDS))
        yield (
            tables.units,
            ({"id": n + 1, "part": f"PART-{n % PARTS}", "serial": f"SN-{n:05}"} for n in range(UNITS)),
        )
        yield tables.series, self._series()
        yield (
            tables.instruments,
            (
                {
                    "id": n + 1,
                    "stand_id": n // 5 + 1,
                    "name": f"instrument {n % 5}",
                    "identity": f"ID {n}",
                    "what": "",
                }
                for n in range(STANDS * 5)
            ),
        )
        yield (
            tables.calibrations,
            (
                {
                    "id": n + 1,
                    "instrument_id": n % (STANDS * 5) + 1,
                    "certificate": f"C{n}",
                    "due": f"202{4 + n // 20}-06-01",
                }
                for n in range(STANDS * 5 * 3)
            ),
        )
        yield tables.runs, (self._run(n) for n in range(self.visits))
        yield tables.visits, (self._visit(n) for n in range(self.visits))
        yield (
            tables.uses,
            (
                {
                    "run_id": n + 1,
                    "calibration_id": (n % STANDS) * 5 + k + 1 + 20 * (3 * n // self.visits),
                    "resource": "",
                }
                for n in range(self.visits)
                for k in range(5)
            ),
        )
        yield (
            tables.exposures,
            (
                {"visit_id": n + 1, "what": what, "amount": amount, "failures": int(n % 97 == 0)}
                for n in range(self.visits)
                for what, amount in ((COLD_STARTS, 30.0), (SOAK_HOURS, 72.0))
            ),
        )
        yield tables.checks, self._checks()
        yield tables.findings, self._findings()
        yield tables.readings, self._readings()

    def _series(self) -> Iterator[dict[str, Any]]:
        for part in range(PARTS):
            for n, (name, place, unit, _) in enumerate(self.flat):
                yield {
                    "id": part * len(self.flat) + n + 1,
                    "part": f"PART-{part}",
                    "name": name,
                    "place": place,
                    "stage": "outputs",
                    "kind": f"check {n // PER_CHECK}",
                    "unit": unit,
                }

    def _run(self, n: int) -> dict[str, Any]:
        return {
            "id": n + 1,
            "key": sha256(str(n).encode()).hexdigest(),
            "stand_id": n % STANDS + 1,
            "run": f"run {n}",
            "hilseq": "0.1.0",
            "started": self.started(n),
            "ended": self.started(n) + timedelta(minutes=30),
            "simulated": False,
            "complete": True,
            "interrupted": False,
            "exit_code": 0,
            "state": "whole",
            "state_text": "",
            "chain": "",
            "lines": 300,
        }

    def _visit(self, n: int) -> dict[str, Any]:
        return {
            "id": n + 1,
            "run_id": n + 1,
            "unit_id": self.unit_of[n] + 1,
            "slot": "a",
            "started": self.started(n),
            "simulated": False,
            "description": "",
            "rule": "guarded",
            "intake": "{}",
            "disposition": self.dispositions[n],
            "decided": self.dispositions[n] != "incomplete",
        }

    def _checks(self) -> Iterator[dict[str, Any]]:
        for n in range(self.visits):
            for k in range(self.checks_each):
                yield {
                    "id": n * self.checks_each + k + 1,
                    "visit_id": n + 1,
                    "position": k,
                    "check": f"c.py::test_{k}",
                    "kind": f"check {k}",
                    "sequence": "outputs",
                    "stage": "outputs",
                    "title": "A point follows",
                    "place": f"q{k:02}",
                    "gate": False,
                    "verdict": "passed",
                    "why": "",
                    "seconds": 1.0,
                }

    def _findings(self) -> Iterator[dict[str, Any]]:
        for n in range(self.visits):
            if self.dispositions[n] == "repair":
                place = int(self.random.paretovariate(1.0)) % 32
                yield {
                    "visit_id": n + 1,
                    "position": 0,
                    "stage": "outputs",
                    "kind": f"check {place % 20}",
                    "place": f"q{place:02}",
                    "what": "does not follow",
                    "blames": "unit",
                }

    def _readings(self) -> Iterator[dict[str, Any]]:
        for n in range(self.visits):
            part, at = self.unit_of[n] % PARTS, self.started(n)
            for k, (_, _, _, mean) in enumerate(self.flat):
                value = self.random.gauss(mean, 0.02 * mean)
                yield {
                    "check_id": n * self.checks_each + k // PER_CHECK + 1,
                    "series_id": part * len(self.flat) + k + 1,
                    "visit_id": n + 1,
                    "at": at + timedelta(seconds=k),
                    "value": value,
                    "text": None,
                    "uncertainty": 0.002,
                    "low": mean * 0.9 - 0.1,
                    "high": mean * 1.1 + 0.1,
                    "verdict": "conforms",
                    "probability": None,
                }

    def fill(self, database: Database) -> float:
        begun = time.perf_counter()
        for table, rows in self.tables():
            for batch in _batches(rows):
                with database.writing() as connection:
                    connection.execute(sa.insert(table), batch)
        with database.writing() as connection:
            connection.exec_driver_sql("ANALYZE")
        if database.is_postgres:
            vacuum(database.url)
        return time.perf_counter() - begun


def vacuum(url: sa.URL) -> None:
    """Do at once what a server's autovacuum does by itself within minutes of an import."""
    engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql("VACUUM")
    engine.dispose()


def questions(database: Database) -> dict[str, Callable[[], object]]:
    """Return each question as a function to be timed."""
    from hilseq.records.history.calibrations import calibrations_due
    from hilseq.records.history.part import first_pass, pareto, pooled, retested
    from hilseq.records.history.reading import reading_history
    from hilseq.records.history.stands import compare_stands
    from hilseq.records.history.unit_history import unit_history

    part = "PART-1"
    return {
        "unit life": lambda: unit_history(database, "SN-00421"),
        "earlier runs": lambda: visits_of(database, part, "SN-00421"),
        "first-pass yield": lambda: first_pass(database, part),
        "failure pareto": lambda: pareto(database, part),
        "pooled starts and MTBF": lambda: pooled(database, part),
        "reading, 1 place": lambda: reading_history(database, part, "idle current"),
        "reading, 32 places": lambda: reading_history(database, part, "on voltage"),
        "stands, 1 place": lambda: compare_stands(database, part, "idle current"),
        "stands, 32 places": lambda: compare_stands(database, part, "on voltage"),
        "retested, all parts": lambda: retested(database),
        "calibration due": lambda: calibrations_due(database, date(2026, 6, 10)),
    }


def count_readings(database: Database) -> int:
    """Ask the bare question that the others are compared with."""
    with database.reading() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(tables.readings)).scalar_one())


def timed(question: Callable[[], object]) -> tuple[float, float, float]:
    """Return the best and worst of some repetitions and the least CPU time of this process, in milliseconds.

    The first, uncounted one warms the caches. On a busy machine the CPU time tells what SQLite needs.
    """
    question()
    taken, busy = [], []
    for _ in range(REPETITIONS):
        begun, worked = time.perf_counter(), time.process_time()
        question()
        taken.append(1000 * (time.perf_counter() - begun))
        busy.append(1000 * (time.process_time() - worked))
    return min(taken), max(taken), min(busy)


def bench(name: str, url: str, filler: Filler) -> None:
    with open_database(url) as database:
        seconds = filler.fill(database)
        baseline, _, _ = timed(lambda: count_readings(database))
        print(f"\n{name}: {count_readings(database)} readings, filled in {seconds:.0f} s")
        print(f"{'question':<24}{'best ms':>9}{'worst ms':>10}{'cpu ms':>8}{'x count':>9}")
        print(f"{'SELECT count(*)':<24}{baseline:>9.1f}")
        for words, question in questions(database).items():
            best, worst, busy = timed(question)
            print(f"{words:<24}{best:>9.1f}{worst:>10.1f}{busy:>8.1f}{best / baseline:>9.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    number = parser.parse_args().readings
    server = runpy.run_path(str(Path(__file__).parents[1] / "records" / "postgres_server.py"))
    print(f"{os.cpu_count()} cores; {number} readings")
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="hilseq-bench-"))
        bench("SQLite", f"sqlite:///{folder}/records.sqlite", Filler(number))
        if server["binaries"]() is None:
            print(f"PostgreSQL left out: {server['INSTALL']}")
            return
        postgres = stack.enter_context(server["running"]())
        bench("PostgreSQL", postgres.url("bench"), Filler(number))


if __name__ == "__main__":
    main()
