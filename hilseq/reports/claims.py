"""The ledger of claims: each sentence about a unit with what was seen behind it, and what was not shown.

A sentence is a check's own; it stands only where a check of it passed, and only with its domain: the points, the supply
voltages, the readings, the rows of its tables and what its looks prove, all from the journal. What of it did not pass
stands under "not shown". The coverage statement sums that up: what a verdict stands for, and what it does not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from hilseq.journal.entries import EventLogged, Reading
from hilseq.journal.event_names import (
    AT_AMBIENT,
    AT_CASE,
    CONDITIONS,
    NOT_JUDGED,
    PROOF,
    SUPPLY_ON,
    SUPPLY_SET,
)
from hilseq.journal.run_state import CheckState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports.formatting import finite, join_truncated, show_value
from hilseq.verdicts import CheckVerdict

NOT_APPROVED = "Not the approved plan"
TESTED = "Tested"


#: Shorter times are not reported, s.
_TOLD_TIME = 1.0
#: Most points, and most words, of what is reported in one line.
_MOST_POINTS, _MOST_NOT_SHOWN = 6, 12


@dataclass(frozen=True, slots=True)
class ClaimShown:
    """A sentence about a unit, the domain in which it was seen to hold, and the checks that saw it."""

    sentence: str
    domain: str
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotShown:
    """A sentence, or a part of it, that was planned and not seen to hold: at which points, and why."""

    sentence: str
    points: tuple[str, ...]
    why: str

    def __str__(self) -> str:
        where = f" ({join_truncated(self.points, _MOST_POINTS)})" if self.points else ""
        return f"{self.sentence.rstrip('.')}{where}"


@dataclass(frozen=True, slots=True)
class Ledger:
    """Every sentence about a unit: as claims, and what of them is not shown."""

    claims: tuple[ClaimShown, ...]
    not_shown: tuple[NotShown, ...]


def ledger(unit: UnitState) -> Ledger:
    """Return the ledger of a unit."""
    groups: dict[tuple[str, str], list[CheckState]] = {}
    for check in unit.checks:
        groups.setdefault((check.stage, check.title), []).append(check)
    claims, lacking = [], []
    for checks in groups.values():
        sentence = checks[0].sentence or checks[0].title
        passed = [check for check in checks if check.verdict is CheckVerdict.PASSED]
        if passed:
            claims.append(ClaimShown(sentence, domain(unit, passed), tuple(check.id for check in passed)))
        reasons: dict[str, list[CheckState]] = {}
        for check in checks:
            if check.verdict is not CheckVerdict.PASSED:
                reported = f"{check.verdict}: {check.why}" if check.why else str(check.verdict)
                reasons.setdefault(reported, []).append(check)
        lacking += [NotShown(sentence, _points(same), reported) for reported, same in reasons.items()]
    return Ledger(tuple(claims), tuple(lacking))


#: How a part of a domain begins that tells the supply, and the temperature.
_SUPPLIED, _WARM = "supplied with", tuple(f"{word} " for word in (AT_CASE, *AT_AMBIENT))


def shortened(claims: Sequence[ClaimShown]) -> tuple[str, list[tuple[str, str]]]:
    """Return the conditions that most claims share, and each claim with what else its domain says.

    Another supply than the usual one stays with its claim; the temperatures are given from the first to the last.
    """
    split = [(claim.sentence, claim.domain.split("; ")) for claim in claims]
    every = [part for _, parts in split for part in parts]
    supplied = Counter(part for part in every if part.startswith(_SUPPLIED)).most_common(1)
    warm = list(dict.fromkeys(part for part in every if part.startswith(_WARM)))
    shared = [part for part, _ in supplied]
    reported = [*shared, *([warm[0] if len(warm) == 1 else f"{warm[0]} to {warm[-1]}"] if warm else [])]
    return "; ".join(reported), [
        (sentence, "; ".join(p for p in parts if p not in (*shared, "once") and not p.startswith(_WARM)))
        for sentence, parts in split
    ]


def domain(unit: UnitState, checks: Sequence[CheckState]) -> str:
    """Return in words where and how the sentence of these passed checks was seen to hold; empty for no check."""
    if not checks:
        return ""
    parts = []
    if points := _points(checks):
        parts.append(f"at {join_truncated(points, _MOST_POINTS)}")
    if supplied := _in_force(_supply_reported(unit), checks):
        parts.append(f"supplied with {', '.join(supplied)}")
    if warm := _in_force(_events(unit, CONDITIONS), checks):
        parts.append(warm[0] if len(warm) == 1 else f"{warm[0]} to {warm[-1]}")
    readings: dict[str, list[Reading]] = {}
    for check in checks:
        for reading in check.readings:
            readings.setdefault(reading.name, []).append(reading)
    parts += [_range(name, taken) for name, taken in readings.items()]
    rows: dict[str, int] = {}
    for check in checks:
        for table in check.tables:
            rows[table.name] = rows.get(table.name, 0) + len(table.rows)
    parts += [f"{name}: {number} rows" for name, number in rows.items()]
    parts += [event.text.rstrip(".") for event in _events(unit, PROOF) if _within(event, checks)]
    took = round(sum(check.seconds for check in checks), 1)
    return "; ".join([*parts, f"in {show_duration(took)}"] if took >= _TOLD_TIME else parts or ["once"])


def _points(checks: Sequence[CheckState]) -> tuple[str, ...]:
    """Return what the checks were made for; nothing for a test that is made once."""
    return tuple(p for check in checks if (p := check.element))


def _range(name: str, taken: Sequence[Reading]) -> str:
    known = sorted((r for r in taken if finite(r.value) is not None), key=lambda r: finite(r.value) or 0.0)
    if not known:
        return f"{name} not finite"
    ends = dict.fromkeys(show_value(reading) for reading in (known[0], known[-1]))
    return f"{name} {' to '.join(ends)}" + (f" ({len(taken)} readings)" if len(taken) > 1 else "")


def _events(unit: UnitState, what: str) -> list[EventLogged]:
    return [event for event in unit.events if isinstance(event, EventLogged) and event.what == what]


def _within(event: EventLogged, checks: Sequence[CheckState]) -> bool:
    return any(check.begun_at <= event.t <= check.ended_at for check in checks)


def _supply_reported(unit: UnitState) -> list[EventLogged]:
    """Return the events that tell the unit's voltage; in journals that tell no change under power, none."""
    reported = [event for event in _events(unit, SUPPLY_ON) if "current limit" in event.text]
    return sorted([*reported, *_events(unit, SUPPLY_SET)], key=lambda event: event.t)


def _in_force(reported: Sequence[EventLogged], checks: Sequence[CheckState]) -> list[str]:
    """Return what held during the checks: the last that was reported before each of them began, and all since."""
    seen: dict[str, None] = {}
    for check in checks:
        before = [event for event in reported if event.t <= check.begun_at]
        during = [event for event in reported if check.begun_at < event.t <= check.ended_at]
        seen |= dict.fromkeys(event.text.partition(", current limit")[0] for event in (*before[-1:], *during))
    return list(seen)


@dataclass(frozen=True, slots=True)
class CoverageStatement:
    """What of a unit was tested and what was not, in words; an empty line says that there is nothing of the kind."""

    approved: bool
    plan: str
    soak: str
    tested: str
    not_claimed: str
    not_possible: str
    not_shown: str
    waived: str

    def lines(self) -> list[tuple[str, str]]:
        """Return heading and words of each line there is, the first lines of a report first."""
        reported = [
            ("Plan", self.plan),
            ("Soak", self.soak),
            (TESTED, self.tested),
            ("Not claimed by the profile", self.not_claimed),
            ("Not possible on this stand", self.not_possible),
            ("Not proven", self.not_shown),
            ("Waived", self.waived),
        ]
        return [(name, words) for name, words in reported if words]


def without_certificate(unit: UnitState) -> str:
    """Return in a sentence why a unit that may ship gets no certificate; empty when it gets one."""
    plan = unit.plan
    if not unit.unapproved:
        return ""
    if plan is None or not plan.revision:
        return (
            f"no certificate: nobody has approved a test plan for {unit.part}, so that SHIP means only that the checks "
            "of this run passed; `hilseq plan --approve` approves one"
        )
    return f"no certificate: this was not the approved plan: {join_truncated(plan.differences, 4)}"


def coverage_statement(unit: UnitState) -> CoverageStatement:
    """Return the coverage statement of a unit."""
    tested = [
        stage if performed == len(checks) else f"{stage} ({performed} of {len(checks)} checks)"
        for stage, checks in unit.stages.items()
        if (performed := sum(check.verdict is not CheckVerdict.NOT_PERFORMED for check in checks))
    ]
    plan = unit.plan
    not_judged = [event.text for event in unit.events if event.what == NOT_JUDGED]
    not_here = () if plan is None else plan.not_on_stand
    return CoverageStatement(
        approved=not unit.unapproved,
        plan=_plan(unit),
        soak=_soak(unit),
        tested=", ".join(tested),
        not_claimed="" if plan is None else ", ".join(plan.not_claimed),
        not_possible="; ".join(dict.fromkeys([*unit.unmeasured, *not_judged, *not_here])),
        not_shown="; ".join(_lacking(ledger(unit))),
        waived=_waived(unit),
    )


def _lacking(reported: Ledger) -> list[str]:
    """Return what is not shown, once each; why, the checks say."""
    several = list(dict.fromkeys(str(each) for each in reported.not_shown))
    more = len(several) - _MOST_NOT_SHOWN
    return several if more <= 0 else [*several[:_MOST_NOT_SHOWN], f"and {more} more"]


def _waived(unit: UnitState) -> str:
    """Return what was waived and by whom: whoever approved the plan has approved the waivers of its profile."""
    if unit.paper is None or not unit.paper.waived:
        return ""
    plan = unit.plan
    approved = plan is not None and plan.revision and not plan.differences
    whom = f"by {plan.approved_by} with the approved plan" if plan and approved else "no approved plan"
    return f"{'; '.join(unit.paper.waived)} ({whom})"


def _plan(unit: UnitState) -> str:
    plan = unit.plan
    if plan is None:
        return "The run had no approved plan."
    named = f"plan of {unit.part}, revision {plan.revision} ({plan.identity[:16]})"
    by = f"approved by {plan.approved_by} on {plan.approved_on}: {plan.why.rstrip('.')}"
    if not plan.revision:
        return f"{NOT_APPROVED}: {join_truncated(plan.differences, 4)}."
    if plan.differences:
        return f"{NOT_APPROVED} ({named}): {join_truncated(plan.differences, 4)}."
    return f"Approved {named}, {by}."


def _soak(unit: UnitState) -> str:
    planned = None if unit.plan is None else unit.plan.soak
    if unit.soak is None:
        return f"not run, {show_duration(planned)} planned" if planned else ""
    planned = planned or unit.soak.started.planned
    done = unit.soak.last if unit.soak.ended is None else unit.soak.ended.since
    return f"{show_duration(done)} of {show_duration(planned)} planned"
