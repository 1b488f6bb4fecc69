"""Both risks of a reading, with the population that the records know as the prior."""

from __future__ import annotations

import random
from datetime import UTC, datetime

import pytest

from hilseq.analysis.limits import Limits, ReadingVerdict, decide
from hilseq.records.history.reading import Point, risks

LIMITS, EXPANDED = Limits(0.10, 0.20), 0.01


def points(values: list[float], uncertainty: float | None = EXPANDED) -> list[Point]:
    """Return readings with these values."""
    at = datetime(2026, 1, 1, tzinfo=UTC)
    low, high = LIMITS.low, LIMITS.high
    return [Point(at, "north", "S", "r", value, low, high, "", uncertainty) for value in values]


def test_the_risks_are_those_of_units_drawn_and_measured() -> None:
    """Units drawn from the same population, measured and decided one by one, give the same shares."""
    rng = random.Random(7)
    true = [rng.gauss(0.18, 0.012) for _ in range(200_000)]
    read = [value + rng.gauss(0.0, EXPANDED / 2.0) for value in true]
    found = risks(points(read[:20_000]))
    assert found is not None
    accepted = [decide(value, EXPANDED, LIMITS) is ReadingVerdict.CONFORMS for value in read]
    pairs = list(zip(true, accepted, strict=True))
    consumer = sum(passed and value not in LIMITS for value, passed in pairs) / len(true)
    producer = sum(value in LIMITS and not passed for value, passed in pairs) / len(true)
    assert found.consumer == pytest.approx(consumer, rel=0.25)
    assert found.producer == pytest.approx(producer, rel=0.05)


def test_too_little_is_known_for_risks() -> None:
    """Few values, no uncertainty, or no scatter beyond that of the measurement: nothing is said."""
    spread = [0.15 + 0.01 * (-1) ** n for n in range(40)]
    assert risks(points(spread)) is not None
    assert risks(points(spread[:19])) is None
    assert risks(points(spread, None)) is None
    assert risks(points([0.15] * 40)) is None
