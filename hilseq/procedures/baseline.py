"""What was seen of a unit early in its visit, so that its last look can tell what has become of it since."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from hilseq.errors import NotPerformed
from hilseq.journal.entries import StoredFault
from hilseq.measured import Measured
from hilseq.procedures.memory import Key, added, counted, unusual


@dataclass(frozen=True, slots=True)
class ClockLook:
    """What the unit's clock showed at a time of the stand (both s), and over what time the look was spread."""

    at: float
    shown: float
    spread: float


class KnownFaults:
    """The entries of a fault table that have been accounted for: there before, provoked, or reported already."""

    def __init__(self) -> None:
        self._known: Counter[Key] | None = None
        self._reported: set[tuple[int, str]] = set()

    @property
    def begun(self) -> bool:
        """Return whether the table was read at all in this visit."""
        return self._known is not None

    def learn(self, stored: Iterable[StoredFault]) -> None:
        """Take a table as known: whatever stands in it has been looked at."""
        self.take(counted(stored))

    def take(self, entries: Counter[Key]) -> None:
        """Take these entries, and no others, as known."""
        self._known = Counter(entries)

    def add(self, faults: Iterable[StoredFault]) -> None:
        """Take these as known beside the others: the stand provoked them, or the unit was blamed for them."""
        if self._known is not None:
            self._known.update(counted(faults))

    def tell(self, faults: Iterable[StoredFault]) -> None:
        """Take note that the unit was blamed for these: what returns at each start is reported once."""
        self._reported.update((fault.code, fault.place) for fault in faults)

    def provoked(self, stored: Iterable[StoredFault]) -> list[StoredFault]:
        """Return what a healthy unit does not store by itself, and what the unit was not blamed for."""
        return [fault for fault in unusual(stored) if (fault.code, fault.place) not in self._reported]

    def accounted(self, stored: Iterable[StoredFault]) -> list[StoredFault]:
        """Return what is provoked of a table that was cleared, without what is news; nothing before `learn`."""
        faults = list(stored)
        news = self.news(faults)
        return [fault for fault in self.provoked(faults) if self.begun and fault not in news]

    def news(self, stored: Iterable[StoredFault]) -> list[StoredFault]:
        """Return what a healthy unit does not store and nobody has accounted for; nothing before `learn`."""
        if self._known is None:
            return []
        new = unusual(added(self._known, stored))
        return [fault for fault in new if (fault.code, fault.place) not in self._reported]


@dataclass(slots=True)
class Baseline:
    """What one visit has seen of its unit so far."""

    faults: KnownFaults = field(default_factory=KnownFaults)
    #: How many faults the table held, and what the unit's counter said, each time the two were compared.
    fault_counts: list[tuple[int, float]] = field(default_factory=list)
    #: What it told of what it is, and of its neighbours, when it was asked first: the same in every mode.
    told: dict[str, float] = field(default_factory=dict)
    #: Whether the reference configuration was loaded in this visit.
    configured: bool = False
    #: What its own thermometer reported, and what the stand measured then, degC.
    temperatures: list[tuple[Measured, Measured]] = field(default_factory=list)
    #: What its outputs gave, all on, V, at what its supply read, V.
    levels: list[tuple[Measured, dict[str, Measured]]] = field(default_factory=list)
    #: Places that were right in a look after a start (`glance`).
    right: set[str] = field(default_factory=set)
    #: By point: how often it was read wrong over the link, and right when it was read again at once.
    misread: Counter[str] = field(default_factory=Counter)
    #: By drive: how often its read-back showed that the stand had let go of it, when the unit was wrong.
    let_go: Counter[str] = field(default_factory=Counter)
    #: The first look at its clock, and the first since it last got power.
    clock: ClockLook | None = None
    watched: ClockLook | None = None

    #: Every look at its clock, in order.
    clocks: list[ClockLook] = field(default_factory=list)
    #: Between which times (s) the unit has started by itself, by its own counter.
    own_starts: list[tuple[float, float]] = field(default_factory=list)

    def require_configured(self) -> None:
        """Raise NotPerformed where the reference configuration was not loaded in this visit."""
        if not self.configured:
            raise NotPerformed("no configuration was loaded in this visit: there is nothing to compare with")

    def note_configured(self) -> None:
        """Take note that the reference configuration is being loaded."""
        self.configured = True
