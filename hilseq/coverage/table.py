"""The coverage table: rates with exact bounds, by kind and in all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from hilseq.analysis.counted import clopper_pearson
from hilseq.coverage.campaign import defect_rows, good_rows
from hilseq.verdicts import Disposition

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Rate:
    """`hits` of `trials`, with two-sided 95 % bounds (Clopper and Pearson); no bounds without trials."""

    hits: int
    trials: int

    @property
    def value(self) -> float | None:
        """The rate, None without trials."""
        return self.hits / self.trials if self.trials else None

    @property
    def bounds(self) -> tuple[float, float] | None:
        """Lower and upper bound, None without trials."""
        if not self.trials:
            return None
        interval = clopper_pearson(self.hits, self.trials, CONFIDENCE)
        return interval.lower, interval.upper

    @property
    def brief(self) -> str:
        """Return `19 (75 to 100 %)`, without bounds where there were no trials."""
        if self.bounds is None:
            return str(self.hits)
        low, high = self.bounds
        return f"{self.hits} ({100 * low:.0f} to {100 * high:.0f} %)"

    def __str__(self) -> str:
        """Return `19 of 20 (95.0 %, 75.1 to 99.9 %)`."""
        if self.value is None or self.bounds is None:
            return "none"
        low, high = self.bounds
        return f"{self.hits} of {self.trials} ({self.value:.1%}, {low:.1%} to {high:.1%})"


@dataclass(frozen=True, slots=True)
class KindLine:
    """One kind of defect over all its draws."""

    defect: str
    side: str
    beyond: int
    detected: int
    located: int
    wrongly_blamed: int
    harmless: int
    harmless_detected: int

    @property
    def detection(self) -> Rate:
        """How many of the defects beyond the limits were detected."""
        return Rate(self.detected, self.beyond)

    @property
    def location(self) -> Rate:
        """How many of the detected were located."""
        return Rate(self.located, self.detected)

    @property
    def missed(self) -> int:
        """Defects beyond the limits that were neither detected nor blamed on the wrong side."""
        return self.beyond - self.detected - self.wrongly_blamed


@dataclass(frozen=True, slots=True)
class CoverageTable:
    """The whole result of a campaign."""

    rows: Sequence[dict[str, Any]]
    lines: Sequence[KindLine]
    detection: Rate
    location: Rate
    wrongly_blamed: Rate
    harmless_detected: Rate
    false_alarms: Rate

    def as_data(self) -> dict[str, Any]:
        """Return the table as plain JSON data."""
        rates = {
            "detection": self.detection,
            "location": self.location,
            "wrong_blame": self.wrongly_blamed,
            "harmless_detected": self.harmless_detected,
        }
        return {
            "rows": [{k: v for k, v in row.items() if k not in ("number", "good")} for row in self.rows],
            "kinds": [
                {
                    "defect": line.defect,
                    "detection": line.detection.value,
                    "detection_bounds": line.detection.bounds,
                    "location": line.location.value,
                    "location_bounds": line.location.bounds,
                }
                for line in self.lines
            ],
            "good_units": self.false_alarms.trials,
            "false_alarms": self.false_alarms.hits,
            "false_alarm_bounds": self.false_alarms.bounds,
            **{name: rate.value for name, rate in rates.items()},
            **{f"{name}_bounds": rate.bounds for name, rate in rates.items()},
            "confidence": CONFIDENCE,
        }


def _line(kind: str, rows: Sequence[dict[str, Any]]) -> KindLine:
    beyond = [row for row in rows if row["beyond_limits"]]
    harmless = [row for row in rows if not row["beyond_limits"]]
    return KindLine(
        kind,
        rows[0]["side"],
        len(beyond),
        sum(row["detected"] for row in beyond),
        sum(row["located"] for row in beyond),
        sum(row["wrongly_blamed"] for row in rows),
        len(harmless),
        sum(row["disposition"] != Disposition.SHIP for row in harmless),
    )


def tabulate(rows: Sequence[dict[str, Any]]) -> CoverageTable:
    """Return the table of a campaign's rows. Location is counted among the detected."""
    defects, good = defect_rows(rows), good_rows(rows)
    kinds = dict.fromkeys(row["defect"] for row in defects)
    lines = [_line(kind, [row for row in defects if row["defect"] == kind]) for kind in kinds]
    detected = sum(line.detected for line in lines)
    harmless = sum(line.harmless for line in lines)
    return CoverageTable(
        rows=defects,
        lines=lines,
        detection=Rate(detected, sum(line.beyond for line in lines)),
        location=Rate(sum(line.located for line in lines), detected),
        wrongly_blamed=Rate(sum(line.wrongly_blamed for line in lines), len(defects)),
        harmless_detected=Rate(sum(line.harmless_detected for line in lines), harmless),
        false_alarms=Rate(sum(row["disposition"] != Disposition.SHIP for row in good), len(good)),
    )
