"""Bisection for the edge between passing and failing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.search import Bisection, Edge, locate


def test_ride_through_is_bracketed_to_a_millisecond() -> None:
    """A unit that survives 18.4 ms is found to pass at 18 and fail at 19 ms, and so described."""
    edge = locate(Bisection(0.0, 0.1, resolution=1e-3, repeats=3), lambda duration: duration < 0.0184)
    assert edge.passes == pytest.approx(0.018)
    assert edge.fails == pytest.approx(0.019)
    assert edge.middle == pytest.approx(0.0185)
    assert edge.standard_uncertainty == pytest.approx(0.001 / math.sqrt(12.0))
    text = edge.describe(lambda seconds: f"{1e3 * seconds:.3g} ms")
    assert text == f"passes at 18 ms, fails at 19 ms, 1 ms apart (3 repeats, {edge.trials} trials)"


@given(st.floats(-1e3, 1e3), st.floats(0.01, 1e3), st.booleans(), st.floats(0.0, 1.0), st.integers(1, 4000))
def test_edge_is_always_bracketed_to_the_resolution(
    low: float,
    span: float,
    upward: bool,
    share: float,
    steps: int,
) -> None:
    """Whatever the direction, the true edge lies between passes and fails, no further apart than promised."""
    start, end = (low, low + span) if upward else (low + span, low)
    search = Bisection(start, end, resolution=span / steps)
    planned = search.most_trials
    edge = locate(search, lambda point: abs(point - start) <= share * abs(end - start) or point == start)
    assert edge.trials <= planned <= 2 + math.ceil(math.log2(steps + 1))
    assert edge.passes is not None
    if edge.fails is not None:
        assert abs(edge.fails - edge.passes) <= span / steps * (1 + 1e-6) + 1e-9
        assert abs(edge.passes - start) <= share * abs(end - start) + 1e-9
        assert abs(edge.fails - start) >= share * abs(end - start) - 1e-9
    else:
        assert share * abs(end - start) >= span - 1e-9


@given(st.integers(1, 200), st.integers(1, 5), st.data())
def test_plan_is_never_exceeded(steps: int, repeats: int, data: st.DataObject) -> None:
    """Whatever the answers, every trial shortens the plan, and the search ends when nothing is left."""
    search = Bisection(0.0, float(steps), resolution=1.0, repeats=repeats)
    left = search.most_trials
    while search.next_point() is not None:
        assert left > 0
        search.record(passed=data.draw(st.booleans()))
        assert search.most_trials < left
        left = search.most_trials
    assert left == 0


def test_points_are_whole_steps_of_the_instrument() -> None:
    """No point is asked for between two steps of the resolution."""
    search = Bisection(5.0, 15.0, resolution=0.5)
    asked = []
    while (point := search.next_point()) is not None:
        asked.append(point)
        search.record(passed=point < 9.3)
    assert all(point == round(2.0 * point) / 2.0 for point in asked)
    assert len(set(asked)) == len(asked)


def test_span_of_rounded_numbers_takes_no_extra_step() -> None:
    """0.07 in steps of 0.01 is seven steps, though the ratio is above 7 in binary; 0.35 by 0.1 takes four."""
    assert 0.07 / 0.01 > 7.0
    edge = locate(Bisection(0.0, 0.07, resolution=0.01), lambda point: point < 0.035)
    assert edge.passes == pytest.approx(0.03)
    assert edge.fails == pytest.approx(0.04)
    finer = locate(Bisection(0.0, 0.35, resolution=0.1), lambda point: point < 0.15)
    assert finer.fails is not None
    assert finer.passes is not None
    assert finer.fails - finer.passes == pytest.approx(0.0875)


def test_ends_are_tried_not_believed() -> None:
    """Failing at the good end, or passing at the bad one, is the finding, with no invented edge."""
    dead = locate(Bisection(1.0, 2.0, resolution=0.1, repeats=2), lambda _: False)
    assert dead == Edge(None, 1.0, 0.1, 2, 1)
    assert dead.describe() == "fails even at 1 (2 repeats, 1 trials)"
    strong = locate(Bisection(1.0, 2.0, resolution=0.1, repeats=2), lambda _: True)
    assert strong == Edge(2.0, None, 0.1, 2, 4)
    assert strong.describe() == "passes even at 2 (2 repeats, 4 trials)"
    assert strong.middle is dead.middle is None
    assert strong.standard_uncertainty is dead.standard_uncertainty is None


def test_one_failing_repeat_fails_the_point_and_is_reported() -> None:
    """A point that passes twice and fails once is no pass, and is reported as mixed."""
    seen: dict[float, int] = {}

    def passes(point: float) -> bool:
        seen[point] = seen.get(point, 0) + 1
        return point < 4.0 or (point == 4.0 and seen[point] < 3)

    edge = locate(Bisection(0.0, 8.0, resolution=1.0, repeats=3), passes)
    assert (edge.passes, edge.fails, edge.mixed) == (3.0, 4.0, (4.0,))
    assert edge.describe().endswith("; mixed results at 4")
    assert seen[8.0] == 1  # a point that failed is not asked again


def test_asking_twice_changes_nothing() -> None:
    """The point to try stays the same until its result is reported."""
    search = Bisection(0.0, 8.0, resolution=1.0)
    assert search.next_point() == search.next_point() == 0.0
    search.record(passed=True)
    assert search.next_point() == 8.0


def test_results_out_of_turn_are_refused() -> None:
    """No finding before the end and no result after it."""
    search = Bisection(0.0, 8.0, resolution=1.0)
    with pytest.raises(ValueError, match=r"not over; expected a result at 0\.0 first"):
        search.found()
    search.record(passed=False)
    with pytest.raises(ValueError, match="a result after the end of the search"):
        search.record(passed=False)


@pytest.mark.parametrize(
    ("start", "end", "resolution", "repeats", "words"),
    [
        (1.0, 1.0, 0.1, 1, r"a search from 1\.0 to 1\.0; expected two different"),
        (1.0, math.inf, 0.1, 1, r"a search from 1\.0 to inf"),
        (1.0, 2.0, 0.0, 1, r"resolution 0\.0; expected"),
        (1.0, 2.0, 0.1, 0, "0 repeats; expected at least 1"),
    ],
)
def test_impossible_searches_are_refused(
    start: float, end: float, resolution: float, repeats: int, words: str
) -> None:
    """A search that could not end, or find, does not begin."""
    with pytest.raises(ValueError, match=words):
        Bisection(start, end, resolution, repeats)
