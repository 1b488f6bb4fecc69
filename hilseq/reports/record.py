"""The story of a run as typed objects, told by its journal alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hilseq.journal import kinds
from hilseq.journal.reader import Journal
from hilseq.verdicts import CheckVerdict, Disposition, dispose, exit_code


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value against its limits; `uncertainty` is expanded (k = 2)."""

    name: str
    value: float | str
    unit: str
    uncertainty: float | None
    low: float | None
    high: float | None
    verdict: str
    probability: float | None = None
    place: str = ""


@dataclass(slots=True)
class Check:
    """One line of the verdict."""

    id: str
    sequence: str
    stage: str
    title: str
    slot: str
    place: str
    gate: bool
    verdict: CheckVerdict = CheckVerdict.NOT_PERFORMED
    why: str = "the run ended before this check"
    places: tuple[str, ...] = ()
    seconds: float = 0.0
    started: bool = False
    readings: list[Reading] = field(default_factory=list)
    tables: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault found: where, what, by which check."""

    place: str
    what: str
    check: str


@dataclass(slots=True)
class UnitRecord:
    """Everything a run says about one unit."""

    slot: str
    serial: str
    part: str
    description: str
    rule: str
    intake: Mapping[str, Any]
    checks: list[Check] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)

    @property
    def disposition(self) -> Disposition:
        """What is done with the unit."""
        return dispose(check.verdict for check in self.checks)

    @property
    def findings(self) -> list[Finding]:
        """What the checks found, one per place and check: the stand's faults when the stand failed."""
        blamed = (
            CheckVerdict.STAND_FAULT if self.disposition is Disposition.STAND_FAULT else CheckVerdict.FAILED
        )
        return [
            Finding(place, check.why, check.id)
            for check in self.checks
            if check.verdict is blamed
            for place in check.places or (check.place,)
        ]


@dataclass(slots=True)
class RunRecord:
    """One run, as its journal tells it."""

    run: str
    stand: str
    hilseq: str
    started: str
    ended: str
    simulated: bool
    complete: bool
    interrupted: bool
    units: list[UnitRecord]
    instruments: list[dict[str, Any]]
    inputs: list[dict[str, Any]]
    events: list[dict[str, Any]]
    safe: list[dict[str, Any]]
    header: Mapping[str, Any]
    chain: str
    journal_fault: str

    @property
    def exit_code(self) -> int:
        """The worst exit code of the units."""
        return int(exit_code(unit.disposition for unit in self.units))


def _reading(entry: Mapping[str, Any]) -> Reading:
    names = Reading.__dataclass_fields__
    return Reading(**{name: entry[name] for name in names if name in entry})


def _checks(journal: Journal) -> dict[str, Check]:
    checks: dict[str, Check] = {}
    for entry in journal.entries:
        match entry["kind"]:
            case kinds.CHECK_PLANNED:
                planned = ("sequence", "stage", "title", "slot", "place", "gate")
                checks[entry["check"]] = Check(entry["check"], **{name: entry[name] for name in planned})
            case kinds.CHECK_STARTED:
                checks[entry["check"]].started = True
                checks[entry["check"]].why = "the run ended during this check"
            case kinds.READING if entry["check"] in checks:
                checks[entry["check"]].readings.append(_reading(entry))
            case kinds.TABLE if entry["check"] in checks:
                checks[entry["check"]].tables.append(entry)
            case kinds.CHECK_ENDED:
                check = checks[entry["check"]]
                check.verdict = CheckVerdict(entry["verdict"])
                check.why, check.places = entry["why"], tuple(entry["places"])
                check.seconds = entry["seconds"]
            case _:
                pass
    return checks


def tell(journal: Journal) -> RunRecord:
    """Return the record of a run. Raises ValueError when the journal does not begin with a run."""
    if not journal.entries or journal.entries[0]["kind"] != kinds.RUN_STARTED:
        raise ValueError(
            f"{journal.path} does not begin with a run; {journal.broken or 'nothing can be told'}"
        )
    header = journal.entries[0]
    units = {
        unit["slot"]: UnitRecord(
            slot=unit["slot"],
            serial=unit["serial"],
            part=unit["part"],
            description=unit.get("description", ""),
            rule=header["decision_rules"].get(unit["slot"], "guarded"),
            intake=unit.get("intake", {}),
            faults=[e for e in journal.of_kind(kinds.FAULTS) if e["slot"] == unit["slot"]],
            events=[e for e in journal.of_kind(kinds.EVENT) if e["slot"] == unit["slot"]],
        )
        for unit in header["units"]
    }
    for check in _checks(journal).values():
        if check.slot in units:
            units[check.slot].checks.append(check)
    ends = journal.of_kind(kinds.RUN_ENDED)
    return RunRecord(
        run=header["run"],
        stand=header["stand"],
        hilseq=header["hilseq"],
        started=header["at"],
        ended=ends[-1]["at"] if ends else journal.entries[-1]["at"],
        simulated=header["simulated"],
        complete=bool(ends) and not journal.broken,
        interrupted=not ends or bool(ends[-1].get("interrupted")),
        units=list(units.values()),
        instruments=journal.of_kind(kinds.INSTRUMENT),
        inputs=header.get("inputs", []),
        events=[e for e in journal.of_kind(kinds.EVENT) if not e["slot"]],
        safe=journal.of_kind(kinds.MADE_SAFE),
        header=header,
        chain=journal.chain,
        journal_fault=journal.broken,
    )
