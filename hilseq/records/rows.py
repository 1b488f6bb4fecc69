"""From a journal to the rows of the records: a pure function of what is on the disk.

How the run stands (`RunStatus`) says how much of its journal counts:

| status | meaning | imported |
|---|---|---|
| completed | the run came to its end | yes |
| interrupted | the run was stopped, and says so | yes, again when it has grown |
| unfinished | running, cut off, or killed in the middle of a line | yes, without that line; again when it grew |
| damaged | a line is no journal line at all (a bad disk, a program that appended to it) | yes, up to it |

Refused with JournalRefused are journals in which a line reads well but contradicts the hash chain (somebody changed
it), and those of which no line is left although the run had some (emptied, or full of NUL bytes).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hilseq.journal.causes import diagnosis
from hilseq.journal.contradictions import contradictions
from hilseq.journal.entries import EventLogged, FaultsRead, InstrumentIdentified, Reading, StoredFault
from hilseq.journal.reader import Journal, lost, read_journal, run_state
from hilseq.journal.run_state import CheckState, RunState, RunStatus, UnitState
from hilseq.journal.seals import broken_seals
from hilseq.journal.soak_entries import SamplesMissed
from hilseq.open_files import open_plain
from hilseq.records.database import JournalRefused, NothingToImport
from hilseq.records.tables import name, sanitize
from hilseq.reports.formatting import finite
from hilseq.verdicts import Disposition

Row = dict[str, Any]
#: Name of the table of cold starts, and of its column that says what went wrong with a start.
COLD_STARTS, WRONG = "cold starts", "what went wrong"
SOAK_HOURS = "soak hours"
_HOUR = 3600.0
#: What is reported of a journal whose last line is not whole.
TORN = "the writer was killed in the middle of a line; that line does not count"


@dataclass(slots=True)
class CheckRows:
    """A check, and its readings, each as (series, reading)."""

    check: Row
    readings: list[tuple[Row, Row]] = field(default_factory=list)


@dataclass(slots=True)
class VisitRows:
    """One unit's part in the run."""

    unit: Row
    visit: Row
    checks: list[CheckRows]
    findings: list[Row]
    exposures: list[Row]


@dataclass(slots=True)
class RunRows:
    """Everything one journal says. `links` are the chain values of its lines; the first is the run's key.

    `wrong` is what is wrong with the sample files beside it, by slot. Nothing here depends on it: another copy of
    the run may have them whole.
    """

    journal: Journal
    record: RunState
    wrong: dict[str, str]
    links: list[str]
    stand: str
    run: Row
    visits: list[VisitRows]
    instruments: list[tuple[Row, Row, str]]
    events: list[Row]

    @property
    def has_sealed_samples(self) -> bool:
        """Whether the journal has sealed samples of any soak."""
        return any(unit.soak is not None and unit.soak.sealed is not None for unit in self.record.units)


def read_rows(path: Path) -> RunRows:
    """Read a journal given as its folder or file.

    Raises UsageError when there is none, NothingToImport when no line is whole yet, JournalRefused when it
    was changed after it was written, or has lost all that it held.
    """
    journal = read_journal(path)
    if gone := lost(journal):
        raise JournalRefused(
            f"{journal.path.parent}: {gone}; nothing of it was imported, and the records keep what they have"
        )
    if not journal.entries and not journal.broken and not journal.foreign:
        raise NothingToImport(f"{journal.path} holds no whole line yet: there is nothing to import")
    if journal.broken and _reads_well(journal):
        raise JournalRefused(
            f"{journal.path} was changed after it was written: {journal.broken}; nothing of it was "
            "imported: find the untouched copy, or what happened to this one"
        )
    try:
        return _rows(journal, run_state(journal))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise JournalRefused(
            f"{journal.path} cannot be understood: {error!r}; nothing of it was imported: it was not written "
            "by hilseq, or by a much newer one"
        ) from error


def _reads_well(journal: Journal) -> bool:
    """Return whether the line that breaks the chain is JSON with a chain value: changed, not damaged."""
    with open_plain(journal.path) as lines:
        for number, line in enumerate(lines):
            if number == len(journal.entries):
                try:
                    entry = json.loads(line)
                except (ValueError, RecursionError):
                    return False
                return isinstance(entry, dict) and "chain" in entry
    return False


def _status_text(journal: Journal, record: RunState) -> str:
    """Return what more there is to say of how a run stands."""
    if record.status is RunStatus.DAMAGED:
        return f"{record.broken}; nothing from there on counts"
    if record.torn:
        return TORN
    if record.status is RunStatus.UNFINISHED:
        return "the journal ends before the run did"
    if record.status is RunStatus.INTERRUPTED:
        return record.why_it_broke_off
    if found := contradictions(journal.entries, record):
        return f"the journal contradicts itself, so that no run has written it as it is: {found[0]}"
    return ""


def _moment(text: Any) -> datetime:
    moment = datetime.fromisoformat(str(text))
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def check_kind(check: str) -> str:
    """Return a check's name in words, without file, slot and place.

    `test_30_outputs.py::test_point_follows[left-q05]` is `point follows`.
    """
    words = check.rsplit("::", 1)[-1].split("[", 1)[0].removeprefix("test_").replace("_", " ").strip(" '")
    return name(words or check)


def _check_row(position: int, check: CheckState) -> Row:
    return {
        "position": position,
        "check": sanitize(check.id),
        "kind": check_kind(check.id),
        "sequence": sanitize(check.sequence),
        "stage": name(check.stage),
        "title": sanitize(check.title),
        "place": name(check.place),
        "gate": bool(check.gate),
        "verdict": str(check.verdict),
        "why": sanitize(check.why),
        "seconds": finite(check.seconds) or 0.0,
    }


def _reading_rows(entry: Reading, part: str, check: Row) -> tuple[Row, Row]:
    value = finite(entry.value)
    series = {
        "part": part,
        "name": name(entry.name),
        "place": name(entry.place or check["place"]),
        "stage": check["stage"],
        "kind": check["kind"],
        "unit": name(entry.unit),
    }
    reading = {
        "at": _moment(entry.at),
        "value": value,
        "text": None if value is not None else sanitize(entry.value),
        "uncertainty": finite(entry.uncertainty),
        "low": finite(entry.low),
        "high": finite(entry.high),
        "verdict": name(entry.verdict),
        "probability": finite(entry.probability),
    }
    return series, reading


def _findings(unit: UnitState, checks: Mapping[str, Row]) -> list[Row]:
    blames = {Disposition.STAND_FAULT: "stand", Disposition.INCOMPLETE: "link"}.get(unit.disposition, "unit")
    return [
        {
            "position": position,
            "stage": checks[cause.checks[0]]["stage"],
            "kind": checks[cause.checks[0]]["kind"],
            "place": name(", ".join(cause.symptoms[0].places)),
            "what": sanitize(cause.what),
            "blames": blames,
        }
        for position, cause in enumerate(diagnosis(unit).causes)
    ]


def worth(record: RunState, unit: UnitState) -> Row:
    """Return the columns of a visit that depend on what is left of the unit's samples."""
    disposition = record.final(unit)
    return {
        "disposition": str(disposition),
        "decided": disposition in (Disposition.REPAIR, Disposition.SHIP),
    }


def _visit(record: RunState, unit: UnitState) -> VisitRows:
    part = name(unit.part)
    checks = {check.id: CheckRows(_check_row(position, check)) for position, check in enumerate(unit.checks)}
    for check in unit.checks:
        rows = checks[check.id]
        rows.readings += [_reading_rows(reading, part, rows.check) for reading in check.readings]
    visit = {
        "slot": name(unit.slot),
        "started": _moment(record.started),
        "simulated": bool(record.simulated),
        "description": sanitize(unit.description),
        "rule": sanitize(unit.rule),
        "intake": json.dumps(unit.intake, sort_keys=True),
        "damage": "",
        **worth(record, unit),
    }
    plain = {key: rows.check for key, rows in checks.items()}
    return VisitRows(
        {"part": part, "serial": name(unit.serial)},
        visit,
        list(checks.values()),
        _findings(unit, plain),
        [asdict(exposure) for exposure in exposures_of(unit)],
    )


def _instrument_rows(entry: InstrumentIdentified) -> tuple[Row, Row, str]:
    return (
        {
            "name": name(entry.name),
            "identity": name(entry.identity),
            "what": sanitize(entry.what),
        },
        {"certificate": name(entry.certificate), "due": name(entry.due)},
        sanitize(entry.resource),
    )


def _event_rows(journal: Journal) -> list[Row]:
    happened: list[tuple[EventLogged | SamplesMissed | FaultsRead, str, str]] = []
    for entry in journal.entries:
        if isinstance(entry, EventLogged | SamplesMissed):
            happened.append((entry, entry.what, entry.text))
        elif isinstance(entry, FaultsRead):
            when = f"stored fault, {entry.when}"
            happened += [(entry, when, _fault_words(fault)) for fault in entry.entries]
    return [
        {
            "position": position,
            "slot": name(entry.slot),
            "at": _moment(entry.at),
            "what": sanitize(what),
            "text": sanitize(text),
        }
        for position, (entry, what, text) in enumerate(happened)
    ]


def _fault_words(fault: StoredFault) -> str:
    return " · ".join(word for word in (str(fault.code), fault.place, fault.meaning) if word)


def _rows(journal: Journal, record: RunState) -> RunRows:
    links = list(journal.links)
    run = {
        "key": links[0],
        "run": name(record.run),
        "hilseq": sanitize(record.hilseq),
        "started": _moment(record.started),
        "ended": _moment(record.ended),
        "simulated": bool(record.simulated),
        "complete": bool(record.complete),
        "interrupted": bool(record.interrupted),
        "exit_code": record.final_exit_code,
        "state": str(record.status),
        "state_text": sanitize(_status_text(journal, record)),
        "chain": links[-1],
        "lines": len(links),
    }
    return RunRows(
        journal=journal,
        record=record,
        wrong=broken_seals(record, journal.path.parent),
        links=links,
        stand=name(record.stand),
        run=run,
        visits=[_visit(record, unit) for unit in record.units],
        instruments=[_instrument_rows(entry) for entry in record.instruments],
        events=_event_rows(journal),
    )


# -- what a visit adds to the proof of all units together ---------------------------------------------
#
# Read from what the sequences keep anyway: the table of cold starts, the sealed samples and events of a soak. Only
# time that was sampled counts as soaked: gaps are gaps here too.


@dataclass(frozen=True, slots=True)
class Exposure:
    """So many starts or hours, and the failures among them; `what` is COLD_STARTS or SOAK_HOURS."""

    what: str
    amount: float
    failures: int


def exposures_of(unit: UnitState) -> list[Exposure]:
    """Return what one unit's visit adds; nothing of a kind that was not done."""
    return [exposure for exposure in (_starts(unit), _soak(unit)) if exposure.amount > 0]


def _starts(unit: UnitState) -> Exposure:
    starts = failed = 0
    for table in (table for check in unit.checks for table in check.tables):
        if table.name == COLD_STARTS and WRONG in table.columns:
            wrong = table.columns.index(WRONG)
            starts += len(table.rows)
            failed += sum(bool(row[wrong]) for row in table.rows)
    return Exposure(COLD_STARTS, float(starts), failed)


def _soak(unit: UnitState) -> Exposure:
    soak = unit.soak
    if soak is None or soak.sealed is None:
        return Exposure(SOAK_HOURS, 0.0, 0)
    return Exposure(SOAK_HOURS, soak.sealed.count * soak.started.period / _HOUR, len(soak.incidents))
