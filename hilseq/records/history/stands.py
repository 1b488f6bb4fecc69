"""Stand against stand for the same reading: whether one differs from the others, or drifts.

Each stand is tested against all others together (rank sum), and its own values for a rise or fall in time
(Mann-Kendall); both families of probabilities are adjusted for the number of questions asked (Holm). One
value per unit and stand counts. Two cautions that no statistic removes: different stands see different units,
and a change in the units themselves looks like a drift on every stand at once.

A unit that came back may have been repaired in between; its first visit to each stand is what counts, and of several
readings in that visit the mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis.drift import holm, rank_sum_probability, shift, slope, trend_probability
from hilseq.errors import UsageError
from hilseq.records.database import Database
from hilseq.records.history.answer import Quantity, last_visits, require_part, series_of
from hilseq.records.history.reading import Spread, sums
from hilseq.records.tables import readings, runs, stands, units, visits

# -- one value per unit and stand ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StandValue:
    """What one stand measured on one unit; `uncertainty` is the expanded one it states, None when unknown."""

    stand: str
    part: str
    serial: str
    at: datetime
    value: float
    uncertainty: float | None


def stand_values(
    connection: Connection, numbers: dict[int, Quantity], among: sa.ColumnElement[bool]
) -> dict[Quantity, list[StandValue]]:
    """Return the values of each series in the order of time; `among` is a condition on visits."""
    # Grouped by numbers alone: what hangs on a visit and its run need not be sorted along.
    per_visit = (
        sa.select(
            readings.c.series_id,
            runs.c.stand_id,
            visits.c.unit_id,
            visits.c.started,
            runs.c.key,
            sa.func.avg(readings.c.value).label("value"),
            sa.func.avg(readings.c.uncertainty).label("uncertainty"),
        )
        .select_from(readings)
        .join(visits, visits.c.id == readings.c.visit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .where(
            readings.c.series_id.in_(numbers),
            readings.c.value.is_not(None),
            among,
        )
        .group_by(readings.c.series_id, visits.c.id, runs.c.id)
        .subquery("per_visit")
    )
    turn = sa.func.row_number().over(
        partition_by=(per_visit.c.series_id, per_visit.c.stand_id, per_visit.c.unit_id),
        order_by=(per_visit.c.started, per_visit.c.key),
    )
    compose = sa.select(per_visit, turn.label("turn")).subquery("compose")
    query = (
        sa.select(
            compose.c.series_id,
            stands.c.name,
            *units.c["part", "serial"],
            *compose.c["started", "value", "uncertainty", "key"],
        )
        .join(stands, stands.c.id == compose.c.stand_id)
        .join(units, units.c.id == compose.c.unit_id)
        .where(compose.c.turn == 1)
    )
    values: dict[Quantity, list[tuple[str, StandValue]]] = {}
    for number, stand, part, serial, at, value, uncertainty, key in connection.execute(query):
        # Twelve digits: two databases add in different orders, and ranks must not hang on the last bit.
        rounded = float(f"{value:.12g}")
        reported = StandValue(stand, part, serial, at, rounded, uncertainty)
        values.setdefault(numbers[number], []).append((key, reported))
    return {
        kept: [reported for _, reported in sorted(found, key=lambda one: (one[1].at, one[0], one[1].serial))]
        for kept, found in sorted(values.items())
    }


# -- each stand against the others ---------------------------------------------------------------------

#: Adjusted probabilities below this are called a difference or a drift.
SIGNIFICANCE = 0.05
#: The last so many units of a stand are asked for a drift.
DRIFT_UNITS = 200
#: Visits of the part that are looked at unless more are asked for: how the stands are, not how they were.
LAST_VISITS = 600
#: Places tested value by value; where a reading has more, ask for one of them.
MOST_PLACES = 3
_DAY = 86400.0
MONTH_DAYS = 30.0


@dataclass(frozen=True, slots=True)
class StandRow:
    """One stand against the others for one quantity.

    `shift` is how much this stand reads above the others (95 % interval `low` to `high`, None when too few
    units), `probability` the adjusted one; `uncertainty` the expanded one both sides state together, None
    when unknown. `drift` is the change per 30 days, `drift_probability` the adjusted one.
    """

    quantity: Quantity
    stand: str
    units: int
    units_elsewhere: int
    shift: float
    low: float | None
    high: float | None
    probability: float
    uncertainty: float | None
    drift: float
    drift_probability: float

    @property
    def differs(self) -> bool:
        """Whether the stand differs from the others, chance aside."""
        return self.probability < SIGNIFICANCE

    @property
    def drifts(self) -> bool:
        """Whether its values rise or fall in time, chance aside."""
        return self.drift_probability < SIGNIFICANCE

    @property
    def beyond_uncertainty(self) -> bool:
        """Whether the difference is more than the stated uncertainties allow: somebody must calibrate."""
        return self.differs and self.uncertainty is not None and abs(self.shift) > self.uncertainty


@dataclass(frozen=True, slots=True)
class StandComparison:
    """All stands for the places of a reading, those that differ most credibly first.

    Of more than MOST_PLACES places those are tested whose stands' means lie farthest apart; `screened` counts
    the others, which were only looked at by their means.
    """

    part: str
    name: str
    simulated: bool
    last: int
    screened: int
    rows: list[StandRow]
    values: dict[Quantity, list[StandValue]]


@dataclass(frozen=True, slots=True)
class _Case:
    """One stand against the others, before it is known whether anything is worth telling."""

    quantity: Quantity
    stand: str
    here: list[StandValue]
    elsewhere: list[StandValue]

    @property
    def recent(self) -> list[StandValue]:
        return self.here[-DRIFT_UNITS:]

    def difference(self) -> float:
        return rank_sum_probability(_values(self.here), _values(self.elsewhere))

    def trend(self) -> float:
        return trend_probability(_values(self.recent))


def compare_stands(
    database: Database,
    part: str,
    name: str,
    *,
    place: str | None = None,
    last: int = LAST_VISITS,
    simulated: bool = False,
) -> StandComparison:
    """Compare the stands that took a reading of a part, over its last visits.

    Raises UsageError when there is no such reading, or only one stand took it.
    """
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        numbers = series_of(connection, part, name, place)
        among = last_visits(part, last, simulated=simulated)
        screened, asked = _screened(connection, numbers, among)
        values = stand_values(connection, screened, among)
    cases = [case for quantity, found in values.items() for case in _cases(quantity, found)]
    if not cases:
        seen = sorted({value.stand for found in values.values() for value in found})
        raise UsageError(
            f"reading {name!r} of part {part!r} was taken on {seen[0] if seen else 'no'} stand only: "
            "there is nothing to compare it with"
        )
    # What was only screened counts as asked, with the answer "nothing": that never makes a claim too bold.
    silent = [1.0] * max(0, asked - len(cases))
    differences = holm([*(case.difference() for case in cases), *silent])
    trends = holm([*(case.trend() for case in cases), *silent])
    reported = sorted(
        zip(cases, differences, trends, strict=False),
        key=lambda one: (min(one[1:]), one[0].quantity, one[0].stand),
    )
    rows = [_row(*one) for one in reported]
    return StandComparison(part, name, simulated, last, len(numbers) - len(screened), rows, values)


def _screened(
    connection: Connection, numbers: dict[int, Quantity], among: sa.ColumnElement[bool]
) -> tuple[dict[int, Quantity], int]:
    """Return the series whose stands differ most by their means, and how many tests all would have been."""
    if len(numbers) <= MOST_PLACES:
        return numbers, 0
    found: dict[int, list[Spread]] = {}
    for number, one in sums(connection, numbers, [among], by_stand=True):
        found.setdefault(number, []).append(one)
    compared = {number: stands for number, stands in found.items() if len(stands) > 1}
    order = sorted(compared, key=lambda number: (-_apart(compared[number]), numbers[number]))
    return (
        {number: numbers[number] for number in order[:MOST_PLACES]},
        sum(len(stands) for stands in compared.values()),
    )


def _apart(stands: Sequence[Spread]) -> float:
    """Return the greatest distance of two stands' means in standard errors, to nine digits."""
    apart = 0.0
    for first, second in combinations(stands, 2):
        error = math.hypot(*((one.deviation or 0.0) / math.sqrt(one.count) for one in (first, second)))
        distance = abs(first.mean - second.mean)
        if distance > 0:
            apart = max(apart, distance / error if error else math.inf)
    return float(f"{apart:.9g}")


def _cases(quantity: Quantity, values: Sequence[StandValue]) -> list[_Case]:
    names = sorted({value.stand for value in values})
    if len(names) < 2:  # noqa: PLR2004 - one stand has nothing to be compared with
        return []
    return [
        _Case(
            quantity,
            stand,
            [value for value in values if value.stand == stand],
            [value for value in values if value.stand != stand],
        )
        for stand in names
    ]


def _row(case: _Case, difference: float, trend: float) -> StandRow:
    moved = shift(_values(case.here), _values(case.elsewhere))
    days = [value.at.timestamp() / _DAY for value in case.recent]
    return StandRow(
        quantity=case.quantity,
        stand=case.stand,
        units=len(case.here),
        units_elsewhere=len(case.elsewhere),
        shift=moved.estimate,
        low=moved.low,
        high=moved.high,
        probability=difference,
        uncertainty=_together(_mean_uncertainty(case.here), _mean_uncertainty(case.elsewhere)),
        drift=slope(days, _values(case.recent)) * MONTH_DAYS,
        drift_probability=trend,
    )


def _values(found: Sequence[StandValue]) -> list[float]:
    return [value.value for value in found]


def _mean_uncertainty(values: Sequence[StandValue]) -> float | None:
    stated = [value.uncertainty for value in values if value.uncertainty is not None]
    return math.fsum(stated) / len(stated) if stated else None


def _together(first: float | None, second: float | None) -> float | None:
    return math.hypot(first, second) if first is not None and second is not None else None
