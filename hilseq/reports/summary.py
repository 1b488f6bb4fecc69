"""`summary.json`: the verdict for programs."""

from __future__ import annotations

from typing import Any

from hilseq.reports.record import Check, Reading, RunRecord, UnitRecord


def _reading(reading: Reading) -> dict[str, Any]:
    names = ("name", "value", "unit", "uncertainty", "low", "high", "verdict")
    return {name: getattr(reading, name) for name in names}


def _check(check: Check) -> dict[str, Any]:
    return {
        "id": check.id,
        "sequence": check.sequence,
        "verdict": str(check.verdict),
        "why": check.why,
        "readings": [_reading(reading) for reading in check.readings],
    }


def _unit(record: RunRecord, unit: UnitRecord) -> dict[str, Any]:
    return {
        "serial": unit.serial,
        "part": unit.part,
        "slot": unit.slot,
        "disposition": str(record.final(unit)),
        "cautions": [unit.damage] if unit.damage else [],
        "findings": [
            {"place": finding.place, "what": finding.what, "check": finding.check}
            for finding in unit.findings
        ],
        "checks": [_check(check) for check in unit.checks],
    }


def summarise(record: RunRecord) -> dict[str, Any]:
    """Return the summary of a run as plain JSON data; its words are those of the design's verdicts."""
    return {
        "run": record.run,
        "stand": record.stand,
        "hilseq": record.hilseq,
        "started": record.started,
        "ended": record.ended,
        "complete": record.sound,
        "simulated": record.simulated,
        "journal_chain": record.chain,
        "exit_code": record.final_exit_code,
        "units": [_unit(record, unit) for unit in record.units],
    }
