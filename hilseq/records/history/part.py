"""What the records prove of a part: first-pass yield, where and how units fail, and all starts and soaks together.

First-pass yield: of the units that were ever judged, how many shipped on the first pass. A visit that decided nothing
(incomplete, stand fault, a run that did not end) is no pass and no failure: the next one of that unit counts as its
first. Bounds are exact (Clopper-Pearson).

Together: the probability of a cold start, and the mean time between faults. Adds up what `hilseq.records.rows` reads
from each visit, except those in which the stand failed: they say nothing about a unit. Pooling takes the units for
alike; where a few of them hold most of the failures, look at those units and not at the sum.

Units retested until they passed: a fault that comes and goes is not mended by asking again.

Between two releases of a unit (or since its first visit), visits that failed and a later one that passed.
What was done to the unit in between stands in no journal: a repair explains it, a second try does not. The
shorter the time between the failure and the pass, the less a repair explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis.counted import Bounds, clopper_pearson, mtbf_interval, mtbf_lower, reliability_shown
from hilseq.records.database import Database
from hilseq.records.history.answer import in_order, of_part, require_part
from hilseq.records.rows import COLD_STARTS, SOAK_HOURS
from hilseq.records.tables import checks, exposures, findings, name, runs, units, visits
from hilseq.verdicts import Disposition

# -- first-pass yield ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FirstPass:
    """`passed` of `units` shipped the first time; the share and its bounds are None when none was judged."""

    part: str
    simulated: bool
    confidence: float
    units: int
    passed: int
    undecided_units: int
    visits: int
    dispositions: dict[str, int]
    share: float | None
    low: float | None
    high: float | None


def first_pass(
    database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False
) -> FirstPass:
    """Return the first-pass yield of a part with its two-sided bounds.

    Raises UsageError when the part is not in the records.
    """
    chosen = of_part(part, simulated=simulated)
    judged = _first_judged(part, simulated=simulated)
    first = sa.select(judged.c.disposition, sa.func.count()).group_by(judged.c.disposition)
    of_visits = visits.join(units, units.c.id == visits.c.unit_id)
    all_units = sa.select(sa.func.count(visits.c.unit_id.distinct())).select_from(of_visits).where(chosen)
    every = (
        sa.select(visits.c.disposition, sa.func.count())
        .select_from(of_visits)
        .where(chosen)
        .group_by(visits.c.disposition)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        counts: dict[str, int] = dict(connection.execute(first).all())
        seen = connection.execute(all_units).scalar_one()
        dispositions: dict[str, int] = dict(connection.execute(every).all())
    passed, total = counts.get(Disposition.SHIP, 0), sum(counts.values())
    bounds = clopper_pearson(passed, total, confidence) if total else None
    return FirstPass(
        part=part,
        simulated=simulated,
        confidence=confidence,
        units=total,
        passed=passed,
        undecided_units=seen - total,
        visits=sum(dispositions.values()),
        dispositions={str(one): dispositions[one] for one in Disposition if one in dispositions},
        share=passed / total if total else None,
        low=bounds.lower if bounds else None,
        high=bounds.upper if bounds else None,
    )


def _first_judged(part: str, *, simulated: bool) -> sa.Subquery:
    """Return date and disposition of the first decided visit of each unit."""
    turn = sa.func.row_number().over(partition_by=visits.c.unit_id, order_by=in_order()).label("turn")
    judged = (
        sa.select(visits.c.started, visits.c.disposition, turn)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), visits.c.decided)
        .subquery()
    )
    return sa.select(judged.c.started, judged.c.disposition).where(judged.c.turn == 1).subquery("first")


@dataclass(frozen=True, slots=True)
class YieldOfPeriod:
    """First-pass yield of the units whose first judged visit began in a period, with its exact bounds."""

    period: str
    units: int
    passed: int
    share: float
    low: float
    high: float


#: A part seen for longer than so many days is counted by weeks, and than so many by months.
_BY_WEEK, _BY_MONTH = 21, 180


def yield_over_time(
    database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False
) -> list[YieldOfPeriod]:
    """Return the first-pass yield of a part by days, weeks (ISO 8601) or months, whichever shows its course.

    A period in which no unit was judged for the first time is left out.
    """
    judged = _first_judged(part, simulated=simulated)
    query = sa.select(judged.c.started, judged.c.disposition)
    with database.reading() as connection:
        first = sorted((began, said) for began, said in connection.execute(query.order_by(judged.c.started)))
    if not first:
        return []
    days = (first[-1][0] - first[0][0]).days
    form = "%Y-%m-%d" if days <= _BY_WEEK else "%G-W%V" if days <= _BY_MONTH else "%Y-%m"
    counted: dict[str, list[int]] = {}
    for began, said in first:
        of = counted.setdefault(began.strftime(form), [0, 0])
        of[0] += 1
        of[1] += said == Disposition.SHIP
    found = []
    for period, (total, passed) in counted.items():
        bounds = clopper_pearson(passed, total, confidence)
        found.append(YieldOfPeriod(period, total, passed, passed / total, bounds.lower, bounds.upper))
    return found


# -- where and how they fail ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ParetoRow:
    """One place and kind of cause; `share` is of all causes, `cumulative` up to and with this one.

    `title` is what the check is called now.
    """

    place: str
    stage: str
    kind: str
    title: str
    times: int
    units: int
    share: float
    cumulative: float


@dataclass(frozen=True, slots=True)
class Pareto:
    """The causes, commonest first: by units, then by how often it was found."""

    part: str
    blames: str
    simulated: bool
    causes_found: int
    causes: list[ParetoRow]


def pareto(database: Database, part: str, *, blames: str = "unit", simulated: bool = False) -> Pareto:
    """Return the failures of a part by place and kind; `blames` is `unit` or `stand`.

    Raises UsageError when the part is not in the records.
    """
    query = (
        sa.select(
            *findings.c["place", "stage", "kind"], sa.func.count(), sa.func.count(visits.c.unit_id.distinct())
        )
        .join(visits, visits.c.id == findings.c.visit_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), findings.c.blames == blames)
        .group_by(findings.c.place, findings.c.stage, findings.c.kind)
    )
    newest = (
        sa.select(sa.func.max(checks.c.id))
        .join(visits, visits.c.id == checks.c.visit_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated))
        .group_by(checks.c.stage, checks.c.kind)
    )
    named = sa.select(checks.c.stage, checks.c.kind, checks.c.title).where(checks.c.id.in_(newest))
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        rows = [tuple(row) for row in connection.execute(query)]
        titles = {(stage, kind): title for stage, kind, title in connection.execute(named)} if rows else {}
    rows.sort(key=lambda row: (-row[4], -row[3], row[:3]))
    total = sum(row[3] for row in rows)
    causes, seen = [], 0
    for place, stage, kind, number, affected in rows:
        seen += number
        title = titles.get((stage, kind)) or kind
        causes.append(ParetoRow(place, stage, kind, title, number, affected, number / total, seen / total))
    return Pareto(part, blames, simulated, total, causes)


# -- all starts and soaks together ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PooledStarts:
    """`share` of the starts succeeded; `proven` is the probability exceeded at the one-sided confidence.

    Units differ, and a run of starts ends at its first failure, so that starts cannot be thrown together: each unit
    counts once. That a unit never failed a start is no likelier than that one of its starts succeeds, so the exact
    lower bound of the former holds for the mean of the latter, whatever the units are like.
    """

    units: int
    units_failed: int
    starts: int
    failed: int
    share: float
    interval: Bounds
    proven: float


@dataclass(frozen=True, slots=True)
class PooledSoaks:
    """Hours under load and faults in them; `interval.upper` is infinite after no fault."""

    units: int
    hours: float
    faults: int
    interval: Bounds
    proven: float


@dataclass(frozen=True, slots=True)
class Pooled:
    """Both, None where nothing of the kind was ever done."""

    part: str
    simulated: bool
    confidence: float
    starts: PooledStarts | None
    soaks: PooledSoaks | None


def pooled(database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False) -> Pooled:
    """Return what the starts and soaks of all units of a part prove at this confidence.

    Raises UsageError when the part is not in the records.
    """
    # Hours whose samples are damaged prove nothing; what failed in them stands in the journal nevertheless.
    unproven = (exposures.c.what == SOAK_HOURS) & (visits.c.damage != "")
    query = (
        sa.select(
            exposures.c.what,
            sa.func.sum(sa.case((unproven, 0.0), else_=exposures.c.amount)),
            sa.func.sum(exposures.c.failures),
            sa.func.count(visits.c.unit_id.distinct()),
            sa.func.count(sa.case((exposures.c.failures > 0, visits.c.unit_id)).distinct()),
        )
        .select_from(exposures)
        .join(visits, visits.c.id == exposures.c.visit_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), visits.c.disposition != Disposition.STAND_FAULT)
        .group_by(exposures.c.what)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        sums = {
            what: (float(amount), int(failures), affected, failing)
            for what, amount, failures, affected, failing in connection.execute(query)
        }
    nothing = (0.0, 0, 0, 0)
    return Pooled(
        part,
        simulated,
        confidence,
        _starts(*sums.get(COLD_STARTS, nothing), confidence),
        _soaks(*sums.get(SOAK_HOURS, nothing)[:3], confidence),
    )


def _starts(
    amount: float, failed: int, of_units: int, units_failed: int, confidence: float
) -> PooledStarts | None:
    starts = round(amount)
    if starts < 1:
        return None
    good = starts - failed
    interval = clopper_pearson(good, starts, confidence)
    proven = reliability_shown(of_units, confidence, units_failed)
    return PooledStarts(of_units, units_failed, starts, failed, good / starts, interval, proven)


def _soaks(amount: float, faults: int, of_units: int, confidence: float) -> PooledSoaks | None:
    if amount <= 0:
        return None
    hours = float(f"{amount:.12g}")  # two databases add in different orders
    interval = mtbf_interval(hours, faults, confidence)
    return PooledSoaks(of_units, hours, faults, interval, mtbf_lower(hours, faults, confidence))


@dataclass(frozen=True, slots=True)
class Retested:
    """One unit and one release: `failed` and `undecided` visits before it, where they failed."""

    part: str
    serial: str
    failed: int
    undecided: int
    last_failed: datetime
    passed: datetime
    hours_between: float
    places: list[str]


def retested(database: Database, part: str | None = None, *, simulated: bool = False) -> list[Retested]:
    """Return the units that passed after failing, those that passed soonest after it first."""
    cycles = _cycles(part, simulated=simulated)
    shipped = cycles.c.disposition == Disposition.SHIP
    repair = cycles.c.disposition == Disposition.REPAIR
    query = (
        sa.select(
            *cycles.c["unit_id", "cycle"],
            *units.c["part", "serial"],
            sa.func.sum(sa.case((repair, 1), else_=0)).label("failed"),
            sa.func.sum(sa.case((sa.or_(repair, shipped), 0), else_=1)).label("undecided"),
            sa.func.min(sa.case((repair, cycles.c.started))).label("first_failed"),
            sa.func.max(sa.case((repair, cycles.c.started))).label("last_failed"),
            sa.func.max(sa.case((shipped, cycles.c.started))).label("passed"),
        )
        .join(units, units.c.id == cycles.c.unit_id)
        .group_by(cycles.c.unit_id, cycles.c.cycle, units.c.part, units.c.serial)
        .having(sa.func.sum(sa.case((repair, 1), else_=0)) > 0)
        .having(sa.func.sum(sa.case((shipped, 1), else_=0)) > 0)
    )
    with database.reading() as connection:
        rows = connection.execute(query).all()
        places = _places(connection, simulated=simulated) if rows else {}
    found = [
        Retested(
            row.part,
            row.serial,
            row.failed,
            row.undecided,
            row.last_failed,
            row.passed,
            round((row.passed - row.last_failed).total_seconds() / 3600, 3),
            sorted(
                {
                    place
                    for started, place in places.get(row.unit_id, ())
                    if row.first_failed <= started <= row.last_failed
                }
            ),
        )
        for row in rows
    ]
    return sorted(found, key=lambda one: (one.hours_between, one.part, one.serial, one.passed))


def _cycles(part: str | None, *, simulated: bool) -> sa.CTE:
    """Return the visits, each with the number of releases of its unit before it."""
    earlier_releases = sa.func.coalesce(
        sa.func.sum(sa.case((visits.c.disposition == Disposition.SHIP, 1), else_=0)).over(
            partition_by=visits.c.unit_id, order_by=(visits.c.started, runs.c.key), rows=(None, -1)
        ),
        0,
    )
    query = (
        sa.select(
            visits.c.id,
            visits.c.unit_id,
            visits.c.disposition,
            visits.c.started,
            earlier_releases.label("cycle"),
        )
        .join(runs, runs.c.id == visits.c.run_id)
        .where(visits.c.simulated.is_(simulated))
    )
    if part is not None:
        query = query.join(units, units.c.id == visits.c.unit_id).where(units.c.part == name(part))
    return query.cte("cycles")


def _places(connection: Connection, *, simulated: bool) -> dict[int, list[tuple[datetime, str]]]:
    """Return when and where each unit failed."""
    query = (
        sa.select(visits.c.unit_id, visits.c.started, findings.c.place)
        .join(findings, findings.c.visit_id == visits.c.id)
        .where(visits.c.disposition == Disposition.REPAIR, visits.c.simulated.is_(simulated))
    )
    places: dict[int, list[tuple[datetime, str]]] = {}
    for unit_id, started, place in connection.execute(query):
        places.setdefault(unit_id, []).append((started, place))
    return places
