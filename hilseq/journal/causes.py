"""What is wrong with a unit, once each, and what to look at first: a pure fold over what its checks found.

One fault shows in many checks. Findings are one cause when they were reported in the same words, are of the same place,
came in one event, or when one row of the profile's table of causes explains them. Everything that shows, stores or
counts what is wrong with a unit takes it from here; the findings stay, each below its cause.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from hilseq.journal.entries import KnownCause
from hilseq.journal.run_state import CheckState, UnitFinding, UnitState
from hilseq.verdicts import Disposition

#: Signs of the unit as a whole that come within this time of the first of them are one event, s.
_TOGETHER = 2.0
#: Where a unit shows that it is out of order as a whole; the places of its stored faults count as well.
_OF_THE_UNIT = frozenset({"link", "indicator", "start", "self-test"})
_MODE = "mode "
#: Longest order of repair; nobody looks further.
_MOST_STEPS = 12
#: How a stored fault is quoted (`StoredFault`).
_QUOTED = re.compile(r"fault 0x([0-9A-F]{2,8}) at ")


@dataclass(frozen=True, slots=True)
class Symptom:
    """What was found in the same words, where, and by which checks."""

    what: str
    places: tuple[str, ...]
    checks: tuple[str, ...]

    @property
    def of_many(self) -> bool:
        """Whether one check alone tells it of several places: that they failed, not that they failed together."""
        return len(self.places) > 1 and len(self.checks) == 1

    @property
    def codes(self) -> set[int]:
        """The codes of the stored faults that it quotes."""
        return {int(code, 16) for code in _QUOTED.findall(self.what)}


@dataclass(frozen=True)
class Cause:
    """One thing that is wrong. The first of its symptoms stands for it, the others are its consequences."""

    symptoms: tuple[Symptom, ...]

    @property
    def what(self) -> str:
        """What was found, in words."""
        return self.symptoms[0].what

    @property
    def consequences(self) -> tuple[Symptom, ...]:
        """What else was found of it."""
        return self.symptoms[1:]

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Where it shows, the places of its first symptom before the others."""
        return tuple(dict.fromkeys(place for symptom in self.symptoms for place in symptom.places))

    @cached_property
    def codes(self) -> frozenset[int]:
        """The codes of the stored faults that its symptoms quote."""
        return frozenset(code for symptom in self.symptoms for code in symptom.codes)

    @cached_property
    def checks(self) -> tuple[str, ...]:
        """The checks that found it."""
        return tuple(dict.fromkeys(check for symptom in self.symptoms for check in symptom.checks))


@dataclass(frozen=True, slots=True)
class RepairStep:
    """What to look at, and which causes it would explain; `known` is the row of the profile's table."""

    known: KnownCause
    explains: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class UnitDiagnosis:
    """The causes in the order of the visit, and in which order to look for what is behind them.

    `unexplained` are causes of which the profile's table says nothing; there is no order for a unit that needs no
    repair.
    """

    causes: tuple[Cause, ...]
    order: tuple[RepairStep, ...] = ()
    unexplained: tuple[Cause, ...] = ()


def diagnosis(unit: UnitState) -> UnitDiagnosis:
    """Return what is wrong with a unit, from its findings and from the causes of its profile."""
    seen = _Seen(unit)
    symptoms = _symptoms(unit.findings, seen)
    causes = [_cause(symptoms, of) for of in _gathered(symptoms, seen)]
    if unit.disposition is not Disposition.REPAIR:
        return UnitDiagnosis(tuple(causes))
    ranked = _ranked(causes, unit.known_causes, seen)
    one = _as_one(causes, ranked, seen)
    joined = {root: _joined([causes[number] for number in of]) for root, of in one.groups().items()}
    steps = tuple(
        RepairStep(known, tuple(joined[root] for root in dict.fromkeys(map(one.find, explained))))
        for known, explained in ranked
    )
    reported = {one.find(number) for _, explained in ranked for number in explained}
    left = tuple(cause for root, cause in joined.items() if root not in reported)
    return UnitDiagnosis(tuple(joined.values()), steps, left)


# -- from findings to causes -------------------------------------------------------------------------------


class _Sets:
    """Disjoint sets of the numbers below `count`; the least of each set is its root."""

    def __init__(self, count: int) -> None:
        self._above = list(range(count))

    def find(self, number: int) -> int:
        """Return the root of a number's set."""
        while (above := self._above[number]) != number:
            self._above[number] = number = self._above[above]
        return number

    def join(self, numbers: Iterable[int]) -> None:
        """Make one set of the sets of some numbers."""
        roots = {self.find(number) for number in numbers}
        for root in roots:
            self._above[root] = min(roots)

    def groups(self) -> dict[int, list[int]]:
        """Return the sets by their roots, in order."""
        found: dict[int, list[int]] = {}
        for number in range(len(self._above)):
            found.setdefault(self.find(number), []).append(number)
        return found


class _Seen:
    """What the state of a unit says around its findings."""

    def __init__(self, unit: UnitState) -> None:
        self._checks = {check.id: check for check in unit.checks}
        # A point or port has checks of its own, which are named after it.
        self._points = {check.place for check in unit.checks if check.id.endswith(f"{check.place}]")} - {""}
        stored = {
            fault for entry in unit.faults for fault in entry.entries if not fault.routine
        } - unit.provoked
        self.codes = {fault.code for fault in stored}
        self._of_the_unit = _OF_THE_UNIT | {fault.place for fault in stored} - self._points

    def are_points(self, places: Iterable[str]) -> bool:
        """Return whether some of the places are single points or ports."""
        return not self._points.isdisjoint(places)

    def incidents(self, symptom: Symptom) -> set[tuple[str, int]]:
        """Return of which incidents of a soak a symptom is."""
        return {
            (check.id, check.signs[place].number)
            for check in self._of(symptom)
            for place in symptom.places
            if place in check.signs
        }

    def times(self, symptom: Symptom) -> list[float]:
        """Return when a symptom was found, by the run's clock, s; nothing for what was found in a soak."""
        return [check.ended_at for check in self._of(symptom) if not check.signs]

    def of_the_unit(self, symptom: Symptom) -> bool:
        """Return whether a symptom shows that the unit as a whole is out of order."""
        return all(place in self._of_the_unit or place.startswith(_MODE) for place in symptom.places)

    def _of(self, symptom: Symptom) -> list[CheckState]:
        return [self._checks[check] for check in symptom.checks]


def _symptoms(findings: Sequence[UnitFinding], seen: _Seen) -> list[Symptom]:
    """Return the findings by their words; at several points they are one only where the words name each of them."""
    by_words: dict[str, list[UnitFinding]] = {}
    for finding in findings:
        by_words.setdefault(finding.what, []).append(finding)
    symptoms = []
    for what, some in by_words.items():
        places = tuple(dict.fromkeys(one.place for one in some))
        checks = tuple(dict.fromkeys(one.check for one in some))
        one = Symptom(what, places, checks)
        if one.of_many or not seen.are_points(places) or all(place in what for place in places):
            symptoms.append(one)
        else:
            symptoms += [
                Symptom(what, (place,), tuple(dict.fromkeys(f.check for f in some if f.place == place)))
                for place in places
            ]
    return symptoms


def _gathered(symptoms: Sequence[Symptom], seen: _Seen) -> list[list[int]]:
    """Return the symptoms of each cause, by their numbers."""
    sets = _Sets(len(symptoms))
    holder: dict[str, int] = {}
    follows: dict[int, list[int]] = {}
    for number, symptom in sorted(enumerate(symptoms), key=lambda one: one[1].of_many):
        held = list(dict.fromkeys(holder[place] for place in symptom.places if place in holder))
        if held and symptom.of_many:
            follows[number] = held
        else:
            sets.join([number, *held])
        for place in symptom.places:
            holder.setdefault(place, held[0] if held else number)
    of_incident: dict[tuple[str, int], list[int]] = {}
    for number, symptom in enumerate(symptoms):
        for incident in seen.incidents(symptom):
            of_incident.setdefault(incident, []).append(number)
    for together in (*of_incident.values(), *_events(symptoms, seen)):
        sets.join(number for number in together if number not in follows)
    found = {root: [n for n in of if n not in follows] for root, of in sets.groups().items()}
    for number, of in follows.items():
        for root in dict.fromkeys(map(sets.find, of)):
            found[root].append(number)
    return [of for of in found.values() if of]


def _events(symptoms: Sequence[Symptom], seen: _Seen) -> list[list[int]]:
    """Return the symptoms of the unit as a whole that came together; of several modes nobody knows which did."""
    moments = sorted(
        (time, number)
        for number, symptom in enumerate(symptoms)
        if seen.of_the_unit(symptom)
        for time in seen.times(symptom)
    )
    clusters: list[list[int]] = []
    first = float("-inf")
    for time, number in moments:
        if time - first > _TOGETHER:
            first = time
            clusters.append([])
        clusters[-1].append(number)
    events = []
    for cluster in clusters:
        modes = {n for n in cluster if any(place.startswith(_MODE) for place in symptoms[n].places)}
        events.append([n for n in cluster if n not in modes or len(modes) == 1])
    return events


def _cause(symptoms: Sequence[Symptom], of: Sequence[int]) -> Cause:
    return _led([symptoms[number] for number in of])


def _joined(causes: Sequence[Cause]) -> Cause:
    return _led(list(dict.fromkeys(symptom for cause in causes for symptom in cause.symptoms)))


def _led(symptoms: Sequence[Symptom]) -> Cause:
    """Return the cause of some symptoms: what most checks have reported stands for it."""
    lead = max(symptoms, key=lambda symptom: len(symptom.checks))
    return Cause((lead, *(symptom for symptom in symptoms if symptom is not lead)))


# -- what to look at first ---------------------------------------------------------------------------------


def _ranked(
    causes: Sequence[Cause], known: Sequence[KnownCause], seen: _Seen
) -> list[tuple[KnownCause, list[int]]]:
    """Return the rows of the table that explain anything, with what: first whatever explains most of what is left.

    Between equals one fault that shows at several points comes before a fault at each of them, then what explains more
    symptoms, what stored faults speak for, and what the profile names first.
    """
    candidates = []
    for row in known:
        places, faults = frozenset(row.places), frozenset(row.faults)
        explained = [number for number, cause in enumerate(causes) if _explains(places, faults, cause)]
        at_points = sum(seen.are_points(causes[number].places) for number in explained)
        if explained and (at_points > 1 or not row.common):
            candidates.append((row, explained))
    left = set(range(len(causes)))
    ranked: list[tuple[KnownCause, list[int]]] = []

    def worth(candidate: tuple[KnownCause, list[int]]) -> tuple[int, bool, int, int]:
        row, explained = candidate
        symptoms = sum(len(causes[number].symptoms) for number in explained)
        return (
            len(left.intersection(explained)),
            row.common,
            symptoms,
            len(seen.codes.intersection(row.faults)),
        )

    while candidates and len(ranked) < _MOST_STEPS:
        best = max(candidates, key=worth)
        candidates.remove(best)
        left.difference_update(best[1])
        ranked.append(best)
    return ranked


def _explains(places: frozenset[str], faults: frozenset[int], cause: Cause) -> bool:
    return not places.isdisjoint(cause.places) or not faults.isdisjoint(cause.codes)


def _as_one(causes: Sequence[Cause], ranked: Sequence[tuple[KnownCause, list[int]]], seen: _Seen) -> _Sets:
    """Make one cause of what a row explains first: but of faults at single points each is one of its own."""
    sets, explained = _Sets(len(causes)), set[int]()
    for row, numbers in ranked:
        new = set(numbers) - explained
        explained |= new
        single = {number for number in new if seen.are_points(causes[number].places)}
        sets.join(new if row.common or len(single) == 1 else new - single)
    return sets
