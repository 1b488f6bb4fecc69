"""The readings of a soak that come nearest to their limits: each is judged once, when the soak is over.

By the rule of every other reading: a surely wrong one is an event at once; one that the stand cannot tell from its
limit leaves the soak undecided.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from hilseq.analysis.limits import Limits, ReadingVerdict, decide
from hilseq.analysis.uncertainty import DecisionRule, Term
from hilseq.measured import Measured


@dataclass(frozen=True, slots=True)
class Extreme:
    """One reading of a soak with its limits, in its base unit; `place` is where the unit is wrong if it fails."""

    name: str
    measured: Measured
    limits: Limits
    place: str

    def fails(self, rule: DecisionRule) -> bool:
        """Return whether it lies surely outside, by this rule."""
        return (
            decide(self.measured.value, rule.guard_band(self.measured.budget), self.limits)
            is ReadingVerdict.FAILS
        )

    @property
    def room(self) -> float:
        """What is left to the nearest limit after the guard band; the least is the worst."""
        return self.limits.margin(self.measured.value) - self.measured.expanded_uncertainty


#: A sample is one of very many: of the 259 200 of three days the farthest lies 4.6 standard deviations of its scatter
#: off, and 5.2 = 2 sqrt(1 + 2.4^2) one in ten million (normal distribution). A single reading is guarded against 2.
_MANY = 2.4


@dataclass(slots=True)
class LimitedColumn:
    """One column of the samples with limits, and how far its values have been; units are those of the column.

    `uncertainty` gives the standard uncertainty of a value, `scatter` the part of it that differs between samples.
    """

    index: int
    limits: Limits
    uncertainty: Callable[[float], float]
    what: str
    place: str
    unit: str
    scatter: Callable[[float], float] = field(default=lambda _: 0.0)
    lowest: float = math.inf
    highest: float = -math.inf

    def seen(self, value: float, which: str = "") -> Extreme:
        """Return a value as a reading: `highest current`."""
        known, scatter = Term("of one sample", self.uncertainty(value)), self.scatter(value)
        many = Term("the farthest of many samples", _MANY * scatter, source="stand file: repeatability")
        measured = Measured.of(value, self.unit, known, *([many] if scatter else ()))
        return Extreme(f"{which} {self.what}".lstrip(), measured, self.limits, self.place)

    def keep(self, value: float) -> None:
        """Take a value as part of the soak; NaN is none."""
        self.lowest = min(self.lowest, value)
        self.highest = max(self.highest, value)

    def extremes(self) -> Iterator[Extreme]:
        """Yield the lowest and the highest value, where a limit is on that side and one was seen."""
        if self.limits.low is not None and math.isfinite(self.lowest):
            yield self.seen(self.lowest, "lowest")
        if self.limits.high is not None and math.isfinite(self.highest):
            yield self.seen(self.highest, "highest")


@dataclass(slots=True)
class Extremes:
    """All columns with limits, and the single readings beside them, of which the worst of each name is kept."""

    watched: Sequence[LimitedColumn]
    single: dict[str, Extreme] = field(default_factory=dict)

    def keep(self, values: Sequence[float]) -> None:
        """Take the values of a sample."""
        for one in self.watched:
            one.keep(values[one.index])

    def continue_from(self, columns: Sequence[str], ends: Mapping[str, tuple[float, float]]) -> None:
        """Take what the samples before an interruption held: the lowest and highest of each column, by its name."""
        for one in self.watched:
            for value in ends.get(columns[one.index], ()):
                one.keep(value)

    def note(self, extreme: Extreme) -> None:
        """Take a single reading."""
        before = self.single.get(extreme.name)
        if before is None or extreme.room < before.room:
            self.single[extreme.name] = extreme

    def all(self) -> tuple[Extreme, ...]:
        """Return what is to be judged."""
        return (*(extreme for one in self.watched for extreme in one.extremes()), *self.single.values())
