"""What a soak keeps, and who keeps it: the seam between what is done and where it is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from hilseq.journal.entries import (
    PortTally,
    SoakColumn,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
    SoakStatus,
    StoredFault,
)
from hilseq.journal.run_state import SoakState


@dataclass(frozen=True, slots=True)
class ResumedSoak:
    """An interrupted soak, by its journal and its samples.

    `last` is the run's clock at the last sample, or at the beginning, s; `highest_case` in °C, minus
    infinity where nothing was sensed.
    """

    soak: SoakState
    samples: int
    last: float
    highest_case: float
    why: str


class SoakRecorder(Protocol):
    """Keeps what a soak finds. Every call may raise StandFault when the disk refuses; it is safe by then."""

    @property
    def slot(self) -> str:
        """The slot that is soaked."""
        ...

    @property
    def check(self) -> str:
        """The check that the soak belongs to."""
        ...

    @property
    def file(self) -> str:
        """Name of the sample file."""
        ...

    def begin(self, started: SoakStarted) -> None:
        """Keep what is planned, and begin the samples."""
        ...

    def resume(self, columns: Sequence[SoakColumn]) -> None:
        """Go on with the samples of an interrupted soak."""
        ...

    def sample(self, at: float, values: Sequence[float]) -> None:
        """Keep one regular sample; it is on the disk within a second."""
        ...

    def event(self, event: SoakEventLogged) -> None:
        """Keep one finding, durable with every sample before it when this returns."""
        ...

    def note(self, what: str, text: str) -> None:
        """Keep something that happened, durable when this returns."""
        ...

    def missed(self, count: int) -> None:
        """Keep that the stand was too slow for so many samples."""
        ...

    def gap(self, gap: SoakGap) -> None:
        """Keep a stretch of time without samples."""
        ...

    def faults(self, when: str, stored: Sequence[StoredFault]) -> None:
        """Keep a fault table."""
        ...

    def burst(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[float | None]]) -> None:
        """Keep the samples from before and after an event."""
        ...

    def seal(self, ports: dict[str, PortTally]) -> None:
        """Put everything on the disk and seal the samples so far; `ports` is what they have carried."""
        ...

    def end(self, ended: SoakEnded) -> None:
        """Keep how the soak ended, and close the samples."""
        ...

    def progress(self, progress: SoakStatus) -> None:
        """Show how it goes; nothing is kept."""
        ...
