"""The instants of a soak come from their number, so that nothing adds up."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.procedures.soak.record import Schedule, next_multiple
from hilseq.procedures.soak.recovery import pattern


def test_three_days_at_a_tenth_of_a_second_end_where_they_should() -> None:
    """2,592,000 periods of 0.1 s, each a little late, end at three days to the nanosecond."""
    schedule = Schedule(2.38, 0.1, 2.38 + 259_200)
    count = 0
    while not schedule.done:
        schedule.taken(schedule.instant + 0.03)
        count += 1
    assert count == 2_592_000
    assert schedule.instant == pytest.approx(2.38 + 259_200, abs=1e-9)
    assert schedule.missed == 0


@given(late=st.floats(0.0, 50.0))
def test_an_overrun_is_counted_and_never_made_up(late: float) -> None:
    """A sample that takes `late` periods longer costs as many whole ones; the grid stays where it was."""
    schedule = Schedule(0.0, 1.0, 1000.0)
    missed = schedule.taken(1.0 + late)
    assert missed == schedule.missed == int(late + 1e-6)
    assert schedule.instant == 1.0 + missed


def test_a_pause_is_no_overrun() -> None:
    schedule = Schedule(0.0, 1.0, 1000.0)
    schedule.taken(0.0)
    schedule.skip_to(32.3)
    assert (schedule.instant, schedule.missed) == (33.0, 0)
    schedule.skip_to(33.0)
    assert schedule.instant == 33.0


@given(every=st.floats(0.1, 1e5), number=st.integers(0, 1000))
def test_the_next_of_many_lies_ahead(every: float, number: int) -> None:
    assert next_multiple(number * every, every) == pytest.approx((number + 1) * every)


def test_patterns() -> None:
    outputs = ("q1", "q2", "q3")
    assert [pattern("walking", outputs, step) for step in range(4)] == [("q1",), ("q2",), ("q3",), ("q1",)]
    assert [pattern("alternate", outputs, step) for step in range(2)] == [("q1", "q3"), ("q2",)]
    assert pattern("on", outputs, 0) == outputs
    assert pattern("off", outputs, 0) == pattern("walking", (), 3) == ()
