"""A time that ends when the unit says so: the truth lies between the answers, however slowly they come."""

from __future__ import annotations

import random
from typing import cast

import pytest

from hilseq.analysis.limits import Limits, ReadingVerdict, decide
from hilseq.analysis.uncertainty import DecisionRule, largest_error
from hilseq.clock import Clock
from hilseq.procedures.polling import poll
from tests.standing_clock import StandingClock

LIMIT = 4.0


def _reading(ready: float, there: float, back: float, begun: float) -> tuple[float, float, bool]:
    """Return value and largest error of a unit that is ready then, and whether it would be accepted."""
    clock = StandingClock()
    clock.seconds = begun

    def done() -> bool:
        clock.seconds += there
        seen = clock.seconds >= ready
        clock.seconds += back
        return seen

    took = poll(cast("Clock", clock), done, within=2.0 * LIMIT, since=0.0, link_deadline=1.0)
    assert took is not None
    width = DecisionRule.GUARDED.guard_band(took.budget)
    accepted = decide(took.value, width, Limits(None, LIMIT)) is ReadingVerdict.CONFORMS
    return took.value, largest_error(took.standard_uncertainty), accepted


@pytest.mark.parametrize("answer", [0.0, 0.005, 0.03, 0.3], ids=lambda s: f"{1e3 * s:g} ms")
def test_the_truth_lies_between_the_answers(answer: float) -> None:
    """A unit that is ready at its limit is never accepted: the instant of a yes is no longer that of its question."""
    stream = random.Random(5)
    for _ in range(500):
        there = answer * stream.random()
        value, error, accepted = _reading(LIMIT, there, answer - there, stream.uniform(3.0, 3.5))
        assert abs(value - LIMIT) <= error + 1e-9
        assert not accepted
    assert _reading(3.0, answer, 0.0, 2.5)[2]
