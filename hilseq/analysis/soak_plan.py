"""What a soak will take and prove, before it is run."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from hilseq.analysis.reliability import mtbf_lower, probability_of_showing

HOUR = 3600.0
#: Bytes of one sample beside its columns: the instant (64 bits) and the checksum (32); and of one column.
_FRAME, _COLUMN = 12, 4
#: Bytes of journal per seal of the sample file, and soak time between two seals, s.
_SEAL, _SEAL_EVERY = 400, 600.0
#: Bytes of journal for what begins and ends a soak, and of its plots in the page of the unit, which are drawn with
#: as many points however long it was; and of both for a power cycle. Measured on the demo.
_AROUND, _PAGE, _CYCLE = 8_000, 375_000, 6_000


class Cycles(Protocol):
    """Power cycles during the soak; times in s."""

    @property
    def every(self) -> float:
        """Time from one to the next."""
        ...

    @property
    def off(self) -> float:
        """Time without supply in each."""
        ...


class Plan(Protocol):
    """The part of a soak plan that says how much it is; times in s."""

    @property
    def duration(self) -> float:
        """How long."""
        ...

    @property
    def period(self) -> float:
        """Time between samples."""
        ...

    @property
    def confidence(self) -> float:
        """Confidence of the statement about failures, a share."""
        ...

    @property
    def cycles(self) -> Cycles | None:
        """Power cycles, if any."""
        ...


@dataclass(frozen=True, slots=True)
class SoakOutlook:
    """What a soak will be: samples, bytes on the disk, seconds; and what it proves without an event.

    `samples`, `running_hours` and with them `mtbf` are the least: every planned start as slow as it may be.

    `mtbf` (h) is exceeded at the one-sided `confidence`; `shows` is the probability that a fault with an MTBF
    of a third of the soak shows itself at least once.
    """

    samples: int
    disk: int
    duration: float
    power_cycles: int
    running_hours: float
    confidence: float
    mtbf: float
    shows: float

    def sentence(self) -> str:
        """Say in plain words what the soak proves."""
        return (
            "Without an event the soak shows a mean time between failures above "
            f"{self.mtbf:.3g} h with {100 * self.confidence:g} % confidence, if failures come at a constant "
            f"rate; a fault that comes every {self.running_hours / 3:.3g} h on average shows itself with a "
            f"probability of {100 * self.shows:.3g} %."
        )


def soak_outlook(plan: Plan, *, columns: int, start: float, duration: float | None = None) -> SoakOutlook:
    """Return the outlook of a plan whose samples have this many columns.

    `start` is the longest time from power until the unit is sampled again (s); `duration` (s) shortens the soak.
    """
    lasting = plan.duration if duration is None else duration
    cycles = 0 if plan.cycles is None else max(0, -int(-lasting // plan.cycles.every) - 1)
    # No sample is taken until the first regular instant after a start.
    missed = 0 if plan.cycles is None else cycles * math.ceil((plan.cycles.off + start) / plan.period)
    samples = max(int(lasting / plan.period + 0.5) - missed, 1)
    running = samples * plan.period
    hours = running / HOUR
    return SoakOutlook(
        samples=samples,
        disk=samples * (_FRAME + _COLUMN * columns)
        + int(lasting / _SEAL_EVERY) * _SEAL
        + cycles * _CYCLE
        + _AROUND
        + _PAGE,
        duration=lasting,
        power_cycles=cycles,
        running_hours=hours,
        confidence=plan.confidence,
        mtbf=mtbf_lower(hours, 0, plan.confidence),
        shows=probability_of_showing(hours / 3.0, hours),
    )
