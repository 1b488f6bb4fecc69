"""The fault table: a ring of time-stamped records, oldest first, in the layout of the profile."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random

from hilseq.description.profile import FaultTable as Layout
from hilseq.description.registers import WordOrder

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
