"""From a journal to the rows of the records: a pure function of what is on the disk.

The state of a journal says how much of it counts:

| state | meaning | imported |
|---|---|---|
| whole | the run came to its end | yes |
| interrupted | the run was stopped, is still going on, or will be resumed | yes, again when it has grown |
| torn | the writer was killed in the middle of its last line | yes, without that line |
| damaged | a line is no journal line at all (a bad disk, a program that appended to it) | yes, up to it |
| tampered | a line reads well but contradicts the hash chain: somebody changed it | no: JournalRefused |
| lost | no line is left, though the run had some: emptied, or full of NUL bytes | no: JournalRefused |
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from hilseq.journal import kinds
from hilseq.journal.lost import lost
from hilseq.journal.reader import Journal, read_journal
from hilseq.journal.seals import broken_seals
from hilseq.records.database import JournalRefused, NothingToImport
from hilseq.records.text import name, sanitize
from hilseq.reports.formatting import finite
from hilseq.reports.record import Check, RunRecord, UnitRecord, load_record
from hilseq.verdicts import Disposition

Row = dict[str, Any]
#: Name of the table of cold starts, and of its column that says what went wrong with a start.
COLD_STARTS, WRONG = "cold starts", "what went wrong"
SOAK_HOURS = "soak hours"
_HOUR = 3600.0


class State(StrEnum):
    """How much of a journal counts, best first."""

    WHOLE = "whole"
    INTERRUPTED = "interrupted"
    TORN = "torn"
    DAMAGED = "damaged"


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
    record: RunRecord
    wrong: dict[str, str]
    links: list[str]
    stand: str
    run: Row
    visits: list[VisitRows]
    instruments: list[tuple[Row, Row, str]]
    events: list[Row]

    def worth(self, unit: UnitRecord) -> Row:
        """Return the columns of a visit that depend on what is left of the unit's samples."""
        return _worth(self.record, unit)


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
    if not journal.entries and not journal.broken:
        raise NothingToImport(f"{journal.path} holds no whole line yet: there is nothing to import")
    if journal.broken and _reads_well(journal):
        raise JournalRefused(
            f"{journal.path} was changed after it was written: {journal.broken}; nothing of it was "
            "imported: find the untouched copy, or what happened to this one"
        )
    try:
        return _rows(journal, load_record(journal))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise JournalRefused(
            f"{journal.path} cannot be understood: {error!r}; nothing of it was imported: it was not written "
            "by hilseq, or by a much newer one"
        ) from error


def links_of(journal: Journal) -> list[str]:
    """Return the chain value of each line that counts."""
    with journal.path.open("rb") as lines:
        return [str(json.loads(line)["chain"]) for line, _ in zip(lines, journal.entries, strict=False)]


def _reads_well(journal: Journal) -> bool:
    """Tell whether the line that breaks the chain is JSON with a chain value: changed, not damaged."""
    with journal.path.open("rb") as lines:
        for number, line in enumerate(lines):
            if number == len(journal.entries):
                try:
                    entry = json.loads(line)
                except (ValueError, RecursionError):
                    return False
                return isinstance(entry, dict) and "chain" in entry
    return False


def _state(journal: Journal, record: RunRecord) -> tuple[State, str]:
    if journal.broken:
        return State.DAMAGED, f"{journal.broken}; nothing from there on counts"
    if journal.torn:
        return State.TORN, "the writer was killed in the middle of a line; that line does not count"
    if not record.complete:
        return State.INTERRUPTED, "the journal ends before the run did"
    if record.interrupted:
        return State.INTERRUPTED, "the run was interrupted"
    return State.WHOLE, ""


def _moment(text: Any) -> datetime:
    moment = datetime.fromisoformat(str(text))
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def check_kind(check: str) -> str:
    """Return a check's name in words, without file, slot and place.

    `test_30_outputs.py::test_point_follows[left-q05]` is `point follows`.
    """
    words = check.rsplit("::", 1)[-1].split("[", 1)[0].removeprefix("test_").replace("_", " ").strip(" '")
    return name(words or check)


def _check_row(position: int, check: Check) -> Row:
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


def _reading_rows(entry: Mapping[str, Any], part: str, check: Row) -> tuple[Row, Row]:
    value = finite(entry["value"])
    series = {
        "part": part,
        "name": name(entry["name"]),
        "place": name(entry.get("place") or check["place"]),
        "stage": check["stage"],
        "kind": check["kind"],
        "unit": name(entry["unit"]),
    }
    reading = {
        "at": _moment(entry["at"]),
        "value": value,
        "text": None if value is not None else sanitize(entry["value"]),
        "uncertainty": finite(entry.get("uncertainty")),
        "low": finite(entry.get("low")),
        "high": finite(entry.get("high")),
        "verdict": name(entry["verdict"]),
        "probability": finite(entry.get("probability")),
    }
    return series, reading


def _findings(unit: UnitRecord, checks: Mapping[str, Row]) -> list[Row]:
    blames = "stand" if unit.disposition is Disposition.STAND_FAULT else "unit"
    return [
        {
            "position": position,
            "stage": checks[finding.check]["stage"],
            "kind": checks[finding.check]["kind"],
            "place": name(finding.place),
            "what": sanitize(finding.what),
            "blames": blames,
        }
        for position, finding in enumerate(unit.findings)
    ]


def _worth(record: RunRecord, unit: UnitRecord) -> Row:
    disposition = record.final(unit)
    return {
        "disposition": str(disposition),
        "decided": disposition in (Disposition.REPAIR, Disposition.SHIP),
    }


def _visit(journal: Journal, record: RunRecord, unit: UnitRecord) -> VisitRows:
    part = name(unit.part)
    checks = {check.id: CheckRows(_check_row(position, check)) for position, check in enumerate(unit.checks)}
    for entry in journal.of_kind(kinds.READING):
        if entry["check"] in checks:
            rows = checks[entry["check"]]
            rows.readings.append(_reading_rows(entry, part, rows.check))
    visit = {
        "slot": name(unit.slot),
        "started": _moment(record.started),
        "simulated": bool(record.simulated),
        "description": sanitize(unit.description),
        "rule": sanitize(unit.rule),
        "intake": json.dumps(unit.intake, sort_keys=True),
        "damage": "",
        **_worth(record, unit),
    }
    plain = {key: rows.check for key, rows in checks.items()}
    return VisitRows(
        {"part": part, "serial": name(unit.serial)},
        visit,
        list(checks.values()),
        _findings(unit, plain),
        [asdict(exposure) for exposure in exposures_of(journal, unit.slot)],
    )


def _instrument_rows(entry: Mapping[str, Any]) -> tuple[Row, Row, str]:
    return (
        {
            "name": name(entry["name"]),
            "identity": name(entry.get("identity")),
            "what": sanitize(entry.get("what")),
        },
        {"certificate": name(entry.get("certificate")), "due": name(entry.get("due"))},
        sanitize(entry.get("resource")),
    )


def _event_rows(journal: Journal) -> list[Row]:
    happened = []
    for entry in journal.of_kind(kinds.EVENT, kinds.FAULTS):
        if entry["kind"] == kinds.EVENT:
            told = [(entry["what"], entry["text"])]
        else:
            told = [(f"stored fault, {entry['when']}", _fault_words(fault)) for fault in entry["entries"]]
        happened += [(entry, what, text) for what, text in told]
    return [
        {
            "position": position,
            "slot": name(entry.get("slot")),
            "at": _moment(entry["at"]),
            "what": sanitize(what),
            "text": sanitize(text),
        }
        for position, (entry, what, text) in enumerate(happened)
    ]


def _fault_words(fault: Mapping[str, Any]) -> str:
    words = [str(fault[key]) for key in ("code", "place", "meaning") if fault.get(key) not in (None, "")]
    return " · ".join(words)


def _rows(journal: Journal, record: RunRecord) -> RunRows:
    state, state_text = _state(journal, record)
    links = links_of(journal)
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
        "state": str(state),
        "state_text": sanitize(state_text),
        "chain": links[-1],
        "lines": len(links),
    }
    return RunRows(
        journal=journal,
        record=record,
        wrong=broken_seals(journal),
        links=links,
        stand=name(record.stand),
        run=run,
        visits=[_visit(journal, record, unit) for unit in record.units],
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


def exposures_of(journal: Journal, slot: str) -> list[Exposure]:
    """Return what one unit's visit adds; nothing of a kind that was not done."""
    found = [_starts(journal, slot), _soak(journal, slot)]
    return [exposure for exposure in found if exposure.amount > 0]


def _starts(journal: Journal, slot: str) -> Exposure:
    starts = failed = 0
    for table in journal.of_kind(kinds.TABLE):
        if table.get("slot") == slot and table["name"] == COLD_STARTS and WRONG in table["columns"]:
            wrong = table["columns"].index(WRONG)
            starts += len(table["rows"])
            failed += sum(bool(row[wrong]) for row in table["rows"])
    return Exposure(COLD_STARTS, float(starts), failed)


def _soak(journal: Journal, slot: str) -> Exposure:
    begun = _last(journal, kinds.SOAK_STARTED, slot)
    sealed = _last(journal, kinds.SAMPLES_SEALED, slot)
    if begun is None or sealed is None:
        return Exposure(SOAK_HOURS, 0.0, 0)
    hours = int(sealed["count"]) * (finite(begun["period"]) or 0.0) / _HOUR
    events = journal.of_kind(kinds.SOAK_EVENT)
    return Exposure(SOAK_HOURS, hours, len({event["number"] for event in events if event["slot"] == slot}))


def _last(journal: Journal, kind: str, slot: str) -> Mapping[str, Any] | None:
    return next((entry for entry in reversed(journal.of_kind(kind)) if entry["slot"] == slot), None)
