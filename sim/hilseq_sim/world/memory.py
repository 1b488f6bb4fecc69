"""What the unit keeps without supply: battery, clock, configuration and fault table.

The battery is a primary lithium cell with a flat plateau and a fast end: its state of charge falls linearly in
time, slowly by itself and faster while it carries the memory; the voltage is that of a new cell, 6 % less at the
end of the plateau, and falls to nothing over the last 15 % of the charge. Life about five years (common practice,
check value 10.1).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from random import Random

from hilseq.description.profile import Configuration
from hilseq.description.profile import FaultTable as Layout
from hilseq.description.registers import WordOrder
from hilseq_sim.views import crc16
from hilseq_sim.world.timeline import Timeline, Timer

_YEAR = 365.25 * 86400.0
_SAG, _KNEE = 0.06, 0.15
#: Years a new cell lasts beside a powered unit, over its stated life.
_SHELF = 2.0
#: Share of the nominal voltage below which memory and clock are lost.
_RETAINS = 0.6


def cell_voltage(new: float, charge: float) -> float:
    """Voltage of a cell that had `new` volts, at a state of charge 0..1."""
    plateau = 1.0 - _SAG * (1.0 - charge)
    return new * plateau * min(1.0, max(0.0, charge) / _KNEE)


class Battery:
    """State of charge and voltage. `drop` (V), `drain` (factor) and `open` are defects."""

    def __init__(
        self, timeline: Timeline, *, new: float, nominal: float, charge: float, years: float
    ) -> None:
        self._timeline = timeline
        self._new = new
        self._nominal = nominal
        self._charge = charge
        self._life = years * _YEAR
        self._since = timeline.now
        self._carries = True
        self._failed = False
        self.drop = 0.0
        #: V by which the unit's own converter tells too much.
        self.reported_high = 0.0
        self.drain = 1.0
        self.open = 0

    def charge(self) -> float:
        """State of charge now, 0..1."""
        rate = self.drain / self._life if self._carries else 1.0 / (_SHELF * self._life)
        return max(0.0, self._charge - rate * (self._timeline.now - self._since))

    def volts(self) -> float:
        """Voltage now, V."""
        return 0.0 if self.open else max(0.0, cell_voltage(self._new, self.charge()) - self.drop)

    def retains(self) -> bool:
        """Return whether it has carried memory and clock without a gap since the supply went, until now."""
        return not self._failed and self._holds()

    def anchor(self) -> None:
        """Keep what it has, and whether it held, before a parameter changes."""
        self._failed = self._failed or (self._carries and not self._holds())
        self._charge = self.charge()
        self._since = self._timeline.now

    def carry(self, carries: bool) -> None:
        """Carry the memory (no supply), or rest (supply on)."""
        if carries != self._carries:
            self.anchor()
            self._carries = carries
            self._failed = False

    def _holds(self) -> bool:
        """The voltage only falls between two changes, so it held throughout what it holds at the end of."""
        return self.volts() >= _RETAINS * self._nominal


class UnitClock:
    """Seconds of the unit: c(t) = c0 + (1 + drift)(t - t0). `drift` and `stopped` may be defects."""

    def __init__(self, timeline: Timeline, *, start: float, drift: float) -> None:
        self._timeline = timeline
        self._value = start
        self._since = timeline.now
        self.drift = drift
        self.stopped = 0
        self.not_kept = 0

    def now(self) -> float:
        """Time the clock shows, s."""
        if self.stopped:
            return self._value
        return self._value + (1.0 + self.drift) * (self._timeline.now - self._since)

    def anchor(self) -> None:
        """Keep what it shows before a parameter changes."""
        self._value = self.now()
        self._since = self._timeline.now

    def power_good(self, retained: bool) -> None:
        """Continue, or begin at zero when nothing has carried it."""
        if self.not_kept or not retained:
            self._value = 0.0
            self._since = self._timeline.now


_ERASED = 0


class SimulatedConfiguration:
    """Working copy and stored copy. The counters and `stuck` are defects; 0 and empty in a good unit."""

    def __init__(self, timeline: Timeline, description: Configuration, stream: Random) -> None:
        content = list(description.content)
        # A unit comes with somebody else's configuration: like the reference, and different somewhere.
        for _ in range(1 + stream.randrange(len(content))):
            content[stream.randrange(len(content))] = stream.randrange(0x10000)
        self._working = content
        self._stored = list(content)
        self._storing: list[int] = []
        self._needs_storing = description.store is not None
        self._store_time = 0.9 * description.store_time
        self._timer = Timer(timeline, self._finish)
        self._checksum: int | None = None
        self.refuses = 0
        self.never_stores = 0
        self.not_kept = 0
        self.checksum_wrong = 0
        #: Words with a bit that cannot be cleared or set: word -> how many defects flip its lowest bit.
        self.stuck: Counter[int] = Counter()

    def read(self, index: int) -> int:
        """Return a word as the unit reads it."""
        word = self._working[index]
        return word ^ 1 if self.stuck[index] > 0 else word

    def write(self, index: int, word: int) -> None:
        """Write a word into the working copy, or for good where nothing needs to be stored."""
        self._working[index] = word
        self._checksum = None
        if not self._needs_storing:
            self._stored[index] = word

    def store(self) -> None:
        """Begin to store the working copy; power lost before the end keeps the old one."""
        if not self.never_stores:
            self._storing = list(self._working)
            self._timer.start(self._store_time)

    def _finish(self) -> None:
        self._stored = self._storing

    def checksum(self) -> int:
        """Checksum as the unit computes it: over the words, high byte first."""
        if self._checksum is None:
            words = (self.read(index) for index in range(len(self._working)))
            self._checksum = crc16(b"".join(word.to_bytes(2, "big") for word in words))
        return self._checksum ^ 0x0101 if self.checksum_wrong else self._checksum

    def refresh(self) -> None:
        """Follow a defect."""
        self._checksum = None

    def power_lost(self) -> None:
        """Forget what was not stored."""
        self._timer.stop()

    def power_good(self, retained: bool) -> bool:
        """Take up the stored copy; return whether it was still there."""
        kept = retained and not self.not_kept
        if not kept:
            self._stored = [_ERASED] * len(self._stored)
        self._working = list(self._stored)
        self._checksum = None
        return kept


_WORD = 0x10000
#: How profiles call a supply that has failed under a running unit.
_BROWN_OUT = (
    "supply too low",
    "undervoltage",
    "under-voltage",
    "brown-out",
    "brownout",
    "loss of power",
    "power lost",
)
#: Share of units that come without a stored fault, most faults that others come with, and how old, s.
_CLEAN, _MOST, _OLDEST = 0.3, 6, 30 * 86400.0


class FaultStore:
    """Stored faults of one unit. `deaf` (clearing does nothing) is a defect."""

    def __init__(self, layout: Layout, clock: Callable[[], float]) -> None:
        self._layout = layout
        self._clock = clock
        self._numbers: Mapping[str, int] = {name: number for number, name in layout.places.items()}
        self._records: list[tuple[int, int, int]] = []
        self.deaf = 0
        self.cleared: Callable[[], None] = lambda: None
        self.words: list[int] = []
        self._write()

    @property
    def count(self) -> int:
        """Number of stored faults."""
        return len(self._records)

    @property
    def codes(self) -> list[int]:
        """Codes stored, oldest first."""
        return [code for code, _, _ in self._records]

    def code_for(self, word: str) -> int | None:
        """Return the code whose meaning holds a word, or the first code; None where the profile has none."""
        codes = {code: meant for code, meant in self._layout.codes.items() if not meant.routine}
        return next(
            (code for code, meant in codes.items() if word in meant.meaning), min(codes, default=None)
        )

    def store(self, word: str, place: str = "") -> None:
        """Store the fault whose meaning holds a word, at a place of the profile."""
        code = self.code_for(word)
        if code is not None:
            self.store_code(code, self._numbers.get(place, 0), self._clock())

    def store_brown_out(self) -> None:
        """Store that the supply was too low, where the profile has a code for that."""
        for code, meant in self._layout.codes.items():
            if any(word in meant.meaning.lower() for word in _BROWN_OUT):
                self.store_code(code, 0, self._clock())
                return

    def store_routine(self) -> None:
        """Store what a healthy unit stores at every start too."""
        for code, meant in self._layout.codes.items():
            if meant.routine:
                self.store_code(code, 0, self._clock())

    def store_code(self, code: int, place: int, time: float) -> None:
        """Store a record; the oldest goes when the ring is full."""
        self._records.append((code, place, int(max(0.0, time))))
        del self._records[: -self._layout.entries]
        self._write()

    def clear(self) -> None:
        """Clear the table, over the link."""
        if not self.deaf:
            self._records.clear()
            self._write()
        self.cleared()

    def _write(self) -> None:
        layout = self._layout
        words = [0] * (layout.entries * layout.words)
        for index, (code, place, time) in enumerate(self._records):
            base = index * layout.words
            words[base + layout.code] = code % _WORD
            if layout.place is not None:
                words[base + layout.place] = place % _WORD
            if layout.time is not None:
                both = (time // _WORD % _WORD, time % _WORD)
                low_first = layout.time_order is WordOrder.LOW_FIRST
                words[base + layout.time : base + layout.time + 2] = reversed(both) if low_first else both
        self.words = words

    def arrive_with_history(self, stream: Random, points: Mapping[str, Sequence[str]]) -> None:
        """Store what a unit of this type plausibly comes with: old faults of the profile's codes.

        `points` gives, for a word of a fault's meaning, the places such a fault may have.
        """
        codes = list(self._layout.codes)
        if not codes or stream.random() < _CLEAN:
            return
        now = self._clock()
        times = sorted(
            now - stream.uniform(60.0, _OLDEST)
            for _ in range(stream.randint(1, min(_MOST, self._layout.entries)))
        )
        for time in times:
            code = stream.choice(codes)
            meaning = self._layout.codes[code].meaning
            names = next((names for word, names in points.items() if word in meaning and names), ())
            place = self._numbers.get(stream.choice(names), 0) if names else 0
            self.store_code(code, place, time)
