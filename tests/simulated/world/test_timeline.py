"""Events happen in their order and at their time, however the span is cut."""

from __future__ import annotations

from math import fsum

import pytest
from hilseq_sim.world.timeline import Timeline, Timer
from hypothesis import given
from hypothesis import strategies as st


def test_events_happen_in_order_and_at_their_time() -> None:
    timeline, seen = Timeline(), []
    second = Timer(timeline, lambda: seen.append(("second", timeline.now)))
    first = Timer(timeline, lambda: seen.append(("first", timeline.now)))
    second.start(2.0)
    first.start(1.0)
    timeline.advance(10.0)
    assert seen == [("first", 1.0), ("second", 2.0)]
    assert timeline.now == 10.0


def test_a_restarted_timer_happens_once() -> None:
    timeline, seen = Timeline(), []
    timer = Timer(timeline, lambda: seen.append(timeline.now))
    timer.start(1.0)
    timer.start(3.0)
    timeline.advance(5.0)
    assert seen == [3.0]
    assert not timer.running


def test_an_event_may_start_the_next_within_the_same_advance() -> None:
    timeline, seen = Timeline(), []

    def again() -> None:
        seen.append(timeline.now)
        if len(seen) < 4:
            timer.start(0.25)

    timer = Timer(timeline, again)
    timer.start(0.25)
    timeline.advance(1.0)
    assert seen == [0.25, 0.5, 0.75, 1.0]


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_time_never_goes_backwards(seconds: float) -> None:
    with pytest.raises(ValueError, match="cannot advance"):
        Timeline().advance(seconds)


@given(st.lists(st.floats(1e-9, 1e4), min_size=1, max_size=200))
def test_many_short_steps_end_where_their_sum_does(steps: list[float]) -> None:
    timeline = Timeline()
    for step in steps:
        timeline.advance(step)
    assert timeline.now == pytest.approx(fsum(steps), rel=1e-15)
