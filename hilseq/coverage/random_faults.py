"""Random faults of the model: drawn by class, known by an oracle, seen by a visit that knows nothing, and counted.

Each draw has the visit of its seed without the fault beside it: what that one finds, too, is not found of the fault.
Detection counts only where a finding lies at the fault, or where the oracle says that a promise is not kept. Every
fourth draw has a second fault beside that of the unit, by turns of the unit and of the stand. The table is by class,
since how often each comes in the field is not known; what is aimed at is counted over all, drawn in equal numbers.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import cycle
from typing import Any

from hilseq.coverage.cases import Case
from hilseq.coverage.table import Rate
from hilseq.verdicts import Disposition

#: Draws that share a seed, and with it the visit without a fault; every so many draws is one of two faults at once.
_SHARE_A_SEED, _PAIR = 4, 4
#: Draws of a second fault until it lies elsewhere than the first.
_ELSEWHERE = 50
#: Beyond so many times a limit a fault must be found; what is nearer to it may be too near for a stand.
CLEARLY = 1.2
#: What is beyond its limit, but less than so many times, is a small fault.
SMALL = 3.0
_OFF = "keeps its outputs off"
#: Times that a plain visit lives through, s; K above the room at which a fault of warmth comes.
_LATEST, _WARMER = 600.0, (2.0, 8.0)
#: Shares of the draws whose fault comes later, in the warmth, or at some power-ups only.
_LATER, _WARM, _BY_CHANCE = 0.15, 0.25, 0.4

#: Oracle: what the unit of a seed does not keep with some defects, in the form of `hilseq.twin.broken_promises`.
Oracle = Callable[[Sequence[tuple[int, Sequence[str]]]], list[list[dict[str, Any]]]]


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
    sides = cycle(["unit", "stand"])
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
        beside = None
        if number % _PAIR == _PAIR - 1 and case.side == "unit":
            side = next(sides)
            beside = _beside(stream, [rows for (of, _), rows in sorted(classes.items()) if of == side], case)
        warm = (warm or (beside is not None and beside.warm)) and ambient is not None
        cases.append(replace(case, when=when, warm=warm, beside=beside))
    asked = list(dict.fromkeys(question for case in cases for question in _questions(case)))
    known = dict(zip(asked, oracle(asked), strict=True))
    cases = [_knowing(case, known) for case in cases]
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


def _beside(
    stream: random.Random, classes: Sequence[Sequence[Mapping[str, Any]]], first: Case
) -> Case | None:
    """Return a second fault, of a class drawn, at another place; None where there is none."""
    for _ in range(_ELSEWHERE if classes else 0):
        second = _fault(stream, stream.choice(stream.choice(classes)), first.number, first.seed)
        if not set(second.located) & set(first.located):
            return second
    return None


def _questions(case: Case) -> list[tuple[int, tuple[str, ...]]]:
    """Return what the oracle is asked of a case: each fault of the unit, and two of them together."""
    own = tuple(each.fault for each in case.faults if each.side == "unit")
    alone: list[tuple[int, tuple[str, ...]]] = [(case.seed, (fault,)) for fault in own]
    return [*alone, (case.seed, own)] if len(own) > 1 else alone


def _knowing(case: Case, known: Mapping[tuple[int, tuple[str, ...]], list[dict[str, Any]]]) -> Case:
    if case.side == "stand":  # what a stand does to a unit is not the unit's
        return replace(case, beyond=False)
    broken = known[case.seed, (case.fault,)]
    places = tuple(dict.fromkeys([*case.located, *(each["place"] for each in broken)]))
    found = replace(case, broken=tuple(broken), beyond=bool(broken), located=places)
    if case.beside is None:
        return found
    together = known.get((case.seed, (case.fault, case.beside.fault)), [])
    return replace(found, beside=_knowing(case.beside, known), together=tuple(together))


def severity_of(broken: Iterable[Mapping[str, Any]]) -> float:
    """Return how many times its limit the worst promise is; 0 where all are kept, infinite for what is there or not."""
    return max((math.inf if each["ratio"] is None else float(each["ratio"]) for each in broken), default=0.0)


def _beyond(case: Case) -> float:
    """Return how many times its limit the worst promise of a case is, with all that is wrong."""
    return max(severity_of(broken) for broken in (case.together, *(each.broken for each in case.faults)))


@dataclass(frozen=True, slots=True)
class FaultOutcome:
    """What a visit made of a case, against the visit of the same seed without the fault.

    `right` and `wrong` count the findings that lie at a fault and those that do not; `each` tells whether every fault
    of the unit that lies clearly beyond has one.
    """

    case: Case
    disposition: str
    right: int
    wrong: int
    each: bool

    @property
    def ratio(self) -> float:
        """How many times its limit the worst promise is."""
        return _beyond(self.case)

    @property
    def pair(self) -> str:
        """The side of the second fault, empty where there is none."""
        return "" if self.case.beside is None else self.case.beside.side

    @property
    def detected(self) -> bool:
        """Return whether the unit does not ship, for a finding at the fault."""
        return self.right > 0 and self.disposition != Disposition.SHIP

    @property
    def placed(self) -> bool:
        """Return whether every finding lies at the fault."""
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
            "beside": "" if self.case.beside is None else self.case.beside.spec,
            "class": fault_class(self.case.defect),
            "side": self.case.side,
            "seed": self.case.seed,
            "onset": self.onset,
            "broken": [dict(each) for each in self.case.broken],
            "broken_beside": []
            if self.case.beside is None
            else [dict(each) for each in self.case.beside.broken],
            "broken_together": [dict(each) for each in self.case.together],
            "disposition": self.disposition,
            "findings_at_the_fault": self.right,
            "findings_elsewhere": self.wrong,
            "detected": self.detected,
        }


def outcomes(cases: Sequence[Case], rows: Sequence[Mapping[str, Any]]) -> list[FaultOutcome]:
    """Return the result of every case that has its visit and the one without the fault."""
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
        places = {place for place, _ in new}
        at_fault = {place for each in case.faults for place in each.located}
        at_fault |= {each["place"] for each in case.together}
        right = sum(place in at_fault for place, _ in new)
        each = all(places & set(one.located) for one in case.faults if severity_of(one.broken) >= CLEARLY)
        found.append(FaultOutcome(case, str(row["disposition"]), right, len(new) - right, each))
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
    unit = [each for each in found if each.case.side == "unit" and not each.pair]
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
    small = [each for each in clearly if each.ratio < SMALL]
    return Stratum(
        name,
        {
            "detected": Rate(len(detected), len(clearly)),
            "small_detected": Rate(sum(each.detected for each in small), len(small)),
            "placed": Rate(sum(each.placed for each in detected), len(detected)),
            "shipped": Rate(sum(each.disposition == Disposition.SHIP for each in clearly), len(clearly)),
            "near_detected": Rate(sum(each.detected for each in near), len(near)),
            "inside_repair": Rate(
                sum(each.right > 0 and each.disposition == Disposition.REPAIR for each in inside), len(inside)
            ),
        },
    )


@dataclass(frozen=True, slots=True)
class Goal:
    """One question over all draws, and what is aimed at: at least or at most such a share, or nothing."""

    name: str
    rate: Rate
    least: float | None = None
    most: float | None = None

    @property
    def reached(self) -> str:
        """Whether the bounds show that the goal is reached or missed, in words."""
        if self.least is None and self.most is None:
            return ""
        aim = f"at most {self.most:.1%}" if self.least is None else f"at least {self.least:.1%}"
        least, most = self.least or 0.0, 1.0 if self.most is None else self.most
        if self.rate.bounds is None:
            return f"{aim}: no draw"
        low, high = self.rate.bounds
        if least <= low and high <= most:
            return f"{aim}: reached"
        return f"{aim}: missed" if high < least or low > most else f"{aim}: too few draws to tell"

    def as_data(self) -> dict[str, Any]:
        """Return the line as plain JSON data."""
        return {
            "question": self.name,
            "of": self.rate.trials,
            "count": self.rate.hits,
            "bounds": self.rate.bounds,
            "at_least": self.least,
            "at_most": self.most,
            "reached": self.reached,
        }


def goals(found: Sequence[FaultOutcome], rows: Sequence[Mapping[str, Any]]) -> list[Goal]:
    """Return what is aimed at over all classes: faults of the unit, of the stand, pairs, and visits without a fault."""
    single = [each for each in found if not each.pair]
    clearly = [each for each in single if each.case.side == "unit" and each.ratio >= CLEARLY]
    seen = [each for each in clearly if each.detected]
    off = [each for each in clearly if any(one["promise"] == _OFF for one in each.case.broken)]
    stand = [each for each in single if each.case.side == "stand"]
    blamed = [each for each in stand if each.disposition == Disposition.REPAIR and each.right + each.wrong]
    two, both = (
        [each for each in found if each.pair == side and each.ratio >= CLEARLY] for side in ("unit", "stand")
    )
    paired = [each for each in two if each.detected]
    good = [row for row in rows if row.get("good")]

    def reported(among: Sequence[FaultOutcome], disposition: Disposition) -> Rate:
        return Rate(sum(each.disposition == disposition for each in among), len(among))

    def without(disposition: Disposition) -> Rate:
        return Rate(sum(row["disposition"] == disposition for row in good), len(good))

    return [
        Goal("one unit fault clearly beyond: detected", Rate(len(seen), len(clearly)), least=0.95),
        Goal("of these, all findings at it", Rate(sum(each.placed for each in seen), len(seen)), least=0.9),
        Goal(
            "outputs on where they must be off: detected",
            Rate(sum(each.detected for each in off), len(off)),
            least=0.999,
        ),
        Goal(
            "two unit faults, one or both clearly beyond: detected", Rate(len(paired), len(two)), least=0.95
        ),
        Goal(
            "of these, all findings at one of them",
            Rate(sum(each.placed for each in paired), len(paired)),
            least=0.9,
        ),
        Goal("of these, each of them found", Rate(sum(each.each for each in paired), len(paired))),
        Goal("stand fault, good unit: sent to repair", Rate(len(blamed), len(stand)), most=0.005),
        Goal("stand fault, good unit: reported as the stand's", reported(stand, Disposition.STAND_FAULT)),
        Goal("stand fault beside one of the unit: shipped", reported(both, Disposition.SHIP), most=0.01),
        Goal("without a fault: sent to repair", without(Disposition.REPAIR), most=0.001),
        Goal("without a fault: incomplete", without(Disposition.INCOMPLETE), most=0.02),
    ]
