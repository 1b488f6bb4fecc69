"""Power cycling: the unit starts every time, and what that proves."""

from __future__ import annotations

import pytest

from hilseq import Decision, Judge, KeepTable, Unit, UnitSupply, cycling, durations, glance, start_times

pytestmark = [
    pytest.mark.stage("power cycling"),
    pytest.mark.place("start"),
    pytest.mark.duration(estimate=durations.exchanges),
]


@pytest.mark.needs("cycling")
@pytest.mark.duration(estimate=durations.cold_starts)
def test_starts_cold_every_time(ready_unit: Unit, supply: UnitSupply, keep_table: KeepTable) -> None:
    """Cold starts.

    The unit starts from cold as often as is claimed of it, and after each start all of it is as after the others.
    """
    cold = cycling.cold_starts(ready_unit, glance.lost_since)
    keep_table("cold starts", cycling.COLUMNS, [start.row() for start in cold.starts])
    supply.note("proof", cold.proven())
    cycling.fail_on_lost(cold.starts)
    if cold.decision is not Decision.ACCEPT:
        cycling.fail_on_failed(cold.failed, cold.proven())


@pytest.mark.needs("cycling")
@pytest.mark.duration(estimate=durations.other_starts)
def test_starts_warm_and_after_short_pauses(ready_unit: Unit, keep_table: KeepTable) -> None:
    """Warm starts and short pauses.

    The unit starts warm, and after pauses that leave its capacitors half charged, and all of it is right then.
    """
    starts = cycling.other_starts(ready_unit, glance.lost_since)
    keep_table("warm starts", cycling.COLUMNS, [start.row() for start in starts])
    cycling.fail_on_lost(starts)
    cycling.fail_on_failed([start for start in starts if start.wrong], "")


@pytest.mark.stage("power-on")
def test_starts_alike(ready_unit: Unit, supply: UnitSupply, judge: Judge, keep_table: KeepTable) -> None:
    """Scatter of the time to ready.

    Every start of the visit was ready in time, and they were alike.
    """
    times = start_times(ready_unit)
    keep_table(*times.table())
    supply.note("time to ready", times.in_words())
    judge("largest time to ready", times.largest, ready_unit.limits.ready_time)
