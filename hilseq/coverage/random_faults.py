"""Random faults of the model: drawn by class, known by an oracle, seen by a visit that knows nothing, and counted.

Each draw has the visit of its seed without the fault beside it: what that one finds, too, is not found of the fault.
Detection counts only where a finding lies at the fault, or where the oracle says that a promise is not kept. Nothing
is pooled over classes: how often each comes in the field is not known.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hilseq.coverage.cases import Case
from hilseq.coverage.table import Rate
from hilseq.verdicts import Disposition

#: Draws that share a seed, and with it the visit without a fault; every so many draws is one of two faults at once.
_SHARE_A_SEED, _PAIR = 4, 8
#: Beyond so many times a limit a fault must be found; what is nearer to it may be too near for a stand.
CLEARLY = 1.2
#: Times that a plain visit lives through, s; K above the room at which a fault of warmth comes.
_LATEST, _WARMER = 600.0, (2.0, 8.0)
#: Shares of the draws whose fault comes later, in the warmth, or at some power-ups only.
_LATER, _WARM, _BY_CHANCE = 0.15, 0.25, 0.4

#: Oracle: what the unit of a seed does not keep with a defect, in the form of `hilseq.twin.broken_promises`.
Oracle = Callable[[Sequence[tuple[int, str]]], list[list[dict[str, Any]]]]


def draw_random(
    rows: Sequence[Mapping[str, Any]], count: int, *, seed: int, ambient: float | None, oracle: Oracle
) -> list[Case]:
    """Return `count` cases, class by class in turn, and then the visits of their seeds without a fault.

    `ambient` is the room in degC where the profile plans a soak; without one nothing comes in the warmth.
    """
    stream = random.Random(f"{seed}/model")  # noqa: S311 - a draw of cases, not a secret
    classes: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        classes.setdefault((row["side"], fault_class(row["kind"])), []).append(row)
    turns = sorted(classes)
    stands = [row for row in rows if row["side"] == "stand"]
    cases = []
    for number in range(count):
        if number % _SHARE_A_SEED == 0:
            world = stream.randrange(1, 2**31)
        if number % len(turns) == 0:
            stream.shuffle(turns)
        case = _fault(stream, stream.choice(classes[turns[number % len(turns)]]), number, world)
        when, warm = _onset(stream, ambient)
        if case.warm:
            when, warm = "", True
        beside = ""
        if number % _PAIR == _PAIR - 1 and case.side == "unit" and stands:
            beside = _fault(stream, stream.choice(stands), number, world).spec
        cases.append(replace(case, when=when, warm=warm and ambient is not None, beside=beside))
    known = oracle([(case.seed, case.fault) for case in cases])
    cases = [_knowing(case, broken) for case, broken in zip(cases, known, strict=True)]
    seeds = dict.fromkeys((case.seed, case.warm) for case in cases)
    good = [Case(number=len(cases) + n, seed=world, warm=warm) for n, (world, warm) in enumerate(seeds)]
    return cases + good


def fault_class(kind: str) -> str:
    """Return the class of a kind: its first word."""
    return kind.partition("-")[0]


def _fault(stream: random.Random, row: Mapping[str, Any], number: int, seed: int) -> Case:
    spot = stream.choice(row["spots"])
    graded = not row["severity"].startswith("not graded")
    severity = round(stream.uniform(0.001, 1.0), 3) if graded else None
    return Case(
        number=number,
        seed=seed,
        defect=row["kind"],
        side=row["side"],
        place=spot["place"],
        severity=severity,
        located=tuple(spot["located"]),
        warm=row["stage"] == "heat",
    )


def _onset(stream: random.Random, ambient: float | None) -> tuple[str, bool]:
    """Return when a fault comes, as it is written, and whether that needs a soak."""
    chance = stream.random()
    if chance < _LATER:
        return f"after={stream.uniform(0.0, _LATEST):.0f}s", False
    if chance < _WARM and ambient is not None:
        return f"above={ambient + stream.uniform(*_WARMER):.1f}degC", True
    if _WARM <= chance < _BY_CHANCE:
        return f"probability={10.0 ** stream.uniform(-1.0, 0.0):.3f}", False
    return "", False


def _knowing(case: Case, broken: list[dict[str, Any]]) -> Case:
    if case.side == "stand":  # what a stand does to a unit is not the unit's
        return replace(case, beyond=False)
    places = tuple(dict.fromkeys([*case.located, *(each["place"] for each in broken)]))
    return replace(case, broken=tuple(broken), beyond=bool(broken), located=places)


def severity_of(broken: Iterable[Mapping[str, Any]]) -> float:
    """Return how many times its limit the worst promise is; 0 where all are kept, infinite for what is there or not."""
    return max((math.inf if each["ratio"] is None else float(each["ratio"]) for each in broken), default=0.0)


@dataclass(frozen=True, slots=True)
class FaultOutcome:
    """What a visit made of a case, against the visit of the same seed without the fault.

    `ratio` is how many times its limit the worst promise is; `right` and `wrong` count the findings that lie at the
    fault and those that do not.
    """

    case: Case
    disposition: str
    right: int
    wrong: int

    @property
    def ratio(self) -> float:
        """How many times its limit the worst promise is."""
        return severity_of(self.case.broken)

    @property
    def detected(self) -> bool:
        """Tell whether the unit does not ship, for a finding at the fault."""
        return self.right > 0 and self.disposition != Disposition.SHIP

    @property
    def placed(self) -> bool:
        """Tell whether every finding lies at the fault."""
        return self.detected and self.wrong == 0

    @property
    def onset(self) -> str:
        """When the fault comes, in words."""
        word = self.case.when.partition("=")[0]
        return {
            "": "at once",
            "after": "after a time",
            "above": "above a temperature",
            "probability": "at some power-ups",
        }[word]

    def as_data(self) -> dict[str, Any]:
        """Return the outcome as plain JSON data."""
        return {
            "fault": self.case.spec,
            "beside": self.case.beside,
            "class": fault_class(self.case.defect),
            "side": self.case.side,
            "seed": self.case.seed,
            "onset": self.onset,
            "broken": [dict(each) for each in self.case.broken],
            "disposition": self.disposition,
            "findings_at_the_fault": self.right,
            "findings_elsewhere": self.wrong,
            "detected": self.detected,
        }


def outcomes(cases: Sequence[Case], rows: Sequence[Mapping[str, Any]]) -> list[FaultOutcome]:
    """Return what came of every case that has its visit and the one without the fault."""
    by_number = {row["number"]: row for row in rows}
    without = {
        (case.seed, case.warm): {tuple(each) for each in by_number[case.number]["found"]}
        for case in cases
        if not case.defect and case.number in by_number
    }
    found = []
    for case in cases:
        row, known = by_number.get(case.number), without.get((case.seed, case.warm))
        if not case.defect or row is None or known is None:
            continue
        new = [tuple(each) for each in row["found"] if tuple(each) not in known]
        right = sum(place in case.located for place, _ in new)
        found.append(FaultOutcome(case, str(row["disposition"]), right, len(new) - right))
    return found


@dataclass(frozen=True, slots=True)
class Stratum:
    """One line of the table: what it is about, and its rates by what was counted."""

    name: str
    rates: Mapping[str, Rate]

    def as_data(self) -> dict[str, Any]:
        """Return the line as plain JSON data."""
        return {
            "stratum": self.name,
            **{
                word: {"of": rate.trials, "count": rate.hits, "bounds": rate.bounds}
                for word, rate in self.rates.items()
            },
        }


def strata(found: Sequence[FaultOutcome]) -> list[Stratum]:
    """Return the lines of unit faults: by class, each with how severe they were, and by when they come."""
    unit = [each for each in found if each.case.side == "unit" and not each.case.beside]
    lines = [
        _line(name, [each for each in unit if fault_class(each.case.defect) == name])
        for name in sorted({fault_class(each.case.defect) for each in unit})
    ]
    lines += [
        _line(f"all that come {onset}", [each for each in unit if each.onset == onset])
        for onset in dict.fromkeys(each.onset for each in unit)
    ]
    return lines


def _line(name: str, found: Sequence[FaultOutcome]) -> Stratum:
    clearly = [each for each in found if each.ratio >= CLEARLY]
    near = [each for each in found if 1.0 < each.ratio < CLEARLY]
    inside = [each for each in found if each.ratio <= 1.0]
    detected = [each for each in clearly if each.detected]
    return Stratum(
        name,
        {
            "detected": Rate(len(detected), len(clearly)),
            "placed": Rate(sum(each.placed for each in detected), len(detected)),
            "shipped": Rate(sum(each.disposition == Disposition.SHIP for each in clearly), len(clearly)),
            "near_detected": Rate(sum(each.detected for each in near), len(near)),
            "inside_repair": Rate(
                sum(each.right > 0 and each.disposition == Disposition.REPAIR for each in inside), len(inside)
            ),
        },
    )


def stand_strata(found: Sequence[FaultOutcome], rows: Sequence[Mapping[str, Any]]) -> list[Stratum]:
    """Return the lines of stand faults, of two faults at once, and of the visits without one."""
    stand = [each for each in found if each.case.side == "stand"]
    both = [each for each in found if each.case.beside and each.ratio >= CLEARLY]
    good = [row for row in rows if row.get("good")]
    blamed = [each for each in stand if each.disposition == Disposition.REPAIR and each.right + each.wrong]
    told = sum(each.disposition == Disposition.STAND_FAULT for each in stand)
    lines = [
        Stratum(
            "stand faults, good unit",
            {"blamed_on_unit": Rate(len(blamed), len(stand)), "told": Rate(told, len(stand))},
        ),
        Stratum(
            "stand fault and bad unit",
            {"shipped": Rate(sum(each.disposition == Disposition.SHIP for each in both), len(both))},
        ),
    ]
    sent, incomplete = (
        sum(row["disposition"] == word for row in good)
        for word in (Disposition.REPAIR, Disposition.INCOMPLETE)
    )
    lines.append(
        Stratum(
            "same seeds without a fault",
            {"repair": Rate(sent, len(good)), "incomplete": Rate(incomplete, len(good))},
        )
    )
    return lines
