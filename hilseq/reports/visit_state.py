"""The state of a visit as its journal entries come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hilseq.journal import kinds
from hilseq.reports.record import Finding, Reading, UnitRecord, reading_of
from hilseq.verdicts import CheckVerdict


@dataclass(slots=True)
class CheckState:
    """One check: what was planned, and what came of it so far."""

    id: str
    stage: str
    title: str
    slot: str
    place: str
    verdict: CheckVerdict = CheckVerdict.NOT_PERFORMED
    why: str = "the run ended before this check"
    places: tuple[str, ...] = ()
    started: bool = False
    ended: bool = False
    readings: list[Reading] = field(default_factory=list)


@dataclass(slots=True)
class UnitState:
    """What is known of one unit so far."""

    slot: str
    serial: str
    part: str
    checks: list[CheckState] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    damage: str = ""


def unit_of(record: UnitRecord) -> UnitState:
    """Return the state of a unit of a run that has ended."""
    checks = [
        CheckState(
            c.id,
            c.stage,
            c.title,
            c.slot,
            c.place,
            c.verdict,
            c.why,
            c.places,
            c.started,
            ended=True,
            readings=c.readings,
        )
        for c in record.checks
    ]
    return UnitState(record.slot, record.serial, record.part, checks, record.findings, record.damage)


class VisitState:
    """The state of a run, fed with its entries."""

    def __init__(self, started: Mapping[str, Any]) -> None:
        self.stand, self.simulated = started["stand"], started["simulated"]
        self.units = [UnitState(u["slot"], u["serial"], u["part"]) for u in started["units"]]
        self._checks: dict[str, CheckState] = {}

    @property
    def checks(self) -> list[CheckState]:
        """All checks, in their order."""
        return list(self._checks.values())

    def check(self, name: str) -> CheckState:
        """Return a check."""
        return self._checks[name]

    def unit(self, slot: str) -> UnitState:
        """Return the unit in a slot."""
        return next(unit for unit in self.units if unit.slot == slot)

    def take(self, kind: str, fields: Mapping[str, Any]) -> None:
        """Take the next entry."""
        match kind:
            case kinds.CHECK_PLANNED:
                names = ("stage", "title", "slot", "place")
                check = CheckState(fields["check"], **{name: fields[name] for name in names})
                self._checks[check.id] = check
                self.unit(check.slot).checks.append(check)
            case kinds.CHECK_STARTED:
                self.check(fields["check"]).started = True
            case kinds.READING:
                self.check(fields["check"]).readings.append(reading_of(fields))
            case kinds.CHECK_ENDED:
                check = self.check(fields["check"])
                check.ended, check.verdict = True, CheckVerdict(fields["verdict"])
                check.why, check.places = fields["why"], tuple(fields["places"])
            case _:
                pass
