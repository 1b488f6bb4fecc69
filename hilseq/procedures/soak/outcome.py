"""What came of a soak."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hilseq.procedures.soak.events import told
from hilseq.procedures.soak.record import Incident
from hilseq.quantities import show_duration


@dataclass(slots=True)
class SoakOutcome:
    """What came of a soak; times in s.

    `highest_case` in degC, None where nothing senses it, with its standard uncertainty in K.
    """

    planned: float
    lasted: float
    samples: int
    missed: int
    incidents: list[Incident]
    why: str
    highest_case: float | None = None
    case_uncertainty: float = 0.0
    ports: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def places(self) -> list[str]:
        """Where the unit failed, in the order of the events."""
        found = [finding for incident in self.incidents for finding in incident.findings]
        return list(dict.fromkeys(finding.place for finding in found))

    @property
    def sentence(self) -> str:
        """What happened first, when, and how often anything did."""
        if not self.incidents:
            return ""
        # What only the whole soak could tell is kept last, and may have begun first.
        words = told(min(self.incidents, key=lambda incident: incident.since))
        count = len(self.incidents)
        return words if count == 1 else f"{words}; {count} events in {show_duration(self.lasted)}"
