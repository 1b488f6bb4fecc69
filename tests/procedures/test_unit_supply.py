"""What the supply says of a unit's current: the reading of now, and nothing that no unit can draw."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from hilseq.clock import nothing
from hilseq.description.supplies import Supply
from hilseq.description.visit import describe_visit
from hilseq.errors import InvalidResponse
from hilseq.instruments.supply import open_supplies
from hilseq.procedures.unit_supply import UnitSupply
from tests.instruments.conftest import RawServer, SteppedClock, lines
from tests.instruments.supply_bench import Bench

STANDS = Path(__file__).resolve().parents[2] / "stands"
SLOW = 0.3

MakeFeed = Callable[[Bench], UnitSupply]


class SlowMeter(Bench):
    """A supply whose meter shows what was drawn `SLOW` seconds ago."""

    def __init__(self, clock: SteppedClock) -> None:
        super().__init__()
        self._clock = clock
        self.loads: list[tuple[float, float]] = [(0.0, self.load)]

    def draw(self, amperes: float) -> None:
        self.loads.append((self._clock.time, amperes))

    def __call__(self, line: str) -> str | None:
        self.load = [load for since, load in self.loads if since <= self._clock.time - SLOW or not since][-1]
        return super().__call__(line)


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock()


@pytest.fixture
def feed(clock: SteppedClock) -> Iterator[MakeFeed]:
    """UnitSupply a unit of the shipped kind from a small supply."""
    profile = describe_visit(STANDS / "sim-bench.yaml", {"A": STANDS / "units" / "rh16.yaml"}).profiles["A"]
    with ExitStack() as things:

        def build(bench: Bench) -> UnitSupply:
            def handler(connection: socket.socket, _: int) -> None:
                for line in lines(connection):
                    answer = bench(line)
                    if answer is not None:
                        connection.sendall(answer.encode() + b"\n")

            server = RawServer(handler)
            things.callback(server.stop)
            described = Supply.model_validate(
                {
                    "resource": server.resource,
                    "ceilings": {"voltage": "30 V", "current": "2 A"},
                    "settle": f"{SLOW} s",
                }
            )
            supply = open_supplies({"main": described}, clock)["main"]
            things.callback(supply.close)
            made = UnitSupply(supply, profile, clock, nothing, lambda _what, _words: None)
            made.prepare()
            made.on()
            return made

        yield build


def test_a_slow_meter_is_given_its_time_after_every_change_of_load(
    feed: MakeFeed, clock: SteppedClock
) -> None:
    """An average over what the unit drew before, in another mode or without its outputs, is not held against it."""
    slow = SlowMeter(clock)
    fed = feed(slow)
    clock.sleep(10.0)
    slow.draw(0.110)
    assert fed.current().value == pytest.approx(0.110)


@pytest.mark.parametrize("seen", [110.0, -0.110], ids=["in milliamperes", "the other way round"])
def test_a_current_that_nothing_can_draw_is_the_supplys(feed: MakeFeed, seen: float) -> None:
    """A supply limited to its ampere or two delivers no hundred, and none flows back: no unit is judged by that."""
    bench = Bench()
    fed = feed(bench)
    bench.load = seen
    with pytest.raises(
        InvalidResponse, match=f"supply main reads {seen:g} A, which nothing can draw"
    ) as reported:
        fed.current()
    assert reported.value.places == ("supply main",)


@pytest.mark.parametrize("seen", [0.0, -0.004, 1.5], ids=["nothing", "nothing, inexactly", "the limit"])
def test_what_a_broken_unit_draws_is_left_to_be_judged(feed: MakeFeed, seen: float) -> None:
    """Nothing at all, within the accuracy of the supply, and all that the limit lets through."""
    bench = Bench()
    fed = feed(bench)
    bench.load = seen
    assert fed.current().value == seen
