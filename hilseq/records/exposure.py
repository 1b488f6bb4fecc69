"""What a visit adds to the proof of all units together: cold starts tried, and hours of soak survived.

Read from what the sequences keep anyway: the table of cold starts, the sealed samples and events of a soak.
Only time that was sampled counts as soaked: gaps are gaps here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hilseq.journal import kinds
from hilseq.journal.reader import Journal
from hilseq.reports.formatting import finite

#: Name of the table of cold starts, and of its column that says what went wrong with a start.
COLD_STARTS, WRONG = "cold starts", "what went wrong"
SOAK_HOURS = "soak hours"
_HOUR = 3600.0


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
