"""Patterns on points behind a real Modbus server: every kind of fault is found, named and placed."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest

from hilseq.analysis.patterns import Crosstalk, Fault, Joined, Open, Short, StuckOff, StuckOn, Swapped
from hilseq.errors import UnitFault
from hilseq.procedures.patterns import DigitalPoints, run_patterns
from tests.instruments.conftest import SteppedClock
from tests.procedures.board import SETTLE, Board

MakeBoard = Callable[..., Board]

#: What is wrong with a board of 16, and the words for it.
FAULTS: dict[str, tuple[list[Fault], str]] = {
    "stuck on": ([StuckOn(3)], "q03: stuck on, or open and read as on"),
    "stuck off": ([StuckOff(0)], "q00: stuck off, or open and read as off"),
    "open": ([Open(15, reads=True)], "q15: stuck on, or open and read as on"),
    "wired-or": ([Short(4, 11, Joined.WIRED_OR)], "q04 and q11: shorted, wired-or"),
    "wired-and": ([Short(4, 11, Joined.WIRED_AND)], "q04 and q11: shorted, wired-and"),
    "dominating": ([Short(9, 2, Joined.FIRST_DOMINATES)], "q09 and q02: shorted, the first dominates"),
    "crosstalk": ([Crosstalk(14, 1)], "q14 and q01: the second also follows the first"),
    "swapped": ([Swapped(6, 7)], "q06 and q07: swapped"),
}


@pytest.fixture
def clock() -> SteppedClock:
    """A clock that moves when somebody sleeps."""
    return SteppedClock()


@pytest.fixture
def board(clock: SteppedClock) -> Iterator[MakeBoard]:
    """Make boards, and stop them at the end: `board(16, [StuckOn(3)], late={5: 0.08})`."""
    made: list[Board] = []

    def make(size: int, faults: Sequence[Fault] = (), late: dict[int, float] | None = None) -> Board:
        made.append(Board(size, faults, {} if late is None else late, clock))
        return made[-1]

    yield make
    for each in made:
        each.stop()


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_is_named_at_its_points_and_at_no_other(
    case: str, board: MakeBoard, clock: SteppedClock
) -> None:
    """Each kind of fault is said in words at the points concerned; all others pass."""
    faults, words = FAULTS[case]
    concerned = {f"q{point:02d}" for fault in faults for point in fault.points}
    run = run_patterns(board(16, faults).outputs(), clock)
    assert run.faults() == dict.fromkeys(concerned, words)
    for name in run.names:
        if name in concerned:
            with pytest.raises(UnitFault) as caught:
                run.assert_follows(name)
            assert (str(caught.value), caught.value.places) == (words, (name,))
        else:
            run.assert_follows(name)


def test_two_faults_at_once(board: MakeBoard, clock: SteppedClock) -> None:
    """Faults that do not touch each other are distinguished."""
    run = run_patterns(board(16, [StuckOff(2), Short(8, 13)]).outputs(), clock)
    assert run.faults() == {
        "q02": "q02: stuck off, or open and read as off",
        "q08": "q08 and q13: shorted, wired-or",
        "q13": "q08 and q13: shorted, wired-or",
    }


@pytest.mark.parametrize("size", [1, 2, 3, 16, 64])
def test_good_points_of_any_number_pass(size: int, board: MakeBoard, clock: SteppedClock) -> None:
    """Nothing is said against points that follow, and every one has its delay."""
    made = board(size)
    run = run_patterns(made.outputs(), clock)
    assert run.faults() == {}
    assert set(run.delays) == set(run.names)
    assert not any(made.coils), "outputs are left on"


def test_sixty_four_points_take_a_few_seconds(board: MakeBoard, clock: SteppedClock) -> None:
    """64 points cost 14 patterns, under 2 s of settling and some 60 requests; walking takes 64 patterns."""
    made = board(64)
    run = run_patterns(made.outputs(), clock)
    assert len(run.vectors) == 14
    assert clock.time < 2.0
    assert made.requests < 80


def test_a_point_that_is_only_late_is_not_called_stuck(board: MakeBoard, clock: SteppedClock) -> None:
    """A point beyond its settling time is said to be late, and its neighbours are not dragged in."""
    run = run_patterns(board(16, late={5: 1.7 * SETTLE}).outputs(), clock)
    assert run.faults() == {"q05": "q05 follows only later than 50 ms"}


def test_a_delay_is_known_within_its_uncertainty(board: MakeBoard, clock: SteppedClock) -> None:
    """The delay of each point lies within two standard uncertainties of the true one."""
    run = run_patterns(board(8, late={3: 0.031, 4: 0.007}).outputs(), clock)
    for name, true in (("q03", 0.031), ("q04", 0.007), ("q00", 0.0)):
        delay = run.delay(name)
        assert abs(delay.value - true) <= 2 * delay.standard_uncertainty
        assert delay.standard_uncertainty < 0.002
    assert run.faults() == {}


class Varies(dict[int, float]):
    """Delays of a unit with a cycle: each time another one, between two bounds."""

    def __init__(self, low: float, high: float, seed: int) -> None:
        super().__init__()
        self._bounds, self._random = (low, high), random.Random(seed)

    def get(self, key: int, default: Any = None) -> Any:
        """Return how late a point is this time."""
        return self._random.uniform(*self._bounds) if key == 1 else default


@pytest.mark.parametrize("seed", range(4))
def test_the_longest_of_delays_that_vary_counts(board: MakeBoard, clock: SteppedClock, seed: int) -> None:
    """One of 30 ms at a time, and of 60 ms at another, is no delay of 45 ms."""
    delay = run_patterns(board(4, late=Varies(0.030, 0.060, seed)).outputs(), clock).delay("q01")
    assert delay.value - delay.expanded_uncertainty > SETTLE


def test_the_patterns_are_kept(board: MakeBoard, clock: SteppedClock) -> None:
    """The table tells each pattern asked and seen, and the points at which they differ."""
    name, columns, rows = run_patterns(board(4, [StuckOn(2)]).outputs(), clock).table("outputs")
    assert (name, columns) == ("outputs by pattern, q00 first", ["asked", "seen", "differs at"])
    assert rows[:2] == [["0000", "0010", "q02"], ["1111", "1111", ""]]


class SlowAnswers:
    """Points that are seen through answers of 1 to 300 ms; when in that time they are looked at, nobody knows."""

    def __init__(self, points: DigitalPoints, clock: SteppedClock, seed: int) -> None:
        self.names, self.settle = points.names, points.settle
        self.lag, self.longest_lag = points.lag, points.longest_lag
        self.command, self.command_at_once = points.command, points.command_at_once
        self._seen, self._clock, self._random = points.seen, clock, random.Random(seed)

    def seen(self) -> dict[str, bool]:
        """Look once, some time before the answer is there."""
        answer, before = self._random.uniform(0.001, 0.3), self._random.random()
        self._clock.sleep(before * answer)
        seen = self._seen()
        self._clock.sleep((1.0 - before) * answer)
        return seen


@pytest.mark.parametrize("seed", range(8))
def test_slow_answers_leave_no_delay_undecided(board: MakeBoard, clock: SteppedClock, seed: int) -> None:
    """A delay well inside its limit is clear of it, however few answers are quick; and it is the true one."""
    run = run_patterns(SlowAnswers(board(4, late={1: 0.010}).outputs(), clock, seed), clock)
    for name, true in (("q00", 0.0), ("q01", 0.010)):
        delay = run.delay(name)
        assert delay.value + delay.expanded_uncertainty <= SETTLE
        assert abs(delay.value - true) <= 2 * delay.standard_uncertainty


class OldPicture:
    """Points of which one look shows what the look before did, as an I/O does that was held up for a moment."""

    def __init__(self, points: DigitalPoints, number: int) -> None:
        self.names, self.settle = points.names, points.settle
        self.lag, self.longest_lag = points.lag, points.longest_lag
        self.command, self.command_at_once = points.command, points.command_at_once
        self._seen, self._left, self._last = points.seen, number, dict.fromkeys(points.names, False)

    def seen(self) -> dict[str, bool]:
        """Look, or show the last look once more when it is the turn for that."""
        self._left -= 1
        if self._left:
            self._last = self._seen()
        return self._last


@pytest.mark.parametrize("number", [2, 5, 8, 12, 31])
def test_one_old_picture_makes_no_point_late(board: MakeBoard, clock: SteppedClock, number: int) -> None:
    """In the patterns and while delays are measured; a point that is late is so again."""
    run = run_patterns(OldPicture(board(4, late={1: 0.010}).outputs(), number), clock)
    assert run.faults() == {}
    for name in run.names:
        delay = run.delay(name)
        assert delay.value + delay.expanded_uncertainty <= SETTLE
