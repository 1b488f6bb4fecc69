"""Earlier runs of the same unit, from the journals beside this run and from the records where there are any.

A unit that is retried until it passes is seen as such: the journal's header counts every earlier visit.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from hilseq.errors import HilseqError
from hilseq.journal.entries import PriorRun
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import read_run
from hilseq.journal.writer import FILE_NAME

#: Findings of an earlier run that are named.
_MOST_FINDINGS = 5
#: Longest first line of a journal: it holds the texts of all files the run was given.
_HEADER = 16 << 20


def earlier_runs(folder: Path, part: str, serial: str, *, simulated: bool) -> tuple[PriorRun, ...]:
    """Return the earlier visits of a unit, oldest first, as the report shows them.

    `folder` is that of the run that is about to begin, whose neighbours are the other runs of this computer.
    Runs on a simulated stand and on hardware are never mixed. Records that cannot be reached are left out: a
    visit depends on nothing but its own computer.
    """
    found = {prior.run: prior for prior in _recorded(folder.parent, part, serial, simulated=simulated)}
    for record in _neighbours(folder, serial):
        for unit in record.units:
            if (unit.part, unit.serial) == (part, serial) and record.simulated == simulated:
                found[record.run] = PriorRun(
                    run=record.run,
                    started=record.started,
                    stand=record.stand,
                    disposition=record.final(unit),
                    findings=tuple(f"{one.place}: {one.what}" for one in unit.findings[:_MOST_FINDINGS]),
                )
    return tuple(sorted(found.values(), key=lambda prior: prior.started))


def part_of(runs: Path, serial: str) -> str:
    """Return the part number under which a serial number was tested last in a folder of runs, or an empty text."""
    needle = json.dumps(serial).encode("ascii")
    for journal in sorted(runs.glob(f"*/{FILE_NAME}"), reverse=True):
        with suppress(OSError, ValueError, KeyError, TypeError):
            with journal.open("rb") as lines:
                header = lines.readline(_HEADER)
            if needle in header:
                return next(
                    str(unit["part"]) for unit in json.loads(header)["units"] if unit["serial"] == serial
                )
    return ""


def _neighbours(folder: Path, serial: str) -> Iterator[RunState]:
    """Yield the record of every run beside `folder` whose header names the serial number."""
    needle = json.dumps(serial).encode("ascii")
    for journal in sorted(folder.parent.glob(f"*/{FILE_NAME}")):
        if journal.parent.resolve() == folder.resolve():
            continue
        with suppress(OSError, ValueError, HilseqError):
            with journal.open("rb") as lines:
                header = lines.readline(_HEADER)
            if needle in header:
                yield read_run(journal)


def _recorded(runs: Path, part: str, serial: str, *, simulated: bool) -> list[PriorRun]:
    """Return what the records say; nothing where there are none, or they cannot be reached."""
    if not os.environ.get("HILSEQ_RECORDS") and not (runs / "records.sqlite").is_file():
        return []
    try:
        from hilseq.records.database import open_database
        from hilseq.records.history.unit_history import visits_of

        with open_database(runs=runs, create=False, upgrade=False) as database:
            visits = visits_of(database, part, serial)
    except (ImportError, HilseqError):
        return []
    return [
        PriorRun(
            run=visit.run,
            started=visit.started.isoformat(timespec="seconds"),
            stand=visit.stand,
            disposition=visit.disposition,
            findings=tuple(f"{one.place}: {one.what}" for one in visit.findings[:_MOST_FINDINGS]),
        )
        for visit in visits
        if visit.simulated == simulated
    ]
