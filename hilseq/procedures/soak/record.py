"""What a soak keeps, and who keeps it: the seam between what is done and where it is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class Column:
    """One sampled quantity; `low` and `high` are its limits where it has any, in `unit`."""

    name: str
    unit: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that counts as an event: what, at which place of the profile, in words."""

    what: str
    place: str
    text: str


@dataclass(slots=True)
class Incident:
    """Findings that came together: one failure, however many signs it had.

    `since` is in seconds since the soak began; `case` is the case temperature then, degC, where known.
    """

    number: int
    since: float
    case: float | None
    findings: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class SoakState:
    """An interrupted soak, as its journal tells it; times in seconds of the run's clock."""

    zero: float
    end: float
    last: float
    missed: int
    incidents: list[Incident]
    faults: list[tuple[int, str, float | None]]
    why: str
    samples: int = 0
    highest_case: float = -math.inf
    ports: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


class Recorder(Protocol):
    """Keeps what a soak finds. Every call may raise StandFault when the disk refuses; it is safe by then."""

    def begin(self, columns: Sequence[Column], fields: Mapping[str, Any]) -> None:
        """Keep what is planned, and begin the samples."""
        ...

    def resume(self, columns: Sequence[Column]) -> None:
        """Go on with the samples of an interrupted soak."""
        ...

    def sample(self, at: float, values: Sequence[float]) -> None:
        """Keep one regular sample; it is on the disk within a second."""
        ...

    def event(self, fields: Mapping[str, Any]) -> None:
        """Keep one finding, durable with every sample before it when this returns."""
        ...

    def note(self, what: str, text: str) -> None:
        """Keep something that happened, durable when this returns."""
        ...

    def gap(self, fields: Mapping[str, Any]) -> None:
        """Keep a stretch of time without samples."""
        ...

    def faults(self, when: str, entries: Sequence[Mapping[str, Any]]) -> None:
        """Keep a fault table."""
        ...

    def burst(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[float | None]]) -> None:
        """Keep the samples from before and after an event."""
        ...

    def seal(self, ports: Mapping[str, Mapping[str, Any]]) -> None:
        """Put everything on the disk and seal the samples so far; `ports` is what they have carried."""
        ...

    def end(self, fields: Mapping[str, Any]) -> None:
        """Keep how the soak ended, and close the samples."""
        ...

    def progress(self, fields: Mapping[str, Any]) -> None:
        """Show how it goes; nothing is kept."""
        ...
